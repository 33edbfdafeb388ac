"""What must hold of cohorts and measures whatever the data: additions, order, and no look ahead."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.cohorts.build import CohortSet, build_cohorts
from outcomes.cohorts.draws import NO_DRAW
from outcomes.measures.complications import complications
from outcomes.measures.hba1c_change import hba1c_change
from outcomes.measures.sensor_survival import sensor_survival
from outcomes.tables.study import Study
from tests.invented_clinic import PLAN, invented_study, invented_tables

MEASURES = (hba1c_change, sensor_survival, complications)


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return invented_study(tmp_path_factory.mktemp("clinic"), invented_tables())


@pytest.fixture(scope="module")
def cohorts(study: Study) -> CohortSet:
    return build_cohorts(study, PLAN)


def test_the_flow_adds_up(cohorts: CohortSet) -> None:
    for _, lines in cohorts.flow.table.groupby("cohort"):
        n = lines.groupby("role")["n"].sum()
        assert n["total"] == n["kept"] + n["left out"]
        strata = lines.loc[lines["step"].str.startswith("stratum"), "n"].sum()
        ends = lines.loc[lines["step"].str.startswith("follow-up ended"), "n"].sum()
        assert strata == ends == n["kept"]


def test_every_missing_draw_has_a_reason_and_no_seen_one_has(cohorts: CohortSet) -> None:
    draws = cohorts.draws
    assert (draws["drawn_on"].isna() == draws["missing_because"].notna()).all()
    assert NO_DRAW in set(draws["missing_because"])


def test_shuffled_tables_give_the_same_records(tmp_path: Path, cohorts: CohortSet) -> None:
    rng = np.random.default_rng(1)
    shuffled = {
        name: table.iloc[rng.permutation(len(table))].reset_index(drop=True)
        for name, table in invented_tables().items()
    }
    again = build_cohorts(invented_study(tmp_path, shuffled), PLAN)
    for measure in MEASURES:
        assert measure(again).records() == measure(cohorts).records()


def later(name: str, table: pd.DataFrame, day: str) -> pd.DataFrame:
    """Return rows that begin after the cut-off, as a later export would add them."""
    column = {"sensors": "placed_on", "contacts": "on", "procedures": "on", "hba1c": "drawn_on",
              "complications": "onset_on"}.get(name)  # fmt: skip
    if column is None:
        return table.head(0)
    extra = table.head(20).assign(**{column: pd.Timestamp(day)})
    keys = [c for c in ("sensor_id", "procedure_id", "complication_id") if c in extra.columns]
    own = {"sensors": "sensor_id", "procedures": "procedure_id"}.get(name, "complication_id")
    if own in keys:
        extra = extra.assign(**{own: [f"later-{i}" for i in range(len(extra))]})
    if name == "sensors":
        extra = extra.assign(removed_on=pd.NaT, end_reason=None)
    return extra


def test_data_after_the_cut_off_change_nothing(tmp_path: Path, study: Study) -> None:
    tables = invented_tables()
    more = {
        name: pd.concat([table, later(name, table, "2024-10-15")], ignore_index=True)
        for name, table in tables.items()
    }
    more["patients"].loc[:5, "died_on"] = pd.Timestamp("2024-11-01")
    before = build_cohorts(study, PLAN, quarter="2024-Q3")
    after = build_cohorts(invented_study(tmp_path, more), PLAN, quarter="2024-Q3")
    pd.testing.assert_frame_equal(before.patients, after.patients)
    for measure in MEASURES:
        assert measure(before).records() == measure(after).records()


@pytest.fixture(scope="module")
def quarters(study: Study) -> list[CohortSet]:
    """Return every quarter from the plan's start on one study version."""
    names = ["2024-Q1", "2024-Q2", "2024-Q3", "2024-Q4", "2025-Q1", "2025-Q2"]
    return [build_cohorts(study, PLAN, quarter=name) for name in names]


def test_quarters_add_to_the_whole_for_exposure_and_losses(quarters: list[CohortSet]) -> None:
    tables = [sensor_survival(each).table for each in quarters]
    rate = "losses per patient-year of wear"
    for kind in ("implanted", "adhesive"):
        rows = [
            table.loc[(table["quantity"] == rate) & (table["kind"] == kind)].set_index("population")
            for table in tables
        ]
        whole = rows[-1].loc["cumulative"]
        parts = [row.loc["quarter"] for row in rows if "quarter" in row.index]
        assert sum(row["exposure"] for row in parts) == pytest.approx(whole["exposure"], rel=1e-12)
        assert sum(row["events"] for row in parts) == whole["events"] > 0


def test_quarters_add_to_the_whole_for_harm_of_wear(quarters: list[CohortSet]) -> None:
    tables = [complications(each).table for each in quarters]
    for quantity in ("harm of wear, first events", "harm of wear, all events"):
        rows = [
            table.loc[
                (table["quantity"] == quantity) & (table["cohort"] == "implanted")
                & (table["relation"] == "all reported") & (table["category"] == "all")
                & (table["unit"] == "per 1,000 sensor-days")
            ].set_index("population")
            for table in tables
        ]  # fmt: skip
        whole = rows[-1].loc["cumulative"]
        exposure = sum(row.loc["quarter", "exposure"] for row in rows)
        assert sum(row.loc["quarter", "events"] for row in rows) == whole["events"] > 0
        assert exposure == pytest.approx(whole["exposure"], rel=1e-12)


def test_the_five_states_of_every_group_add_to_100(cohorts: CohortSet) -> None:
    table = sensor_survival(cohorts, by="model").table
    heads = table.loc[
        table["quantity"].isin(
            ["reached planned removal", "lost before the planned day", "taken out early",
             "patient died", "end not known"]
        )
        & (table["reason"] == "") & table["estimate"].notna()
    ]  # fmt: skip
    sums = heads.groupby(["population", "kind", "group"])["estimate"].sum()
    assert len(sums) >= 6
    np.testing.assert_allclose(sums, 100, rtol=1e-12)


def test_the_default_quarter_is_the_last_that_had_ended(cohorts: CohortSet) -> None:
    assert str(cohorts.quarter) == "2025-Q2"
    assert cohorts.cut_off == date(2025, 6, 30)
