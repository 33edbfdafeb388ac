"""What is written as true at horizons agrees with large clinics, by counting alone."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.command import main
from synthetic import Clinic, Scenario, clinic
from synthetic.horizons import periods, survival_truth, trajectory_truth
from synthetic.scenario import MODEL
from synthetic.told import write_truth
from synthetic.truth import choosers, confounding, decisions, effects, starts, still_working
from synthetic.wear import lives, place_implanted

USUAL = Scenario()


@pytest.fixture(scope="module")
def large() -> Clinic:
    return clinic(400, 21)


def test_what_becomes_of_a_sensor_adds_to_one() -> None:
    table = survival_truth(USUAL)
    assert (table["reached"] + table["lost"] + table["early"]).to_numpy() == pytest.approx(1)
    by_cause = table[[name for name in table if name.startswith("lost by")]].sum(axis=1)
    assert by_cause.to_numpy() == pytest.approx(table["lost"].to_numpy())
    assert (table["working_if_none_early"] <= 1 - table["lost"] + 1e-12).all()


@pytest.mark.parametrize("name", ["IG-1", "AP-14"])
def test_losses_alone_leave_what_is_told(name: str) -> None:
    model, n, rng = MODEL[name], 100_000, np.random.default_rng(12)
    frailty = np.exp(USUAL.frailty_sd * rng.normal(size=n) - USUAL.frailty_sd**2 / 2)
    losses_only = type(model)(**{**vars(model), "patient_choice": 1e-12, "medical_need": 1e-12})
    age, _ = lives(losses_only, n, frailty, 1.0, rng)
    eve = model.planned_days - 1
    told = still_working(model, frailty_sd=USUAL.frailty_sd)[eve]
    assert (age >= model.planned_days).mean() == pytest.approx(told, abs=4 * 0.5 / np.sqrt(n))


def test_losses_per_year_are_the_counted_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    model, n, rng = MODEL["IG-1"], 6000, np.random.default_rng(13)
    monkeypatch.setattr("synthetic.wear.implanted_model", lambda placed, rng: model)
    frailty = np.exp(USUAL.frailty_sd * rng.normal(size=n) - USUAL.frailty_sd**2 / 2)
    sensors = [place_implanted(USUAL, "P", "S", 20_500, z, 0, rng) for z in frailty]
    days = sum(min(s.works_until - s.placed, 180) for s in sensors)
    lost = sum(s.reason in ("sensor failure", "infection", "skin reaction", "other complication")
               for s in sensors)  # fmt: skip
    told = survival_truth(USUAL).query("model == 'IG-1' and lot == 'usual'").iloc[-1]
    assert lost / (days / 365.25) == pytest.approx(told["losses_per_year"], rel=4 / np.sqrt(lost))


def test_who_chose_differs_by_what_is_told_to_confound(large: Clinic) -> None:
    rows = confounding(choosers(large), USUAL)
    apart = (rows["mean_implanted"] - rows["mean_adhesive"]).groupby(rows["covariate"]).mean()
    assert apart["latest HbA1c, points"] > 0.2
    assert apart["age, ten years"] < -0.1
    assert apart["type 1"] > 0.02
    assert not rows.loc[rows["covariate"] == "trait", "measured"].any()


def test_what_covariates_add_is_the_log_odds(large: Clinic) -> None:
    rows = decisions(large)
    chance = rows["chance_of_implanted"]
    odds = np.log(chance / (1 - chance))
    added = rows[[name for name in rows if name.startswith("from_")]].sum(axis=1)
    constant = (odds - added).round(9)
    wearer = rows["kind_before"] == "adhesive"
    assert constant[~wearer].unique() == pytest.approx([USUAL.choice_intercept])
    assert constant[wearer].unique() == pytest.approx([USUAL.choice_intercept - 1.3])


def test_the_raw_comparison_is_biased_by_the_stated_confounding(large: Clinic) -> None:
    rows = effects(starts(large)).query("kind_before == 'none'")
    assert rows["days"].tolist() == [91, 183, 365]
    assert (rows["confounding"] == rows["crude"] - rows["implanted"]).all()
    # Who is high chooses it more, and falls more by chance and by the larger effect of the high.
    assert rows.set_index("days").loc[[91, 183], "confounding"].max() < -0.03


def test_time_in_range_rises_from_before_the_start_and_holds(large: Clinic) -> None:
    table = trajectory_truth(periods(large)).set_index(["cohort", "period"])
    for cohort in ("implanted", "adhesive"):
        level = table.loc[cohort, "all_share_70_180"]
        assert level[7] > level[0] + 0.04
        assert abs(level[7] - level[3]) < 0.04
        assert (table.loc[cohort, "n_there"] <= table.loc[cohort, "n"]).all()


def test_every_file_of_the_truth_is_explained(tmp_path: Path) -> None:
    write_truth(clinic(20), tmp_path)
    page = (tmp_path / "README.md").read_text(encoding="utf-8")
    names = {path.name for path in tmp_path.iterdir()} - {"README.md"}
    assert {name for name in names if f"`{name}`" in page} == names
    for name in names - {"scenario.json"}:
        assert len(pd.read_csv(tmp_path / name)) > 0, name


def test_the_command_writes_exports_plan_and_truth(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--patients", "20", "--seed", "5", "--minutes", "60", "60", "--out", str(tmp_path)]
    assert main(["synthesise", *words]) == 0
    said = capsys.readouterr().out
    assert {"exports", "sources.toml", "plan.toml", "truth"} <= {p.name for p in tmp_path.iterdir()}
    known = json.loads((tmp_path / "known_numbers.json").read_text(encoding="utf-8"))
    wrong = sum(table["set_aside_in_all"] for table in known["tables"].values())
    assert f"{wrong} are wrong" in said
    assert "outcomes intake" in said


@pytest.mark.parametrize(
    "words", [["--patients", "10"], ["--seed", "-1"], ["--minutes", "0", "5"], []]
)
def test_wrong_wishes_are_told(
    words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    if not words:
        (tmp_path / "exports").mkdir()  # of a real clinic
    assert main(["synthesise", *words, "--out", str(tmp_path)]) == 2
    assert "outcomes synthesise:" in capsys.readouterr().err
