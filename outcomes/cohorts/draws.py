"""Which HbA1c draw is the baseline, and which is a visit's."""

from __future__ import annotations

from datetime import date
from typing import Final

import numpy as np
import pandas as pd

from outcomes.cohorts.follow_up import LOST
from outcomes.cohorts.states import holds_on
from outcomes.plan import Hba1c
from outcomes.tables.declared import HBA1C_METHODS, STATE_UNRELIABLE
from outcomes.units import hba1c_mmol_mol, hba1c_percent, hba1c_tenths

NOT_YET_DUE: Final = "not yet due"
DIED: Final = "died"
LEFT_OR_LOST: Final = "left or lost"
UNRELIABLE: Final = "only an unreliable draw"
NO_DRAW: Final = "no draw"
BASELINE_MONTH: Final = 0

_DRAW = ["drawn_on", "value", "unit", "method", "percent", "mmol_mol", "tenths"]
_DRAW_COLUMNS = ["patient_id", *_DRAW, "unreliable"]


def one_draw_a_day(draws: pd.DataFrame) -> pd.DataFrame:
    """Return one draw per patient and day, and nothing where the day contradicts itself.

    Exact repeats collapse. The same draw in both units (equal in tenths of an NGSP point) is one
    draw, and its row in % stays. Different values of one day and method are both set aside: the
    mean of two contradicting values is neither. Of several methods the laboratory goes first,
    then point of care, home, unknown.

    Parameters
    ----------
    draws : DataFrame, one row per draw
        `patient_id`, `drawn_on`, `value`, `unit`, `method`.

    Returns
    -------
    DataFrame, one row per patient and day
        The same columns with `percent`, `mmol_mol` and whole `tenths`; sorted by patient and day.
        `set_aside_draws` counts the rows that contradicted each other.
    """
    rows = _both_scales(_without_repeats(draws)).loc[lambda d: ~_clashing(d)]
    same = ["patient_id", "drawn_on", "method"]
    # "%" sorts before "mmol/mol", so that of an equal pair the row in % stays.
    rows = rows.sort_values([*same, "unit"]).drop_duplicates(same)
    order = {method: place for place, method in enumerate(HBA1C_METHODS)}
    rows = rows.assign(place=rows["method"].map(order))
    day = ["patient_id", "drawn_on"]
    rows = rows.sort_values([*day, "place"]).drop_duplicates(day).drop(columns="place")
    return rows.reset_index(drop=True)


def set_aside_draws(draws: pd.DataFrame) -> int:
    """Return how many rows contradict another row of the same patient, day and method."""
    return int(_clashing(_both_scales(_without_repeats(draws))).sum())


def _without_repeats(draws: pd.DataFrame) -> pd.DataFrame:
    columns = ["patient_id", "drawn_on", "value", "unit", "method"]
    return draws[columns].drop_duplicates(ignore_index=True)


def _both_scales(draws: pd.DataFrame) -> pd.DataFrame:
    percent = np.zeros(len(draws))
    mmol_mol = np.zeros(len(draws))
    tenths = np.zeros(len(draws), dtype=np.int64)
    value = draws["value"].to_numpy(dtype=float)
    for unit in draws["unit"].unique():
        here = (draws["unit"] == unit).to_numpy()
        percent[here] = hba1c_percent(value[here], unit)
        mmol_mol[here] = hba1c_mmol_mol(value[here], unit)
        tenths[here] = hba1c_tenths(value[here], unit)
    return draws.assign(percent=percent, mmol_mol=mmol_mol, tenths=tenths)


def _clashing(draws: pd.DataFrame) -> pd.Series:
    same = ["patient_id", "drawn_on", "method"]
    within_unit = draws.groupby([*same, "unit"])["value"].transform("nunique") > 1
    any_within = within_unit.groupby([draws[column] for column in same]).transform("max")
    across = draws.groupby(same)["tenths"].transform("nunique") > 1
    return pd.Series(any_within.astype(bool) | across.astype(bool), index=draws.index)


