"""Survival with late entry and one patient wearing many sensors, 20,000 sensors of 4,000 patients.

    python -m tests.benchmarks survival --sensors 20000

No library gives clustered errors with late entry: one ignores the entry in them, the other gives
none. So robust Cox is held against less than what is asked, the library's single fit with late
entry (Efron, to the precision at which its coefficients are right) and no clusters at all; and
cumulative incidence at 180 times against what would take the place of its clustered errors, 1,000
draws of patients through the library's estimator (a few are timed and scaled; it takes no entry).
"""

from __future__ import annotations

import argparse
import warnings

import numpy as np
import pandas as pd
from lifelines import CoxPHFitter
from statsmodels.duration.survfunc import CumIncidenceRight

from outcomes.statistics.competing_risks import cumulative_incidence
from outcomes.statistics.cox import cox
from tests.benchmarks.pairs import HEADING, Measured, line, measured

BAR = 10.0
BOOTSTRAP, TIMED = 1000, 5
PLANNED = 180


def main(arguments: list[str]) -> None:
    """Print yardstick, ours, ratio, bar and pass."""
    parser = argparse.ArgumentParser(prog="tests.benchmarks survival", description=__doc__)
    parser.add_argument("--sensors", type=int, default=20_000)
    asked, _ = parser.parse_known_args(arguments)
    given = lives(asked.sensors)
    print(HEADING)
    for words, days in (("whole days", True), ("continuous times", False)):
        frame = given if days else given.assign(exit=given["exact"])
        single = measured(lambda frame=frame: library(frame), lambda frame=frame: ours(frame))
        print(line(f"robust Cox, late entry, {words}; library not clustered", single, BAR))
        _say_same(frame)
    shares = measured(lambda: bootstrap_shares(given), lambda: clustered_shares(given))
    whole = Measured(
        yardstick=shares.yardstick * BOOTSTRAP / TIMED, ours=shares.ours,
        ratio=shares.ratio * BOOTSTRAP / TIMED,
    )  # fmt: skip
    print(line(f"cumulative incidence, clustered, {PLANNED} times", whole, BAR))


def lives(sensors: int) -> pd.DataFrame:
    """Five sensors a patient, losses and early ends, a third seen late; whole and exact days."""
    rng = np.random.default_rng(5)
    patient = np.arange(sensors) // 5
    frailty = rng.gamma(2, 0.5, patient.max() + 1)[patient]
    x, z = rng.normal(size=sensors), rng.integers(0, 2, sensors)
    lost = 300 * (rng.exponential(size=sensors) / (frailty * np.exp(0.3 * x - 0.2 * z))) ** 0.5
    early = rng.exponential(800, sensors)
    entry = np.where(rng.random(sensors) < 1 / 3, rng.integers(0, 60, sensors), -1)
    exact = np.minimum(np.minimum(lost, early), PLANNED)
    state = np.where(exact == PLANNED, "censored", np.where(lost < early, "lost", "early"))
    frame = pd.DataFrame(
        {
            "patient": patient, "x": x, "z": z, "entry": entry, "exact": exact,
            "exit": np.ceil(exact), "state": state,
        }
    )  # fmt: skip
    return frame.loc[frame["exact"] > frame["entry"] + 1].reset_index(drop=True)


def ours(frame: pd.DataFrame) -> pd.DataFrame:
    return cox(frame, covariates=["x", "z"], event="lost", cluster="patient").table


def library(frame: pd.DataFrame) -> pd.Series:
    """Coefficients with late entry, to the precision at which they are right; no clusters."""
    columns = frame[["x", "z"]].assign(
        entry=frame["entry"], exit=frame["exit"], lost=frame["state"] == "lost"
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = CoxPHFitter().fit(
            columns, "exit", "lost", entry_col="entry", fit_options={"precision": 1e-12}
        )
    return fit.params_


def clustered_shares(frame: pd.DataFrame) -> pd.DataFrame:
    times = np.arange(1, PLANNED + 1, dtype=float)
    return cumulative_incidence(frame, times=times, cluster="patient").table


def bootstrap_shares(frame: pd.DataFrame) -> list[np.ndarray]:
    """A few draws of whole patients through the library's estimator (which takes no entry)."""
    rng, drawn = np.random.default_rng(1), []
    cause = frame["state"].map({"censored": 0, "lost": 1, "early": 2}).to_numpy()
    rows = frame.groupby("patient").indices
    names = np.array(list(rows))
    for _ in range(TIMED):
        picked = np.concatenate([rows[name] for name in rng.choice(names, len(names))])
        fit = CumIncidenceRight(frame["exit"].to_numpy()[picked], cause[picked])
        drawn.append(np.asarray(fit.cinc[0]))
    return drawn


def _say_same(frame: pd.DataFrame) -> None:
    """Print how far the coefficients lie apart, so that the ratio is of the same work."""
    mine = ours(frame)["coefficient"].to_numpy(float)
    apart = float(np.abs(mine - library(frame).to_numpy(float)).max())
    print(f"  coefficients differ by {apart:.1e}")
