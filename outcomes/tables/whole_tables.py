"""Rules that need a whole table: exact repeats, ids that stand twice, draws that disagree."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from outcomes import units
from outcomes.errors import IntakeError
from outcomes.tables.crossing import WholeTable
from outcomes.tables.declared import DECLARED
from outcomes.tables.ledger import Ledger

Array = npt.NDArray[Any]


def exact_repeats(frame: pd.DataFrame) -> Array:
    """Return which rows repeat an earlier one in every column."""
    return frame.duplicated().to_numpy()


def same_draw_again(draws: pd.DataFrame) -> tuple[Array, Array]:
    """Return which HbA1c rows tell a draw again, and which clash with another of their day.

    Draws of one patient, day and method: the same value and unit again is a repeat; one value in
    each unit, equal in tenths of a point, is one draw, whose row in % stays; anything else is a
    clash, and none of its rows is believed.
    """
    day = ["patient_id", "drawn_on", "method"]
    again = draws.duplicated([*day, "value", "unit"]).to_numpy()
    left = draws.loc[~again].copy()
    left["tenths"] = 0
    for unit, rows in left.groupby("unit").groups.items():
        left.loc[rows, "tenths"] = units.hba1c_tenths(left.loc[rows, "value"].to_numpy(), str(unit))
    grouped = left.groupby(day, sort=False)
    several = grouped["value"].transform("size") > 1
    agree = (grouped["tenths"].transform("nunique") == 1) & (
        grouped["unit"].transform("nunique") == grouped["value"].transform("size")
    )
    clash = np.zeros(len(draws), dtype=bool)
    clash[np.flatnonzero(~again)] = (several & ~agree).to_numpy()
    again[np.flatnonzero(~again)] = (several & agree & (left["unit"] != "%")).to_numpy()
    return again, clash


def checked_whole(table: str, whole: WholeTable, ledger: Ledger) -> WholeTable:
    """Return the rows to keep of good rows in the order read, the others counted in `ledger`.

    Raises
    ------
    IntakeError
        One patient stands there twice with different content: everything hangs on patients.
    """
    frame, entry, line, texts = whole.frame, whole.entry, whole.line, whole.texts
    repeated = exact_repeats(frame)
    aside: dict[str, Array] = {}
    if table == "hba1c" and len(frame):
        again, clash = same_draw_again(frame.loc[~repeated])
        aside["two draws on one day"] = _back(clash, repeated)
        told_again = _back(again, repeated)
        if told_again.any():
            ledger.note(
                "one draw told twice", table, None, int(told_again.sum()),
                f"{int(told_again.sum())} rows of hba1c tell a draw again, in the other unit or "
                "with another day of recording; counted among the exact repeats.",
                "Nothing.",
            )  # fmt: skip
        repeated = repeated | told_again
    key = list(DECLARED[table].key)
    if key:
        twice = _back(frame.loc[~repeated].duplicated(key, keep=False).to_numpy(), repeated)
        if table == "patients" and twice.any():
            ids = sorted(set(frame.loc[twice, "patient_id"]))
            raise IntakeError(
                f"patients: {', '.join(ids[:10])}{' ...' if len(ids) > 10 else ''} "
                f"{'stands' if len(ids) == 1 else 'stand'} there twice with different content "
                f"(lines {', '.join(map(str, line[twice][:10]))}). Correct the patients export."
            )
        aside["same id"] = twice
        if table == "sensors" and twice.any():
            wearers = frame.loc[twice].groupby("sensor_id")["patient_id"].transform("nunique")
            shared = np.zeros(len(frame), dtype=bool)
            shared[np.flatnonzero(twice)] = (wearers > 1).to_numpy()
            aside = {"one sensor on two patients": shared, "same id": twice & ~shared}
    ledger.repeat(entry[repeated])
    keep = ~repeated
    for rule, rows in aside.items():
        other = "with this id" if key else "of this day and method"
        reason = f"{table}: another row {other} differs"
        ledger.set_aside(entry[rows], line[rows], rule, reason, texts.loc[rows])
        keep &= ~rows
    return whole.rows(keep)


def _back(some: Array, left_out: Array) -> Array:
    whole = np.zeros(len(left_out), dtype=bool)
    whole[np.flatnonzero(~left_out)] = some
    return whole
