"""The list of actions from quarter to quarter: what the page gives is what the next one reads."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from outcomes.cohorts.build import build_cohorts
from outcomes.errors import SettingsError
from outcomes.plan import Quarter, plan_text
from outcomes.plan.beside import read_actions
from outcomes.report.make import make_report
from outcomes.results import Result, csv_text
from outcomes.watch.actions import action_list
from outcomes.watch.attention import attention
from outcomes.watch.programme import Programme, programme_watch
from tests.invented_clinic import invented_study
from tests.unit.watch.test_programme import ACTIONS, bad_quarter, clinic, plan


@pytest.fixture(scope="module")
def quarters(tmp_path_factory: pytest.TempPathFactory) -> tuple[Programme, Programme]:
    """One study in the quarter of trouble and in the one before."""
    tables = clinic()
    tables["procedures"] = pd.concat([tables["procedures"], bad_quarter()], ignore_index=True)
    study = invented_study(tmp_path_factory.mktemp("quarters"), tables)
    rules = plan(reference_not_completed=0.02)
    calm, bad = (
        programme_watch(build_cohorts(study, rules, quarter=q)) for q in ("2025-Q1", "2025-Q2")
    )
    return calm, bad


def save(result: Result, folder: Path, **filled: object) -> None:
    """Save the table as the page offers it, with what the clinic filled in."""
    (folder / "actions.csv").write_text(csv_text(result.table.assign(**filled)), "utf-8")


def test_what_the_page_gives_is_read_again_without_loss(
    quarters: tuple[Programme, Programme], tmp_path: Path
) -> None:
    _, bad = quarters
    first = action_list(bad, beside=tmp_path)
    assert len(first.table)
    save(first, tmp_path, owner='Müller, "Ward 3"', due=pd.Timestamp("2025-09-30"))
    again = action_list(bad, beside=tmp_path)
    columns = ["action", "finding", "quarter"]
    assert again.table[columns].equals(first.table[columns])
    assert set(again.table["owner"]) == {'Müller, "Ward 3"'}
    assert csv_text(again.table) == (tmp_path / "actions.csv").read_text("utf-8")


def test_an_action_stays_though_its_finding_is_over(
    quarters: tuple[Programme, Programme], tmp_path: Path
) -> None:
    calm, bad = quarters
    first = action_list(bad, beside=tmp_path)
    save(first, tmp_path, owner="Lead", due="2025-09-30")
    assert "not_completed" not in set(attention(calm).table["key"])
    kept = action_list(calm, beside=tmp_path)
    n = len(first.table)
    assert kept.table["action"].tolist()[:n] == first.table["action"].tolist()
    assert kept.shown()["State"].tolist()[:n] == ["open"] * n


def test_a_finding_that_fires_again_after_its_action_was_closed_is_new(
    quarters: tuple[Programme, Programme], tmp_path: Path
) -> None:
    _, bad = quarters
    (tmp_path / "actions.csv").write_text(
        ACTIONS + "not_completed @ 2024-Q4,Failed,2024-Q4,Lead,2025-01-31,2025-01-20\n"
    )
    table = action_list(bad, beside=tmp_path).table
    assert table["action"].tolist()[0] == "not_completed @ 2024-Q4"
    assert "not_completed @ 2025-Q2" in set(table["action"])


def test_one_that_is_still_open_is_not_listed_twice(
    quarters: tuple[Programme, Programme], tmp_path: Path
) -> None:
    _, bad = quarters
    (tmp_path / "actions.csv").write_text(
        ACTIONS + "not_completed @ 2025-Q1,Failed,2025-Q1,Lead,2025-12-31,\n"
    )
    table = action_list(bad, beside=tmp_path).table
    assert [a for a in table["action"] if a.startswith("not_completed @")] == [
        "not_completed @ 2025-Q1"
    ]


@pytest.mark.parametrize(
    "broken",
    [
        ACTIONS + "a,Finding,2025-Q1,Lead,next week,\n",
        ACTIONS.replace(",", ";") + "a;Finding;2025-Q1;Lead;2025-12-31;\n",
        ACTIONS + 'a,"Finding,2025-Q1,Lead,2025-12-31,\n',
        "",
    ],
    ids=["a date in words", "semicolons", "an open quote", "emptied"],
)
def test_a_broken_file_is_named_with_its_line_and_left_as_it_is(
    quarters: tuple[Programme, Programme], tmp_path: Path, broken: str
) -> None:
    path = tmp_path / "actions.csv"
    path.write_text(broken)
    with pytest.raises(SettingsError, match=r"actions\.csv, line \d"):
        action_list(quarters[1], beside=tmp_path)
    assert path.read_text() == broken


def test_a_file_in_another_encoding_is_refused_and_left_as_it_is(
    quarters: tuple[Programme, Programme], tmp_path: Path
) -> None:
    path = tmp_path / "actions.csv"
    path.write_bytes(f"{ACTIONS}a,Finding,2025-Q1,Müller,2025-12-31,\n".encode("cp1252"))
    before = path.read_bytes()
    with pytest.raises(SettingsError, match="cannot be read as UTF-8"):
        action_list(quarters[1], beside=tmp_path)
    assert path.read_bytes() == before


def test_a_spreadsheets_mark_and_another_order_of_columns_are_read(tmp_path: Path) -> None:
    text = "closed,owner,due,action,finding,quarter\n,Lead,2025-12-31,a,F,2025-Q1\n"
    (tmp_path / "actions.csv").write_text(text, encoding="utf-8-sig")
    assert read_actions(tmp_path / "actions.csv")["owner"].tolist() == ["Lead"]


def test_a_committees_list_names_no_inserter(
    quarters: tuple[Programme, Programme], tmp_path: Path
) -> None:
    _, bad = quarters
    (tmp_path / "actions.csv").write_text(
        ACTIONS
        + "inserter I1 @ 2025-Q1,Failed procedures of inserter I1,2025-Q1,Lead,2025-12-31,\n"
        + "wash @ 2024-Q4,Hands,2024-Q4,Lead,2025-12-31,\n"
    )
    own = action_list(bad, beside=tmp_path)
    told = action_list(bad, beside=tmp_path, audience="committee")
    assert own.private
    assert "inserter I1 @ 2025-Q1" in set(own.table["action"])
    assert "I1" not in csv_text(told.table) + repr(told)
    assert "wash @ 2024-Q4" in set(told.table["action"])
    assert "about single inserters: 1 action." in told.footnotes[0]


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("actions.csv", ACTIONS + "a,F,2025-Q2,Lead,soon,\n", r"actions.csv, line 2, due: 'soon'"),
        ("chart_audit.csv", "patient_id,from_on,to_on\n", r"chart_audit.csv, line 1.*harms"),
    ],
    ids=["actions", "audit"],
)
def test_a_report_names_the_line_and_leaves_page_and_file(
    tmp_path: Path, name: str, text: str, says: str
) -> None:
    invented_study(tmp_path, clinic())
    (tmp_path / "plan.toml").write_text(plan_text(plan()), "utf-8")
    (tmp_path / name).write_text(text)
    page = tmp_path / "out" / "2025-Q2" / "quarterly_report.html"
    page.parent.mkdir(parents=True)
    page.write_text("earlier")
    with pytest.raises(SettingsError, match=says):
        make_report(
            tmp_path / "study", tmp_path / "plan.toml", Quarter.parse("2025-Q2"), tmp_path / "out"
        )
    assert page.read_text() == "earlier"
    assert (tmp_path / name).read_text() == text
