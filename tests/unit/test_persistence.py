"""Persistence as a result: what adds up, what is counted where, and whose eyes it is for."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from outcomes.cohorts.build import CohortSet, build_cohorts
from outcomes.measures.persistence import overdue, persistence
from outcomes.report.disclosure import audience
from outcomes.results import Result
from tests.invented_clinic import PLAN, invented_study, invented_tables

QUARTERS = ("2024-Q1", "2024-Q2", "2024-Q3", "2024-Q4")


@pytest.fixture(scope="module")
def cohorts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, CohortSet]:
    tables = invented_tables()
    offers = tables["contacts"].drop_duplicates("patient_id").assign(what="offer of a sensor")
    tables["contacts"] = pd.concat([tables["contacts"], offers], ignore_index=True)
    never = tables["sensors"]["sensor_id"] == "P000-0"  # nobody wrote down its removal
    tables["sensors"].loc[never, ["removed_on", "end_reason"]] = None
    study = invented_study(tmp_path_factory.mktemp("clinic"), tables)
    return {q: build_cohorts(study, PLAN, quarter=q) for q in (*QUARTERS, "2025-Q2")}


@pytest.fixture(scope="module")
def result(cohorts: dict[str, CohortSet]) -> Result:
    return persistence(cohorts["2025-Q2"])


def part(result: Result, quantity: str, population: str = "cumulative") -> pd.DataFrame:
    table = result.table
    mine = (table["quantity"] == quantity) & (table["population"] == population)
    plain = ~table["level"].str.contains(", by patient|: ", regex=True)
    return table.loc[mine & plain & (table["kind"] == "implanted")]


@pytest.mark.parametrize(
    "quantity", ["after a removal", "planned removals", "on a day after the first sensor"]
)
def test_what_became_of_them_adds_up(result: Result, quantity: str) -> None:
    rows = part(result, quantity).assign(at=lambda each: each["at"].fillna(""))
    for _, at in rows.groupby("at"):
        assert at["events"].sum() == at["n_units"].iloc[0] > 0


def test_reasons_of_those_not_placed_again_add_up(result: Result) -> None:
    table = result.table
    mine = table.loc[
        (table["quantity"] == "after a removal") & (table["at"] == "90 days")
        & (table["kind"] == "implanted") & (table["population"] == "cumulative")
    ].set_index("level")  # fmt: skip
    for level in ("other kind", "no sensor"):
        reasons = mine.loc[mine.index.str.startswith(f"{level}: "), "events"].sum()
        assert reasons == mine.loc[level, "events"]


@pytest.mark.parametrize("quantity", ["planned removals", "after a removal"])
def test_four_quarters_add_to_the_year(cohorts: dict[str, CohortSet], quantity: str) -> None:
    whole = part(persistence(cohorts["2024-Q4"]), quantity)["events"].sum()
    quarters = [part(persistence(cohorts[q]), quantity, "quarter") for q in QUARTERS]
    assert sum(rows["events"].sum() for rows in quarters) == whole > 0


def test_where_sensors_of_a_patient_go_together_a_twin_is_clustered(result: Result) -> None:
    twins = result.table.loc[result.table["level"].str.contains(", by patient")]
    assert len(twins)
    assert twins["method"].str.contains("cluster").all()
    assert (twins["n_patients"] < twins["n_units"]).all()


def test_records_are_plain_and_say_why_there_is_no_number(result: Result) -> None:
    json.dumps(result.records(), allow_nan=False)
    for record in result.records():
        assert record["estimate"] is not None or record["note"]
    assert "nan" not in repr(result)
    assert result.plot() is not None


def test_the_list_of_overdue_sensors_is_for_the_clinic_alone(
    cohorts: dict[str, CohortSet],
) -> None:
    listed = overdue(cohorts["2025-Q2"])
    assert "P000-0" in repr(listed)
    for name in ("committee", "external"):
        shown = audience(name)(listed)
        assert not any(one in repr(shown) for one in listed.table["sensor_id"])


def test_without_any_sensor_the_answer_is_a_sentence(tmp_path: Path) -> None:
    tables = {"patients": invented_tables(implanted=3, adhesive=0)["patients"]}
    tables["sensors"] = invented_tables(implanted=3, adhesive=0)["sensors"].iloc[:0]
    cohorts = build_cohorts(invented_study(tmp_path, tables), PLAN)
    result = persistence(cohorts)
    assert "No implanted sensor came out" in result.finding
    assert "nan" not in repr(result).lower()
    assert all(r["estimate"] is not None or r["note"] for r in result.records())
    assert "0 overdue" in overdue(cohorts).finding
