"""What comes out agrees with the stated sizes, within four standard errors at a fixed seed."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from synthetic import Clinic, Scenario, clinic
from synthetic.course import course
from synthetic.glucose import true_glucose
from synthetic.people import ENTRIES, ENTRY_SHARES, person
from synthetic.scenario import MODEL, SITE_SHARES, SITES
from synthetic.truth import decisions, effects, expected_share, incidence, response, starts
from synthetic.wear import CAUSES, lives, place_implanted

USUAL = Scenario()
PEOPLE = [person(USUAL, 11, k) for k in range(1000)]


def near_share(events: int, n: int, share: float) -> bool:
    return abs(events / n - share) <= 4 * np.sqrt(share * (1 - share) / n) + 1e-12


@pytest.mark.parametrize(
    ("field", "value", "share"),
    [
        ("sex", "female", 0.48),
        ("diabetes_type", "type 1", 0.60),
        *(("entry", entry, share) for entry, share in zip(ENTRIES, ENTRY_SHARES, strict=True)),
        *(("site", site, share) for site, share in zip(SITES, SITE_SHARES, strict=True)),
    ],
)
def test_people_have_the_stated_shares(field: str, value: str, share: float) -> None:
    count = sum(getattr(who, field) == value for who in PEOPLE)
    assert near_share(count, len(PEOPLE), share)


def test_effects_have_the_stated_means() -> None:
    implanted = np.array([p.effect_implanted for p in PEOPLE])
    level = np.array([p.level for p in PEOPLE])
    stated = USUAL.effect_implanted + USUAL.implanted_per_point * (level - USUAL.centre)
    error = implanted - stated
    assert abs(error.mean()) < 4 * USUAL.effect_sd / np.sqrt(len(PEOPLE))
    assert error.std() == pytest.approx(USUAL.effect_sd, rel=0.08)


@pytest.mark.parametrize("name", ["IG-1", "IG-2"])
def test_implanted_sensors_end_as_the_closed_form_says(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    model = MODEL[name]
    monkeypatch.setattr("synthetic.wear.implanted_model", lambda placed, rng: model)
    rng = np.random.default_rng(5)
    n = 6000
    frailty = np.exp(USUAL.frailty_sd * rng.normal(size=n) - USUAL.frailty_sd**2 / 2)
    placed = [place_implanted(USUAL, "P", "S", 20_500, z, 0, rng) for z in frailty]
    truth = incidence(model, frailty_sd=USUAL.frailty_sd).set_index("day")
    for at in (model.planned_days // 2, model.planned_days - 20, model.planned_days - 1):
        for cause in ("sensor failure", "patient choice", "infection", "planned"):
            ended = sum(s.reason == cause and s.works_until - s.placed <= at for s in placed)
            assert near_share(ended, n, truth.loc[at, cause]), (at, cause)


@pytest.mark.parametrize("name", ["AP-10", "AP-14"])
def test_adhesive_sensors_end_as_the_closed_form_says(name: str) -> None:
    model, n = MODEL[name], 200_000
    rng = np.random.default_rng(6)
    frailty = np.exp(USUAL.frailty_sd * rng.normal(size=n) - USUAL.frailty_sd**2 / 2)
    age, cause = lives(model, n, frailty, 1.0, rng)
    truth = incidence(model, frailty_sd=USUAL.frailty_sd).set_index("day")
    for at in (3, model.planned_days - 1):
        for place, reason in enumerate(CAUSES):
            ended = int(((cause == place) & (age.astype(int) <= at)).sum())
            assert near_share(ended, n, truth.loc[at, reason]), (at, reason)


def test_causes_and_the_working_add_to_one() -> None:
    table = incidence(MODEL["IG-2"], frailty_sd=0.5)
    total = table.drop(columns="day").sum(axis=1)
    assert total.between(0, 1).all()
    assert total.is_monotonic_increasing


@pytest.fixture(scope="module")
def many() -> Clinic:
    return clinic(400, 4)


def test_choice_follows_its_stated_chance(many: Clinic) -> None:
    table = decisions(many)
    chance = table["chance_of_implanted"]
    error = (table["chosen"] == "implanted").sum() - chance.sum()
    assert abs(error) < 4 * np.sqrt((chance * (1 - chance)).sum())


def test_those_who_choose_the_implanted_sensor_are_higher(many: Clinic) -> None:
    table = decisions(many).query("kind_before == 'none'")
    latest = table.groupby("chosen")["latest_hba1c"].mean()
    assert latest["implanted"] > latest["adhesive"] + 0.1


def test_hba1c_follows_a_change_as_the_closed_form_says() -> None:
    lived = course(USUAL, 1, PEOPLE[0])
    lived.drug_from = None
    lived.swings = np.zeros_like(lived.swings)
    lived.target = np.zeros_like(lived.target)
    day = lived.first + 300
    before = lived.hba1c(USUAL, day - 1)
    lived.target[300:] = -0.5
    for since in (30, 91, 183):
        fall = lived.hba1c(USUAL, day + since) - before
        assert fall == pytest.approx(-0.5 * response(USUAL, since), abs=1e-9)


def test_most_of_the_effect_is_there_by_three_months() -> None:
    assert 0.75 < response(USUAL, 91) < response(USUAL, 183) <= response(USUAL, 365) <= 1


def test_glucose_has_the_stated_mean_and_shares() -> None:
    lived = course(USUAL, 1, PEOPLE[2])
    lived.swings = np.full_like(lived.swings, 20.0)
    lived.target = np.zeros_like(lived.target)
    mean = float(lived.mean_glucose(USUAL)[300])
    start = (lived.first + 10) * 86_400
    values = true_glucose(USUAL, lived, start, start + 500 * 86_400, np.random.default_rng(2))
    assert values.mean() == pytest.approx(mean, rel=0.01)
    share = ((values >= 70) & (values <= 180)).mean()
    truth = expected_share(np.array([mean]), PEOPLE[2].cv, 70, 180)[0]
    assert share == pytest.approx(truth, abs=0.01)


def test_unmeasured_trait_moves_the_choice_only_where_switched_on() -> None:
    off = decisions(clinic(60, 3))
    on = decisions(clinic(60, 3, scenario=Scenario(unmeasured=0.8)))
    first_off, first_on = off.groupby("patient_id").first(), on.groupby("patient_id").first()
    both = first_off.index.intersection(first_on.index)
    assert (
        first_off.loc[both, "chance_of_implanted"] != first_on.loc[both, "chance_of_implanted"]
    ).any()


def test_a_biased_sensor_reads_off_by_the_stated_amount() -> None:
    few = Scenario(readings_from=date(2026, 6, 1))
    bias = Scenario(readings_from=date(2026, 6, 1), implanted_bias_mg_dl=10.0)
    for plain, off in zip(
        clinic(8, 1, scenario=few).traces(), clinic(8, 1, scenario=bias).traces(), strict=True
    ):
        for sensor, a, b in zip(plain.sensors, plain.values, off.values, strict=True):
            expected = 10.0 if sensor.model.kind == "implanted" else 0.0
            assert np.allclose(b - a, expected)


def test_the_stated_confounding_is_there_and_grows_with_an_unmeasured_trait(many: Clinic) -> None:
    measured = effects(starts(many)).query("days == 183").set_index("kind_before")["confounding"]
    hidden = clinic(400, 4, scenario=Scenario(unmeasured=0.8))
    both = effects(starts(hidden)).query("days == 183").set_index("kind_before")["confounding"]
    # With 3,000 patients -0.08, and -0.20 with the trait; 400 leave a standard error of 0.07.
    assert -0.30 < measured["none"] < 0.10
    assert both["none"] < measured["none"] - 0.03
