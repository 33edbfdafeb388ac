"""Harm after a placement and after the index date, with death competing or terminal."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.cohorts.build import CohortSet
from outcomes.figures.scales import FEW_PERCENT, drawn_values, fix_scale
from outcomes.figures.style import look
from outcomes.measures.harm_follow_up import contact_words, contacts_since_start
from outcomes.measures.harm_tables import HarmTables, harm_tables
from outcomes.measures.words import one_sentence
from outcomes.results import Record, Result, Show, interval, number
from outcomes.statistics.competing_risks import cumulative_incidence
from outcomes.statistics.recurrent_events import mean_cumulative_count
from outcomes.tables.declared import KINDS
from outcomes.units import counted

HARM: Final = "harm"
DIED: Final = "died"
GONE: Final = "out of the body"
CENSORED: Final = "censored"
INCIDENCE: Final = "placements with a harm by then"
COUNT: Final = "harms per 100 patients by then"
NO_TABLE: Final = "not estimable: the study has no complications table"
_COLUMNS = [
    *("quantity", "cohort", "day", "estimate", "conf_low", "conf_high", "unit", "events"),
    *("n_units", "n_patients", "n_at_risk", "method", "note"),
]


def harm_over_time(cohorts: CohortSet) -> Result:
    """By which day after a placement has harm come, and how many harms has a patient had?

    Two quantities of each kind of sensor, at the plan's days. *Placements with a harm*: the first
    harm that names the sensor, of its procedures or its wear; death competes, and so does the end
    of the days in which harm is still attributed (the plan's days after the sensor left the
    body), so that the figure is of all placements and not of those that would have stayed. *Harms
    per 100 patients*: all harms of a new patient's sensors of the kind since the index date;
    after a death there are no more, and the dead stay in the denominator.

    Parameters
    ----------
    cohorts : CohortSet

    Returns
    -------
    Result
        `.table`: `quantity`, `cohort`, `day`, `estimate`, `conf_low`, `conf_high`, `unit`,
        `events`, `n_units`, `n_patients`, `n_at_risk`, `method`, `note`. Intervals by patient.
    """
    given = harm_tables(cohorts)
    days = list(cohorts.plan.complications.horizon_days)
    rows: list[dict[str, Any]] = []
    curves: dict[str, pd.DataFrame] = {}
    sizes: dict[str, int] = {}
    for kind in KINDS:
        lives = placement_lives(cohorts, given, kind)
        rows += _incidence_rows(lives, kind, days)
        sizes[kind] = len(lives)
        if len(lives) and (lives["state"] == HARM).any():
            curves[kind] = _curve(lives, max(days), cohorts.plan.sensor_survival.smallest_at_risk)
        rows += _count_rows(patient_spells(cohorts, given, kind), kind, days)
    if not cohorts.has("complications"):
        blank = dict.fromkeys(("estimate", "conf_low", "conf_high", "events"))
        rows, curves = [row | blank | {"note": NO_TABLE} for row in rows], {}
    counts = dict.fromkeys(("events", "n_units", "n_patients", "n_at_risk"), "Int64")
    table = pd.DataFrame(rows, columns=_COLUMNS).astype(counts)
    finding = _finding(table, days, has_table=cohorts.has("complications"))
    return Result(
        name="harm_over_time",
        title="When after a placement does harm come?",
        table=table,
        entries=[_record(row) for row in table.to_dict("records")],
        finding=finding,
        caption=(
            f"Harm by day. Placements since {cohorts.plan.plan.start} to {cohorts.cut_off}, and "
            "patients new to the kind. 95 % intervals by patient."
        ),
        footnotes=[
            "Placements: death and the end of the days in which harm is attributed compete, so "
            "that each figure is a share of all placements.",
            "Patients: a death ends the harms and not the patient's place in the denominator. "
            "The kinds are "
            "described, since patients seen more often report more harm. "
            + contact_words(contacts_since_start(cohorts)),
        ],
        show=_SHOW,
        summary=_summary(table),
        drawing=partial(_draw, curves=curves, sizes=sizes, last=max(days)) if curves else None,
        alt=f"Share of placements with a harm by day, by kind of sensor. {finding}",
        height=2.9,
    )


_SHOW = {
    "quantity": Show("Quantity"), "cohort": Show("Kind"), "day": Show("Day", 0),
    "estimate": Show("Estimate", 1), "conf_low": Show("95 % low", 1),
    "conf_high": Show("95 % high", 1), "unit": Show("Unit"), "events": Show("Events", 0),
    "n_units": Show("n", 0), "n_patients": Show("Patients (n)", 0),
    "n_at_risk": Show("Still at risk", 0), "note": Show("Note"),
}  # fmt: skip


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    """One line a quantity and day, the kinds side by side."""
    lines: dict[tuple[str, int], dict[str, str]] = {}
    for row in table.to_dict("records"):
        lines.setdefault((row["quantity"], row["day"]), {})[row["cohort"]] = _cell(row)
    return pd.DataFrame(
        [
            {
                "What": f"{what}, %" if what == INCIDENCE else what,
                "Day": str(day),
                **{kind.capitalize(): cells[kind] for kind in KINDS},
            }
            for (what, day), cells in lines.items()
        ]
    )


def _cell(row: dict[str, Any]) -> str:
    if pd.isna(row["estimate"]):
        return str(row["note"])
    low, high = (None if pd.isna(row[name]) else row[name] for name in ("conf_low", "conf_high"))
    counts = (
        f"{counted(row['events'], 'event')}, n = {row['n_units']}, {row['n_at_risk']} still at risk"
    )
    return f"{number(row['estimate'])} ({interval(low, high)}; {counts})"


def placement_lives(cohorts: CohortSet, given: HarmTables, kind: str) -> pd.DataFrame:
    """Return each placement's time to its first harm, or to what ended the time it could come.

    Returns
    -------
    DataFrame, one row per sensor of the kind placed since the plan's start
        `patient_id`, `sensor_id`, `entry` (-1), `exit` (days since placement), `state` ("harm",
        "died", "out of the body", "censored").
    """
    start = pd.Timestamp(cohorts.plan.plan.start)
    rows = given.spans.loc[(given.spans["kind"] == kind) & (given.spans["placed_on"] >= start)]
    rows = rows.reset_index(drop=True)
    first = given.of_sensors.groupby("sensor_id")["onset_on"].min()
    harm = pd.to_datetime(rows["sensor_id"].map(first))
    harm = harm.where(harm >= rows["placed_on"])
    after = pd.Timedelta(days=cohorts.plan.complications.after_removal_days)
    over = rows["left_body_on"] + after
    death = pd.to_datetime(rows["patient_id"].map(given.died))
    # A lost patient was watched until last seen: nobody knows of harm after it.
    followed = cohorts.follow_up.set_index("patient_id")["follow_up_to"]
    seen_to = pd.to_datetime(rows["patient_id"].map(followed))
    last = seen_to.where(seen_to > rows["to_on"], rows["to_on"])
    end = pd.concat([over, death, last, harm], axis=1).min(axis=1)
    state = np.select([harm == end, death == end, over == end], [HARM, DIED, GONE], CENSORED)
    return pd.DataFrame(
        {
            "patient_id": rows["patient_id"], "sensor_id": rows["sensor_id"], "entry": -1,
            "exit": (end - rows["placed_on"]).dt.days, "state": state,
        }
    )  # fmt: skip


def _incidence_rows(lives: pd.DataFrame, kind: str, days: list[int]) -> list[dict[str, Any]]:
    head = {
        "quantity": INCIDENCE, "cohort": kind, "unit": "% of placements", "n_units": len(lives),
        "n_patients": int(lives["patient_id"].nunique()),
        "method": "Aalen-Johansen, by patient",
    }  # fmt: skip
    if lives.empty:
        note = f"not estimable: no {kind} sensor was placed"
        return [head | {"day": day, "note": note} for day in days]
    found = cumulative_incidence(
        lives, times=days, cluster="patient_id", states=[HARM, DIED, GONE]
    ).table
    mine = found.loc[found["state"] == HARM]
    return [
        head | _known(row, 100.0) | {"day": int(row["time"]), "n_at_risk": row["n_at_risk"]}
        for row in mine.to_dict("records")
    ]


def _known(row: dict[str, Any], factor: float) -> dict[str, Any]:
    """Estimate, limits, events and note of a row; what does not exist is None."""
    values: dict[str, Any] = {
        name: None if pd.isna(row[name]) else factor * float(row[name])
        for name in ("estimate", "conf_low", "conf_high")
    }
    return values | {"events": int(row["events"]), "note": row["note"]}


def patient_spells(cohorts: CohortSet, given: HarmTables, kind: str) -> pd.DataFrame:
    """Return each new patient's follow-up since the index date, cut at every day with harm.

    Returns
    -------
    DataFrame, one row per stretch
        `patient_id`, `entry`, `exit` (days since the index date), `events` (harms at `exit` of
        sensors of the kind), `died` (at `exit`).
    """
    new = cohorts.new(kind)
    harms = given.of_sensors.loc[given.of_sensors["kind"] == kind]
    both = harms[["patient_id", "onset_on"]].merge(new, on="patient_id", how="inner")
    day = (both["onset_on"] - both["index_date"]).dt.days
    inside = (day >= 0) & (both["onset_on"] <= both["follow_up_to"])
    counts = day[inside].groupby([both["patient_id"][inside], day[inside]]).size()
    rows: list[tuple[str, float, float, int, bool]] = []
    for one in new.itertuples():
        last = float((one.follow_up_to - one.index_date).days)
        mine = counts[one.patient_id] if one.patient_id in counts.index else pd.Series(dtype=int)
        before = -1.0
        dead = one.follow_up_end == "died"
        for at in sorted({*map(float, mine.index), last}):
            rows.append(
                (one.patient_id, before, at, int(mine.get(at, 0)), bool(dead and at == last))
            )
            before = at
    return pd.DataFrame(rows, columns=["patient_id", "entry", "exit", "events", "died"])


def _count_rows(spells: pd.DataFrame, kind: str, days: list[int]) -> list[dict[str, Any]]:
    n = int(spells["patient_id"].nunique())
    head = {
        "quantity": COUNT, "cohort": kind, "unit": "per 100 patients", "n_units": n,
        "n_patients": n, "method": "mean cumulative count with death, by patient",
    }  # fmt: skip
    if not n:
        note = f"not estimable: nobody is new to {kind} sensors"
        return [head | {"day": day, "note": note} for day in days]
    found = mean_cumulative_count(
        spells, subject="patient_id", at=[float(day) for day in days], origin=-1.0
    ).table
    return [
        head | _known(row, 100.0) | {"day": int(row["time"]), "n_at_risk": row["at_risk"]}
        for row in found.to_dict("records")
    ]


def _curve(lives: pd.DataFrame, last: int, fewest: int) -> pd.DataFrame:
    found = cumulative_incidence(
        lives, times=np.arange(last + 1), cluster="patient_id", states=[HARM, DIED, GONE]
    ).table
    mine = found.loc[(found["state"] == HARM) & (found["n_at_risk"] >= fewest)]
    return mine.dropna(subset=["estimate"]).reset_index(drop=True)


def _finding(table: pd.DataFrame, days: list[int], *, has_table: bool) -> str:
    if not has_table:
        return "Harm over time cannot be told, because the study has no complications table."
    day = days[min(1, len(days) - 1)]
    rows = table.loc[(table["quantity"] == INCIDENCE) & (table["day"] == day)]
    return one_sentence([_words(row) for row in rows.to_dict("records")])


def _words(row: dict[str, Any]) -> str:
    who = f"of {counted(row['n_units'], row['cohort'] + ' placement')}"
    if pd.isna(row["estimate"]):
        return f"{who} no share with harm by day {row['day']} can be told ({row['note']})"
    limits = "no interval"
    if pd.notna(row["conf_low"]):
        limits = f"95 % interval {interval(row['conf_low'], row['conf_high'])}"
    return f"{who} {number(row['estimate'])} % had a harm by day {row['day']} ({limits})"


def _record(row: dict[str, Any]) -> Record:
    plain: dict[str, Any] = {name: None if pd.isna(v) else v for name, v in row.items()}
    return Record(
        outcome="complications", quantity=plain["quantity"], population="cumulative",
        cohort=plain["cohort"], at=f"day {plain['day']}", estimate=plain["estimate"],
        conf_low=plain["conf_low"], conf_high=plain["conf_high"],
        n_patients=plain["n_patients"], n_units=plain["n_units"], events=plain["events"],
        unit=plain["unit"], method=plain["method"], note=plain["note"] or None,
    )  # fmt: skip


def _draw(ax: Axes, *, curves: dict[str, pd.DataFrame], sizes: dict[str, int], last: int) -> None:
    """One step curve a kind with its band, named at its end with its placements."""
    for kind, curve in curves.items():
        if curve.empty:
            continue
        style = look(kind)
        ax.step(curve["time"], 100 * curve["estimate"], where="post", color=style.colour,
                linestyle=style.line)  # fmt: skip
        ax.fill_between(
            curve["time"], 100 * curve["conf_low"], 100 * curve["conf_high"], step="post",
            color=style.colour, alpha=0.15, linewidth=0,
        )  # fmt: skip
        ax.annotate(
            f"{kind},\nn = {sizes[kind]:,}",
            (float(curve["time"].iloc[-1]), 100 * float(curve["estimate"].iloc[-1])),
            xytext=(5, 0), textcoords="offset points", va="center", fontsize="small",
            annotation_clip=False,
        )  # fmt: skip
    ax.set_xlim(0, last)
    ax.set_xlabel("days since placement")
    ax.set_ylabel("% of placements with a harm")
    every = [100 * drawn_values(curve) for curve in curves.values()]
    fix_scale(ax, "y", FEW_PERCENT, np.concatenate(every), room=(0.0, 0.02))
