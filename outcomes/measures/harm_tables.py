"""The frames that every question about harm starts from."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.measures.harms import PROCEDURE, WEAR, attributed, in_body


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class HarmTables:
    """Spans of wear and complications with what each belongs to, up to the cut-off.

    Attributes
    ----------
    spans : DataFrame, one row per sensor
        See `outcomes.measures.harms.in_body`.
    found : DataFrame, one row per complication
        See `outcomes.measures.harms.attributed`.
    died : Series of dates, indexed by patient_id
    """

    spans: pd.DataFrame
    found: pd.DataFrame
    died: pd.Series

    @property
    def of_sensors(self) -> pd.DataFrame:
        """Harm of procedures and of wear that names a sensor of the study."""
        mine = self.found["belongs_to"].isin([PROCEDURE, WEAR]) & self.found["kind"].notna()
        return self.found.loc[mine]


def harm_tables(cohorts: CohortSet) -> HarmTables:
    """Return the frames of a set of cohorts."""
    died = cohorts.table("patients").set_index("patient_id")["died_on"]
    spans = in_body(
        cohorts.table("sensors"), cut_off=cohorts.cut_off, died=died, follow_up=cohorts.follow_up
    )
    found = attributed(
        cohorts.table("complications"), procedures=cohorts.table("procedures"), sensors=spans,
        rules=cohorts.plan.complications,
    )  # fmt: skip
    return HarmTables(spans=spans, found=found, died=died)
