"""Adjusted means, changes and group differences at every visit, read off one model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from outcomes.errors import EstimationError, known_names
from outcomes.statistics.design import complete_rows, covariate_columns, numeric
from outcomes.statistics.repeated_measures import FALLBACKS, RepeatedMeasures, repeated_measures
from outcomes.statistics.students_t import TInference, t_inference

_NUMBERS = ["estimate", "std_error", "df", "conf_low", "conf_high", "p_value"]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class VisitMeans:
    """Means, changes and differences at each visit.

    Attributes
    ----------
    means : DataFrame, one row per visit and group
        `visit`, `group`, `estimate`, `std_error`, `df`, `conf_low`, `conf_high`, `n` (observed),
        `n_given` (rows of this visit and group), `note`. At the group's own mean baseline and
        covariates, for the population that the group is a sample of.
    changes : DataFrame, one row per visit and group
        The same less the group's own mean baseline, with `p_value`; no rows without a baseline.
    differences : DataFrame, one row per visit and other group
        `visit`, `group`, `reference`, the numbers, `n`, `n_reference`, `note`; at equal baseline
        and covariates. No rows without groups.
    model : RepeatedMeasures or None
        None where every cell is too small to estimate.
    notes : list of str
        Covariates left out, covariance structures given up.
    """

    means: pd.DataFrame
    changes: pd.DataFrame
    differences: pd.DataFrame
    model: RepeatedMeasures | None
    notes: list[str] = field(default_factory=list)


def visit_means(
    frame: pd.DataFrame,
    *,
    subject: str,
    visit: str,
    outcome: str,
    baseline: str | None = None,
    group: str | None = None,
    reference: str | None = None,
    covariates: Sequence[str] = (),
    cluster: str | None = None,
    structures: Sequence[str] = FALLBACKS,
    fewest_per_arm: int = 10,
    confidence_level: float = 0.95,
) -> VisitMeans:
    """Fit visit x group + visit x baseline + covariates and read off what a report needs.

    Parameters
    ----------
    frame : DataFrame, one row per subject and visit that is due
        A visit that did not take place has a row without outcome: it counts in `n_given`, and its
        subject in the covariate means at which a group is reported.
    subject, visit, outcome : str
        See `repeated_measures`.
    baseline : str, optional
        Column in the unit of the outcome, one value a subject; its slope is free at every visit.
    group, reference : str, optional
        Grouping column, one value a subject, and the group that is subtracted.
    covariates : sequence of str
        Further baseline columns, one slope each; categories become indicators.
    cluster : str, optional
        The independent unit where a person may be a subject in two groups.
    fewest_per_arm : int, default 10
        Where a group has fewer observed values at a visit, that cell is not estimated, its rows
        do not enter the model, and the note says so.

    Returns
    -------
    VisitMeans

    Raises
    ------
    EstimationError
        As `repeated_measures`; or a group without a reference.

    Notes
    -----
    The model has no group x baseline term, so a difference is the same at every baseline, and is
    read with the model's own error and Satterthwaite degrees of freedom.

    The mean change of a group with n people is the mean over them of c_i = a + (b - 1) B_i + g x_i
    (B the baseline, x the covariates). Its error has two sources, added person by person before
    they are squared: the coefficients (CR2 by person, since groups may differ in the spread of
    their values, which the one covariance of the model averages over) and the people, who are a
    sample themselves: (c_i - mean c) / n. With nobody missing this is the variance of the paired
    change. The mean itself has b in place of b - 1. Degrees of freedom: the two sources'
    Bell-McCaffrey and n - 1, weighted by their variances (Welch and Satterthwaite) [1]_.

    References
    ----------
    .. [1] Welch BL. Biometrika 1947;34:28-35; the coefficients' part as in `cluster_sandwich`.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> people = pd.DataFrame({"who": range(60), "arm": ["a", "b"] * 30})
    >>> people["start"] = rng.normal(8, 1, 60)
    >>> visits = people.merge(pd.DataFrame({"month": [3, 6]}), how="cross")
    >>> visits["value"] = visits["start"] - 0.4 * (visits["arm"] == "b") + rng.normal(0, 0.5, 120)
    >>> visits.loc[::7, "value"] = None
    >>> result = visit_means(visits, subject="who", visit="month", outcome="value",
    ...                      baseline="start", group="arm", reference="a")
    >>> result.model.structure
    'unstructured'
    >>> result.differences[["visit", "estimate", "conf_low", "conf_high", "n"]].round(2)
       visit  estimate  conf_low  conf_high   n
    0      3     -0.57     -0.87      -0.28  26
    1      6     -0.35     -0.56      -0.14  25
    """
    if (group is None) != (reference is None):
        raise EstimationError("Give `group` and `reference` together, or neither.")
    needed = [subject, visit, *filter(None, [group, baseline, cluster]), *covariates]
    given = complete_rows(frame.reset_index(drop=True), needed).frame
    complete_rows(frame.head(0), [outcome])  # the column must exist
    cells, cell = _cells(given, visit, outcome, group, reference)
    modelled = cells.loc[cells["n"] >= fewest_per_arm]
    entering = cell.isin(set(modelled["name"])) & given[outcome].notna()
    if modelled.empty:
        empty = _tables(None, cells, None, reference, fewest_per_arm, confidence_level)
        return VisitMeans(**empty, model=None, notes=["No group has enough observed values."])
    columns, adjusters, notes = _columns(
        given, cell, entering, modelled, visit, baseline, covariates
    )
    roles = {subject, visit, outcome, *filter(None, [cluster])}
    model = repeated_measures(
        columns.assign(**{role: given[role] for role in roles}).loc[entering],
        subject=subject,
        visit=visit,
        outcome=outcome,
        design=list(columns.columns),
        cluster=cluster,
        structures=structures,
    )
    people = given.assign(**adjusters).drop_duplicates([subject, *filter(None, [group])])
    sampled = _Sampled(
        people=people,
        arm=_arm(people, group),
        owner=people[cluster or subject],
        baseline=baseline,
        adjusters=list(adjusters.columns),
    )
    tables = _tables(model, cells, sampled, reference, fewest_per_arm, confidence_level)
    return VisitMeans(**tables, model=model, notes=notes + model.notes)


@dataclass(frozen=True, kw_only=True, eq=False)
class _Sampled:
    """The people over whom a group's mean is taken: one row a subject and group."""

    people: pd.DataFrame
    arm: pd.Series
    owner: pd.Series  # the independent unit
    baseline: str | None
    adjusters: list[str]


