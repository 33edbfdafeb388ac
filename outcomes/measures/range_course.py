"""Level of time in range over the periods, with those who were not seen stood for by others.

Frames in, frames out; `outcomes.measures.trajectories` makes the result a reader sees.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError
from outcomes.statistics.fractional import Trajectory, trajectory
from outcomes.statistics.least_squares import least_squares
from outcomes.statistics.natural_spline import natural_spline
from outcomes.statistics.observation_weights import ObservationWeights, observation_weights
from outcomes.statistics.random_slope import RANDOM_SLOPE, PersonalLines, personal_lines
from outcomes.tables.declared import KINDS

REFERENCE: Final = "adhesive"
SUBJECT: Final = ["patient_id", "cohort"]
FEWEST: Final = 10  # patients of a cohort below which nothing is modelled


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Course:
    """What the model of the trajectory says; shares as fractions.

    Attributes
    ----------
    levels : DataFrame, one row per period and cohort
        See `outcomes.statistics.fractional.trajectory`; each cohort as it is.
    differences : DataFrame, one row per period
        Implanted less adhesive at equal covariates; no rows where one cohort is too small.
    rows : DataFrame
        The due rows with their `weight` (missing where nobody was seen).
    weights : ObservationWeights
    adjusted_patients : int
        Patients behind the differences (those with every covariate).
    notes : list of str
    """

    levels: pd.DataFrame
    differences: pd.DataFrame
    rows: pd.DataFrame
    weights: ObservationWeights
    adjusted_patients: int
    notes: list[str] = field(default_factory=list)


def weighted_course(
    due: pd.DataFrame,
    *,
    at: Sequence[int],
    knots: Sequence[float],
    boundary: tuple[float, float],
    covariates: Sequence[str] = (),
) -> Course:
    """Return the mean share of each cohort at chosen periods, and the cohorts' difference.

    Parameters
    ----------
    due : DataFrame, one row per patient, cohort and due period
        `patient_id`, `cohort`, `period`, `share` (fraction, missing where nothing counts),
        `share_before` (of the period before the index date, may be missing), the covariates.
    at : sequence of int
        Periods to report, inside the boundary.
    knots, boundary
        Of the natural spline, in periods; the plan's.
    covariates : sequence of str
        Baseline columns held equal in the differences. Patients without one are left out of the
        differences, and counted.

    Raises
    ------
    EstimationError
        Nobody was seen, or the model has no maximum.

    Notes
    -----
    Fractional logit, natural spline x cohort. Observation weights always, with the last value
    seen in their model, and not truncated. Errors are CR2 by patient with Bell-McCaffrey degrees
    of freedom, always; weights are taken as known.
    """
    rows = due.assign(subject=due["patient_id"] + " " + due["cohort"]).sort_values(
        [*SUBJECT, "period"], ignore_index=True
    )
    both = rows.loc[rows["share"].notna()].groupby("cohort")["patient_id"].nunique()
    compared = len(both) == len(KINDS) and int(both.min()) >= FEWEST
    weights = observation_weights(
        rows, subject="subject", visit="period", outcome="share",
        numerator=["cohort", "period"], before="share_before",
    )  # fmt: skip
    rows = rows.assign(weight=weights.weights)
    seen = rows.loc[rows["weight"].notna()]
    levels = _fitted(seen, at, knots, boundary)
    complete = seen.dropna(subset=list(covariates))
    differences, notes = levels.differences, list(levels.notes)
    if compared and covariates:
        try:
            adjusted = _fitted(complete, at, knots, boundary, covariates)
            differences, notes = adjusted.differences, [*notes, *adjusted.notes]
        except EstimationError as error:
            complete = seen
            notes.append(f"The difference is not adjusted: {error}")
    return Course(
        levels=levels.levels, differences=differences, rows=rows, weights=weights,
        adjusted_patients=int(complete["patient_id"].nunique()),
        notes=[*dict.fromkeys([*notes, *weights.notes])],
    )  # fmt: skip


def _fitted(
    seen: pd.DataFrame,
    at: Sequence[int],
    knots: Sequence[float],
    boundary: tuple[float, float],
    covariates: Sequence[str] = (),
) -> Trajectory:
    two = len(set(seen["cohort"])) > 1 and REFERENCE in set(seen["cohort"])
    found = trajectory(
        seen, outcome="share", time="period", cluster="patient_id", knots=knots,
        boundary=boundary, at=at, weights="weight", covariates=covariates,
        group="cohort" if two else None, reference=REFERENCE if two else None,
        fewest_per_arm=FEWEST,
    )  # fmt: skip
    if not two:
        found.levels["group"] = str(seen["cohort"].iloc[0])
    return found


def changes_since_before(rows: pd.DataFrame, *, at: Sequence[int]) -> pd.DataFrame:
    """Return the weighted mean change since the period before the index date.

    Parameters
    ----------
    rows : DataFrame
        `Course.rows`; only patients with `share_before` enter.
    at : sequence of int

    Returns
    -------
    DataFrame, one row per cohort and period
        `cohort`, `period`, `n`, `n_due` and, from `FEWEST` patients, `estimate`, `conf_low`,
        `conf_high` (fractions; CR2 and Bell-McCaffrey t).
    """
    known = rows.loc[rows["share_before"].notna() & rows["period"].isin(list(at))]
    found = []
    for (cohort, period), due in known.groupby(["cohort", "period"], sort=True):
        seen = due.loc[due["weight"].notna()]
        row: dict[str, object] = {
            "cohort": cohort, "period": int(period), "n": len(seen), "n_due": len(due),
        }  # fmt: skip
        if len(seen) >= FEWEST:
            fit = least_squares(
                pd.DataFrame({"constant": np.ones(len(seen))}),
                (seen["share"] - seen["share_before"]).to_numpy(dtype=float),
                kind="CR2", weights=seen["weight"].to_numpy(dtype=float),
                clusters=seen["patient_id"].to_numpy(),
            )  # fmt: skip
            row |= {**fit.contrast({"constant": 1.0})}
        found.append(row)
    columns = ["cohort", "period", "n", "n_due", "estimate", "conf_low", "conf_high"]
    return pd.DataFrame(found).reindex(columns=columns)


def changes_since_period(
    rows: pd.DataFrame,
    *,
    start: int,
    at: Sequence[int],
    knots: Sequence[float],
    boundary: tuple[float, float],
) -> pd.DataFrame:
    """Return the modelled change since an early period, of those without a period before.

    Returns
    -------
    DataFrame, one row per cohort and period
        As `changes_since_before`; no estimate in a cohort of fewer than `FEWEST` patients.
    """
    mine = rows.loc[rows["share_before"].isna()]
    seen = mine.loc[mine["weight"].notna()]
    sizes = seen.groupby("cohort")["patient_id"].nunique()
    enough = seen.loc[seen["cohort"].isin(sizes.index[sizes >= FEWEST])]
    found = pd.DataFrame(columns=["group", "time", "estimate", "conf_low", "conf_high"])
    if len(enough):
        two = len(set(enough["cohort"])) > 1
        fitted = trajectory(
            enough, outcome="share", time="period",
            cluster="patient_id", knots=knots, boundary=boundary, at=[start, *at],
            weights="weight", fewest_per_arm=FEWEST,
            group="cohort" if two else None, reference=REFERENCE if two else None,
        )  # fmt: skip
        found = fitted.changes
        if not two:
            found = found.assign(group=enough["cohort"].iloc[0])
    counts = (
        mine.loc[mine["period"].isin(list(at))]
        .groupby(["cohort", "period"])["share"]
        .agg(n="count", n_due="size")
        .reset_index()
    )
    named = found.rename(columns={"group": "cohort", "time": "period"})
    keep = ["cohort", "period", "estimate", "conf_low", "conf_high"]
    return counts.merge(named[keep].astype({"period": "int64"}), how="left")


def lines_check(
    rows: pd.DataFrame,
    *,
    at: Sequence[int],
    knots: Sequence[float],
    boundary: tuple[float, float],
) -> tuple[pd.DataFrame, PersonalLines]:
    """Return the levels by a model of personal lines, in points: the check of the trajectory.

    The two models go wrong in different ways: weights stand or fall with the model of being seen,
    personal lines with the model of the shares. The random slope is accepted only where the
    library raised no warning and an independent search agrees; otherwise the random intercept.

    Returns
    -------
    levels : DataFrame, one row per cohort and period
        `cohort`, `period`, `estimate`, `conf_low`, `conf_high` (percentage points).
    lines : PersonalLines
        Its `model` names what was accepted, `notes` why something was not.
    """
    seen = rows.loc[rows["share"].notna()]
    cohorts = sorted(set(seen["cohort"]))
    basis = natural_spline(seen["period"].to_numpy(dtype=float), knots=knots, boundary=boundary)
    columns: dict[str, np.ndarray] = {}
    for cohort in cohorts:
        member = (seen["cohort"] == cohort).to_numpy(dtype=float)
        columns[cohort] = member
        columns |= {f"{cohort} {j}": member * basis[:, j] for j in range(basis.shape[1])}
    frame = seen[["subject", "period"]].assign(points=100 * seen["share"], **columns)
    lines = personal_lines(
        frame, subject="subject", time="period", outcome="points", design=list(columns)
    )
    found = []
    for cohort in cohorts:
        for period in at:
            place = natural_spline([float(period)], knots=knots, boundary=boundary)[0]
            weights = {cohort: 1.0} | {f"{cohort} {j}": float(v) for j, v in enumerate(place)}
            found.append({"cohort": cohort, "period": period, **lines.contrast(weights)})
    return pd.DataFrame(found)[["cohort", "period", "estimate", "conf_low", "conf_high"]], lines


def accepted_slope(lines: PersonalLines) -> bool:
    """Return whether the random slope was accepted."""
    return lines.model == RANDOM_SLOPE
