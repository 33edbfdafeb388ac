"""Completers' paired change, worked by hand: differences of means unrounded, no intercept.

Inputs `w14_pairs.csv`: 1 mmol/mol of difference is 0.09148 percentage points (NGSP master equation,
whose intercept belongs to a level, not to a difference).
"""

from pathlib import Path

import pandas as pd
import pytest

from outcomes.statistics.change import paired_change

EXAMPLES = Path(__file__).parents[1] / "data" / "worked_examples"


def test_paired_change_of_the_eight_completers():
    points = [-0.5, -0.4, -0.4574, -0.4574, -0.09148, -0.1, -0.39956, -0.70896]
    change = paired_change(
        pd.DataFrame({"before": 0.0, "after": [*points, None]}), before="before", after="after"
    )
    answers = pd.read_csv(EXAMPLES / "answers.csv")
    want = answers[answers.iloc[:, 0] == "W15"].set_index(answers.columns[1]).iloc[:, 1]
    got = {"mean": change.mean, "sd": change.sd, "low": change.conf_low, "high": change.conf_high}
    for name, value in got.items():
        assert value == pytest.approx(float(want[name]), rel=1e-9)
    assert (change.n, change.n_given, change.df) == (8, 9, 7)
