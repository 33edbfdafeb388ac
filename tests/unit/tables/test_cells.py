"""Cells: columns of text as places in bytes, and their different texts."""

import numpy as np
import pyarrow as pa
from hypothesis import given, settings
from hypothesis import strategies as st

from outcomes.tables.cells import Cells, Vocabulary, cut_at

TEXTS = st.lists(st.text(max_size=6), max_size=40)


@settings(deadline=None)  # the first call compiles
@given(TEXTS, st.integers(min_value=0, max_value=3))
def test_a_vocabulary_numbers_texts_as_a_dictionary_does(texts, skipped):
    column = pa.array(texts, type=pa.string()).slice(skipped)
    encoded = column.dictionary_encode()
    words = Vocabulary()
    assert words.codes(Cells.of(column)).tolist() == encoded.indices.to_pylist()
    assert words.texts == encoded.dictionary.to_pylist()


@settings(deadline=None)
@given(TEXTS, TEXTS)
def test_a_vocabulary_keeps_its_numbers_from_one_block_to_the_next(first, second):
    words = Vocabulary()
    codes = [words.codes(Cells.of(pa.array(t, type=pa.string()))) for t in (first, second)]
    told = [words.texts[code] for code in np.concatenate(codes)]
    assert told == first + second
    assert len(set(words.texts)) == len(words.texts)


def test_a_vocabulary_grows_with_its_texts():
    texts = [f"text {i // 2}" for i in range(100_000)]
    words = Vocabulary()
    codes = words.codes(Cells.of(pa.array(texts)))
    assert (codes == np.arange(100_000) // 2).all()
    assert words.texts == texts[::2]


@given(TEXTS)
def test_cells_give_back_the_texts_of_any_rows(texts):
    rows = np.arange(len(texts))[::-2]
    found = Cells.of(pa.array(texts, type=pa.string())).array(rows)
    assert found.to_pylist() == texts[::-2]


@given(TEXTS)
def test_cells_are_blank_where_nothing_but_blanks_stands(texts):
    blank = Cells.of(pa.array(texts, type=pa.string())).blank()
    assert blank.tolist() == [not text.strip() for text in texts]


LINES = st.lists(st.lists(st.text("ab ", max_size=3), min_size=1, max_size=4), max_size=9)


@settings(deadline=None)  # the first call compiles
@given(LINES, st.integers(min_value=1, max_value=3))
def test_lines_are_cut_where_python_would_split_them_or_not_at_all(lines, width):
    data = "".join(";".join(line) + "\n" for line in lines).encode()
    begins, ends = (np.zeros((width, len(lines)), dtype=np.int32) for _ in range(2))
    whole = cut_at(np.frombuffer(data, dtype=np.uint8), ord(";"), begins, ends)
    assert whole == all(len(line) == width for line in lines)
    if whole:
        cells = [
            [data[a:b].decode() for a, b in zip(*c, strict=True)]
            for c in zip(begins.T, ends.T, strict=True)
        ]
        assert cells == lines
