"""Baseline and visit of each patient side by side, and who responded: pure rules on frames."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from outcomes.cohorts.draws import BASELINE_MONTH
from outcomes.plan import Hba1c
from outcomes.statistics.intervals import Interval, proportion
from outcomes.units import hba1c_mmol_mol, hba1c_tenths

RESPONSE: Final = "response"
TARGET: Final = "target"


def due_pairs(draws: pd.DataFrame) -> pd.DataFrame:
    """Return every due visit with its patient's baseline beside it.

    Parameters
    ----------
    draws : DataFrame, one row per patient, cohort and visit
        As `outcomes.cohorts.draws.visit_draws` returns it.

    Returns
    -------
    DataFrame, one row per patient, cohort and due visit
        `patient_id`, `cohort`, `month`, `window_to`, `drawn_on`, `percent`, `mmol_mol`, `tenths`,
        `value`, `unit`, `method` of the visit (missing where nobody drew), the numbers and unit
        with `baseline_` before, and `change` in percentage points, unrounded, missing where
        either is; `further`, `unreliable` and `missing_because` of the visit.
    """
    keep = ["percent", "mmol_mol", "tenths", "value", "unit"]
    key = ["patient_id", "cohort"]
    first = draws.loc[draws["month"] == BASELINE_MONTH, [*key, *keep]]
    visits = draws.loc[(draws["month"] != BASELINE_MONTH) & draws["due"].astype(bool)]
    of_visit = ["drawn_on", *keep, "method", "further", "unreliable", "missing_because"]
    pairs = visits[[*key, "month", "window_to", *of_visit]].merge(
        first.rename(columns={name: f"baseline_{name}" for name in keep}),
        on=key,
        how="left",
        validate="many_to_one",
    )
    return pairs.assign(change=pairs["percent"] - pairs["baseline_percent"])


def responses(pairs: pd.DataFrame, *, rules: Hba1c) -> dict[str, tuple[Interval, int, int, int]]:
    """Return the shares that responded and that are at target, over all who are due.

    A response is a fall of `rules.response_points` or more, each draw put into tenths of a point
    first and then subtracted. At target is below `rules.target_percent`, asked of those who began
    at or above it; each draw is judged in its own unit. Who has no draw stays in the denominator
    and counts as no response; how many those are stands beside the share.

    Parameters
    ----------
    pairs : DataFrame, one row per due visit of one cohort and month
        As `due_pairs` returns it.
    rules : Hba1c

    Returns
    -------
    dict of "response" and "target" to (Wilson interval as fractions, events, n, missing)

    Examples
    --------
    >>> pairs = pd.DataFrame({"baseline_tenths": [82.0, 76.0], "tenths": [77.0, 72.0],
    ...     "baseline_value": [8.2, 7.6], "value": [7.7, 7.2], "baseline_unit": "%", "unit": "%"})
    >>> share, events, n, missing = responses(pairs, rules=Hba1c())["response"]
    >>> events, n, missing
    (1, 2, 0)
    """
    both = pairs["tenths"].notna() & pairs["baseline_tenths"].notna()
    fall = pairs["baseline_tenths"] - pairs["tenths"]
    wanted = int(np.floor(10 * rules.response_points + 0.5))
    responded = both & (fall >= wanted)
    began_above = pairs["baseline_value"].notna() & ~_below(pairs, "baseline_", rules)
    at_target = began_above & pairs["value"].notna() & _below(pairs, "", rules)
    counted = {
        RESPONSE: (int(responded.sum()), len(pairs), int((~both).sum())),
        TARGET: (
            int(at_target.sum()),
            int(began_above.sum()),
            int((began_above & pairs["value"].isna()).sum()),
        ),
    }
    return {
        name: (proportion(events, n, method="wilson"), events, n, missing)
        for name, (events, n, missing) in counted.items()
    }


def _below(pairs: pd.DataFrame, prefix: str, rules: Hba1c) -> pd.Series:
    """Whether a draw is below the target, in its own unit: 7 % is 53 mmol/mol."""
    value, unit = pairs[f"{prefix}value"].astype(float), pairs[f"{prefix}unit"]
    limit_tenths = int(hba1c_tenths(rules.target_percent, "%"))
    limit_mmol = round(float(hba1c_mmol_mol(rules.target_percent, "%")))
    in_percent = pairs[f"{prefix}tenths"] < limit_tenths
    return in_percent.where(unit != "mmol/mol", value < limit_mmol)
