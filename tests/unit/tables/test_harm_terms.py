"""The dictionary of complications: whole, without repeats, and strict at intake."""

from pathlib import Path

import pytest

from outcomes.errors import SettingsError
from outcomes.plan import Complications
from outcomes.tables.declared import SEVERITIES
from outcomes.tables.harm_terms import CLASSES, GROUPS, HARM_TERMS, SEVERITY_OF_GRADE, event_class
from tests.exports import take_in

COMPLICATIONS = """
[[source]]
table = "complications"
files = ["harms.csv"]
[source.columns]
complication_id = "no"
patient_id = "id"
onset_on = "on"
category = { column = "code", codes = { E12 = "itching", E13 = "site infection" } }
deficiency_only = { constant = "no" }
severity = { constant = "mild" }
serious = { constant = "no" }
related_to_device = { constant = "possible" }
related_to_procedure = { constant = "not" }
"""
HARMS = "no,id,on,code\n1,P1,2024-05-01,E12\n2,P2,2024-05-02,E99\n3,P3,2024-05-03,E13\n"


def test_every_group_has_terms_and_no_name_comes_twice() -> None:
    assert {term.group for term in HARM_TERMS} == set(GROUPS)
    assert len({term.name for term in HARM_TERMS}) == len(HARM_TERMS)


def test_the_metabolic_categories_of_the_plan_are_those_of_the_dictionary() -> None:
    metabolic = {term.name for term in HARM_TERMS if term.group == "metabolic"}
    assert set(Complications().metabolic_categories) == metabolic


def test_grades_map_to_the_declared_severities() -> None:
    assert set(SEVERITY_OF_GRADE.values()) == set(SEVERITIES)


def test_severity_alone_makes_no_event_serious() -> None:
    given = dict(related=True, deficiency_only=False)
    assert event_class(serious=False, **given) == "ADE"
    assert event_class(serious=True, **given) == "SADE"
    assert set(CLASSES) >= {"AE", "ADE", "SAE", "SADE", "USADE", "ASADE", "DD"}


def test_a_code_that_the_clinic_did_not_map_is_set_aside_with_its_line(tmp_path: Path) -> None:
    study = take_in(tmp_path, COMPLICATIONS, harms=HARMS)
    assert study.table("complications")["category"].tolist() == ["itching", "site infection"]
    away = study.set_aside.query("table == 'complications'")
    assert away[["line", "rule"]].values.tolist() == [[3, "unknown code"]]


def test_a_code_mapped_to_a_word_outside_the_dictionary_is_refused(tmp_path: Path) -> None:
    wrong = COMPLICATIONS.replace('"itching"', '"itch"')
    with pytest.raises(SettingsError, match="Did you mean 'itching'"):
        take_in(tmp_path, wrong, harms=HARMS)


def test_a_word_outside_the_dictionary_is_set_aside_without_codes(tmp_path: Path) -> None:
    plain = COMPLICATIONS.split("category")[0] + 'category = "code"\n'
    plain += COMPLICATIONS[COMPLICATIONS.index("deficiency_only") :]
    study = take_in(tmp_path, plain, harms=HARMS.replace("E12", "itching"))
    assert study.table("complications")["category"].tolist() == ["itching"]
    assert len(study.set_aside.query("table == 'complications'")) == 2
