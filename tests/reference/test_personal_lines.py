"""Random slopes and intercepts against R lme4 and lmerTest.

lme4::sleepstudy (Belenky et al. 2003), nlme::Orthodont with values deleted (Potthoff and Roy
1964), geepack::dietox (Lauridsen et al. 1999).
"""

import functools

import numpy as np
import pytest

from outcomes.statistics.random_slope import RANDOM_SLOPE, personal_lines
from tests.reference.comparison_rows import data, expect, ids_of, reference_rows

NOT_OFFERED = {
    check_id: "Kenward-Roger is not offered: Satterthwaite's df are."
    for check_id in reference_rows().index
    if check_id.startswith("KR-") and not check_id.endswith(("-sat", "-b"))
}
SLEEP = {"subject": "Subject", "time": "Days", "outcome": "Reaction"}


@functools.cache
def sleep_values() -> dict[str, float]:
    d = data("sleepstudy").assign(constant=1.0, days=lambda d: d["Days"].astype(float))
    out: dict[str, float] = {}
    for prefix, options in (
        ("LME-reml", {}),
        ("LME-ml", {"restricted": False}),
        ("LME-ri", {"slope": False}),
    ):
        fit = personal_lines(d, design=["constant", "days"], **SLEEP, **options)
        for short, name in (("int", "constant"), ("days", "days")):
            inference = fit.contrast({name: 1.0})
            for suffix, field in (("b", "estimate"), ("se", "std_error"), ("sat", "df")):
                out[f"{prefix}-{short}-{suffix}"] = inference[field]
        spread = fit.line_covariance.to_numpy()
        elements = [*np.diag(spread), *([spread[0, 1]] if len(spread) > 1 else [])]
        for i, element in enumerate([*elements, fit.residual_variance]):
            out[f"{prefix}-vc{i + 1}"] = element
        out[f"{prefix}-ll"] = fit.log_likelihood
        if prefix == "LME-reml":
            out["LME-reml-blup308"] = fit.lines.loc[308, "slope"]
    return out


@functools.cache
def other_values() -> dict[str, float]:
    d = data("orthodont_missing").assign(constant=1.0, years=lambda d: d["age"].astype(float))
    d = d.assign(male=(d["Sex"] == "Male").astype(float))
    d["both"] = d["male"] * d["years"]
    roles = {"subject": "Subject", "time": "age", "outcome": "distance"}
    design = ["constant", "years", "male", "both"]
    teeth = personal_lines(d, design=design, slope=False, **roles).contrast({"both": 1.0})
    p = data("dietox").assign(constant=1.0, time=lambda d: d["Time"].astype(float))
    design = ["constant", "time"]
    for level in ("Cu035", "Cu175"):
        p[level] = (p["Cu"] == level).astype(float)
        p[f"time:{level}"] = p[level] * p["time"]
        design += [level, f"time:{level}"]
    pigs = personal_lines(p, subject="Pig", time="Time", outcome="Weight", design=design)
    assert pigs.model == RANDOM_SLOPE
    out = {"KR-orth-ageSex-b": teeth["estimate"], "KR-orth-ageSex-sat": teeth["df"]}
    for short, name in (("Time", "time"), ("Time:CuCu175", "time:Cu175")):
        inference = pigs.contrast({name: 1.0})
        for suffix, field in (("b", "estimate"), ("se", "std_error"), ("sat", "df")):
            out[f"LME-dietox-{short}-{suffix}"] = inference[field]
    return out


@pytest.mark.parametrize("check_id", ids_of("mixed_model", "small_sample_df", but=NOT_OFFERED))
def test_personal_lines_agree_with_the_reference(check_id):
    expect(check_id, (sleep_values() | other_values())[check_id])


def test_uncentred_time_changes_nothing():
    d = data("sleepstudy").assign(constant=1.0, Days=lambda d: d["Days"] + 1000.0)
    fit = personal_lines(d.assign(days=d["Days"]), design=["constant", "days"], **SLEEP)
    assert fit.contrast({"days": 1.0})["std_error"] == pytest.approx(1.54578889755, rel=1e-6)
