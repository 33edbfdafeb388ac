"""How much of the change in HbA1c was to be expected from having begun high?"""

from __future__ import annotations

from functools import partial
from itertools import pairwise
from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.draws import BASELINE_MONTH, one_draw_a_day
from outcomes.cohorts.states import holds_on
from outcomes.errors import EstimationError
from outcomes.measures.hba1c_change_rows import change_rows, primary_month
from outcomes.measures.hba1c_figures import draw_bands
from outcomes.measures.hba1c_models import stratified_pairs
from outcomes.measures.hba1c_rows import (
    LIMITS,
    NEW,
    POINTS,
    Row,
    both_units,
    cell,
    plain,
    record,
    table_of,
)
from outcomes.measures.small_cells import NOT_SHOWN, SMALLEST, hidden_cells
from outcomes.plan import Hba1c
from outcomes.results import DASH, Result, Show, interval, number
from outcomes.statistics.intervals import t_interval
from outcomes.statistics.personal_levels import variance_parts
from outcomes.statistics.regression_to_mean import oldham_correlation
from outcomes.tables.declared import KINDS, STATE_UNRELIABLE
from outcomes.units import counted

EXPECTED: Final = "change expected from having begun high"
BY_BASELINE: Final = "mean change, baseline"
BY_BOTH: Final = "mean change, mean of both draws"
OBSERVED: Final = "mean change, those with both draws"
FEWEST_IN_BAND: Final = 5
KEY: Final = ["patient_id", "cohort"]

GROUPINGS: Final = ("baseline", "both draws")


def hba1c_by_baseline(cohorts: CohortSet, *, month: int | None = None) -> Result:
    """How much of the change was to be expected, and who changed most: an artefact made visible.

    Parameters
    ----------
    cohorts : CohortSet
    month : int, optional
        By default the plan's primary month.

    Returns
    -------
    Result
        `.table` has, by cohort: the change of those with both draws; the change that is expected
        without any effect, from patients with two or more draws before their baseline ("not
        estimable" under the plan's number of such patients); and the change by band of the
        baseline and, of the same patients, by band of the mean of both draws.

    Notes
    -----
    Who is grouped by a first value that was high by chance comes down, and who was low by chance
    goes up; grouping by the mean of both values takes the chance out (Oldham). The expected change
    is the patient's own level, predicted from all draws up to the baseline (each weighed by how
    much draws of one patient vary), less the baseline. It takes the level before the index date as
    steady.

    References
    ----------
    .. [1] Davis CE. Am J Epidemiol 1976;104:493-498.
    .. [2] Oldham PD. J Chronic Dis 1962;15:969-977.
    """
    rules = cohorts.plan.hba1c
    at = primary_month(rules, month)
    pairs = stratified_pairs(cohorts)
    due = pairs.loc[(pairs["stratum"] == NEW) & (pairs["month"] == at)]
    due = due.assign(row=np.arange(len(due)))
    seen = due.loc[due["change"].notna()]
    expected = expected_changes(cohorts).merge(seen, on=KEY, how="inner", validate="one_to_one")
    rows: list[Row] = []
    drawn: list[Row] = []
    for cohort, mine in _groups(due):
        head = {"cohort": cohort, "month": at, "quantity": OBSERVED}
        hoped = expected.loc[expected["row"].isin(mine["row"])]
        rows += change_rows(mine, head)
        rows += _expected_rows(hoped, head, rules)
        for grouping, quantity in zip(GROUPINGS, (BY_BASELINE, BY_BOTH), strict=True):
            kept = mine.loc[mine["change"].notna()]
            for place, made in _band_rows(kept, {**head, "quantity": quantity}, rules):
                rows += made
                if cohort is None:
                    drawn.append({"grouping": grouping, "place": place, **made[0]})
    table = table_of(rows)
    bands = pd.DataFrame(drawn)
    bands = bands.loc[bands["estimate"].notna()] if len(bands) else bands
    once = expected.loc[expected["row"].isin(_once(due)["row"])]
    hopes = _expected_by_band(once, rules)
    finding = _finding(table, at)
    return Result(
        name="hba1c_by_baseline",
        title="How much of the change in HbA1c was to be expected?",
        table=table,
        entries=[record(row) for row in table.to_dict("records")],
        finding=finding,
        caption=(
            f"Change in HbA1c at month {at} of the new patients with both draws, percentage points "
            "with 95 % intervals: everybody, each cohort, and by band of the baseline and of the "
            "mean of both draws."
        ),
        footnotes=_footnotes(seen, rules),
        settings={
            "bands": ", ".join(f"{edge:g} %" for edge in rules.bands_percent),
            "earlier draws": f"from {rules.earlier_days} days before the baseline on",
            "fewest with two earlier draws": str(rules.fewest_earlier),
        },
        show={name: Show(name) for name in ("who", "quantity", "estimate", "n", "note")},
        summary=_summary(table, rules),
        drawing=partial(draw_bands, bands=bands, expected=hopes) if len(bands) else None,
        alt=(
            f"Two panels of the same patients: change by band of the baseline{_told(bands, 0)}, "
            f"and by band of the mean of both draws{_told(bands, 1)}; dotted, where it can be "
            f"estimated, the change expected without any effect. {finding}"
        ),
        height=3.8,
    )


