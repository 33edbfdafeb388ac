"""Harm over time, contrasts, models and capture: edges, zero events, and what may not be said."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path

import pandas as pd
import pytest

from outcomes.cohorts.build import CohortSet, build_cohorts
from outcomes.errors import SettingsError
from outcomes.measures.complications import complications
from outcomes.measures.harm_capture import harm_capture
from outcomes.measures.harm_contrast import harm_contrast
from outcomes.measures.harm_follow_up import contact_words, contacts_since_start
from outcomes.measures.harm_models import harm_models
from outcomes.measures.harm_over_time import harm_over_time, patient_spells, placement_lives
from outcomes.measures.harm_tables import harm_tables
from outcomes.plan import Complications
from tests.invented_clinic import PLAN, declared, invented_study, invented_tables

ALIKE = dataclasses.replace(PLAN, complications=Complications(equal_solicitation=True))
QUESTIONS = (harm_over_time, harm_contrast, harm_models, harm_capture)


@pytest.fixture(scope="module")
def cohorts(tmp_path_factory: pytest.TempPathFactory) -> CohortSet:
    study = invented_study(tmp_path_factory.mktemp("harm"), invented_tables())
    return build_cohorts(study, ALIKE)


def cohorts_of(folder: Path, **changed: pd.DataFrame | None) -> CohortSet:
    tables = invented_tables(implanted=12, adhesive=12) | changed
    given = {name: table for name, table in tables.items() if table is not None}
    return build_cohorts(invented_study(folder, given), ALIKE)


def harms_of(*rows: dict[str, object]) -> pd.DataFrame:
    usual = {
        "patient_id": "P000", "category": "itching", "deficiency_only": False, "severity": "mild",
        "serious": False, "related_to_device": "possible", "related_to_procedure": "not",
    }  # fmt: skip
    return declared(
        "complications", [usual | {"complication_id": f"C{i}"} | r for i, r in enumerate(rows)]
    )


@pytest.mark.parametrize("question", QUESTIONS, ids=lambda q: q.__name__)
def test_every_number_is_finite_and_has_its_n_or_a_reason(
    cohorts: CohortSet, question: object
) -> None:
    result = question(cohorts)
    records = result.records()
    json.dumps(records, allow_nan=False)
    for record in records:
        assert record["unit"]
        if record["estimate"] is None:
            assert record["note"], record
        else:
            assert math.isfinite(record["estimate"])
            assert (record["n_patients"] or record["n_units"]) is not None
    assert result.title.endswith("?")
    assert result.finding.endswith(".")
    assert ">nan<" not in result._repr_html_().lower()


@pytest.mark.parametrize("question", QUESTIONS, ids=lambda q: q.__name__)
@pytest.mark.parametrize("there", [False, True], ids=["no table", "empty table"])
def test_without_harm_every_question_says_so(tmp_path: Path, question: object, there: bool) -> None:
    given = cohorts_of(tmp_path, complications=declared("complications", []) if there else None)
    result = question(given)
    known = [r for r in result.records() if r["estimate"] is None]
    assert there or all(
        "no complications table" in r["note"] or "chart" in r["note"] for r in known
    )
    assert result.finding


def test_a_planned_removal_is_no_harm_and_competes(cohorts: CohortSet) -> None:
    lives = placement_lives(cohorts, harm_tables(cohorts), "implanted")
    assert set(lives["state"]) <= {"harm", "died", "out of the body", "censored"}
    gone = lives.loc[lives["state"] == "out of the body"]
    assert len(gone)
    removed = cohorts.table("sensors").set_index("sensor_id").loc[gone["sensor_id"]]
    days = (removed["removed_on"] - removed["placed_on"]).dt.days.to_numpy()
    assert (gone["exit"].to_numpy() == days + 30).all()


def test_a_death_ends_harm_and_keeps_its_place(tmp_path: Path) -> None:
    tables = invented_tables(implanted=12, adhesive=12)
    first = tables["sensors"].loc[tables["sensors"]["patient_id"] == "P000", "placed_on"].min()
    died = first + pd.Timedelta(days=50)
    patients = tables["patients"].copy()
    patients.loc[patients["patient_id"] == "P000", "died_on"] = died
    given = cohorts_of(tmp_path, patients=patients, complications=harms_of())
    lives = placement_lives(given, harm_tables(given), "implanted").set_index("sensor_id")
    assert lives.loc["P000-0", ["exit", "state"]].tolist() == [50, "died"]
    spells = patient_spells(given, harm_tables(given), "implanted")
    assert spells.loc[spells["patient_id"] == "P000", ["exit", "died"]].values.tolist() == [
        [50.0, True]
    ]


def test_a_second_harm_counts_for_the_patient_and_not_for_the_placement(tmp_path: Path) -> None:
    tables = invented_tables(implanted=12, adhesive=12)
    on = tables["sensors"].set_index("sensor_id").loc["P000-0", "placed_on"]
    row = {"sensor_id": "P000-0"}
    harms = harms_of(*(row | {"onset_on": on + pd.Timedelta(days=d)} for d in (0, 5, 5)))
    given = cohorts_of(tmp_path, complications=harms)
    table = harm_over_time(given).table.query("cohort == 'implanted' and day == 30")
    by = table.set_index("quantity")
    assert by.loc["placements with a harm by then", "events"] == 1
    assert by.loc["harms per 100 patients by then", "events"] == 3
    assert by.loc["harms per 100 patients by then", "estimate"] == pytest.approx(100 * 3 / 12)


def test_kinds_are_not_contrasted_unless_the_plan_declares_it(tmp_path: Path) -> None:
    plain = build_cohorts(invented_study(tmp_path, invented_tables()), PLAN)
    result = harm_contrast(plain)
    assert result.table["estimate"].isna().all()
    assert "does not declare" in result.finding
    assert "implanted, against adhesive" not in set(harm_models(plain).table["term"])


def test_a_kind_without_events_has_a_limit_or_words_and_never_an_absurd_ratio(
    tmp_path: Path,
) -> None:
    tables = invented_tables(implanted=12, adhesive=12)
    mine = tables["sensors"].loc[tables["sensors"]["kind"] == "implanted"].iloc[::3].head(4)
    rows = [
        {"patient_id": s.patient_id, "sensor_id": s.sensor_id,
         "onset_on": s.placed_on + pd.Timedelta(days=3)}
        for s in mine.itertuples()
    ]  # fmt: skip
    result = harm_contrast(cohorts_of(tmp_path, complications=harms_of(*rows)))
    table = result.table.loc[result.table["counted"] == "all reported"].set_index("quantity")
    exact = table.loc["rate ratio, first events"].iloc[0]
    assert pd.isna(exact["estimate"])
    assert exact["conf_low"] > 0
    every = table.loc["rate ratio, all events"]
    assert pd.isna(every["estimate"])
    assert every["note"] == "not estimable: no events in adhesive (4 against 0)"


def test_too_few_patients_with_harm_make_no_model(tmp_path: Path) -> None:
    on = {"sensor_id": "P000-0", "onset_on": pd.Timestamp("2025-01-15")}
    result = harm_models(cohorts_of(tmp_path, complications=harms_of(on)))
    assert result.table["estimate"].isna().all()
    assert "with harm for" in result.table["note"].iloc[0]


def test_the_two_models_agree_where_the_hazard_is_steady(cohorts: CohortSet) -> None:
    loose = dataclasses.replace(
        cohorts.plan, complications=dataclasses.replace(
            cohorts.plan.complications, events_per_term=1, model_covariates=("sex",)
        ),
    )  # fmt: skip
    table = harm_models(dataclasses.replace(cohorts, plan=loose)).table
    poisson, cox = (part["estimate"].to_numpy() for _, part in table.groupby("model", sort=False))
    assert len(poisson) == len(cox) > 0
    assert abs(pd.Series(poisson).sub(pd.Series(cox)).div(pd.Series(cox))).max() < 0.25


def test_classes_delay_and_unreported_events_are_counted(tmp_path: Path) -> None:
    on = pd.Timestamp("2025-01-15")
    base = {"sensor_id": "P000-0", "onset_on": on}
    harms = harms_of(
        base | {"serious": True, "recorded_on": on + pd.Timedelta(days=31)},
        base | {"serious": True, "reported": True, "recorded_on": on + pd.Timedelta(days=30)},
        base | {"serious": True, "related_to_device": "not"},
        base | {"related_to_device": "unknown"},
        base | {"deficiency_only": True},
    )
    result = harm_capture(cohorts_of(tmp_path, complications=harms))
    rows = result.table.set_index("quantity")
    assert rows.loc["recorded more than 30 days after the onset", ["events", "n"]].tolist() == [
        1,
        2,
    ]
    unmarked = rows.loc["serious and related, not marked as reported"]
    assert unmarked[["events", "n"]].tolist() == [1, 2]
    assert "of 2 such events, not marked as reported: 1." in result.footnotes[0]
    assert "authorities and manufacturers" in result.footnotes[0]
    count = {name.split(":")[0]: n for name, n in rows["events"].items() if ":" in name}
    assert count == {"SADE": 2, "ADE": 0, "SAE": 1, "AE": 1, "DD": 1}
    assert rows.loc["with related to device", "events"] == 4


AUDIT = "patient_id,from_on,to_on,harms\n"


def test_an_audit_of_charts_says_how_far_the_export_agrees(tmp_path: Path) -> None:
    on = {"sensor_id": "P000-0", "onset_on": pd.Timestamp("2025-01-15")}
    given = cohorts_of(tmp_path, complications=harms_of(on))
    (tmp_path / "chart_audit.csv").write_text(
        AUDIT + "P000,2025-01-01,2025-03-31,2\nP001,2025-01-01,2025-03-31,0\n"
        "P999,2025-01-01,2025-03-31,1\n"
    )
    rows = harm_capture(given, beside=tmp_path / "plan.toml").table.set_index("quantity")
    agree = rows.loc["charts whose count of harm agrees"]
    kept = rows.loc["harms of the charts that the export has"]
    assert (agree["events"], agree["n"]) == (1, 2)
    assert (kept["events"], kept["n"], kept["estimate"]) == (1, 2, 50)
    assert agree["note"] == "1 charts of unknown patients left out"
    # Wilson's interval for 1 of 2, worked by hand: centre 0.5, half width 0.4054...
    assert agree["conf_low"] == pytest.approx(9.4529, abs=1e-3)


def test_an_audit_that_cannot_be_read_is_refused_by_line(tmp_path: Path) -> None:
    given = cohorts_of(tmp_path)
    (tmp_path / "chart_audit.csv").write_text(AUDIT + "P000,2025-01-01,2025-03-31,two\n")
    with pytest.raises(SettingsError, match="line 2, harms: 'two' is not a whole number"):
        harm_capture(given, beside=tmp_path)


def test_contacts_stand_beside_every_figure_of_both_kinds(cohorts: CohortSet) -> None:
    told = contact_words(contacts_since_start(cohorts))
    assert told.count("95 % interval") == 2
    contrast = harm_contrast(cohorts)
    assert contrast.table[["contacts_implanted", "contacts_adhesive"]].notna().all(axis=None)
    assert told in contrast.finding
    for question in (harm_over_time, harm_models):
        assert any(told in note for note in question(cohorts).footnotes)
    assert told in complications(cohorts).alt
    rows = [r for r in contrast.records() if r["quantity"] == "contacts"]
    assert [r["cohort"] for r in rows] == ["implanted", "adhesive"]


def test_without_a_table_of_contacts_the_figures_say_so(tmp_path: Path) -> None:
    given = cohorts_of(tmp_path, contacts=None)
    told = harm_contrast(given)
    assert "the study has no contacts table" in told.finding + " ".join(told.footnotes)
    assert told.table["contacts_implanted"].isna().all()


def test_a_category_without_an_event_this_quarter_says_none(cohorts: CohortSet) -> None:
    shown = complications(cohorts).shown()
    rows = shown.loc[shown["What"].str.startswith("…")]
    assert len(rows)
    assert not (rows == "–").any(axis=None)
    assert shown["What"].str.contains("patient-years|%|contacts|deficiencies").all()


def test_a_patient_who_wore_both_kinds_is_one_patient_of_the_contrast(tmp_path: Path) -> None:
    tables = invented_tables(implanted=12, adhesive=12)
    sensors = tables["sensors"].copy()
    moved = sensors.loc[sensors["kind"] == "adhesive", "patient_id"].iloc[0]
    sensors.loc[sensors["patient_id"] == moved, "patient_id"] = "P000"
    given = cohorts_of(tmp_path, sensors=sensors)
    people = given.table("sensors")["patient_id"].nunique()
    shown = harm_contrast(given).table
    assert shown["n_patients"].dropna().unique().tolist() == [people]
