"""Responders in tenths over all due, and the paired change: worked examples."""

from __future__ import annotations

import pandas as pd
import pytest

from outcomes.cohorts.draws import one_draw_a_day
from outcomes.measures.hba1c_pairs import due_pairs, responses
from outcomes.plan import Hba1c
from outcomes.statistics.change import paired_change
from tests.worked_examples import answers, example


def pairs_example() -> pd.DataFrame:
    """Return ten due visits, made from the draws as the measure makes them."""
    given = example("w14_pairs")
    rows = []
    for month, name in ((0, "baseline"), (6, "visit")):
        rows.append(
            pd.DataFrame(
                {
                    "patient_id": given["patient"], "month": month, "due": True,
                    "value": given[name].astype(float), "unit": given[f"{name}_unit"],
                    "drawn_on": pd.Timestamp(2024, 1 + month, 1), "method": "laboratory",
                }
            )
        )  # fmt: skip
    visits = pd.concat(rows)
    drawn = one_draw_a_day(visits.dropna(subset=["value"]))
    scales = drawn.drop(columns=["value", "unit", "method"])
    draws = visits.merge(scales, on=["patient_id", "drawn_on"], how="left")
    return due_pairs(
        draws.assign(
            cohort="implanted", window_to=pd.Timestamp("2024-09-01"), unreliable=0,
            further=0, missing_because=None,
        )
    )  # fmt: skip


@pytest.mark.parametrize(("name", "code"), [("response", "fall"), ("target", "below_7")])
def test_responders_follow_the_worked_example(name: str, code: str) -> None:
    share, events, n, _ = responses(pairs_example(), rules=Hba1c())[name]
    expected = answers("W14")
    asked = {"fall": "fall_responders", "below_7": "below_7"}[code]
    assert f"{events} of {n}" == expected[asked]
    assert share.conf_low == pytest.approx(float(expected[f"{code}_low"]), rel=1e-9)
    assert share.conf_high == pytest.approx(float(expected[f"{code}_high"]), rel=1e-9)


def test_the_missing_are_counted_beside_the_share() -> None:
    found = responses(pairs_example(), rules=Hba1c())
    assert (found["response"][3], found["target"][3]) == (2, 1)


def test_the_paired_change_follows_the_worked_example() -> None:
    change = paired_change(pairs_example(), before="baseline_percent", after="percent")
    expected = {name: float(value) for name, value in answers("W15").items()}
    found = {"mean": change.mean, "sd": change.sd, "low": change.conf_low, "high": change.conf_high}
    assert found == pytest.approx(expected, rel=1e-9)


def test_nobody_due_has_no_share_and_says_so() -> None:
    share, events, n, missing = responses(pairs_example().head(0), rules=Hba1c())["response"]
    assert (events, n, missing, share.estimate) == (0, 0, 0, None)
    assert share.note
