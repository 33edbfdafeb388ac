"""1,000 bootstraps of the comparison by patient, against refitting through the formula interface.

    python -m tests.benchmarks comparison --patients 2000

The yardstick refits the same three models (score, being seen, outcome) with the library's formula
interface on a rebuilt frame of the patients drawn; a few draws are timed and scaled to 1,000.
"""

from __future__ import annotations

import argparse

import numpy as np
import pandas as pd
import statsmodels.api as sm
import statsmodels.formula.api as smf

from outcomes.comparison.contrasts import contrast
from outcomes.comparison.people import Compared, observation_columns
from outcomes.plan import Comparison
from synthetic.tables_only import Setting
from tests.benchmarks.pairs import HEADING, line, measured
from tests.truth.comparison_bench import as_compared, entries

BAR = 50.0
DRAWS = 1000
FORMULA_DRAWS = 5  # of the yardstick in one timed run
RULES = Comparison(covariates=("age_years", "sex", "diabetes_type", "baseline_hba1c"))


def main(arguments: list[str]) -> None:
    """Print yardstick, ours, ratio, bar and pass."""
    parser = argparse.ArgumentParser(prog="tests.benchmarks comparison", description=__doc__)
    parser.add_argument("--patients", type=int, default=2000)
    asked, _ = parser.parse_known_args(arguments)
    found = patients(asked.patients)
    got = measured(
        lambda: by_formula(found, FORMULA_DRAWS, np.random.default_rng(1)),
        lambda: ours(found, DRAWS),
    )
    scale = DRAWS / FORMULA_DRAWS
    whole = type(got)(yardstick=got.yardstick * scale, ours=got.ours, ratio=got.ratio * scale)
    print(HEADING)
    print(line(f"{DRAWS} draws of {asked.patients} patients, three models refitted", whole, BAR))
    _say_same(found)


def patients(n: int) -> Compared:
    return as_compared(entries(Setting(patients=n), np.random.default_rng(3)), RULES)


def ours(found: Compared, draws: int) -> np.ndarray:
    got = contrast(
        found, outcome="change", rules=RULES, n_draws=draws, rng=np.random.default_rng(1)
    )
    return got.fit.bootstrap.draws[:, 0]


def by_formula(found: Compared, draws: int, rng: np.random.Generator) -> list[float]:
    """The same augmented overlap contrast, refitted draw by draw with formulas."""
    rows, n = found.rows.assign(z=(found.rows["arm"] == "implanted").astype(float)), len(found.rows)
    rows["seen"] = rows["change"].notna().astype(float)
    score = " + ".join(found.covariates)
    being_seen, _ = observation_columns(found.rows, found.covariates, outcome="change")
    estimates = []
    for number in range(draws + 1):
        picked = np.arange(n) if number == 0 else rng.integers(0, n, n)
        drawn = rows.iloc[picked].reset_index(drop=True)
        estimates.append(_one(drawn, score, being_seen))
    return estimates


def _one(d: pd.DataFrame, score: str, being_seen: list[str] | None) -> float:
    binomial = sm.families.Binomial()
    e = smf.glm(f"z ~ {score}", d, family=binomial).fit().fittedvalues
    p = pd.Series(1.0, index=d.index)
    if being_seen is not None:
        formula = f"seen ~ z + {' + '.join(being_seen)}"
        p = smf.glm(formula, d, family=binomial).fit().fittedvalues
    seen = d["seen"] == 1
    fit = smf.ols(f"change ~ z * ({score})", d[seen]).fit()
    m1, m0 = fit.predict(d.assign(z=1.0)), fit.predict(d.assign(z=0.0))
    h, y = e * (1 - e), d["change"].fillna(0.0)
    w1, w0 = (1 - e) * d["z"] * d["seen"] / p, e * (1 - d["z"]) * d["seen"] / p
    means = [
        (h * m).sum() / h.sum() + (w * (y - m)).sum() / w.sum() for m, w in ((m1, w1), (m0, w0))
    ]
    return float(means[0] - means[1])


def _say_same(found: Compared) -> None:
    """Print both full-sample answers, so that the ratio is of the same work."""
    theirs = by_formula(found, 0, np.random.default_rng(1))[0]
    mine = contrast(found, outcome="change", rules=RULES).estimate
    print(f"  full-sample answers differ by {abs(theirs - float(mine or np.nan)):.2g} points")
