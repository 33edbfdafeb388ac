"""Shares of responders and their differences against Newcombe's printed examples and R.

Newcombe RG. Stat Med 1998;17:873-890, table II, method 10; R `prop.test(correct = FALSE)`. The
worked example counts responders over all who were due, missing ones among them.
"""

import functools
from pathlib import Path

import pandas as pd
import pytest

from outcomes.statistics.intervals import proportion, proportion_difference
from tests.reference.comparison_rows import expect, ids_of

EXAMPLES = Path(__file__).parents[1] / "data" / "worked_examples"
NOT_OFFERED = {
    "MN-lo": "The Miettinen-Nurminen interval is not offered: Newcombe's is the plan's default."
}
PAIRS = {"56-70": (48, 80), "9-10": (3, 10), "5-56": (0, 29), "10-10": (0, 10), "6-7": (2, 7)}


@functools.cache
def values() -> dict[str, float]:
    single = proportion(56, 70)
    out = {"WILSON-lo": single.conf_low, "WILSON-hi": single.conf_high}
    for name, other in PAIRS.items():
        events, n = map(int, name.split("-"))
        gap = proportion_difference(events, n, *other)
        out |= {f"RD-{name}-lo": gap.conf_low, f"RD-{name}-hi": gap.conf_high}
    return out


@pytest.mark.parametrize("check_id", ids_of("responder_difference", but=NOT_OFFERED))
def test_responder_intervals_agree_with_the_reference(check_id):
    expect(check_id, values()[check_id])


@pytest.mark.parametrize(("name", "responders", "due"), [("fall", 3, 10), ("below_7", 2, 8)])
def test_responders_over_all_due_have_the_worked_intervals(name, responders, due):
    answers = pd.read_csv(EXAMPLES / "answers.csv")
    want = answers[answers.iloc[:, 0] == "W14"].set_index(answers.columns[1]).iloc[:, 1]
    got = proportion(responders, due)
    assert got.conf_low == pytest.approx(float(want[f"{name}_low"]), rel=1e-9)
    assert got.conf_high == pytest.approx(float(want[f"{name}_high"]), rel=1e-9)
