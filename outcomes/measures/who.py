"""Who is in it: the four outcomes by age, sex, type of diabetes, site and declared covariates."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from typing import Any, Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.restriction import NO_VALUE
from outcomes.errors import UsageError, known_names
from outcomes.figures.scales import HBA1C_POINTS, PERCENT, TIME_IN_RANGE, Scale
from outcomes.measures.course_figures import draw_groups
from outcomes.measures.harm_tables import harm_tables
from outcomes.measures.harms import WEAR, all_event_rate, in_window, wear_exposure
from outcomes.measures.hba1c_models import stratified_pairs
from outcomes.measures.patient_groups import patient_groups
from outcomes.measures.range_windows import CUMULATIVE, NEW, cohort_windows
from outcomes.measures.sensor_ends import end_states, lives_in
from outcomes.measures.sensor_shares import REACHED, horizon, refusal, state_curve
from outcomes.measures.small_cells import NOT_SHOWN, SMALLEST, hidden_cells
from outcomes.measures.trajectory_rows import stated_periods
from outcomes.measures.words import with_interval
from outcomes.results import Record, Result, Show
from outcomes.statistics.change import paired_change
from outcomes.statistics.intervals import t_interval
from outcomes.tables.declared import KINDS

HBA1C: Final = "change of HbA1c"
RANGE: Final = "time in 70-180"
LASTED: Final = "reached planned removal"
HARM: Final = "harm of wear"
UNITS: Final = {
    HBA1C: "percentage points", RANGE: "% of time", LASTED: "of 100 sensors placed",
    HARM: "per 100 patient-years",
}  # fmt: skip
SCALES: Final = {
    HBA1C: HBA1C_POINTS, RANGE: TIME_IN_RANGE, LASTED: PERCENT,
    HARM: Scale(0, 200, 200, lowest=0),  # a group of few patients has wide intervals
}  # fmt: skip
DECIMALS: Final = {HBA1C: 2, RANGE: 1, LASTED: 0, HARM: 0}
FEWEST_SENSORS: Final = 10

Row = dict[str, Any]


def who(cohorts: CohortSet, *, audience: str = "clinic") -> Result:
    """How do the four outcomes look in groups of patients? A description, without any test.

    Parameters
    ----------
    cohorts : CohortSet
    audience : {"clinic", "committee", "external"}
        Decides under how many patients a cell is hidden (5, 5 and 11), with the next smallest
        where a single one would follow from the total.

    Returns
    -------
    Result
        `.table` has one row per group, cohort (or kind) and outcome: change of HbA1c at the
        primary visit (those with both draws), time in range in its period, sensors that reached
        planned removal of 100 placed, harm of wear per 100 patient-years; each with its interval,
        `n_patients` and the number behind it. Age in years at the first index date; dated facts
        as they were on it.

    Raises
    ------
    UsageError
        An unknown audience.
    """
    if audience not in SMALLEST:
        raise UsageError(known_names("audience", audience, SMALLEST))
    smallest = SMALLEST[audience]
    answers = {
        HBA1C: _hba1c_parts(cohorts),
        RANGE: _range_parts(cohorts),
        LASTED: _sensor_parts(cohorts),
        HARM: _harm_parts(cohorts),
    }
    rows = [
        row
        for name, groups in patient_groups(cohorts).items()
        for outcome, parts in answers.items()
        for cohort in KINDS
        for row in _rows(parts[cohort], groups, name, cohort, outcome, smallest)
    ]
    table = pd.DataFrame(rows, columns=_COLUMNS)
    drawn = _in_order_of_groups(table).loc[lambda rows: rows["estimate"].notna()]
    finding = _finding(table)
    return Result(
        name="who",
        title="Who is in it, and how do the outcomes look in each group?",
        table=table,
        entries=[_record(row, cohorts) for row in rows],
        finding=finding,
        caption=(
            "New patients (sensors: all of the kind placed since the plan's start) by group: HbA1c "
            f"at month {cohorts.plan.hba1c.primary_month}, time in 70-180 mg/dL (3.9-10.0 mmol/L) "
            f"in its period, sensors and harm of wear up to {cohorts.cut_off}; 95 % intervals."
        ),
        footnotes=[
            "A description: no group was randomised, nothing is adjusted, and among so many "
            "figures some differ by chance alone. A difference between groups is a question, not "
            "an answer.",
            f"Cells resting on fewer than {smallest} patients are not shown, nor one more where a "
            "single one would follow from the total.",
            "HbA1c: those with both draws. Time in range: those with a counting period. Sensors: "
            "share that reached planned removal, Aalen-Johansen by patient. Harm: all events, "
            "cluster-robust by patient, exact where there is none.",
            "In mmol/mol: points / 0.09148 (the table beside the page has both).",
        ],
        settings={"audience": audience, "smallest cell": str(smallest)},
        show={name: Show(name) for name in ("covariate", "level", "cohort", "outcome")},
        summary=_summary(table),
        drawing=partial(draw_groups, rows=drawn, scales=SCALES) if len(drawn) else None,
        alt=(
            "The four outcomes by group with 95 % intervals, one panel each; right: patients (n), "
            f"the most that any outcome rests on. {finding}"
        ),
        height=1.4 + 0.3 * max(1, len(drawn.groupby(["covariate", "level"]))),
    )


_COLUMNS: Final = [
    *("covariate", "level", "cohort", "outcome", "estimate", "conf_low", "conf_high", "unit"),
    *("estimate_mmol_mol", "n_patients", "n_units", "events", "note"),
]


# --- the outcomes, cut down to the patients of a group ------------------------------------------


class _Part:
    """What an outcome needs of one cohort; `of` gives the numbers for some patients."""

    def __init__(self, frame: pd.DataFrame, answer: Any) -> None:
        self.frame = frame
        self._answer = answer

    def of(self, ids: pd.Index) -> Row:
        return dict(self._answer(self.frame.loc[self.frame["patient_id"].isin(ids)], ids))


def _hba1c_parts(cohorts: CohortSet) -> dict[str, _Part]:
    pairs = stratified_pairs(cohorts)
    at = pairs.loc[pairs["new"] & (pairs["month"] == cohorts.plan.hba1c.primary_month)]

    def answer(rows: pd.DataFrame, _: pd.Index) -> Row:
        got = paired_change(rows, before="baseline_percent", after="percent")
        return {"estimate": got.mean, "conf_low": got.conf_low, "conf_high": got.conf_high,
                "n_patients": got.n, "n_units": len(rows), "note": got.note or ""}  # fmt: skip

    return {kind: _Part(at.loc[at["cohort"] == kind], answer) for kind in KINDS}


def _range_parts(cohorts: CohortSet) -> dict[str, _Part]:
    windows = cohort_windows(cohorts)
    period = stated_periods(cohorts.plan)[cohorts.plan.hba1c.primary_month]
    mine = (windows["population"] == CUMULATIVE) & (windows["who"] == NEW)
    at = windows.loc[mine & windows["due"] & (windows["period"] == period)]

    def answer(rows: pd.DataFrame, _: pd.Index) -> Row:
        usable = rows.loc[rows["usable"].astype(bool), "share_from_70_to_180"]
        got = t_interval(100 * usable.to_numpy(dtype=float))
        return {"estimate": got.estimate, "conf_low": got.conf_low, "conf_high": got.conf_high,
                "n_patients": len(usable), "n_units": len(rows), "note": got.note}  # fmt: skip

    return {kind: _Part(at.loc[at["cohort"] == kind], answer) for kind in KINDS}


def _sensor_parts(cohorts: CohortSet) -> dict[str, _Part]:
    start = cohorts.plan.plan.start
    ends = end_states(
        cohorts.table("sensors"), cut_off=cohorts.cut_off, rules=cohorts.plan.sensor_survival,
        died=cohorts.table("patients").set_index("patient_id")["died_on"],
        follow_up=cohorts.follow_up,
    )  # fmt: skip
    since = ends.loc[ends["placed_on"] >= pd.Timestamp(start)]
    lives = lives_in(since, first_on=start, last_on=cohorts.cut_off)

    def answer(rows: pd.DataFrame, _: pd.Index) -> Row:
        counts = {"n_patients": rows["patient_id"].nunique(), "n_units": len(rows)}
        if len(rows) < FEWEST_SENSORS:
            return {**counts, "note": f"fewer than {FEWEST_SENSORS} sensors"}
        if why := refusal(rows):
            return {**counts, "note": why}
        at = horizon(rows)
        got = state_curve(rows, at=at).at(REACHED, at.time)
        numbers = {
            name: None if pd.isna(got[name]) else 100 * float(got[name])
            for name in ("estimate", "conf_low", "conf_high")
        }
        return {**counts, **numbers, "note": got["note"] or ""}

    return {kind: _Part(lives.loc[lives["kind"] == kind], answer) for kind in KINDS}


def _harm_parts(cohorts: CohortSet) -> dict[str, _Part]:
    start = cohorts.plan.plan.start
    given = harm_tables(cohorts)
    attributed = given.found
    spans = given.spans.loc[given.spans["from_on"] >= pd.Timestamp(start)]
    parts = {}
    for kind in KINDS:
        worn = in_window(spans.loc[spans["kind"] == kind], first_on=start, last_on=cohorts.cut_off)
        named = attributed["sensor_id"].isin(worn["sensor_id"])
        events = attributed.loc[(attributed["belongs_to"] == WEAR) & named, "patient_id"]
        exposure = wear_exposure(worn)  # one row per patient, so a group's is a part of it

        def answer(rows: pd.DataFrame, ids: pd.Index, events: pd.Series = events,
                   exposure: pd.DataFrame = exposure) -> Row:  # fmt: skip
            mine = [patient for patient in events if patient in ids]
            if rows.empty:
                return {"n_patients": 0, "n_units": 0, "note": "nothing was worn"}
            if not cohorts.has("complications"):
                return {"n_patients": rows["patient_id"].nunique(), "n_units": len(rows),
                        "note": "the clinic exported no complications"}  # fmt: skip
            theirs = exposure.loc[exposure["patient_id"].isin(ids)]
            got, _, n = all_event_rate(theirs, mine, unit="patient_years", per=100)
            return {"estimate": got.estimate, "conf_low": got.conf_low, "conf_high": got.conf_high,
                    "n_patients": n, "n_units": len(rows), "events": len(mine),
                    "note": got.note}  # fmt: skip

        parts[kind] = _Part(worn, answer)
    return parts


# --- rows ---------------------------------------------------------------------------------------


def _rows(
    part: _Part, groups: pd.Series, name: str, cohort: str, outcome: str, smallest: int
) -> Iterator[Row]:
    levels = sorted(set(groups), key=lambda level: (level == NO_VALUE, _order(level)))
    found = [part.of(groups.index[groups == level]) for level in levels]
    hidden = hidden_cells([_rests_on(each, smallest) for each in found], smallest)
    for level, numbers, hide in zip(levels, found, hidden, strict=True):
        row: Row = dict.fromkeys(_COLUMNS)
        row |= {"covariate": name.replace("_", " "), "level": level, "cohort": cohort,
                "outcome": outcome, "unit": UNITS[outcome]}  # fmt: skip
        row |= {"note": NOT_SHOWN} if hide else numbers
        if outcome == HBA1C and row["estimate"] is not None:
            row["estimate_mmol_mol"] = float(row["estimate"]) / 0.09148
        if not row["n_patients"] and not hide:
            row["note"] = "nobody"
        yield row


def _rests_on(numbers: Row, smallest: int) -> int:
    """Patients of a cell; outside the clinic a small count of harm is hidden as well."""
    patients, events = int(numbers["n_patients"]), int(numbers.get("events") or 0)
    return min(patients, events) if events and smallest == SMALLEST["external"] else patients


def _in_order_of_groups(table: pd.DataFrame) -> pd.DataFrame:
    groups = list(zip(table["covariate"], table["level"], strict=True))
    places = {group: place for place, group in enumerate(dict.fromkeys(groups))}
    return table.iloc[sorted(range(len(groups)), key=lambda i: (places[groups[i]], i))]


def _order(level: object) -> tuple[int, float, str]:
    """Bands by their number, the lowest ("below", "under") first; all else by name."""
    text = str(level)
    first = text.split()[0] if text else ""
    if first in ("under", "below"):
        return 0, 0.0, text
    try:
        return 1, float(first), text
    except ValueError:
        return 1, 0.0, text


def _record(row: Row, cohorts: CohortSet) -> Record:
    month = f"month {cohorts.plan.hba1c.primary_month}"
    return Record(
        outcome="who", quantity=row["outcome"], population=CUMULATIVE, cohort=row["cohort"],
        at=month if row["outcome"] in (HBA1C, RANGE) else None,
        by={row["covariate"]: row["level"]}, estimate=row["estimate"], conf_low=row["conf_low"],
        conf_high=row["conf_high"], unit=row["unit"], method="description",
        n_patients=_count(row["n_patients"]), n_units=_count(row["n_units"]),
        events=_count(row["events"]), note=row["note"] or None,
    )  # fmt: skip


def _count(value: Any) -> int | None:
    return None if value is None else int(value)


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    lines = []
    for (covariate, level, cohort), rows in table.groupby(
        ["covariate", "level", "cohort"], sort=False
    ):
        at = rows.set_index("outcome")
        if not at["n_patients"].fillna(1).gt(0).any():
            continue
        line = {"Group": f"{covariate}: {level}", "Cohort": cohort}
        for outcome, unit in UNITS.items():
            line[f"{outcome[:1].upper()}{outcome[1:]}, {unit}"] = _cell(
                at.loc[outcome], DECIMALS[outcome]
            )
        lines.append(line)
    # Groups of one covariate stand together, cohorts side by side.
    return pd.DataFrame(lines)


def _cell(row: pd.Series, decimals: int) -> str:
    if pd.isna(row["estimate"]):
        return str(row["note"]) or "–"
    text = with_interval(
        row["estimate"], _plain(row["conf_low"]), _plain(row["conf_high"]), decimals
    )
    return f"{text}, n = {row['n_patients']:.0f}"


def _plain(value: Any) -> float | None:
    return None if pd.isna(value) else float(value)


def _finding(table: pd.DataFrame) -> str:
    shown = table.loc[(table["outcome"] == HBA1C) & table["estimate"].notna()]
    names = list(dict.fromkeys(table["covariate"]))
    if not names:
        return "Nobody is new to a kind of sensor, so there is no group to show."
    if shown.empty:
        return f"No group by {_listed(names)} holds enough patients with both draws to be shown."
    low = shown.loc[shown["estimate"].astype(float).idxmin()]
    high = shown.loc[shown["estimate"].astype(float).idxmax()]
    return (
        f"By {_listed(names)}, the change of HbA1c ran from {_of(low)} to {_of(high)}; this "
        "describes and tests nothing."
    )


def _of(row: pd.Series) -> str:
    text = with_interval(row["estimate"], _plain(row["conf_low"]), _plain(row["conf_high"]), 2)
    return f"{text} points ({row['level']}, {row['cohort']}, n = {row['n_patients']:.0f})"


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
