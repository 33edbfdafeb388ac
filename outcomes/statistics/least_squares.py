"""Least squares with the standard errors that small, uneven or clustered data need."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from outcomes.errors import EstimationError, known_names
from outcomes.statistics.cluster_sandwich import ClusterSandwich, cluster_sandwich
from outcomes.statistics.design import check_full_rank
from outcomes.statistics.students_t import TInference, t_inference

Floats = NDArray[np.float64]
Covariance = Literal["classical", "HC0", "HC1", "HC2", "HC3", "CR0", "CR1", "CR2"]
_KINDS = ("classical", "HC0", "HC1", "HC2", "HC3", "CR0", "CR1", "CR2")

# A row with a leverage this close to 1 is fitted exactly, so its residual says nothing.
_FULL_LEVERAGE = 1 - 1e-10


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class LeastSquares:
    """A fitted linear model; `contrast` reads any linear combination off it with a t interval."""

    coefficients: pd.Series
    covariance: Floats
    kind: Covariance
    df_residual: int
    residual_sd: float
    residual_sum_of_squares: float
    residuals: Floats
    clustered: ClusterSandwich | None

    def contrast(self, weights: Mapping[str, float], confidence_level: float = 0.95) -> TInference:
        """Estimate, interval and p value of a linear combination named by coefficient."""
        names = self.coefficients.index
        for name in weights:
            if name not in names:
                raise EstimationError(known_names("coefficient", str(name), map(str, names)))
        vector = (
            pd.Series(dict(weights), dtype=np.float64).reindex(names, fill_value=0.0).to_numpy()
        )
        estimate = float(vector @ self.coefficients.to_numpy())
        std_error = float(np.sqrt(max(vector @ self.covariance @ vector, 0.0)))
        df = (
            float(self.df_residual)
            if self.clustered is None
            else self.clustered.degrees_of_freedom(vector)
        )
        return t_inference(estimate, std_error, df, confidence_level)


def least_squares(
    design: pd.DataFrame,
    outcome: Floats,
    *,
    kind: Covariance = "HC3",
    weights: Floats | None = None,
    clusters: Floats | pd.Series | None = None,
) -> LeastSquares:
    """Fit a linear model and the covariance asked for; intervals always use Student's t.

    Parameters
    ----------
    design : DataFrame, one row per observation
        Numeric columns including the constant; full rank; complete.
    outcome : ndarray
        One value per row.
    kind : {"classical", "HC0", "HC1", "HC2", "HC3", "CR0", "CR1", "CR2"}
        HC3 guards against unequal variances; CR2 against dependence within `clusters` (each row
        its own cluster where none are given), with Bell-McCaffrey degrees of freedom. All others
        use the residual degrees of freedom, CR0 and CR1 clusters less one.
    weights : ndarray, optional
        Case weights, above 0, taken as known.
    clusters : array-like, optional
        Label of the independent unit of each row.

    Raises
    ------
    EstimationError
        Columns repeat each other, too few rows, or a row that alone determines a coefficient
        under HC2 or HC3.

    References
    ----------
    .. [1] MacKinnon JG, White H. J Econometrics 1985;29:305-325 (HC1 to HC3).
    .. [2] Bell RM, McCaffrey DF. Survey Methodology 2002;28:169-181 (CR2 and its df).
    """
    if kind not in _KINDS:
        raise EstimationError(known_names("covariance", str(kind), _KINDS))
    x, y = design.to_numpy(dtype=np.float64), np.asarray(outcome, dtype=np.float64)
    case = np.ones(len(y)) if weights is None else np.asarray(weights, dtype=np.float64)
    n_rows, n_columns = x.shape
    if n_rows <= n_columns:
        raise EstimationError(
            f"{n_columns} coefficients cannot be estimated from {n_rows} rows. "
            "Use fewer covariates, or describe the rows instead."
        )
    if not (np.isfinite(case).all() and (case > 0).all()):
        raise EstimationError("Weights must be finite and above 0. Leave rows of weight 0 out.")
    check_full_rank(design)
    root = np.sqrt(case)
    q, r = np.linalg.qr(x * root[:, None])
    beta = np.linalg.solve(r, q.T @ (y * root))
    residuals = y - x @ beta
    r_inverse = np.linalg.inv(r)
    bread = r_inverse @ r_inverse.T
    rss = float((case * residuals**2).sum())
    clustered = None
    if kind.startswith("CR"):
        labels = np.arange(n_rows) if clusters is None else clusters
        clustered = cluster_sandwich(x, residuals, labels, weights=case, correction=kind)  # type: ignore[arg-type]
        covariance = clustered.covariance
    elif kind == "classical":
        covariance = bread * rss / (n_rows - n_columns)
    else:
        squared = _inflated(residuals**2, (q**2).sum(axis=1), kind, n_columns)
        covariance = bread @ (x.T @ (x * (case**2 * squared)[:, None])) @ bread
    return LeastSquares(
        coefficients=pd.Series(beta, index=design.columns),
        covariance=covariance,
        kind=kind,
        df_residual=n_rows - n_columns,
        residual_sd=float(np.sqrt(rss / (n_rows - n_columns))),
        residual_sum_of_squares=rss,
        residuals=residuals,
        clustered=clustered,
    )


def _inflated(squared: Floats, leverage: Floats, kind: str, n_columns: int) -> Floats:
    """Squared residuals, enlarged for having been fitted."""
    if kind == "HC0":
        return squared
    if kind == "HC1":
        return squared * len(squared) / (len(squared) - n_columns)
    if (leverage > _FULL_LEVERAGE).any():
        raise EstimationError(
            f"{int((leverage > _FULL_LEVERAGE).sum())} rows alone determine a coefficient, so "
            f"{kind} has no residual for them. Drop the covariate, merge its levels, or use CR2."
        )
    share = 1 - leverage
    return squared / share if kind == "HC2" else squared / share**2
