"""The watch on an invented clinic: every result, both audiences, and the list of actions."""

from __future__ import annotations

import dataclasses
import json
import math
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from outcomes.cohorts.build import build_cohorts
from outcomes.errors import SettingsError, UsageError
from outcomes.plan import Frame, Plan, Watch
from outcomes.plan.beside import read_actions
from outcomes.results import Result
from outcomes.watch.actions import action_list
from outcomes.watch.attention import attention, watched
from outcomes.watch.charts import control_chart
from outcomes.watch.inserter_page import inserter_page
from outcomes.watch.learning import learning_curves
from outcomes.watch.places import sites
from outcomes.watch.programme import Programme, programme_watch
from tests.invented_clinic import PLAN, declared, invented_study, invented_tables

ROLES = {"I1": "physician", "I2": "physician", **{f"N{i}": "nurse practitioner" for i in range(5)}}


def plan(**watch: object) -> Plan:
    return dataclasses.replace(PLAN, watch=Watch(simulated_years=200, **watch))


def clinic(**changed: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """The invented clinic with inserters and sites, and with trouble in its last quarter."""
    tables = invented_tables()
    done = tables["procedures"]
    who = [list(ROLES)[i % len(ROLES)] for i in range(len(done))]
    tables["procedures"] = done.assign(
        inserter_id=who, inserter_role=[ROLES[w] for w in who],
        site=["North" if i % 3 else "South" for i in range(len(done))],
    )  # fmt: skip
    return tables | changed


def bad_quarter(n: int = 24) -> pd.DataFrame:
    """Attempts that fail, all by one inserter at one site in the last quarter."""
    rows = [
        {
            "procedure_id": f"X{i:02d}", "patient_id": "P000", "what": "placement",
            "on": pd.Timestamp("2025-04-01") + pd.Timedelta(days=i), "attempt": 1,
            "completed": i % 2 == 0, "inserter_id": "I1", "inserter_role": "physician",
            "site": "South",
        }
        for i in range(n)
    ]  # fmt: skip
    return declared("procedures", rows)


@pytest.fixture(scope="module")
def calm(tmp_path_factory: pytest.TempPathFactory) -> Programme:
    study = invented_study(tmp_path_factory.mktemp("calm"), clinic())
    return programme_watch(build_cohorts(study, plan()))


@pytest.fixture(scope="module")
def troubled(tmp_path_factory: pytest.TempPathFactory) -> Programme:
    tables = clinic()
    tables["procedures"] = pd.concat([tables["procedures"], bad_quarter()], ignore_index=True)
    study = invented_study(tmp_path_factory.mktemp("troubled"), tables)
    return programme_watch(build_cohorts(study, plan(reference_not_completed=0.02)))


def all_results(programme: Programme, folder: Path) -> list[Result]:
    return [
        attention(programme), attention(programme, audience="committee"), watched(programme),
        *(control_chart(programme, one.key) for one in programme.series),
        sites(programme), sites(programme, "procedure_harm"), learning_curves(programme),
        learning_curves(programme, audience="committee"), inserter_page(programme, "I1"),
        action_list(programme, beside=folder),
    ]  # fmt: skip


@pytest.mark.parametrize("which", ["calm", "troubled"])
def test_every_number_is_finite_and_has_its_n_or_a_reason(
    which: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    for result in all_results(request.getfixturevalue(which), tmp_path):
        assert "?" in result.title
        assert result.finding.endswith(".")
        records = result.records()
        json.dumps(records, allow_nan=False)
        for record in records:
            assert record["unit"]
            if record["estimate"] is None:
                assert record["note"], record
            else:
                assert math.isfinite(record["estimate"])
                assert record["n_units"] is not None, record
        page = result._repr_html_()
        assert ("<table>" in page) == (not result.shown().empty)
        assert ">nan<" not in page.lower()


def test_a_calm_quarter_says_what_would_have_been_seen(calm: Programme) -> None:
    result = attention(calm)
    assert result.table.empty
    assert "broke a rule" in result.finding
    assert "With 80 % probability" in result.finding
    assert "simulated programme-years" in result.footnotes[0]


def test_a_bad_quarter_names_rule_numbers_and_what_to_look_at(troubled: Programme) -> None:
    rows = attention(troubled).table.set_index("key")
    row = rows.loc["not_completed"]
    assert row["observed"] == 12
    assert row["rules"]
    assert row["look_at"]
    assert "not_completed South" in rows.index
    assert "not_completed North" not in rows.index


def test_the_inserter_whose_chart_crossed_is_named_to_the_clinic_alone(
    troubled: Programme,
) -> None:
    assert "inserter I1" in set(attention(troubled).table["key"])
    told = repr(attention(troubled, audience="committee"))
    assert "I1" not in told
    assert "inserter" not in told.lower()


def test_a_committee_sees_roles_of_five_and_more_without_ids(troubled: Programme) -> None:
    result = learning_curves(troubled, audience="committee")
    rows = result.table.set_index("who")
    assert rows.loc["nurse practitioner", "inserters"] == 5
    assert pd.isna(rows.loc["physician", "procedures"])
    assert "too few" in rows.loc["physician", "note"]
    assert not set(ROLES) & set(repr(result).split())


def test_the_clinics_own_list_is_by_id_and_holds_no_rank(troubled: Programme) -> None:
    table = learning_curves(troubled).table
    assert table["who"].tolist() == sorted(ROLES)
    assert not [name for name in table.columns if "rank" in name]


def test_a_private_page_marks_supervised_cases_and_holds_no_patient(troubled: Programme) -> None:
    page = inserter_page(troubled, "I1")
    assert {"supervised", "observed_minus_expected", "statistic"} <= set(page.table.columns)
    assert "P000" not in page.table.to_csv()
    with pytest.raises(UsageError, match="is not a recorded inserter"):
        inserter_page(troubled, "I7")


def test_harm_of_procedures_waits_until_its_days_are_over(calm: Programme) -> None:
    harm = next(one for one in calm.series if one.key == "procedure_harm")
    assert harm.points["part"].iloc[-1] == "still open"
    assert harm.quarter["month"].dt.month.tolist() == [3, 4, 5]


def test_the_errors_shared_out_to_looks_stay_within_the_plans(calm: Programme) -> None:
    assert 0 < calm.alpha <= 0.05
    assert calm.false_rows.high <= 1.0


def test_a_smaller_allowance_gives_each_look_less(calm: Programme) -> None:
    rules = dataclasses.replace(calm.rules, false_rows_a_year=0.4)
    plan_of = dataclasses.replace(calm.cohorts.plan, watch=rules)
    strict = dataclasses.replace(calm, cohorts=dataclasses.replace(calm.cohorts, plan=plan_of))
    assert strict.alpha < calm.alpha
    assert strict.false_rows.high <= 0.4


def test_without_a_table_the_series_says_so(tmp_path: Path) -> None:
    tables = {
        name: t for name, t in clinic().items() if name not in ("complications", "procedures")
    }
    programme = programme_watch(build_cohorts(invented_study(tmp_path, tables), plan()))
    notes = {one.key: one.note for one in programme.series}
    assert notes["procedure_harm"] == (
        "not watched: the study has no procedures and no complications table"
    )
    assert notes["losses_adhesive"] == ""
    assert "not watched" in sites(programme).finding
    assert "No procedure names an inserter" in learning_curves(programme).finding
    assert "not watched" in control_chart(programme, "serious_related").finding


def test_a_reference_that_is_not_over_watches_nothing(tmp_path: Path) -> None:
    short = dataclasses.replace(PLAN, plan=Frame(start=date(2025, 1, 1)), watch=Watch())
    programme = programme_watch(build_cohorts(invented_study(tmp_path, clinic()), short))
    assert attention(programme).finding.startswith("Nothing could be watched")
    assert "6 of the 12 months" in watched(programme).table["note"].iloc[1]


def test_an_unknown_series_answers_with_the_known_ones(calm: Programme) -> None:
    with pytest.raises(UsageError, match="losses_implanted"):
        control_chart(calm, "losses_implnted")
    with pytest.raises(UsageError, match="clinic, committee"):
        attention(calm, audience="public")


ACTIONS = "action,finding,quarter,owner,due,closed\n"


def test_new_findings_join_the_list_and_closed_ones_stay(
    troubled: Programme, tmp_path: Path
) -> None:
    (tmp_path / "actions.csv").write_text(
        ACTIONS
        + "wash @ 2024-Q4,Hands,2024-Q4,Head nurse,2025-01-31,2025-01-20\n"
        + "lots @ 2025-Q1,Lots,2025-Q1,Lead,2025-05-01,\n"
    )
    result = action_list(troubled, beside=tmp_path / "plan.toml")
    states = result.shown()["State"].tolist()
    assert states[:2] == ["closed", "overdue"]
    assert set(states[2:]) == {"new"}
    assert len(result.table) == 2 + len(attention(troubled).table)


def test_the_list_carries_from_quarter_to_quarter(troubled: Programme, tmp_path: Path) -> None:
    first = action_list(troubled, beside=tmp_path)
    filled = first.table.assign(owner="Lead", due="2025-12-31")
    filled.to_csv(tmp_path / "actions.csv", index=False)
    again = action_list(troubled, beside=tmp_path)
    assert again.table["action"].tolist() == first.table["action"].tolist()
    assert set(again.shown()["State"]) == {"open"}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("action,finding,quarter,owner,due\n", "missing: closed"),
        (ACTIONS.replace("owner", "ownr"), "Did you mean 'owner'"),
        (ACTIONS + "a,F,2025-Q1,Lead,31.1.2025,\n", "line 2, due: '31.1.2025' is not a date"),
        (ACTIONS + "a,F,2025-Q1,,,\na,G,2025-Q1,,,\n", "line 3, action: 'a' comes twice"),
        (ACTIONS + ",F,2025-Q1,,,\n", "line 2, action: is empty"),
        (ACTIONS + "a,F,2025-Q1,Lead,,\n", "line 2, due: an open action with an owner"),
        (ACTIONS + "a,F,2025-Q1,Lead,2025-01-01,,more\n", "more cells than headings"),
    ],
)
def test_a_list_that_does_not_fit_is_refused_by_line(text: str, says: str, tmp_path: Path) -> None:
    (tmp_path / "actions.csv").write_text(text)
    with pytest.raises(SettingsError, match=says):
        read_actions(tmp_path / "actions.csv")


def test_no_list_is_an_empty_one(calm: Programme, tmp_path: Path) -> None:
    result = action_list(calm, beside=tmp_path)
    assert result.table.empty
    assert "No action is listed" in result.finding
