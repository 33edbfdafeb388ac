"""Classes and grades of events by the device-study standard and by CTCAE.

`data/adverse_event_classes.csv` names the source of each row; `memory` = yes marks values from
memory.
"""

import csv
from pathlib import Path

import pytest

from outcomes.tables.harm_terms import event_class, severity_grade

DATA = Path(__file__).parent / "data" / "adverse_event_classes.csv"
with DATA.open(newline="") as lines:
    ROWS = {row["check_id"]: row for row in csv.DictReader(lines)}


def classified(words: str) -> str:
    foreseen = {"not in the risk file": False, "listed in the risk file": True}
    return event_class(
        related="related to" in words,
        serious="not serious" not in words and "serious" in words,
        deficiency_only="no untoward event" in words,
        foreseen=next((known for text, known in foreseen.items() if text in words), None),
    )


def graded(words: str) -> str:
    grade = severity_grade(
        treated_locally="oral antibiotic" in words,
        limits_instrumental_activities="limits cooking and shopping" in words,
    )
    return str(grade)


@pytest.mark.parametrize("check", ROWS, ids=lambda c: f"{c}: {ROWS[c]['source']}")
def test_agrees_with_the_standard(check: str) -> None:
    row = ROWS[check]
    answer = graded if row["source"].startswith("CTCAE") else classified
    assert answer(row["input"]) == row["value"]


@pytest.mark.parametrize(
    ("criterion", "grade"),
    [("died", 5), ("life_threatening", 4), ("admitted_or_disabled", 3), ("limits_self_care", 3)],
)
def test_the_gravest_criterion_decides_the_grade(criterion: str, grade: int) -> None:
    # CTCAE version 5.0, general guidelines.
    assert severity_grade(**{criterion: True}, treated_locally=True) == grade
