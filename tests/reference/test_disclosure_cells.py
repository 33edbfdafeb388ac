"""What may leave the clinic, against published rules of disclosure.

`data/disclosure.csv` names the source of each row: the cell size suppression policy of the Centers
for Medicare and Medicaid Services (2024), k-anonymity (Sweeney 2002), and 45 CFR 164.514(b)(2).
"""

import csv
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from outcomes.cohorts.baseline import SMALL, baseline
from outcomes.report.disclosure import LEAVING, audience, counts_within, small
from outcomes.results import Record, Result

DATA = Path(__file__).parent / "data" / "disclosure.csv"
with DATA.open(newline="") as lines:
    ROWS = {row["check_id"]: row for row in csv.DictReader(lines)}

# Rows that follow another rule of this toolkit, and the test that shows the other rule.
OTHER_RULE = {
    "SDC-006": "classes under 5 are hidden, not the whole table: "
    "test_the_class_that_sets_k_is_hidden_and_with_it_what_would_tell_it",
    "SDC-007": "no age of one person is shown to anybody outside the clinic, 89 as little as 90: "
    "test_the_age_of_one_person_is_shown_to_nobody_outside",
    "SDC-008": "the same",
}


def shown(count: int) -> str:
    return "0" if small(count) else "1"


ANSWERS: dict[str, Callable[[], str]] = {
    "SDC-001": lambda: shown(0),
    "SDC-002": lambda: shown(10),
    "SDC-003": lambda: shown(11),
    "SDC-005": lambda: str(counts_within(three_of_24())[2]),
}


def three_of_24() -> Record:
    return Record(
        outcome="complications", quantity="harm within 30 days, attempted placements",
        population="cumulative", cohort="implanted", by={"counted": "all reported"},
        estimate=12.5, conf_low=2.7, conf_high=32.4, n_units=24, n_patients=24, events=3,
        unit="% of procedures",
    )  # fmt: skip


def test_every_row_has_an_answer_or_another_rule() -> None:
    assert set(ANSWERS) | set(OTHER_RULE) == set(ROWS)


@pytest.mark.parametrize("check", ANSWERS)
def test_agrees_with_the_published_policy(check: str) -> None:
    assert ANSWERS[check]() == ROWS[check]["value"], ROWS[check]["source"]


def test_counts_of_one_to_ten_are_hidden_and_no_other() -> None:
    assert [count for count in range(30) if small(count)] == list(range(1, 11))


def test_a_percentage_goes_with_the_count_it_gives_away() -> None:
    entry = three_of_24()
    assert round(entry.estimate / 100 * entry.n_units) == int(ROWS["SDC-005"]["value"])
    given = Result(
        name="complications", title="Complications", table=pd.DataFrame({"estimate": [12.5]}),
        entries=[entry], finding="12.5 % of 24.", caption="",
    )  # fmt: skip
    told = audience("external")(given)
    (left,) = told.records()
    assert left["estimate"] is left["conf_low"] is left["conf_high"] is left["events"] is None
    assert "12.5" not in told._repr_html_()


def people() -> pd.DataFrame:
    """The eight people of the row on k-anonymity, and eight more of the other kind."""
    classes = ROWS["SDC-006"]["input"].split(": ")[1].split(";")
    return pd.DataFrame(
        {"cohort": ["implanted"] * 8 + ["adhesive"] * 8, "new": True,
         "age_band_and_sex": classes + ["40s F"] * 8}
    )  # fmt: skip


def test_the_class_that_sets_k_is_hidden_and_with_it_what_would_tell_it() -> None:
    frame = people()
    smallest = frame.loc[frame["cohort"] == "implanted", "age_band_and_sex"].value_counts().min()
    assert smallest == int(ROWS["SDC-006"]["value"]) < SMALL
    table = baseline(frame, covariates=["age_band_and_sex"]).table
    assert (table["implanted"] == f"<{SMALL}").all()  # 3, 2 and 3: none may be shown
    assert table["implanted_n"].isna().all()
    assert table["smd"].isna().all()


@pytest.mark.parametrize("age", [89, 90])
def test_the_age_of_one_person_is_shown_to_nobody_outside(age: int) -> None:
    # A list of single people stays in the clinic, whatever their age.
    listed = Result(
        name="patient_list", title="Patients", table=pd.DataFrame({"age_years": [age]}),
        entries=[], finding=f"One patient of {age} years.", caption="", private=True,
    )  # fmt: skip
    for outside in ("committee", "external"):
        assert str(age) not in audience(outside)(listed)._repr_html_()
    assert not any("age" in quantity.split() for _, quantity, _ in LEAVING)


def test_the_mean_age_of_fewer_than_five_is_hidden_too() -> None:
    frame = people().assign(age_years=[90.0] + [None] * 7 + [50.0] * 6 + [None] * 2)
    told = baseline(frame, covariates=["age_years"])
    mean, missing = (told.table[["implanted", "adhesive"]].iloc[i].tolist() for i in (0, 1))
    assert mean == [f"<{SMALL}", "50.0 (0.0)"]
    assert missing == ["7", f"<{SMALL}"]
    assert not any(90.0 in (r["estimate"], r["conf_low"]) for r in told.records())
    assert "90" not in told._repr_html_()
