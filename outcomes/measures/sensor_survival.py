"""Do sensors last until their planned removal, and what takes the others?"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import pandas as pd
from matplotlib.axes import Axes

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.flow import NOT_RECORDED
from outcomes.errors import UsageError, known_names
from outcomes.figures.style import INK, SHADES, cohort_order, look
from outcomes.measures.sensor_ends import (
    SET_ASIDE,
    UNKNOWN,
    WORKING,
    end_states,
    lives_in,
)
from outcomes.measures.sensor_shares import (
    HEADS,
    LOST,
    RATE,
    REACHED,
    horizon,
    loss_rates,
    reached_curve,
    shares,
)
from outcomes.measures.words import one_sentence
from outcomes.results import Record, Result, Show, interval, number
from outcomes.statistics.survival import number_at_risk
from outcomes.tables.declared import KINDS

GROUPINGS = ("model", "lot", "body_site", "planned_days")
_PER_100 = "of 100 sensors placed"
_PER_YEAR = "per patient-year of wear"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class SensorSurvivalResult(Result):
    """The result of `sensor_survival`, with the frames behind it.

    Attributes
    ----------
    ends : DataFrame, one row per sensor placed up to the cut-off
        See `outcomes.measures.sensor_ends.end_states`.
    curves : DataFrame, one row per kind, group and step
        `kind`, `group`, `time`, `share_of_planned`, `estimate`, `conf_low`, `conf_high`,
        `n_at_risk`: the share still working or removed as planned, cumulative population.
    at_risk : DataFrame, one row per kind, group and time shown
        `kind`, `group`, `share_of_planned`, `n_at_risk`.
    """

    ends: pd.DataFrame
    curves: pd.DataFrame
    at_risk: pd.DataFrame


def sensor_survival(cohorts: CohortSet, *, by: str | None = None) -> SensorSurvivalResult:
    """Of 100 sensors placed, how many reached planned removal, and what became of the others?

    All sensors of a kind count, whoever wears them. Two populations: *cumulative* (placed since
    the plan's start) and *quarter* (what was worn in this quarter, sensors in place at its start
    included with late entry).

    Parameters
    ----------
    cohorts : CohortSet
    by : {"model", "lot", "body_site", "planned_days"}, optional
        Show each level of this column apart.

    Returns
    -------
    SensorSurvivalResult
        `.table` has one row per population, kind, group and quantity: `population`, `kind`,
        `group`, `quantity`, `reason`, `at`, `estimate`, `conf_low`, `conf_high`, `unit`,
        `n_units` (sensors), `n_patients`, `events`, `n_at_risk`, `exposure` (patient-years),
        `method`, `note`. Of 100 placed: reached planned removal (still working, or removed as
        planned within the grace), lost by reason, taken out early, patient died, end not known,
        adding to 100 on the eve of the planned day; bounds where ends are unknown or undated;
        the Kaplan-Meier curve; losses per patient-year, exact and clustered.

    Raises
    ------
    UsageError
        `by` is not one of the groupings.

    Notes
    -----
    Aalen-Johansen with late entry; infinitesimal-jackknife variance summed by patient, limits on
    the log(-log) scale of the printed probability. See `outcomes.statistics.competing_risks`.
    """
    if by is not None and by not in GROUPINGS:
        raise UsageError(known_names("grouping of sensors", by, GROUPINGS))
    rules, patients = cohorts.plan.sensor_survival, cohorts.table("patients")
    smallest = rules.smallest_at_risk
    ends = end_states(
        cohorts.table("sensors"),
        cut_off=cohorts.cut_off,
        rules=rules,
        died=patients.set_index("patient_id")["died_on"],
        follow_up=cohorts.follow_up,
    )
    ends["kind"] = ends["kind"].astype(object).where(ends["kind"].notna(), NOT_RECORDED)
    start = cohorts.plan.plan.start
    since_start = ends["placed_on"] >= pd.Timestamp(start)
    populations = {
        "cumulative": lives_in(ends.loc[since_start], first_on=start, last_on=cohorts.cut_off),
        "quarter": lives_in(ends, first_on=cohorts.span.first_on, last_on=cohorts.span.last_on),
    }
    kinds = cohort_order([*KINDS, *ends["kind"]])
    rows = [
        row
        for population, lives in populations.items()
        for kind in kinds
        for row in _kind_rows(lives.loc[lives["kind"] == kind], population, kind, by, smallest)
    ]
    table = pd.DataFrame(rows).reset_index(drop=True)
    curves = _curves(populations["cumulative"], kinds, by, smallest)
    at_risk = _at_risk(populations["cumulative"], kinds, by)
    finding = _finding(table, kinds, str(start))
    return SensorSurvivalResult(
        name="sensor_survival" + (f"_by_{by}" if by else ""),
        title="Sensor survival to planned removal",
        table=table,
        entries=[_record(row, by) for row in table.to_dict("records")],
        finding=finding,
        caption=(
            f"Of 100 sensors placed, by kind, on the eve of the planned day; cumulative: placed "
            f"{start} to {cohorts.cut_off}; this quarter: worn {cohorts.span}, with late entry. "
            "95 % intervals."
        ),
        footnotes=_footnotes(ends.loc[since_start], populations, cohorts),
        settings=_settings(cohorts),
        show=_SHOW,
        drawing=partial(_draw, curves=curves, at_risk=at_risk) if len(curves) else None,
        alt=_alt(finding, curves, smallest),
        height=4.2,
        ends=ends,
        curves=curves,
        at_risk=at_risk,
    )


_SHOW = {
    "population": Show("Population"),
    "kind": Show("Sensors"),
    "group": Show("Group"),
    "what": Show("What became of them"),
    "estimate": Show("Estimate", 2),
    "conf_low": Show("95 % low", 2),
    "conf_high": Show("95 % high", 2),
    "unit": Show("Unit"),
    "events": Show("Events", 0),
    "n_units": Show("Sensors (n)", 0),
    "n_patients": Show("Patients (n)", 0),
    "at": Show("Read at"),
    "note": Show("Note"),
}


def _groups(lives: pd.DataFrame, by: str | None) -> list[tuple[str, pd.DataFrame]]:
    """Return the whole, then each group; several planned lives always stand apart in days too."""
    whole = [("all", lives)]
    column = by
    if by is None:
        if lives["planned_days"].nunique() < 2:
            return whole
        column = "planned_days"
    level = lives[column].astype(object).where(lives[column].notna(), NOT_RECORDED).map(str)
    names = sorted(set(level), key=lambda name: (name == NOT_RECORDED, len(name), name))
    if column == "planned_days":
        return whole + [(f"planned for {name} days", lives.loc[level == name]) for name in names]
    return whole + [(name, lives.loc[level == name]) for name in names]


def _kind_rows(
    lives: pd.DataFrame, population: str, kind: str, by: str | None, smallest: int
) -> list[dict[str, object]]:
    return [
        {"population": population, "kind": kind, "group": group, **row}
        for group, part in _groups(lives, by)
        for row in _group_rows(part, smallest)
    ]


def _group_rows(lives: pd.DataFrame, smallest: int) -> list[dict[str, object]]:
    counts = {"n_units": len(lives), "n_patients": int(lives["patient_id"].nunique())}
    if lives.empty:
        return [
            {
                "quantity": REACHED, "reason": "", "what": REACHED, "at": None, "estimate": None,
                "conf_low": None, "conf_high": None, "unit": _PER_100, **counts, "events": 0,
                "n_at_risk": 0, "exposure": 0.0, "method": "",
                "note": "not estimable: no sensor at risk",
            }
        ]  # fmt: skip
    rows = []
    for row in shares(lives, smallest_at_risk=smallest).to_dict("records"):
        scaled = {name: _times(row[name], 100) for name in ("estimate", "conf_low", "conf_high")}
        what = f"{row['quantity']}: {row['reason']}" if row["reason"] else row["quantity"]
        rows.append({**row, **scaled, **counts, "what": what, "unit": _PER_100, "exposure": None})
    for row in loss_rates(lives).to_dict("records"):
        plain = {name: _times(row[name], 1) for name in ("estimate", "conf_low", "conf_high")}
        rows.append(
            {
                **row, **plain, **counts, "what": row["quantity"], "reason": "", "at": None,
                "unit": _PER_YEAR, "n_at_risk": None,
            }
        )  # fmt: skip
    return [{name: row[name] for name in _COLUMNS} for row in rows]


_COLUMNS = [
    *("quantity", "reason", "what", "at", "estimate", "conf_low", "conf_high", "unit"),
    *("n_units", "n_patients", "events", "n_at_risk", "exposure", "method", "note"),
]


def _times(value: object, factor: float) -> float | None:
    if value is None or pd.isna(value):
        return None
    return float(value) * factor  # type: ignore[arg-type]


def _whole(value: object) -> int | None:
    return None if value is None or pd.isna(value) else int(value)  # type: ignore[call-overload]


def _record(row: dict[str, object], by: str | None) -> Record:
    groups = {"reason": str(row["reason"])} if row["reason"] else {}
    if row["group"] != "all":
        groups[by or "planned_days"] = str(row["group"])
    return Record(
        outcome="sensor_survival",
        quantity=str(row["quantity"]),
        population=str(row["population"]),
        cohort=str(row["kind"]),
        at=None if row["at"] is None else str(row["at"]),
        by=groups,
        estimate=_times(row["estimate"], 1),
        conf_low=_times(row["conf_low"], 1),
        conf_high=_times(row["conf_high"], 1),
        n_patients=_whole(row["n_patients"]),
        n_units=_whole(row["n_units"]),
        events=_whole(row["events"]),
        exposure=_times(row["exposure"], 1),
        unit=str(row["unit"]),
        method=str(row["method"]),
        note=str(row["note"]) or None,
    )


def _finding(table: pd.DataFrame, kinds: Sequence[str], start: str) -> str:
    return one_sentence([_kind_words(table, kind, start) for kind in kinds])


def _kind_words(table: pd.DataFrame, kind: str, start: str) -> str:
    mine = table.loc[
        (table["population"] == "cumulative") & (table["kind"] == kind) & (table["group"] == "all")
    ]
    whole = mine.loc[mine["reason"] == ""].set_index("quantity")
    reached = whole.loc[REACHED]
    n = f"n = {reached['n_units']} sensors of {reached['n_patients']} patients"
    if not reached["n_units"]:
        return f"no {kind} sensor was placed since {start}"
    if _times(reached["estimate"], 1) is None:
        rate = whole.loc[RATE]
        return (
            f"whether {kind} sensors last to planned removal is not estimable yet ({n}: "
            f"{reached['note']}); {rate['events']} were lost, {number(rate['estimate'], 2)} "
            f"({interval(rate['conf_low'], rate['conf_high'], 2)}) {_PER_YEAR}."
        )
    lost = whole.loc[LOST]
    return (
        f"of 100 {kind} sensors placed since {start}, {_with_interval(reached)} reached planned "
        f"removal and {_with_interval(lost)} were lost before it ({n})"
    )


def _with_interval(row: pd.Series) -> str:
    low, high = _times(row["conf_low"], 1), _times(row["conf_high"], 1)
    limits = "no interval" if low is None else f"95 % interval {interval(low, high)}"
    return f"{number(row['estimate'])} ({limits})"


def _settings(cohorts: CohortSet) -> dict[str, str]:
    rules = cohorts.plan.sensor_survival
    grace = {
        f"grace, {kind}": f"{rules.grace_before_days(kind)} days before to "
        f"{rules.grace_after_days(kind)} after the planned day"
        for kind in KINDS
    }
    return {
        "plan start": str(cohorts.plan.plan.start),
        "cut-off": str(cohorts.cut_off),
        **grace,
        "curves stop below": f"{rules.smallest_at_risk} sensors at risk",
    }


def _footnotes(
    since: pd.DataFrame, populations: dict[str, pd.DataFrame], cohorts: CohortSet
) -> list[str]:
    lives, quarter = populations["cumulative"], populations["quarter"]
    start = pd.Timestamp(cohorts.plan.plan.start)
    from_removal = int((since["end_from"] == "removed").sum())
    no_end = int(((since["state"] == WORKING) & since["end_on"].isna()).sum())
    beyond = since.loc[since["days_beyond"] > 0, "days_beyond"]
    notes = [
        "All sensors of a kind count, whoever wears them. A sensor's time ends on the day it "
        f"stopped, else was removed ({from_removal} ends taken from the removal), else with the "
        f"patient's death ({int((since['end_from'] == 'death').sum())}).",
        "Lost = sensor failure, detached, infection, skin reaction or other complication on any "
        "day before the planned day. Taken out early = patient choice, medical need, or a planned "
        f"removal before the grace ({int(since['flagged'].sum())} flagged). Reached = still "
        "working on the eve of the planned day, or a planned removal within the grace.",
        f"Five states add to 100: {'; '.join(HEADS)}.",
        "Aalen-Johansen; variance by infinitesimal jackknife summed by patient, limits on the "
        "log(-log) scale. Kaplan-Meier, second, answers another question: what if none had been "
        "taken out early; unknown ends and planned removals censor there.",
        "Read at risk just before the events of a day; a sensor placed in the window enters at "
        "day -1, one in place before it on the day before the window.",
        f"{int((lives['state'] == UNKNOWN).sum())} ends are unknown, and "
        f"{int(lives['undated'].sum())} sensors have no dated end because their patient was lost "
        "or the day was not written down; bounds count all or none of them as losses.",
        f"Still in place at the cut-off censors. {no_end} sensors have passed their planned day "
        "without a recorded end and count as working on it.",
        f"Time beyond the planned day is no part of the curves: {_beyond(beyond)}.",
        f"This quarter includes {int((quarter['placed_on'] < start).sum())} sensors placed before "
        "the plan's start.",
        f"{RATE.capitalize()}: exact (Garwood) interval, and the same clustered by patient; "
        "overlapping sensors of a patient give patient-years once, a sensor placed and ended on "
        "one day half a day.",
    ]
    wrong = int((since["state"] == SET_ASIDE).sum())
    if wrong:
        notes.append(f"{wrong} sensors that ended before they were placed are left out.")
    if any(len(part["planned_days"].unique()) > 1 for _, part in lives.groupby("kind")):
        notes.append(
            "Several planned lives of one kind are pooled on the share of planned life, and "
            "shown apart in days."
        )
    return notes


def _beyond(days: pd.Series) -> str:
    if days.empty:
        return "no sensor has any"
    return f"{len(days)} sensors have some, median {number(float(days.median()), 0)} days"


def _alt(finding: str, curves: pd.DataFrame, smallest: int) -> str:
    if curves.empty:
        return finding
    return (
        "Step curves of the share of sensors still working or removed as planned, by kind, over "
        f"the share of planned life, ending where fewer than {smallest} are at risk. {finding}"
    )


def _curve_groups(
    lives: pd.DataFrame, kinds: Sequence[str], by: str | None
) -> list[tuple[str, str, pd.DataFrame]]:
    """The curves that are drawn: one a kind, or one a level where levels were asked for."""
    found = []
    for kind in kinds:
        mine = lives.loc[lives["kind"] == kind]
        groups = _groups(mine, by)[1:] if by else [("all", mine)]
        found += [(kind, group, part) for group, part in groups if len(part)]
    return found


def _curves(
    lives: pd.DataFrame, kinds: Sequence[str], by: str | None, smallest: int
) -> pd.DataFrame:
    parts = []
    for kind, group, part in _curve_groups(lives, kinds, by):
        curve = reached_curve(part, smallest_at_risk=smallest)
        scale = 1.0 if horizon(part).pooled else float(part["planned_days"].iloc[0])
        share = curve["time"] / scale
        curve = curve.assign(kind=kind, group=group, share_of_planned=share)
        if len(curve) and (part["exit"] >= part["planned_days"]).sum() >= smallest:
            # Enough are still at risk on the planned day, so the last step reaches it.
            curve = pd.concat([curve, curve.tail(1).assign(share_of_planned=1.0)])
        parts.append(curve)
    parts = [part for part in parts if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


_MARKS = (0.0, 0.25, 0.5, 0.75, 1.0)


def _at_risk(lives: pd.DataFrame, kinds: Sequence[str], by: str | None) -> pd.DataFrame:
    parts = []
    for kind, group, part in _curve_groups(lives, kinds, by):
        planned = part["planned_days"].astype(float)
        clock = pd.DataFrame({"entry": part["entry"] / planned, "exit": part["exit"] / planned})
        table = number_at_risk(clock.assign(state="censored"), times=_MARKS)
        parts.append(
            pd.DataFrame(
                {
                    "kind": kind, "group": group, "share_of_planned": table["time"],
                    "n_at_risk": table["n_at_risk"],
                }
            )
        )  # fmt: skip
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _draw(ax: Axes, *, curves: pd.DataFrame, at_risk: pd.DataFrame) -> None:
    """Steps by kind with their intervals, named at their ends, and the numbers at risk beneath."""
    groups = list(curves.groupby(["kind", "group"], sort=False))
    names, heights = [], []
    for place, ((kind, group), curve) in enumerate(groups):
        style = look(kind)
        colour = style.colour if group == "all" else SHADES[place % len(SHADES)]
        x, y = 100 * curve["share_of_planned"], 100 * curve["estimate"]
        ax.step(x, y, where="post", color=colour, linestyle=style.line)
        ax.fill_between(
            x, 100 * curve["conf_low"], 100 * curve["conf_high"], step="post",
            color=colour, alpha=0.15, linewidth=0,
        )  # fmt: skip
        name = kind if group == "all" else f"{kind}, {group}"
        names.append(f"{name} {number(float(y.iloc[-1]), 0)}")
        heights.append(float(y.iloc[-1]))
    lowest = 100 * float(curves[["estimate", "conf_low"]].min(axis=None))
    floor = max(0.0, 10.0 * math.floor(lowest / 10))
    ax.set_ylim(floor, 101)
    for name, height in zip(names, _apart(heights, gap=(101 - floor) / 16), strict=True):
        ax.annotate(
            name, (100, height), xytext=(5, 0), textcoords="offset points", va="center",
            color=INK, annotation_clip=False,
        )  # fmt: skip
    ax.set_xlim(0, 100)
    ax.set_ylabel("of 100 placed, still working\nor removed as planned")
    ax.set_xlabel("share of planned life, %")
    _write_at_risk(ax, at_risk)


def _apart(heights: list[float], *, gap: float) -> list[float]:
    """Move labels up until neighbours stand `gap` apart, keeping their order.

    Examples
    --------
    >>> _apart([81.0, 80.0, 90.0], gap=3.0)
    [83.0, 80.0, 90.0]
    """
    moved = list(heights)
    order = sorted(range(len(heights)), key=lambda i: heights[i])
    for below, above in itertools.pairwise(order):
        moved[above] = max(moved[above], moved[below] + gap)
    return moved


def _write_at_risk(ax: Axes, at_risk: pd.DataFrame) -> None:
    ax.annotate(
        "At risk", (0, 0), xytext=(-6, -46), xycoords="axes fraction", fontsize="small",
        textcoords="offset points", ha="right", annotation_clip=False,
    )  # fmt: skip
    for line, ((kind, group), rows) in enumerate(at_risk.groupby(["kind", "group"], sort=False)):
        depth = -58 - 12 * line
        name = kind if group == "all" else f"{kind}, {group}"
        ax.annotate(
            name, (0, 0), xytext=(-14, depth), xycoords="axes fraction", fontsize="small",
            textcoords="offset points", ha="right", annotation_clip=False,
        )  # fmt: skip
        for row in rows.itertuples():
            ax.annotate(
                str(row.n_at_risk), (float(row.share_of_planned), 0), xytext=(0, depth),
                xycoords="axes fraction", textcoords="offset points", ha="center",
                fontsize="small", annotation_clip=False,
            )  # fmt: skip