def _arm(frame: pd.DataFrame, group: str | None) -> pd.Series:
    return frame[group].astype(object) if group is not None else pd.Series("all", frame.index)


def _cells(
    given: pd.DataFrame, visit: str, outcome: str, group: str | None, reference: str | None
) -> tuple[pd.DataFrame, pd.Series]:
    """Visits by groups with rows given and outcomes seen; the cell name of every row."""
    arm = _arm(given, group)
    if reference is not None and reference not in set(arm):
        raise EstimationError(known_names(str(group), reference, map(str, arm.unique())))
    name = "visit[" + given[visit].astype(str) + "]"
    if group is not None:
        name = name + ":group[" + arm.astype(str) + "]"
    table = pd.DataFrame(
        {"visit": given[visit], "group": arm, "name": name, "seen": given[outcome].notna()}
    )
    cells = table.groupby(["visit", "group", "name"], observed=True)["seen"].agg(["sum", "size"])
    cells = cells.reset_index().rename(columns={"sum": "n", "size": "n_given"})
    cells["later"] = cells["group"] != reference
    cells = cells.sort_values(["visit", "later", "group"], ignore_index=True)
    return cells.drop(columns="later"), name


def _columns(
    given: pd.DataFrame,
    cell: pd.Series,
    entering: pd.Series,
    modelled: pd.DataFrame,
    visit: str,
    baseline: str | None,
    covariates: Sequence[str],
) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Design columns, the covariates among them, and notes on what was left out."""
    parts = {name: (cell == name).to_numpy(dtype=np.float64) for name in modelled["name"]}
    if baseline is not None:
        start = numeric(given, baseline)
        for when in modelled["visit"].unique():
            here = (given[visit] == when).to_numpy(dtype=np.float64)
            parts[f"visit[{when}]:baseline"] = start * here
    adjusters, notes = covariate_columns(given, covariates)
    spread = np.ptp(adjusters.loc[entering].to_numpy(), axis=0) > 0
    for name in adjusters.columns[~spread]:
        notes.append(f"{name} takes a single value in the rows used and was left out.")
    adjusters = adjusters.loc[:, spread]
    return pd.concat([pd.DataFrame(parts, index=given.index), adjusters], axis=1), adjusters, notes


def _tables(
    model: RepeatedMeasures | None,
    cells: pd.DataFrame,
    sampled: _Sampled | None,
    reference: str | None,
    fewest: int,
    confidence_level: float,
) -> dict[str, pd.DataFrame]:
    means, changes, differences = [], [], []
    base_n = cells.loc[cells["group"] == reference].set_index("visit")
    for row in cells.itertuples(index=False):
        shown = {"visit": row.visit, "group": row.group, "n": row.n, "n_given": row.n_given}
        compared = {**shown, "reference": reference, "n_reference": _at(base_n, row.visit)}
        note = {
            "note": None if row.n >= fewest else f"Fewer than {fewest} observed: not estimated."
        }
        mean: dict[str, Any] = {}
        change, difference = mean, mean
        if model is not None and sampled is not None and row.n >= fewest:
            mean = {**_mean(model, sampled, row, confidence_level)}
            if sampled.baseline is not None:
                change = {**_mean(model, sampled, row, confidence_level, less_baseline=True)}
            if compared["n_reference"] >= fewest and row.group != reference:
                versus = {row.name: 1.0, str(base_n.loc[row.visit, "name"]): -1.0}
                difference = {**model.contrast(versus, confidence_level)}
        means.append({**shown, **mean, **note})
        changes.append({**shown, **change, **note})
        if reference is not None and row.group != reference:
            if not difference:
                note = {"note": f"Fewer than {fewest} observed in a group: not estimated."}
            differences.append({**compared, **difference, **note})
    keys = ["visit", "group"]
    counts = ["n", "n_given", "note"]
    return {
        "means": _frame(means, [*keys, *_NUMBERS, *counts]).drop(columns="p_value"),
        "changes": _frame(changes, [*keys, *_NUMBERS, *counts]),
        "differences": _frame(
            differences, [*keys, "reference", *_NUMBERS, "n", "n_reference", "note"]
        ),
    }


def _at(base: pd.DataFrame, when: object) -> int:
    return int(base.loc[when, "n"]) if when in base.index else 0


def _mean(
    model: RepeatedMeasures,
    sampled: _Sampled,
    row: Any,
    confidence_level: float,
    *,
    less_baseline: bool = False,
) -> TInference:
    """A cell's mean, or mean change, over the people of its group, who are a sample."""
    mine = sampled.arm == row.group
    values = sampled.people.loc[mine, sampled.adjusters].astype(np.float64)
    if sampled.baseline is not None:
        start = sampled.people.loc[mine, sampled.baseline].astype(np.float64)
        values = values.assign(**{f"visit[{row.visit}]:baseline": start})
    at = {row.name: 1.0, **values.mean()}
    own = values @ model.coefficients[values.columns]  # but for the constant of the cell
    if less_baseline:
        own = own - start
    fitted, fitted_df = model.influence(at)
    n = len(own)
    # n / (n - 1): deviations from a mean of the same people are too small by that.
    drawn = (own - own.mean()) / np.sqrt(n * (n - 1))
    both = fitted.add(drawn.groupby(sampled.owner[mine]).sum(), fill_value=0.0)
    parts = np.array([(fitted**2).sum(), (drawn**2).sum()])
    df = parts.sum() ** 2 / (parts**2 / [fitted_df, n - 1]).sum()
    return t_inference(
        float(model.coefficients[row.name] + own.mean()),
        float(np.sqrt((both**2).sum())),
        float(df),
        confidence_level,
    )


def _frame(rows: list[dict[str, Any]], columns: list[str]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=columns)
