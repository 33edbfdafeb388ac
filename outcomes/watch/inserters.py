"""Every inserter's procedures from the first recorded one, and what their charts say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.plan import Watch
from outcomes.statistics.sequential_charts import LearningCurve, learning_curve
from outcomes.tables.declared import LOSS_REASONS

NO_ROLE: Final = "role not recorded"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class InserterCurve:
    """One inserter: cases in order, and the sequential chart over those from its start.

    Attributes
    ----------
    inserter_id, role : str
    cases : DataFrame, one row per procedure whose outcome is known
        `case` (from 1), `on`, `known_on`, `what`, `failure`, `because`, `supervised`,
        `observed_minus_expected`, `statistic` (missing before the chart's start).
    curve : LearningCurve
        Over the cases from the chart's start on.
    decided_on : Timestamp or None
        When the case that decided became known.
    open_cases : int
        Procedures too recent for their outcome to be known.
    """

    inserter_id: str
    role: str
    cases: pd.DataFrame
    curve: LearningCurve
    decided_on: pd.Timestamp | None
    open_cases: int

    @property
    def decision(self) -> str:
        """Acceptable, unacceptable or undecided."""
        return self.curve.decision

    @property
    def failures(self) -> int:
        """Failed procedures among the known ones."""
        return int(self.cases["failure"].sum())


def inserter_cases(cohorts: CohortSet) -> pd.DataFrame:
    """Return every procedure of implanted sensors with what became of it.

    A procedure has failed when it was not completed, when an infection began within the plan's
    days of it, or when the sensor it placed was lost within the plan's days. All cases become
    known only when those days are over, a failed one too, since otherwise failures would come in
    before successes.

    Returns
    -------
    DataFrame, one row per procedure with an inserter, in order of day
        `inserter_id`, `role`, `procedure_id`, `on`, `known_on`, `known`, `what`, `site`,
        `supervised`, `failure`, `because`.
    """
    rules = cohorts.plan.watch
    sensors = cohorts.table("sensors").set_index("sensor_id")
    rows = cohorts.table("procedures")
    kind = rows["sensor_id"].map(sensors["kind"])
    rows = rows.loc[kind.ne("adhesive") & rows["inserter_id"].notna()]
    rows = rows.sort_values(["on", "procedure_id"], ignore_index=True)
    days = max(rules.infection_days, rules.early_loss_days)
    known_on = rows["on"] + pd.Timedelta(days=days)
    because = np.select(
        [
            ~rows["completed"].fillna(False).astype(bool),
            _infected(rows, cohorts.table("complications"), rules),
            _lost_early(rows, sensors, rules),
        ],
        ["not completed", "infection", "sensor lost early"],
        default="",
    )
    return pd.DataFrame(
        {
            "inserter_id": rows["inserter_id"], "procedure_id": rows["procedure_id"],
            "role": rows["inserter_role"].fillna(NO_ROLE), "on": rows["on"],
            "known_on": known_on, "known": known_on <= pd.Timestamp(cohorts.cut_off),
            "what": rows["what"], "site": rows["site"],
            "supervised": rows["supervised"].fillna(False).astype(bool),
            "failure": (because != "").astype(int), "because": because,
        }
    )  # fmt: skip


def _infected(rows: pd.DataFrame, harms: pd.DataFrame, rules: Watch) -> pd.Series:
    named = harms.loc[(harms["category"] == "site infection") & harms["procedure_id"].notna()]
    both = named.merge(rows[["procedure_id", "on"]], on="procedure_id", how="inner")
    days = (both["onset_on"] - both["on"]).dt.days
    return rows["procedure_id"].isin(
        both.loc[days.between(0, rules.infection_days), "procedure_id"]
    )


def _lost_early(rows: pd.DataFrame, sensors: pd.DataFrame, rules: Watch) -> pd.Series:
    ended = sensors["stopped_on"].fillna(sensors["removed_on"])
    days = (ended - sensors["placed_on"]).dt.days
    lost = days.between(0, rules.early_loss_days) & sensors["end_reason"].isin(LOSS_REASONS)
    return rows["sensor_id"].isin(lost.index[lost]) & (rows["what"] == "placement")


def inserter_curves(cases: pd.DataFrame, rules: Watch) -> tuple[InserterCurve, ...]:
    """Return one curve per inserter, in order of their ids and never of their results.

    Parameters
    ----------
    cases : DataFrame, one row per procedure
        As `inserter_cases` returns it.
    rules : Watch
    """
    return tuple(
        _curve(str(inserter), rows.reset_index(drop=True), rules)
        for inserter, rows in cases.groupby("inserter_id")
    )


def _curve(inserter: str, rows: pd.DataFrame, rules: Watch) -> InserterCurve:
    known = rows.loc[rows["known"]].reset_index(drop=True)
    failures = known["failure"].to_numpy()
    skipped = rules.sequential_from - 1
    curve = learning_curve(
        failures[skipped:], p0=rules.p0, p1=rules.p1, alpha=rules.alpha, beta=rules.beta
    )
    statistic = np.full(len(known), np.nan)
    statistic[skipped:] = curve.table["statistic"]
    cases = known.assign(
        case=np.arange(1, len(known) + 1),
        observed_minus_expected=np.cumsum(failures - rules.p0),
        statistic=statistic,
    )
    at = curve.decided_at
    return InserterCurve(
        inserter_id=inserter,
        role=str(rows["role"].iloc[-1]),
        cases=cases,
        curve=curve,
        decided_on=None if at is None else known["known_on"].iloc[skipped + at - 1],
        open_cases=len(rows) - len(known),
    )


def roles_to_hide(curves: tuple[InserterCurve, ...], fewest: int) -> tuple[str, ...]:
    """Return the roles of which there are fewer inserters than committees may see."""
    count = pd.Series([curve.role for curve in curves], dtype=object).value_counts()
    return tuple(sorted(str(role) for role in count.index[count < fewest]))
