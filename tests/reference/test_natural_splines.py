"""Natural splines against R `splines::ns` with the same knots, also by cohort with clusters.

datasets::airquality and geepack::dietox (Lauridsen et al. 1999).
"""

import functools

import numpy as np
import pandas as pd
import pytest

from outcomes.statistics.least_squares import least_squares
from outcomes.statistics.natural_spline import natural_spline
from tests.reference.comparison_rows import data, expect, ids_of


def curve(temperature, knots, at):
    """Least-squares fit to ozone and its classical inference at some temperatures."""
    d = data("airquality")[["Ozone", "Temp"]].dropna()
    basis = functools.partial(natural_spline, knots=knots, boundary=(57, 97))
    names = [f"s{j}" for j in range(len(knots) + 1)]
    x = pd.DataFrame(basis(d["Temp"]), columns=names).assign(constant=1.0)
    fit = least_squares(x, d["Ozone"].to_numpy(), kind="classical")
    return fit, {
        t: fit.contrast({**dict(zip(names, basis([t])[0], strict=True)), "constant": 1.0})
        for t in at
    }


@functools.cache
def values() -> dict[str, float]:
    temperature = data("airquality")[["Ozone", "Temp"]].dropna()["Temp"]
    # The program that made the reference takes quantiles of all rows as its default knots.
    knots = np.quantile(temperature, [0.25, 0.5, 0.75])
    out = {f"SPL-knot{i + 1}": knot for i, knot in enumerate(knots)}
    fit, at = curve(temperature, [71, 79, 85], (60, 75, 90, 105))
    out["SPL-rss"] = fit.residual_sum_of_squares
    for t, inference in at.items():
        out |= {f"SPL-pred{t}": inference["estimate"], f"SPL-se{t}": inference["std_error"]}
    out["SPL-fixk-pred85"] = curve(temperature, [70, 80, 90], (85,))[1][85]["estimate"]
    d = data("dietox").query("Cu != 'Cu035'")
    basis = functools.partial(natural_spline, knots=[4, 8], boundary=(1, 12))
    treated = (d["Cu"] == "Cu175").to_numpy(float)[:, None]
    names = ["constant", "s1", "s2", "s3", "arm", "arm:s1", "arm:s2", "arm:s3"]
    plain = np.column_stack([np.ones(len(d)), basis(d["Time"])])
    x = pd.DataFrame(np.hstack([plain, plain * treated]), columns=names)
    fit = least_squares(x, d["Weight"].to_numpy(), kind="CR0", clusters=d["Pig"].to_numpy())
    for week in (3, 6, 12):
        gap = fit.contrast(dict(zip(names[4:], [1.0, *basis([week])[0]], strict=True)))
        out |= {f"SPLGEE-diff{week}": gap["estimate"], f"SPLGEE-se{week}": gap["std_error"]}
    crossed, spread = fit.coefficients.iloc[5:], fit.covariance[5:, 5:]
    out["SPLGEE-wald"] = crossed @ np.linalg.solve(spread, crossed)
    return out


@pytest.mark.parametrize("check_id", ids_of("splines"))
def test_natural_splines_agree_with_the_reference(check_id):
    expect(check_id, values()[check_id])
