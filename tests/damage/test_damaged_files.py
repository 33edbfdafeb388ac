"""A few files of every kind of damage, and what the whole table says, which one command remakes."""

import re

import pytest

from tests.damage.__main__ import TABLE
from tests.damage.kinds import KINDS
from tests.damage.trial import trial

FILES = 2  # of every kind; `python -m tests.damage` takes hundreds


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_a_damaged_file_is_refused_in_words_or_every_row_has_its_place(kind):
    outcomes = [trial(kind, number) for number in range(100, 100 + FILES)]
    assert [o.crash or o.lost for o in outcomes] == [""] * FILES


@pytest.mark.parametrize("kind", [k for k in KINDS if k.told], ids=lambda kind: kind.name)
def test_no_altered_value_is_kept_of_damage_that_can_be_told(kind):
    assert trial(kind, 200).altered_kept == 0


def test_the_committed_table_covers_every_kind_and_nothing_crashed():
    lines = TABLE.read_text("utf-8").splitlines()
    assert {line[:45].strip() for line in lines} >= {kind.name for kind in KINDS}
    counts = [int(n) for n in re.findall(r"\d+", lines[-1][45:])]
    files, _, crashed, lost = counts[:4]
    assert (files >= 500, crashed, lost) == (True, 0, 0)
    of_told = next(line for line in lines if line.startswith("all that can be told"))
    assert of_told.split()[-1] == "0"
