"""Whose line is it, and when is a personal line not estimable?"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.statistics.random_slope import RANDOM_SLOPE, personal_lines

CASES = Path(__file__).parents[1] / "data" / "cases"
ROLES = {"subject": "patient_id", "time": "visit", "outcome": "hba1c"}


def lines(visits: pd.DataFrame, **options):
    visits = visits.assign(constant=1.0, slope=visits["visit"].astype(float))
    return personal_lines(visits, design=["constant", "slope"], **ROLES, **options)


def test_average_and_personal_predictions_are_told_apart():
    visits = pd.read_csv(CASES / "three_visits_of_four_people.csv")
    fit = lines(visits, slope=False)
    assert fit.fitted.groupby("visit")["average_person"].nunique().eq(1).all()
    assert fit.fitted.groupby("visit")["this_person"].nunique().eq(4).all()
    seen = visits.sort_values(["patient_id", "visit"])["hba1c"].to_numpy()
    errors = {c: np.abs(fit.fitted[c] - seen).mean() for c in ("average_person", "this_person")}
    assert errors["this_person"] < errors["average_person"] / 2


def test_a_slope_that_does_not_vary_falls_back_and_says_so():
    visits = pd.read_csv(CASES / "visits_sorted.csv")
    fit = lines(visits)
    assert fit.model != RANDOM_SLOPE
    assert "was given up" in fit.notes[0]


def test_shuffled_rows_give_the_same_lines():
    one, other = (lines(pd.read_csv(CASES / f"visits_{n}.csv")) for n in ("sorted", "shuffled"))
    assert one.fitted["this_person"].to_numpy() == pytest.approx(
        other.fitted["this_person"].to_numpy(), abs=1e-8
    )


def test_one_visit_each_is_refused_with_the_simpler_model_named():
    with pytest.raises(EstimationError, match="Use least squares"):
        lines(pd.read_csv(CASES / "one_visit_each.csv").assign(visit=[0, 1, 2, 3]))
