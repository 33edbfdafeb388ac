"""How many patients are at the glucose target of their own group, and without too many lows."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.states import state_on
from outcomes.figures.style import cohort_order
from outcomes.measures.course_figures import draw_shares
from outcomes.measures.meaning import PERSON_POINTS, meaningful
from outcomes.measures.range_windows import CUMULATIVE, NEW, cohort_windows
from outcomes.measures.trajectory_rows import OUTCOME, stated_periods
from outcomes.measures.words import with_interval
from outcomes.results import Record, Result, Show, interval, number
from outcomes.statistics.intervals import proportion
from outcomes.tables.declared import STATE_TARGET

SOURCE: Final = "Battelino T et al. Diabetes Care 2019;42:1593-1603"
IN_RANGE: Final = "in range at the target of their group"
LOWS: Final = "lows within the target of their group"
BOTH: Final = "in range and lows both at target"
ANY_GAIN: Final = f"gained {PERSON_POINTS:g} points or more since before"
GAIN: Final = f"gained {PERSON_POINTS:g} points or more since before, without more time below 70"
# Shorter, for the figure.
LABELS: Final = {
    IN_RANGE: "in range at target", LOWS: "lows within target", BOTH: "both",
    ANY_GAIN: f"gained {PERSON_POINTS:g} points", GAIN: "the same without\nmore lows",
}  # fmt: skip

Row = dict[str, Any]


@dataclass(frozen=True)
class Target:
    """Targets of one group, as fractions of time: more than `above` in range, less in the lows."""

    group: str
    in_range: str
    above: float
    lows: tuple[tuple[str, float], ...]

    @property
    def words(self) -> str:
        """The target in words, in both units."""
        ranges = {"share_from_70_to_180": "70-180 mg/dL (3.9-10.0 mmol/L)",
                  "share_from_63_to_140": "63-140 mg/dL (3.5-7.8 mmol/L)"}  # fmt: skip
        lows = {"share_below_70": "70 (3.9)", "share_below_63": "63 (3.5)",
                "share_below_54": "54 (3.0)"}  # fmt: skip
        limits = " and ".join(
            f"under {100 * most:g} % below {lows[name]}" for name, most in self.lows
        )
        return (
            f"{self.group}: more than {100 * self.above:g} % of time in {ranges[self.in_range]}, "
            f"{limits}"
        )


ADULTS: Final = Target(
    "adults", "share_from_70_to_180", 0.70, (("share_below_70", 0.04), ("share_below_54", 0.01))
)
OLDER: Final = Target(
    "older or high risk", "share_from_70_to_180", 0.50, (("share_below_70", 0.01),)
)
PREGNANT: Final = Target(
    "pregnancy with type 1 diabetes", "share_from_63_to_140", 0.70,
    (("share_below_63", 0.04), ("share_below_54", 0.01)),
)  # fmt: skip
TARGETS: Final = (ADULTS, OLDER, PREGNANT)
# Values of the state that name a group; nobody without the state is anything but *adults*.
GROUPS: Final[dict[str, Target]] = {
    **dict.fromkeys(("adults", "adult", "standard"), ADULTS),
    **dict.fromkeys(("older or high risk", "older", "high risk", "frail"), OLDER),
    **dict.fromkeys(("pregnancy with type 1 diabetes", "pregnancy"), PREGNANT),
}


def targets(cohorts: CohortSet, *, glucose: Any = None, threads: int = 1) -> Result:
    """How many patients are at the target of their own group, lows included?

    The group is the state *target group* on the first day of the period; without one a patient is
    measured by the target of most adults. In a pregnancy the target is that of type 1 diabetes;
    with another type there is no agreed target, and the patient is counted apart.

    Parameters
    ----------
    cohorts : CohortSet
    glucose : TimeInRangeResult, optional
        What `time_in_range` returned for these cohorts.

    Returns
    -------
    Result
        `.table` has one row per cohort, stated month and quantity: `estimate` (% of patients with
        a counting period, Wilson), `events`, `n`, `n_due`, `no_target`.

    References
    ----------
    .. [1] Battelino T et al. Diabetes Care 2019;42:1593-1603 (targets).
    """
    windows = cohort_windows(cohorts, threads=threads) if glucose is None else glucose.windows
    judged = judged_periods(windows, cohorts)
    stated = stated_periods(cohorts.plan)
    rows = [
        row
        for cohort in cohort_order(judged["cohort"])
        for month, period in stated.items()
        for row in _rows(judged.loc[judged["cohort"] == cohort], cohort, month, period)
    ]
    table = pd.DataFrame(rows, columns=_COLUMNS)
    month = cohorts.plan.hba1c.primary_month
    finding = _finding(table, month)
    drawn = table.loc[(table["month"] == month) & (table["n"] > 0)]
    drawn = drawn.assign(label=drawn["quantity"].map(LABELS))
    return Result(
        name="targets",
        title="How many are at the glucose target of their group?",
        table=table,
        entries=[_record(row) for row in rows],
        finding=finding,
        caption=(
            "Share of the new patients with a counting period who are at the target of their own "
            f"group, up to {cohorts.cut_off}; % of patients with 95 % intervals (Wilson). As each "
            "sensor reports it."
        ),
        footnotes=[
            *(f"Target, {target.words}." for target in TARGETS),
            f"Targets: {SOURCE}. The group is the recorded state on the first day of the period; "
            "who has none is measured as an adult. Without an agreed target (pregnancy without "
            "type 1 diabetes, other groups) a patient is counted apart.",
            f"“{GAIN}”: of patients with a counting period before the index date; any more time "
            "below 70, however little, counts as more.",
            "Cohorts are described and not compared: the sensor is also the instrument, and near "
            "a limit a constant difference between sensors moves many patients across it.",
        ],
        settings={
            "counting days of a period": str(cohorts.plan.time_in_range.period_counting_days)
        },
        show={name: Show(name) for name in ("cohort", "month", "quantity", "estimate", "n")},
        summary=_summary(table),
        drawing=partial(draw_shares, rows=drawn) if len(drawn) else None,
        alt=f"Shares of patients with their intervals at month {month}, one mark a cohort. "
        f"{finding}",
        height=2.8,
    )


_COLUMNS: Final = [
    *("cohort", "month", "period", "quantity", "estimate", "conf_low", "conf_high", "unit"),
    *("events", "n", "n_due", "no_target", "note"),
]


def judged_periods(windows: pd.DataFrame, cohorts: CohortSet) -> pd.DataFrame:
    """Return the due periods of new patients with what each was measured by and how it did.

    Returns
    -------
    DataFrame, one row per new patient, cohort and due period
        `patient_id`, `cohort`, `period`, `counted` (enough readings), `group` (None: no target),
        `in_range`, `lows` (whether at target; missing without a target or readings), `gained`,
        `gained_safely` (without more time below 70; both missing without a period before).
    """
    mine = windows.loc[(windows["population"] == CUMULATIVE) & (windows["who"] == NEW)]
    key = ["patient_id", "cohort"]
    before = mine.loc[(mine["period"] == 0) & mine["usable"]]
    due = mine.loc[mine["due"] & (mine["period"] >= 1)].reset_index(drop=True)
    due = due.assign(period=due["period"].astype("int64"), counted=due["counts"].astype(bool))
    due["group"] = _groups(due, cohorts)
    in_range = pd.Series(None, index=due.index, dtype="boolean")
    lows = in_range.copy()
    for target in TARGETS:
        here = (due["group"] == target.group) & due["counted"]
        in_range[here] = due.loc[here, target.in_range].astype(float) > target.above
        within = [due.loc[here, name].astype(float) < most for name, most in target.lows]
        lows[here] = np.logical_and.reduce(within)
    start = before[[*key, "share_from_70_to_180", "share_below_70"]].rename(
        columns={"share_from_70_to_180": "range_before", "share_below_70": "lows_before"}
    )
    due = due.merge(start, on=key, how="left", validate="many_to_one")
    moved = meaningful(100 * (due["share_from_70_to_180"] - due["range_before"]))
    known = (due["range_before"].notna() & due["usable"].astype(bool)).to_numpy()
    gains = pd.Series(moved, index=due.index, dtype="boolean")
    due["gained"] = gains.where(known)
    due["gained_safely"] = (gains & (due["share_below_70"] <= due["lows_before"])).where(known)
    due["in_range"], due["lows"] = in_range, lows
    judged = ["in_range", "lows", "gained", "gained_safely"]
    return due[[*key, "period", "counted", "group", *judged]]


def _groups(due: pd.DataFrame, cohorts: CohortSet) -> pd.Series:
    """The name of the group whose target applies on the first day of the period, or None."""
    asked = due[["patient_id"]].assign(day=due["first_on"])
    state = state_on(cohorts.table("states"), what=STATE_TARGET, at=asked, day="day")
    types = cohorts.table("patients").set_index("patient_id")["diabetes_type"]
    type_1 = due["patient_id"].map(types) == "type 1"
    named = [
        ADULTS.group if value is None
        else getattr(GROUPS.get(str(value).strip().lower()), "group", None)
        for value in state
    ]  # fmt: skip
    groups = pd.Series(named, index=due.index, dtype=object)
    pregnant = due["pregnant"].astype(bool) | (groups == PREGNANT.group)
    groups[pregnant] = PREGNANT.group
    groups[pregnant & ~type_1] = None
    return groups


def _rows(judged: pd.DataFrame, cohort: str, month: int, period: int) -> list[Row]:
    due = judged.loc[judged["period"] == period]
    counted = due.loc[due["counted"]]
    with_target = counted.loc[counted["group"].notna()]
    head = {
        "cohort": cohort, "month": month, "period": period, "unit": "% of patients",
        "n_due": len(due), "no_target": len(counted) - len(with_target),
    }  # fmt: skip
    both = with_target["in_range"] & with_target["lows"]
    known = counted.dropna(subset=["gained"])
    asked = (
        (IN_RANGE, with_target["in_range"]), (LOWS, with_target["lows"]), (BOTH, both),
        (ANY_GAIN, known["gained"]), (GAIN, known["gained_safely"]),
    )  # fmt: skip
    rows = []
    for quantity, answers in asked:
        events, n = int(answers.fillna(False).sum()), len(answers)
        share = proportion(events, n, method="wilson").scaled(100)
        rows.append(
            {**head, "quantity": quantity, "estimate": share.estimate,
             "conf_low": share.conf_low, "conf_high": share.conf_high, "events": events, "n": n,
             "note": share.note or ""}
        )  # fmt: skip
    return rows


def _record(row: Row) -> Record:
    return Record(
        outcome=OUTCOME, quantity=row["quantity"], population=CUMULATIVE, cohort=row["cohort"],
        at=f"period {row['period']}", by={"month": str(row["month"])}, estimate=row["estimate"],
        conf_low=row["conf_low"], conf_high=row["conf_high"], n_patients=row["n"],
        n_units=row["n_due"], events=row["events"], unit=row["unit"], method="Wilson",
        note=row["note"] or None,
    )  # fmt: skip


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    lines = []
    for (cohort, month), rows in table.groupby(["cohort", "month"], sort=False):
        at = rows.set_index("quantity")
        first = at.loc[IN_RANGE]
        line = {
            "Cohort": cohort,
            "When": f"month {month} (period {first['period']})",
            "With a target, of due": f"{first['n']} of {first['n_due']}",
            "No agreed target": str(first["no_target"]),
        }
        for quantity, heading in ((IN_RANGE, "In range, %"), (LOWS, "Lows, %"), (BOTH, "Both, %")):
            line[heading] = _cell(at.loc[quantity])
        gain, safely = at.loc[ANY_GAIN], at.loc[GAIN]
        line[f"Gained {PERSON_POINTS:g} points, % (without more lows)"] = (
            f"{_cell(gain)}, n = {gain['n']} ({number(safely['estimate'], 0)})"
            if gain["n"] else "nobody with a period before"
        )  # fmt: skip
        lines.append(line)
    return pd.DataFrame(lines)


def _cell(row: pd.Series) -> str:
    if pd.isna(row["estimate"]):
        return "nobody"
    return with_interval(row["estimate"], row["conf_low"], row["conf_high"], 0)


def _finding(table: pd.DataFrame, month: int) -> str:
    at = table.loc[(table["month"] == month) & (table["quantity"] == BOTH) & (table["n"] > 0)]
    if at.empty:
        return f"No new patient has a counting period at month {month} that a target applies to."
    parts = [
        f"{row['events']} of {row['n']} ({number(row['estimate'], 0)} %; 95 % interval "
        f"{interval(row['conf_low'], row['conf_high'], 0)}) in the {row['cohort']} cohort"
        for row in at.to_dict("records")
    ]
    return (
        f"At month {month} both the range and the lows were at the target of their group in "
        f"{' and in '.join(parts)}."
    )
