"""One contrast of the arms of a trial: description, then weighting, each refusal in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.comparison.people import Compared, observation_columns
from outcomes.comparison.weights import REFERENCE
from outcomes.comparison.words import under
from outcomes.errors import EstimationError
from outcomes.plan import Comparison
from outcomes.statistics.least_squares import least_squares
from outcomes.statistics.propensity import Target
from outcomes.statistics.weighting import WeightedEffect, weighted_effect
from outcomes.statistics.weighting_equations import Estimator
from outcomes.tables.declared import KINDS

CONTRAST: Final = "implanted minus adhesive"
POLICY: Final = "whatever was worn later"
ON_KIND: Final = "while on the arm's kind"
OUTCOME_OF: Final = {POLICY: "change", ON_KIND: "change_on_kind"}


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Contrast:
    """A difference of the arms, or why there is none.

    Attributes
    ----------
    estimate, conf_low, conf_high, std_error : float or None
    mean_implanted, mean_adhesive : float or None
    n : dict
        Arm to number of patients with the outcome.
    n_draws, n_failed : int
        Of the bootstrap.
    method : str
    note : str or None
    fit : WeightedEffect or None
    """

    estimate: float | None = None
    conf_low: float | None = None
    conf_high: float | None = None
    std_error: float | None = None
    mean_implanted: float | None = None
    mean_adhesive: float | None = None
    n: dict[str, int]
    n_draws: int = 0
    n_failed: int = 0
    method: str
    note: str | None = None
    fit: WeightedEffect | None = None

    def row(self) -> dict[str, Any]:
        """Return the columns of a table."""
        return {
            "estimate": self.estimate, "conf_low": self.conf_low, "conf_high": self.conf_high,
            "std_error": self.std_error, "mean_implanted": self.mean_implanted,
            "mean_adhesive": self.mean_adhesive, "n_implanted": self.n["implanted"],
            "n_adhesive": self.n["adhesive"], "n_draws": self.n_draws, "n_failed": self.n_failed,
            "method": self.method, "note": self.note,
        }  # fmt: skip


def contrast(
    found: Compared,
    *,
    outcome: str,
    rules: Comparison,
    target: Target = "overlap",
    estimator: Estimator = "augmented",
    n_draws: int = 0,
    rng: np.random.Generator | None = None,
    refusal: str | None = None,
    observed_only: bool = False,
) -> Contrast:
    """Return the weighted difference implanted minus adhesive in a numeric outcome.

    Parameters
    ----------
    found : Compared
    outcome : str
        Column of its rows; those without it are stood for by those like them (what was expected
        of them, and weights for being seen, both refitted in every draw), unless `observed_only`.
    rules : Comparison
    target, estimator
        See `outcomes.statistics.weighting.weighted_effect`.
    n_draws : int, default 0
        Draws of patients; without draws the interval is that of the stacked equations.
    refusal : str, optional
        Why the overlap allows no contrast.
    observed_only : bool, default False
        Leave entries without outcome out (for outcomes with no model of being seen).
    """
    sizes = {arm: found.patients(arm, outcome) for arm in KINDS}
    few = under(rules.fewest_per_arm, sizes) or refusal
    method = f"{estimator}, target {target}"
    if few is not None:
        return Contrast(n=sizes, method=method, note=few)
    observation, unseen = None, None
    if not observed_only:
        observation, unseen = observation_columns(found.rows, found.covariates, outcome=outcome)
    try:
        # A draw whose weights overflow is a failed draw, and counted as one.
        with np.errstate(over="ignore", invalid="ignore"):
            fit = weighted_effect(
                found.rows, outcome=outcome, group="arm", reference=REFERENCE,
                covariates=found.covariates, target=target, estimator=estimator,
                observation=observation, cluster="patient_id", n_draws=n_draws, rng=rng,
                fewest_per_arm=rules.fewest_per_arm,
            )  # fmt: skip
    except EstimationError as error:
        return Contrast(n=sizes, method=method, note=f"not estimable: {error}")
    draws = fit.bootstrap
    return Contrast(
        estimate=fit.estimate, conf_low=fit.conf_low, conf_high=fit.conf_high,
        std_error=fit.std_error, mean_implanted=fit.mean_treated,
        mean_adhesive=fit.mean_reference, n=sizes,
        n_draws=0 if draws is None else draws.n_draws,
        n_failed=0 if draws is None else draws.n_failed,
        method=fit.method, note="; ".join(filter(None, [fit.note, unseen])) or None, fit=fit,
    )  # fmt: skip


def described(found: Compared, *, outcome: str) -> dict[str, dict[str, Any]]:
    """Return each arm's mean as it was seen, with a CR2 interval clustered by patient."""
    return {arm: _arm_mean(found.rows, arm, outcome) for arm in KINDS}


def _arm_mean(rows: pd.DataFrame, arm: str, outcome: str) -> dict[str, Any]:
    seen = rows.loc[(rows["arm"] == arm) & rows[outcome].notna()]
    n = int(seen["patient_id"].nunique())
    base = {"n": n, "entries": len(seen), "estimate": None, "conf_low": None, "conf_high": None}
    if n < 2:
        return base | {"estimate": float(seen[outcome].mean()) if n else None}
    fit = least_squares(
        pd.DataFrame({"mean": np.ones(len(seen))}), seen[outcome].to_numpy(dtype=float),
        kind="CR2", clusters=seen["patient_id"],
    )  # fmt: skip
    got = dict(fit.contrast({"mean": 1.0}))
    return base | {name: got[name] for name in ("estimate", "conf_low", "conf_high")}


def raw_difference(found: Compared, *, outcome: str, rules: Comparison) -> Contrast:
    """Return the difference of the means as seen, adjusted for nothing (CR2 by patient, t)."""
    sizes = {arm: found.patients(arm, outcome) for arm in KINDS}
    method = "difference of means as seen, CR2 by patient, t"
    few = under(rules.fewest_per_arm, sizes)
    if few is not None:
        return Contrast(n=sizes, method=method, note=few)
    seen = found.rows.dropna(subset=[outcome])
    implanted = (seen["arm"] != REFERENCE).to_numpy(dtype=float)
    fit = least_squares(
        pd.DataFrame({"reference": np.ones(len(seen)), "implanted": implanted}),
        seen[outcome].to_numpy(dtype=float), kind="CR2", clusters=seen["patient_id"],
    )  # fmt: skip
    got = fit.contrast({"implanted": 1.0})
    means = fit.coefficients
    return Contrast(
        estimate=got["estimate"], conf_low=got["conf_low"], conf_high=got["conf_high"],
        std_error=got["std_error"], mean_adhesive=float(means["reference"]),
        mean_implanted=float(means["reference"] + means["implanted"]), n=sizes, method=method,
        note="adjusted for nothing",
    )  # fmt: skip


def stream(seed: int, *names: str) -> np.random.Generator:
    """Return the random numbers of one contrast: adding a contrast leaves the others as they were.

    Examples
    --------
    >>> bool(stream(1, "a").random() == stream(1, "a").random())
    True
    """
    words: Sequence[int] = [sum(ord(c) * 31**i for i, c in enumerate(n)) % 2**32 for n in names]
    return np.random.default_rng([seed, *words])
