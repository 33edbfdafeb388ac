"""A few intakes ended by force, and what the whole table says, which one command remakes."""

import sys

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="ends processes as Unix does")
kills = pytest.importorskip("tests.damage.kills") if sys.platform != "win32" else None


def test_after_every_forced_end_the_old_version_opens_and_leftovers_are_swept():
    found = kills.endings(6)
    assert [(e.how, e.whole, e.swept) for e in found if not (e.whole and e.swept)] == []
    assert {e.status for e in found if e.how == "no space"} <= {"exit 0", "exit 4"}


def test_of_two_intakes_at_once_one_is_refused_or_waits_its_turn():
    assert kills.two_at_once(1)[2] == 0


def test_a_study_read_while_it_is_replaced_is_the_old_one_or_the_new_one():
    read, failed = kills.reports_during(2)
    assert read > 0
    assert failed == 0


def test_the_committed_table_has_fifty_kills_and_all_of_them_are_whole():
    rows = [line.split() for line in kills.TABLE.read_text("utf-8").splitlines()[1:5]]
    counts = [[int(n) for n in row[-5:]] for row in rows]
    assert sum(c[0] for c in counts[:2]) >= 50  # by a kill; then full disks and errors
    assert all(c[0] == c[1] + c[2] == c[3] == c[4] for c in counts)
