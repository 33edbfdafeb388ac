"""Repeated outcomes of 2,000 patients over 12 periods, against the library's formula interface.

    python -m tests.benchmarks repeated --patients 2000

Three rows. The course of time in range: fractional logit, spline x cohort, g-computation at 12
periods; ours with bias-reduced errors by patient and small-sample t, the library's with its plain
clustered errors. HbA1c at three visits: ours with an unstructured covariance and Satterthwaite t;
the library has none, so its random intercept stands beside. Personal levels (a random intercept)
over 12 periods: ours runs the library's own search as a second opinion and so cannot be faster. A
ratio of 1 is as fast as the library; the first two must not be slower.
"""

from __future__ import annotations

import argparse
import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import statsmodels.api as sm
import statsmodels.formula.api as smf

from outcomes.statistics.fractional import trajectory
from outcomes.statistics.natural_spline import natural_spline
from outcomes.statistics.random_slope import personal_lines
from outcomes.statistics.visit_means import visit_means
from synthetic.tables_only import Setting, tables
from tests.benchmarks.pairs import HEADING, line, measured
from tests.truth.hba1c_bench import visits

BAR = 1.0
PERIODS = range(1, 13)
KNOTS, BOUNDARY = (3, 6), (1, 13)
SPLINE = "cr(period, knots=[3, 6], lower_bound=1, upper_bound=13, constraints='center')"
ADJUSTED = ("age_years", "sex")


def main(arguments: list[str]) -> None:
    """Print yardstick, ours, ratio, bar and pass, and how far the answers differ."""
    parser = argparse.ArgumentParser(prog="tests.benchmarks repeated", description=__doc__)
    parser.add_argument("--patients", type=int, default=2000)
    parser.add_argument("--pairs", type=int, default=5)
    asked, _ = parser.parse_known_args(arguments)
    shares, draws = periods(asked.patients), visits(replace(Setting(), patients=asked.patients),
                                                    np.random.default_rng(2))  # fmt: skip
    warnings.simplefilter("ignore")  # the library's own, of its search; the answers are compared
    print(HEADING)
    for what, yardstick, ours, bar in (
        (f"course, {len(shares):,} periods", course_by_formula, course, BAR),
        (f"visits, {len(draws):,} draws", visits_by_formula, change, BAR),
        (f"personal levels, {len(shares):,} periods (no bar)", lines_by_formula, lines, 0.0),
    ):
        frame = draws if ours is change else shares
        got = measured(lambda f=yardstick, d=frame: f(d), lambda f=ours, d=frame: f(d),
                       pairs=asked.pairs)  # fmt: skip
        print(line(what, got, bar))
        print(f"  answers differ by {np.abs(yardstick(frame) - ours(frame)).max():.2g}")


def periods(patients: int) -> pd.DataFrame:
    """One row per patient and period that was seen, with two covariates."""
    made = tables(Setting(patients=patients), np.random.default_rng(1), only=("periods",))
    rows = made.periods.loc[made.periods["period"].isin(list(PERIODS))]
    people = made.patients[["patient_id"]].assign(
        age_years=np.random.default_rng(4).normal(45, 15, len(made.patients)),
        sex=np.where(np.arange(len(made.patients)) % 2, "female", "male"),
    )
    return rows.merge(people, on="patient_id").reset_index(drop=True)


def course(rows: pd.DataFrame) -> np.ndarray:
    """Difference of the cohorts in every period."""
    got = trajectory(
        rows, outcome="share", time="period", cluster="patient_id", knots=KNOTS, boundary=BOUNDARY,
        at=list(PERIODS), group="cohort", reference="adhesive", covariates=ADJUSTED,
    )  # fmt: skip
    return got.differences["estimate"].to_numpy(dtype=float)


def course_by_formula(rows: pd.DataFrame) -> np.ndarray:
    labels = pd.factorize(rows["patient_id"])[0]
    fit = smf.glm(
        f"share ~ {SPLINE} * C(cohort) + age_years + C(sex)", rows, family=sm.families.Binomial()
    ).fit(cov_type="cluster", cov_kwds={"groups": labels}, use_t=True)
    people = rows.drop_duplicates(["patient_id", "cohort"])
    found = [
        fit.predict(people.assign(cohort="implanted", period=float(period))).mean()
        - fit.predict(people.assign(cohort="adhesive", period=float(period))).mean()
        for period in PERIODS
    ]
    return np.array(found)


def change(rows: pd.DataFrame) -> np.ndarray:
    """Adjusted difference at every visit."""
    got = visit_means(
        rows, subject="patient_id", visit="month", outcome="value", baseline="baseline_hba1c",
        group="cohort", reference="adhesive",
    )  # fmt: skip
    return got.differences["estimate"].to_numpy(dtype=float)


def visits_by_formula(rows: pd.DataFrame) -> np.ndarray:
    used = rows.dropna(subset=["value"]).assign(start=lambda d: d["baseline_hba1c"] - 8)
    fit = smf.mixedlm(
        "value ~ 0 + C(month) + C(month):C(cohort, Treatment('adhesive')) "
        "+ C(month):start",
        used, groups="patient_id",
    ).fit(method="bfgs")  # fmt: skip  # "lbfgs" says it converged, at an infinite likelihood
    names = [name for name in fit.params.index if "T.implanted" in name]
    return fit.params[names].to_numpy(dtype=float)


def lines(rows: pd.DataFrame) -> np.ndarray:
    """Coefficients of the average course by cohort, in points."""
    frame, design = _lined(rows)
    got = personal_lines(
        frame, subject="patient_id", time="period", outcome="points", design=design, slope=False
    )
    return got.coefficients[design].to_numpy(dtype=float)


def lines_by_formula(rows: pd.DataFrame) -> np.ndarray:
    frame, design = _lined(rows)
    formula = "points ~ 0 + " + " + ".join(design)
    fit = smf.mixedlm(formula, frame, groups="patient_id").fit(method="lbfgs")
    return fit.params[design].to_numpy(dtype=float)


def _lined(rows: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    basis = natural_spline(rows["period"].to_numpy(dtype=float), knots=KNOTS, boundary=BOUNDARY)
    columns = {}
    for cohort in ("adhesive", "implanted"):
        member = (rows["cohort"] == cohort).to_numpy(dtype=float)
        columns[cohort] = member
        columns |= {f"{cohort}_{j}": member * basis[:, j] for j in range(basis.shape[1])}
    frame = rows[["patient_id", "period"]].assign(points=100 * rows["share"], **columns)
    return frame, list(columns)
