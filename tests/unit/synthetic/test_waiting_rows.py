"""Rows that wait on disk behave as a list would, and take no memory for their number."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from synthetic.rows import Rows, TextFile


@given(
    right=st.integers(3, 200),
    planted=st.lists(st.floats(0, 1, exclude_max=True), max_size=8),
)
def test_rows_planted_between_stand_where_a_list_would_have_them(
    right: int, planted: list[float], tmp_path_factory: pytest.TempPathFactory
) -> None:
    rows, plain = Rows(tmp_path_factory.getbasetemp()), [[str(n), ""] for n in range(right)]
    for row in plain:
        rows.append(row)
    labels = [""] * right
    for number, share in enumerate(planted):
        place = 1 + int(share * len(plain))
        rows.insert(place, [f"wrong {number}", "é"], "wrong")
        plain.insert(place, [f"wrong {number}", "é"])
        labels.insert(place, "wrong")
    assert [*rows] == plain == [rows[place] for place in range(len(rows))]
    places = [place for place, label in enumerate(labels) if not label]
    assert [rows.right(n) for n in range(right)] == places
    assert rows.first_right(2) == min(place for place in places if place >= 2)
    rows.close()


def test_a_place_beyond_the_last_row_is_an_error(tmp_path: Path) -> None:
    rows = Rows(tmp_path)
    rows.append(["a"])
    with pytest.raises(IndexError):
        rows[1]
    rows.close()


def test_the_number_of_rows_takes_no_memory(tmp_path: Path) -> None:
    rows = Rows(tmp_path)
    tracemalloc.start()
    for number in range(30_000):
        rows.append([f"{number:06d}", "01/02/2026 10:00", "140", "1"])
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    rows.close()
    assert peak < 100_000  # as texts in lists they would take seven million


def test_nothing_is_left_of_rows_that_waited(tmp_path: Path) -> None:
    file = TextFile(
        folder=tmp_path, path="a/b.csv", table="t", header=("x", "y"), separator=";",
        encoding="utf-16", title=("Title",), newline="\r\n",
    )  # fmt: skip
    file.add("1", "ö")
    file.plant(np.random.default_rng(1), "wrong", ["2", ""])
    file.write()
    assert [path.name for path in (tmp_path / "a").iterdir()] == ["b.csv"]
    assert (tmp_path / "a/b.csv").read_bytes().decode("utf-16") == "Title\r\nx;y\r\n1;ö\r\n2;\r\n"
    assert file.planted == [{"file": "a/b.csv", "table": "t", "line": 4, "kind": "wrong"}]