def _told(bands: pd.DataFrame, panel: int) -> str:
    """Return the points of one panel in words: where a band lies, and its change."""
    if bands.empty:
        return ""
    mine = bands.loc[bands["grouping"] == GROUPINGS[panel]]
    points = [
        f"{number(row.estimate, 2)} points at {number(row.place)} %" for row in mine.itertuples()
    ]
    return f" ({', '.join(points)})" if points else ""


def _once(due: pd.DataFrame) -> pd.DataFrame:
    """Each patient once: with both draws where there are both, else the implanted cohort's row."""
    order = due.assign(none=due["change"].isna(), place=due["cohort"].map(KINDS.index))
    return order.sort_values(["none", "place", "row"]).drop_duplicates("patient_id")


def _groups(due: pd.DataFrame) -> list[tuple[str | None, pd.DataFrame]]:
    """Everybody (without a cohort), then each cohort that has anybody due."""
    if due.empty:
        return []
    of_cohorts = [(name, due.loc[due["cohort"] == name]) for name in KINDS]
    return [(None, _once(due)), *((name, mine) for name, mine in of_cohorts if len(mine))]


def expected_changes(cohorts: CohortSet) -> pd.DataFrame:
    """Return the change that is expected without any effect, for each patient who allows it.

    Returns
    -------
    DataFrame, one row per new patient and cohort with a baseline and two or more draws before it
        `patient_id`, `cohort`, `n_earlier`, `predicted` (own level, %), `expected` (predicted less
        baseline, points). Empty where fewer than three patients have two earlier draws.
    """
    columns = [*KEY, "n_earlier", "predicted", "expected"]
    first = cohorts.draws.loc[cohorts.draws["month"] == BASELINE_MONTH]
    first = first.merge(cohorts.patients.loc[cohorts.patients["new"], KEY], on=KEY)
    first = first.dropna(subset=["percent"])[[*KEY, "drawn_on", "percent"]]
    daily = one_draw_a_day(cohorts.table("hba1c"))
    bad = holds_on(cohorts.table("states"), what=STATE_UNRELIABLE, at=daily, day="drawn_on")
    draws = daily.loc[~bad.to_numpy(), ["patient_id", "drawn_on", "percent"]]
    both = first.rename(columns={"drawn_on": "baseline_on", "percent": "baseline"}).merge(
        draws, on="patient_id", how="inner"
    )
    ago = (both["baseline_on"] - both["drawn_on"]).dt.days
    earlier = both.loc[(ago > 0) & (ago <= cohorts.plan.hba1c.earlier_days)]
    found = earlier.groupby([*KEY, "baseline"])["percent"].agg(["size", "sum"]).reset_index()
    found = found.loc[found["size"] >= 2]
    once = earlier.merge(found[KEY], on=KEY).drop_duplicates(["patient_id", "drawn_on"])
    try:
        parts = variance_parts(once, subject="patient_id", value="percent")
    except EstimationError:
        return pd.DataFrame(columns=columns)
    n = found["size"] + 1
    own = (found["sum"] + found["baseline"]) / n
    predicted = [parts.level(mean, int(k)) for mean, k in zip(own, n, strict=True)]
    found = found.assign(n_earlier=found["size"], predicted=np.array(predicted, dtype=float))
    return found.assign(expected=found["predicted"] - found["baseline"])[columns]


