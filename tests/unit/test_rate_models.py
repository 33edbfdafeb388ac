"""Edges and refusals of the rate models."""

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.statistics.clustered_rates import clustered_rate
from outcomes.statistics.rate_models import rate_model


def wear(events: list[int], kind: str, years: float = 1.0) -> pd.DataFrame:
    patients = [f"P{i}" for i in range(len(events))]
    return pd.DataFrame({"events": events, "kind": list(kind), "years": years, "patient": patients})


def fitted(frame: pd.DataFrame, formula: str = "events ~ kind", **options):
    return rate_model(frame, formula=formula, exposure="years", cluster="patient", **options)


def test_the_intercept_model_is_the_clustered_rate() -> None:
    frame = wear([2, 0, 1, 4, 0], "aaabb")
    term = fitted(frame, "events ~ 1").table.iloc[0]
    direct = clustered_rate(frame, events="events", exposure="years", cluster="patient")
    assert term["estimate"] == pytest.approx(direct.estimate, rel=1e-9)
    assert term["log_se"] == pytest.approx(direct.se_log, rel=1e-9)


def test_a_group_without_events_is_not_estimable() -> None:
    term = fitted(wear([2, 1, 3, 0, 0, 0], "aaabbb")).table.iloc[1]
    assert np.isnan(term["estimate"])
    assert "not estimable" in term["note"]


def test_counts_too_even_for_a_negative_binomial_fall_back_to_poisson() -> None:
    fit = fitted(wear([2, 2, 2, 3, 2, 2, 2, 3], "aaaabbbb"), model="negative binomial")
    assert fit.dispersion is None
    assert fit.method.startswith("Poisson")
    assert "did not converge" in fit.note
    assert np.isfinite(fit.table["estimate"]).all()


def test_a_row_without_exposure_and_events_is_left_out_and_counted() -> None:
    frame = wear([2, 1, 3, 0], "aabb")
    frame.loc[3, "years"] = 0.0
    fit = fitted(frame, "events ~ 1")
    assert (fit.n_rows, fit.left_out) == (3, 1)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"years": 0.0}, "events but no exposure"),
        ({"events": 0}, "0 events"),
        ({"events": 0.5}, "counts events"),
        ({"kind": None}, "column kind: 4 of 4"),
        ({"patient": "one"}, "1 clusters"),
    ],
)
def test_what_no_model_can_use_is_refused(change: dict[str, object], words: str) -> None:
    with pytest.raises(EstimationError, match=words):
        fitted(wear([2, 1, 3, 1], "aabb").assign(**change))
