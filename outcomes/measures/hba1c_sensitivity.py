"""How far the HbA1c answer leans on missing draws, and on having begun high."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from outcomes.cohorts.draws import one_draw_a_day
from outcomes.errors import EstimationError
from outcomes.statistics.imputation import tipping_point
from outcomes.statistics.regression_to_mean import expected_fall_from, within_person

DELTAS: Final = (0.0, 0.25, 0.5, 1.0)  # points worse than imputed
FEWEST_WITH_TWO: Final = 10  # with fewer a correlation between two draws says nothing


def imputed_differences(
    pairs: pd.DataFrame, *, month: int, rng: np.random.Generator, clustered: bool
) -> pd.DataFrame:
    """Return the adjusted difference with missing draws imputed, and imputed ever worse.

    Parameters
    ----------
    pairs : DataFrame, one row per patient, cohort and due visit
        New patients with a baseline: `patient_id`, `cohort`, `month`, `percent`,
        `baseline_percent`.
    month : int
        The visit compared; earlier visits help to predict it.
    rng : numpy Generator
    clustered : bool
        Whether a patient can be in both cohorts.

    Returns
    -------
    DataFrame, one row per delta
        `delta` (points added to imputed draws of the implanted), `estimate`, `conf_low`,
        `conf_high`, `n_imputed`, `n`, `n_reference`, `note`; no rows where nothing is missing.
    """
    due = pairs.loc[pairs["month"] == month, ["patient_id", "cohort", "baseline_percent"]]
    key = ["patient_id", "cohort"]
    so_far = pairs.loc[pairs["month"] <= month]
    # Not `pivot_table`: a reshape that could average is never used.
    wide = so_far.pivot(index=key, columns="month", values="percent")  # noqa: PD010
    visits = [f"month_{each}" for each in wide.columns]
    wide.columns = pd.Index(visits)
    people = due.merge(wide.reset_index(), on=key, validate="one_to_one").sort_values(key)
    outcome = f"month_{month}"
    if outcome not in visits or not people[outcome].isna().any():
        return pd.DataFrame()
    seen = people.loc[people[outcome].notna(), "cohort"].value_counts()
    if len(seen) < 2 or seen.min() < FEWEST_WITH_TWO:
        return pd.DataFrame()
    try:
        return tipping_point(
            people.reset_index(drop=True), visits=visits, outcome=outcome,
            baseline="baseline_percent", group="cohort", reference="adhesive", deltas=DELTAS,
            rng=rng, cluster="patient_id" if clustered else None,
        )  # fmt: skip
    except EstimationError as error:
        return pd.DataFrame(
            [{"delta": 0.0, "estimate": None, "conf_low": None, "conf_high": None,
              "n_imputed": int(people[outcome].isna().sum()), "n": len(people),
              "n_reference": 0, "note": f"not estimated: {error}"}]
        )  # fmt: skip


def expected_regression(
    draws: pd.DataFrame, members: pd.DataFrame, pairs: pd.DataFrame
) -> pd.DataFrame:
    """Return the change that is expected from having begun high, without any effect.

    From patients with two or more draws up to the index date comes how closely two draws of one
    patient agree; a cohort that begins above their mean is expected to come down by the share
    that does not repeat.

    Parameters
    ----------
    draws : DataFrame, one row per draw
        As declared, up to the cut-off.
    members : DataFrame, one row per new patient and cohort
        `patient_id`, `cohort`, `index_date`.
    pairs : DataFrame, one row per due visit of the month shown
        `cohort`, `baseline_percent`, of those with both draws.

    Returns
    -------
    DataFrame, one row per cohort with pairs
        `cohort`, `estimate` (points; below 0 a fall), `n` (patients with two earlier draws),
        `correlation`, `note`.

    References
    ----------
    .. [1] Davis CE. Am J Epidemiol 1976;104:493-498.
    """
    two = _two_earlier(draws, members)
    rows = []
    for cohort, mine in pairs.groupby("cohort"):
        row: dict[str, object] = {
            "cohort": cohort, "estimate": None, "n": len(two), "correlation": None, "note": "",
        }  # fmt: skip
        rows.append(row)
        if len(two) < FEWEST_WITH_TWO:
            row["note"] = f"not estimated: {len(two)} patients with two earlier draws"
            continue
        try:
            found = within_person(two, first="earlier", second="later")
            fall = expected_fall_from(
                float(mine["baseline_percent"].mean()),
                mean=found.mean,
                correlation=max(found.correlation, 0.0),
            )
        except EstimationError as error:
            row["note"] = f"not estimated: {error}"
            continue
        row |= {"estimate": -fall, "correlation": found.correlation}
    return pd.DataFrame(rows)


def _two_earlier(draws: pd.DataFrame, members: pd.DataFrame) -> pd.DataFrame:
    """The last two draws up to the first index date of each patient who has so many."""
    index = members.groupby("patient_id")["index_date"].min()
    daily = one_draw_a_day(draws)
    earlier = daily.loc[daily["drawn_on"] <= pd.to_datetime(daily["patient_id"].map(index))]
    last_two = earlier.groupby("patient_id").tail(2)
    counts = last_two.groupby("patient_id")["percent"]
    both = pd.DataFrame({"earlier": counts.first(), "later": counts.last(), "n": counts.size()})
    return both.loc[both["n"] == 2].reset_index()