def _expected_rows(hoped: pd.DataFrame, head: Row, rules: Hba1c) -> list[Row]:
    head = {**head, "quantity": EXPECTED, "n": len(hoped)}
    if len(hoped) < rules.fewest_earlier:
        note = (
            "not estimable: two or more draws before the baseline in "
            f"{counted(len(hoped), 'patient')}, fewer than {rules.fewest_earlier}"
        )
        return both_units(**head, note=note)
    got = t_interval(hoped["expected"])
    return both_units(
        **head, estimate=got.estimate, conf_low=got.conf_low, conf_high=got.conf_high,
        method="own level predicted from two or more earlier draws and the baseline, less the "
        "baseline; Student t over patients", note=got.note,
    )  # fmt: skip


def band_names(rules: Hba1c) -> list[str]:
    """Return the bands in words, lowest first.

    Examples
    --------
    >>> band_names(Hba1c())
    ['below 7 %', '7 to below 8 %', '8 to below 9 %', '9 % or more']
    """
    edges = [f"{edge:g}" for edge in rules.bands_percent]
    middle = [f"{a} to below {b} %" for a, b in pairwise(edges)]
    return [f"below {edges[0]} %", *middle, f"{edges[-1]} % or more"]


def _band(tenths: pd.Series, rules: Hba1c) -> np.ndarray:
    edges = [int(np.floor(10 * edge + 0.5)) for edge in rules.bands_percent]
    return np.searchsorted(edges, tenths.to_numpy(dtype=float), side="right")


def _band_rows(seen: pd.DataFrame, head: Row, rules: Hba1c) -> list[tuple[float, list[Row]]]:
    by_both = head["quantity"] == BY_BOTH
    tenths = (seen["baseline_tenths"] + seen["tenths"]) / 2 if by_both else seen["baseline_tenths"]
    value = (
        (seen["baseline_percent"] + seen["percent"]) / 2 if by_both else seen["baseline_percent"]
    )
    band = _band(tenths, rules)
    names = band_names(rules)
    counts = [int((band == place).sum()) for place in range(len(names))]
    hidden = hidden_cells(counts, SMALLEST["clinic"])
    made = []
    for place, name in enumerate(names):
        mine = band == place
        row: dict[str, Any] = {**head, "quantity": f"{head['quantity']} {name}"}
        if hidden[place] or not counts[place]:
            note = NOT_SHOWN if hidden[place] else "nobody"
            made.append((np.nan, both_units(**row, note=note)))
            continue
        got = t_interval(seen.loc[mine, "change"])
        row |= {name: getattr(got, name) for name in LIMITS}
        shown = both_units(**row, n=counts[place], method="mean change, Student t", note=got.note)
        made.append((float(value[mine].mean()), shown))
    return made


def _expected_by_band(expected: pd.DataFrame, rules: Hba1c) -> pd.DataFrame:
    """For the figure: where the expectation is estimable, its mean in every band."""
    rows = []
    if len(expected) >= rules.fewest_earlier:
        band = _band(expected["baseline_tenths"], rules)
        for place in sorted(set(band)):
            inside = expected.loc[band == place]
            if len(inside) >= FEWEST_IN_BAND:
                rows.append(
                    {"place": inside["baseline_percent"].mean(),
                     "estimate": inside["expected"].mean()}
                )  # fmt: skip
    return pd.DataFrame(rows, columns=["place", "estimate"])