def visit_draws(
    cohort: pd.DataFrame,
    *,
    draws: pd.DataFrame,
    states: pd.DataFrame,
    patients: pd.DataFrame,
    cut_off: date,
    rules: Hba1c,
    keep_unreliable: bool = False,
) -> pd.DataFrame:
    """Return the baseline draw and the draw of each visit, for everybody in a cohort.

    Parameters
    ----------
    cohort : DataFrame, one row per patient and cohort
        `patient_id`, `cohort`, `index_date`, `follow_up_to`, `follow_up_end`.
    draws, states, patients : DataFrame
        As declared, up to the cut-off.
    cut_off : date
    rules : Hba1c
        The plan's section.
    keep_unreliable : bool, default False
        Keep draws of days on which HbA1c is recorded as unreliable (a sensitivity analysis).

    Returns
    -------
    DataFrame, one row per patient, cohort and visit; month 0 is the baseline
        `patient_id`, `cohort`, `month`, `due` (alive at the end of the window, and the window
        closed by the cut-off; for the baseline only closed), `window_to` (the day it closes),
        `drawn_on`, `value`, `unit`, `method`, `percent`, `mmol_mol`, `tenths`, `day` (from the
        index date), `further` (other draws of the window that were not chosen), `unreliable`
        (draws in the window left out as unreliable),
        `missing_because` ("not yet due", "died", "left or lost", "only an unreliable draw",
        "no draw", or None where there is a draw). A visit that is not due has no draw.
    """
    daily = one_draw_a_day(draws)
    daily["unreliable"] = holds_on(states, what=STATE_UNRELIABLE, at=daily, day="drawn_on")
    about = cohort.merge(
        patients[["patient_id", "died_on"]], on="patient_id", how="left", validate="many_to_one"
    )
    pairs = about[["patient_id", "cohort", "index_date"]].merge(daily, on="patient_id", how="inner")
    pairs["day"] = (pairs["drawn_on"] - pairs["index_date"]).dt.days
    visits = [
        _visit(about, pairs, *window, rules, cut_off, keep_unreliable) for window in _windows(rules)
    ]
    table = pd.concat(visits, ignore_index=True)
    return table.sort_values(["cohort", "patient_id", "month"], ignore_index=True)


def _windows(rules: Hba1c) -> list[tuple[int, int, int, int | None]]:
    """Month, first day, last day and target day; the baseline has no target but its last draw."""
    baseline = (BASELINE_MONTH, rules.baseline_from_day, rules.baseline_to_day, None)
    lists = (rules.visit_months, rules.window_from_days, rules.window_to_days, rules.visit_days)
    return [baseline, *zip(*lists, strict=True)]


def _visit(
    about: pd.DataFrame,
    pairs: pd.DataFrame,
    month: int,
    first: int,
    last: int,
    target: int | None,
    rules: Hba1c,
    cut_off: date,
    keep_unreliable: bool,
) -> pd.DataFrame:
    inside = pairs.loc[pairs["day"].between(first, last)]
    left_out = inside["unreliable"] & (not keep_unreliable)
    key = ["patient_id", "cohort"]
    usable = inside.loc[~left_out]
    chosen = _nearest(usable, target).drop_duplicates(key, keep="last")
    further = (usable.groupby(key).size() - 1).rename("further").reset_index()
    unreliable = inside.loc[left_out].groupby(key).size().rename("unreliable").reset_index()
    table = about[[*key, "index_date", "follow_up_to", "follow_up_end", "died_on"]].assign(
        month=month, window_to=about["index_date"] + pd.Timedelta(days=last)
    )
    table = table.merge(chosen[[*key, *_DRAW, "day"]], on=key, how="left", validate="one_to_one")
    for counts in (unreliable, further):
        table = table.merge(counts, on=key, how="left", validate="one_to_one")
    for name in ("unreliable", "further"):
        table[name] = table[name].fillna(0).astype(np.int64)
    return _with_reasons(table, pd.Timestamp(cut_off), is_visit=target is not None)


def _nearest(inside: pd.DataFrame, target: int | None) -> pd.DataFrame:
    """Sort so that the draw wanted is the last one; of two equally near, the later."""
    if target is None:
        return inside.sort_values("drawn_on", kind="stable")
    distance = (inside["day"] - target).abs()
    return inside.assign(near=-distance).sort_values(["near", "drawn_on"], kind="stable")


def _with_reasons(table: pd.DataFrame, cut_off: pd.Timestamp, *, is_visit: bool) -> pd.DataFrame:
    closed = table["window_to"] <= cut_off
    dead = table["died_on"].notna() & (table["died_on"] <= table["window_to"])
    due = closed & ~dead if is_visit else closed
    if is_visit:
        # Only due visits enter: an early draw of a visit still open could yet be replaced.
        table[_DRAW] = table[_DRAW].where(due)
        table["day"] = table["day"].where(due)
        table["further"] = table["further"].where(due, 0)
    gone = (table["follow_up_end"] == LOST) & (table["follow_up_to"] < table["window_to"])
    because = np.select(
        [
            table["drawn_on"].notna(),
            dead & is_visit,
            ~closed,
            table["unreliable"] > 0,
            gone,
        ],
        ["", DIED, NOT_YET_DUE, UNRELIABLE, LEFT_OR_LOST],
        default=NO_DRAW,
    )
    reasons = pd.Series(because, index=table.index, dtype=object)
    table = table.assign(due=due, missing_because=reasons.where(reasons != "", None))
    for column in ("unit", "method"):
        table[column] = table[column].astype(object).where(table[column].notna(), None)
    return table[
        [
            *("patient_id", "cohort", "month", "due", "window_to"),
            *_DRAW,
            *("day", "further", "unreliable", "missing_because"),
        ]
    ]
