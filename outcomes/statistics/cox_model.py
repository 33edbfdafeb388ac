"""A fitted proportional hazards model: its ratios, tests, residuals and predicted curves."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes.errors import EstimationError, TableError, known_names
from outcomes.statistics.chi_square import ChiSquareTest
from outcomes.statistics.lives import Codes, number_column
from outcomes.statistics.partial_likelihood import PartialLikelihood
from outcomes.statistics.probability_limits import Floats

TIES = ("efron", "breslow")


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class CoxModel:
    """Hazard ratios with what is needed to test and to predict from them.

    Attributes
    ----------
    table : DataFrame, one row per covariate
        `covariate`, `estimate` (hazard ratio per unit), `conf_low`, `conf_high`, `p_value`,
        `coefficient` and `std_error` (of the log hazard ratio), `note`. NaN with the reason in
        `note` where the model cannot be estimated.
    covariates : tuple of str
    covariance : array of shape (p, p)
        Of the coefficients; robust where `robust` is True.
    model_covariance : array of shape (p, p)
        Inverse information.
    log_likelihood, null_log_likelihood : float or None
        Partial, at the estimate and at 0.
    wald_test, score_test, robust_score_test : ChiSquareTest
        All covariates at 0: by `covariance`; by the information at 0; by the clusters' scores at 0.
    robust : bool
        Whether standard errors come from the score residuals summed by cluster.
    ties : str
    n_rows, n_clusters, n_events : int
    note : str
        Why there is no estimate, "" where there is one.
    kind : {"cause-specific", "subdistribution"}
        Which hazard the ratios are of.
    """

    table: pd.DataFrame
    covariates: tuple[str, ...]
    covariance: Floats
    model_covariance: Floats
    log_likelihood: float | None
    null_log_likelihood: float | None
    wald_test: ChiSquareTest
    score_test: ChiSquareTest
    robust_score_test: ChiSquareTest
    robust: bool
    ties: str
    confidence_level: float
    n_rows: int
    n_clusters: int
    n_events: int
    note: str
    kind: str
    _likelihood: PartialLikelihood = field()
    _centre: Floats = field()
    _strata: pd.Index = field()
    _clusters: Codes = field()
    _last_exit: Floats = field()
    _entry: Floats = field()
    _exit: Floats = field()

    @property
    def coefficients(self) -> pd.Series:
        """Log hazard ratios by covariate."""
        return self.table.set_index("covariate")["coefficient"]

    @property
    def entry_exit(self) -> tuple[Floats, Floats]:
        """Entry and exit of the rows used."""
        return self._entry, self._exit

    def score_residuals(self) -> Floats:
        """Return each row's part of the score at the estimate, weights included: shape (n, p)."""
        self.require_estimate()
        return self._likelihood.score_residuals(self.coefficients.to_numpy())

    def require_estimate(self) -> None:
        """Raise EstimationError, with the reason, where the model has no estimate."""
        if self.note:
            raise EstimationError(f"the Cox model has no estimate: {self.note}.")

    def survival(
        self,
        profiles: pd.DataFrame,
        *,
        times: npt.ArrayLike,
        stratum: object = None,
        baseline: str | None = None,
    ) -> pd.DataFrame:
        """Which share of subjects with given covariates is event free at each time?

        Parameters
        ----------
        profiles : DataFrame, one row per kind of subject
            A column for each covariate.
        times : array of shape (T,)
            Events at the time itself count.
        stratum : optional
            Whose baseline; needed in a stratified model.
        baseline : {"efron", "breslow"}, optional
            How tied events share the baseline hazard; by default as the model's ties.

        Returns
        -------
        DataFrame, one row per profile and time
            `profile` (index label), `time`, `estimate`, `note`. No estimate after the last exit.

        Notes
        -----
        exp(-H0(t) exp(x beta)), H0 the sum of events over the risk set's exp(x beta), a step
        function whose risk sets honour late entry. lifelines' baseline takes everybody as at risk
        from 0 and draws straight lines between event times: 0.856 against 0.666 in a retirement
        home entered at all ages.
        """
        self.require_estimate()
        for name in self.covariates:
            if name not in profiles.columns:
                raise TableError("profiles: " + known_names("column", name, map(str, profiles)))
        code = self._stratum_code(stratum)
        x = np.column_stack([number_column(profiles, name) for name in self.covariates])
        asked = np.atleast_1d(np.asarray(times, dtype=float))
        beta = self.coefficients.to_numpy()
        times_, hazard = _baseline(self._likelihood, beta, code, baseline or self.ties)
        total = np.concatenate([[0.0], np.cumsum(hazard)])
        cumulative = total[np.searchsorted(times_, asked, "right")]
        shares = np.exp(-np.outer(np.exp((x - self._centre) @ beta), cumulative))
        seen = asked <= self._last_exit[code]
        shares = np.where(seen, shares, np.nan)
        note = np.where(seen, "", "not estimable: nobody under observation that long")
        return pd.DataFrame(
            {
                "profile": np.repeat(profiles.index.to_numpy(), len(asked)),
                "time": np.tile(asked, len(profiles)),
                "estimate": shares.ravel(),
                "note": np.tile(note, len(profiles)),
            }
        )

    def _stratum_code(self, stratum: object) -> int:
        if len(self._strata) == 1 and stratum is None:
            return 0
        if stratum not in self._strata:
            raise EstimationError(known_names("stratum", str(stratum), map(str, self._strata)))
        return int(self._strata.get_indexer([stratum])[0])


def _baseline(
    likelihood: PartialLikelihood, beta: Floats, stratum: int, baseline: str
) -> tuple[Floats, Floats]:
    """Return event times and hazard of one stratum for a subject at the covariates' centre."""
    if baseline not in TIES:
        raise EstimationError(known_names("baseline", baseline, TIES))
    eta = likelihood.x @ beta
    shift = float(eta.max(initial=-np.inf))
    total = likelihood.moments(beta, order=1).total * np.exp(shift)
    if baseline == "efron" or likelihood.ties == "breslow":
        step = likelihood.step_weight / total
    else:
        # Breslow's hazard from a fit by Efron: the first step of each cell has the whole risk set.
        whole = np.zeros(likelihood.cells)
        first = likelihood.step_share == 0
        whole[likelihood.step_cell[first]] = total[first]
        step = likelihood.step_weight / whole[likelihood.step_cell]
    hazard = np.bincount(likelihood.step_cell, step, likelihood.cells)
    mine = likelihood.cell_stratum == stratum
    return likelihood.cell_time[mine], hazard[mine]
