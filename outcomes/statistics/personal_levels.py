"""Each person's own level, predicted from repeated measurements of this person and of others."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.statistics.design import complete_rows, numeric


@dataclass(frozen=True, kw_only=True)
class VarianceParts:
    """How a measurement varies between people and within a person.

    Attributes
    ----------
    mean : float
        Of people, each counted once.
    between, within : float
        Variances.
    n_people, n_values : int
    """

    mean: float
    between: float
    within: float
    n_people: int
    n_values: int

    def level(self, own_mean: float, n_own: int) -> float:
        """Return the predicted level of a person whose `n_own` measurements average `own_mean`."""
        share = self.between / (self.between + self.within / n_own)
        return self.mean + share * (own_mean - self.mean)


def variance_parts(frame: pd.DataFrame, *, subject: str, value: str) -> VarianceParts:
    """Variance between people and within a person, by one-way analysis of variance.

    Parameters
    ----------
    frame : DataFrame, one row per measurement
        People with a single measurement do not enter; incomplete rows are left out.
    subject, value : str

    Returns
    -------
    VarianceParts
        A negative estimate of the variance between people is 0: then everybody is predicted at
        the mean.

    Raises
    ------
    EstimationError
        Fewer than three people with two measurements, or no spread at all.

    References
    ----------
    .. [1] Searle SR, Casella G, McCulloch CE. Variance Components, 1992, sections 3.6 and 7.4.

    Examples
    --------
    >>> draws = pd.DataFrame({"who": list("AABBCC"), "value": [7.0, 7.2, 8.0, 8.4, 9.0, 9.2]})
    >>> parts = variance_parts(draws, subject="who", value="value")
    >>> round(parts.between, 2), round(parts.within, 2), round(parts.level(10.0, 1), 2)
    (0.98, 0.04, 9.93)
    """
    rows = complete_rows(frame, [subject, value]).frame
    sizes = rows.groupby(subject)[value].transform("size")
    rows = rows.loc[sizes > 1]
    groups = rows.assign(value=numeric(rows, value)).groupby(subject)["value"]
    n, means = groups.size().to_numpy(dtype=float), groups.mean().to_numpy()
    if len(n) < 3:
        raise EstimationError(
            f"{len(n)} people with two measurements: no variance between and within people. "
            "At least three are needed."
        )
    total, people = float(n.sum()), len(n)
    within = float(((groups.size() - 1) * groups.var(ddof=1)).sum() / (total - people))
    grand = float((n * means).sum() / total)
    among = float((n * (means - grand) ** 2).sum() / (people - 1))
    size = (total - float((n**2).sum()) / total) / (people - 1)
    if not among + within > 0:
        raise EstimationError("The measurements do not vary at all.")
    return VarianceParts(
        mean=float(np.mean(means)), between=max(0.0, (among - within) / size), within=within,
        n_people=people, n_values=int(total),
    )  # fmt: skip
