"""Sites against the programme's reference: procedures not completed, and with harm."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.measures.harms import PROCEDURE, attributed, in_body
from outcomes.statistics.reference_tails import Reference, signal_from, upper_tail
from outcomes.watch.series import Series

NO_SITE = "site not recorded"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class SiteCounts:
    """One measure by site.

    Attributes
    ----------
    of : Series
        The programme's series whose reference the sites are held against.
    table : DataFrame, one row per site, by name
        `site`, `events`, `size`, `expected`, `tail`, `note`; once judged `signal_from`, `fires`.
    """

    of: Series
    table: pd.DataFrame


def site_counts(cohorts: CohortSet, series: tuple[Series, ...]) -> tuple[SiteCounts, ...]:
    """Count procedures by site over the plan's months before the cut-off.

    Parameters
    ----------
    cohorts : CohortSet
    series : tuple of Series
        Of which "not_completed" and "procedure_harm" are held against the sites.
    """
    done = _procedures(cohorts)
    found = []
    for one in series:
        if one.key not in ("not_completed", "procedure_harm") or one.reference is None:
            continue
        table = _by_site(done, one, cohorts)
        few = table["size"] < cohorts.plan.watch.fewest_site_procedures
        table = table.assign(
            expected=table["size"] * one.reference.estimate,
            tail=upper_tail(table["events"], table["size"], one.reference),
            note=few.map({True: "too few to judge", False: ""}),
        )
        found.append(SiteCounts(of=one, table=table))
    return tuple(found)


def judged(part: SiteCounts, alpha: float) -> SiteCounts:
    """Return a measure with the count from which each site is a row, and those that are."""
    assert part.of.reference is not None
    table = part.table.assign(signal_from=_limits(part.table["size"], part.of.reference, alpha))
    fires = (table["tail"] <= alpha) & table["note"].eq("")
    return SiteCounts(of=part.of, table=table.assign(fires=fires))


def _limits(sizes: pd.Series, reference: Reference, alpha: float) -> pd.Series:
    limits = [signal_from(float(size), reference, alpha=alpha) for size in sizes]
    return pd.Series(limits, index=sizes.index, dtype="Int64")


def _procedures(cohorts: CohortSet) -> pd.DataFrame:
    died = cohorts.table("patients").set_index("patient_id")["died_on"]
    spans = in_body(
        cohorts.table("sensors"), cut_off=cohorts.cut_off, died=died, follow_up=cohorts.follow_up
    )
    done = cohorts.table("procedures")
    kind = done["sensor_id"].map(spans.set_index("sensor_id")["kind"])
    harms = attributed(
        cohorts.table("complications"), procedures=done, sensors=spans,
        rules=cohorts.plan.complications,
    )  # fmt: skip
    mine = harms.loc[harms["belongs_to"] == PROCEDURE, "procedure_id"]
    return done.assign(
        site=done["site"].fillna(NO_SITE),
        harmed=done["procedure_id"].isin(mine),
        failed=~done["completed"].fillna(False).astype(bool),
    ).loc[kind.ne("adhesive")]


def _by_site(done: pd.DataFrame, one: Series, cohorts: CohortSet) -> pd.DataFrame:
    delay = cohorts.plan.complications.procedure_days if one.key == "procedure_harm" else 0
    last = pd.Timestamp(cohorts.cut_off) - pd.Timedelta(days=delay)
    first = last - pd.DateOffset(months=cohorts.plan.watch.site_months)
    rows = done.loc[(done["on"] > first) & (done["on"] <= last)]
    column = "harmed" if one.key == "procedure_harm" else "failed"
    counts = rows.groupby("site")[column].agg(["sum", "size"]).reset_index()
    return counts.rename(columns={"sum": "events"}).astype({"events": float, "size": float})