def _summary(table: pd.DataFrame, rules: Hba1c) -> pd.DataFrame:
    points = table.loc[table["unit"] == POINTS]
    lines = []
    for cohort in dict.fromkeys(points["cohort"]):
        mine = _of(points, cohort)
        hope = mine.loc[mine["quantity"] == EXPECTED].iloc[0]
        expected = "not estimable"
        if not pd.isna(hope["estimate"]):
            expected = f"{cell(mine, 2, quantity=EXPECTED)}, n = {hope['n']}"
        n = mine.loc[mine["quantity"] == OBSERVED, "n"].iloc[0]
        change = cell(mine, 2, quantity=OBSERVED)
        lines.append([cohort or "all new patients", f"{change}, n = {n}", DASH, expected])
    everybody = _of(points, None)
    for band in band_names(rules) if len(points) else []:
        one, two = (f"{name} {band}" for name in (BY_BASELINE, BY_BOTH))
        lines.append([f"- {band}", *(_with_n(everybody, name) for name in (one, two)), DASH])
    columns = ["Patients", "Change by band of the baseline, points",
               "Change by band of the mean of both draws, points",
               "Expected without any effect, points"]  # fmt: skip
    return pd.DataFrame(lines, columns=columns)


def _of(points: pd.DataFrame, cohort: str | None) -> pd.DataFrame:
    return points.loc[points["cohort"].isna() if cohort is None else points["cohort"] == cohort]


def _with_n(rows: pd.DataFrame, quantity: str) -> str:
    found = rows.loc[rows["quantity"] == quantity].iloc[0]
    if pd.isna(found["n"]):
        return str(found["note"])
    return f"{cell(rows, 2, quantity=quantity)}, n = {found['n']}"


def _finding(table: pd.DataFrame, month: int) -> str:
    points = table.loc[table["unit"] == POINTS]
    parts = []
    for cohort in [name for name in KINDS if (points["cohort"] == name).any()]:
        mine = _of(points, cohort).set_index("quantity")
        hope, got = mine.loc[EXPECTED], mine.loc[OBSERVED]
        if pd.isna(got["estimate"]):
            continue
        if pd.isna(hope["estimate"]):
            parts.append(
                f"in the {cohort} cohort the change expected without any effect is {hope['note']}"
            )
            continue
        limits = interval(plain(hope["conf_low"]), plain(hope["conf_high"]), 2)
        parts.append(
            f"in the {cohort} cohort, which changed by {number(got['estimate'], 2)} points (n = "
            f"{got['n']}), {number(hope['estimate'], 2)} ({limits}; n = {hope['n']} with two or "
            "more earlier draws) was to be expected without any effect"
        )
    if not parts:
        return f"At month {month} nobody has both draws, so there is no change to explain."
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}."


def _footnotes(seen: pd.DataFrame, rules: Hba1c) -> list[str]:
    notes = [
        "Who began high comes down and who began low goes up, without any effect: a single draw "
        "is high partly by chance. That is why the left panel slopes; in the right panel the same "
        "patients are grouped by the mean of both draws, and what is left of the slope is not "
        "that artefact.",
        "Expected without any effect: each patient's own level, predicted from two or more draws "
        f"of the {rules.earlier_days} days before the baseline and the baseline itself, less the "
        "baseline. It takes the level before as steady; a worsening just before the first sensor "
        "would be counted as chance.",
        f"Not estimable under {rules.fewest_earlier} patients with two earlier draws. Its interval "
        "takes the variation between and within patients as known.",
        "Bands take all new patients together, each once (who is in both cohorts, in the "
        "implanted); the bands of each cohort stand in the table beside the page.",
        f"Bands of fewer than {SMALLEST['clinic']} patients are not shown, nor one more where a "
        "single one would follow from the total.",
    ]
    for cohort in [name for name in KINDS if (seen["cohort"] == name).any()]:
        mine = seen.loc[seen["cohort"] == cohort]
        try:
            r = oldham_correlation(mine, before="baseline_percent", after="percent")
        except EstimationError:
            continue
        plain_r = float(np.corrcoef(mine["baseline_percent"], mine["change"])[0, 1])
        notes.append(
            f"{cohort.capitalize()}: the change correlates {number(plain_r, 2)} with the baseline "
            f"and {number(r, 2)} with the mean of both (n = {len(mine)}); only the second can be "
            "read."
        )
    return notes
