"""The worked examples: tiny inputs with exact answers, each reached in two ways beforehand.

`answers.csv` holds example, quantity, value and tolerance. The inputs are invented.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

FOLDER = Path(__file__).parent / "data" / "worked_examples"


def example(name: str, *, dates: tuple[str, ...] = ()) -> pd.DataFrame:
    """Return one input file as text columns with missing as None; `dates` become dates."""
    frame = pd.read_csv(FOLDER / f"{name}.csv", dtype=str)
    frame = frame.astype(object).where(frame.notna(), None)
    for column in dates:
        frame[column] = pd.to_datetime(frame[column])
    return frame


def answers(code: str) -> dict[str, str]:
    """Return the answers of one example by quantity, as text."""
    table = pd.read_csv(FOLDER / "answers.csv", dtype=str)
    mine = table.loc[table["example"] == code]
    return dict(zip(mine["quantity"], mine["value"], strict=True))


def days(*texts: str | None) -> pd.Series:
    """Return a column of dates."""
    return pd.Series(pd.to_datetime(list(texts)))
