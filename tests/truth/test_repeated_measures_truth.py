"""A visit missing because of what was seen before: the model recovers the truth, with cover."""

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from outcomes.statistics.visit_means import visit_means

TRUTH = -0.4
ROLES = {"subject": "who", "visit": "month", "outcome": "value", "baseline": "start"}


def study(rng: np.random.Generator, n: int = 90) -> pd.DataFrame:
    """Three visits; the worse the first, the likelier the later ones are missing."""
    start = rng.normal(8, 1, n)
    treated = np.arange(n) % 2 == 0
    root = np.linalg.cholesky([[1.0, 0.7, 0.6], [0.7, 1.2, 0.8], [0.6, 0.8, 1.5]])
    values = 2 + 0.7 * start[:, None] + TRUTH * treated[:, None] + rng.normal(size=(n, 3)) @ root.T
    lost = rng.random(n) < expit(2 * (values[:, 0] - 8))
    values[lost, 1:] = np.nan
    people = pd.DataFrame({"who": np.arange(n), "start": start, "arm": np.where(treated, "b", "a")})
    long = people.merge(pd.DataFrame({"month": [3, 6, 12]}), how="cross")
    return long.assign(value=values.ravel())


@pytest.mark.slow
def test_the_difference_and_its_interval_hold_when_dropout_follows_what_was_seen():
    """200 replicates: cover within three binomial errors of .95, bias within three of its own."""
    rng = np.random.default_rng(77)
    rows, raw = [], []
    for _ in range(200):
        visits = study(rng)
        table = visit_means(visits, group="arm", reference="a", **ROLES).differences
        rows.append(table.set_index("visit").loc[12])
        last = visits[(visits["month"] == 12) & (visits["arm"] == "a")]
        raw.append((last["value"] - 2 - 0.7 * last["start"]).mean())
    results = pd.DataFrame(rows)
    assert results["note"].isna().all()
    covered = results["conf_low"].le(TRUTH) & results["conf_high"].ge(TRUTH)
    assert 0.903 <= covered.mean() <= 0.997
    estimates = results["estimate"].to_numpy(dtype=float)
    assert abs(estimates.mean() - TRUTH) < 3 * estimates.std() / np.sqrt(200)
    # What those who came show is too good by a lot: the trap the model avoids.
    assert np.mean(raw) < -0.2


@pytest.mark.slow
def test_the_interval_of_a_groups_own_change_holds_where_the_baseline_is_a_sample():
    """100 replicates; with a slope of 0.2 the people drawn are a large part of the error."""
    rng = np.random.default_rng(78)
    covered, estimates, stated = [], [], []
    for _ in range(100):
        visits = study(rng)
        noise = visits["value"] - 0.7 * visits["start"] - 2
        visits["value"] = 6 + 0.2 * visits["start"] + 0.5 * noise  # mean change of a: -0.4
        row = visit_means(visits, group="arm", reference="a", **ROLES).changes.set_index("group")
        last = row[row["visit"] == 12].loc["a"]
        covered.append(last["conf_low"] <= -0.4 <= last["conf_high"])
        estimates.append(last["estimate"])
        stated.append(last["std_error"])
    assert 0.88 <= np.mean(covered) <= 1.0
    assert 0.80 <= np.mean(stated) / np.std(estimates) <= 1.25
