"""Gray's test against cmprsk's cuminc; the calls are in the rows."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from outcomes.errors import EstimationError
from outcomes.statistics.gray import gray_permutation_test, gray_test
from tests.reference.survival_rows import data, expect, ids_of, lives_of

WORDS: dict[object, str] = {0: "censored", 1: "1", 2: "2"}
MGUS = lives_of(data("mgus2"), "etime", "event", words=WORDS)
MELANOMA = lives_of(data("mel"), "time", "cause", words=WORDS).assign(
    thick=pd.cut(data("mel")["thickness"], [0, 1, 3, 99]).astype(str)
)


def statistic(lives: pd.DataFrame, group: str, state: str, **options: object) -> float:
    return float(gray_test(lives, group=group, state=state, **options).statistic or np.nan)


CHECKS: dict[str, Callable[[], float]] = {
    "GRAY-01": lambda: statistic(MGUS, "sex", "1"),
    "GRAY-03": lambda: statistic(MGUS, "sex", "2", rho=1),
    "GRAY-04": lambda: statistic(MELANOMA, "ulcer", "1"),
    "GRAY-05": lambda: statistic(MELANOMA, "ulcer", "2"),
    "GRAY-06": lambda: statistic(MELANOMA, "ulcer", "1", strata="sex"),
    "GRAY-07": lambda: statistic(MELANOMA, "thick", "1"),
}


@pytest.mark.parametrize("check_id", CHECKS)
def test_gray_agrees_with_the_reference(check_id: str) -> None:
    expect(check_id, CHECKS[check_id]())


def test_every_reference_row_of_the_topic_is_checked() -> None:
    assert set(ids_of("gray_test")) == set(CHECKS)


def test_groups_in_another_order_give_the_same_statistic() -> None:
    other = MELANOMA.assign(ulcer=1 - MELANOMA["ulcer"])
    assert statistic(other, "ulcer", "1") == pytest.approx(statistic(MELANOMA, "ulcer", "1"))


def test_permutations_of_independent_rows_agree_with_the_large_sample_value() -> None:
    lives = MELANOMA.assign(patient=np.arange(len(MELANOMA)), site=np.arange(len(MELANOMA)) % 2)
    plain = gray_test(lives, group="site", state="1")
    dealt = gray_permutation_test(
        lives, group="site", state="1", cluster="patient", rng=np.random.default_rng(5), draws=499
    )
    assert dealt.statistic == plain.statistic
    assert dealt.p_value == pytest.approx(plain.p_value, abs=0.07)


def test_patients_in_two_groups_cannot_be_dealt_anew() -> None:
    lives = MELANOMA.assign(patient="P1")
    with pytest.raises(EstimationError, match="patient P1 has rows in more than one ulcer"):
        gray_permutation_test(
            lives, group="ulcer", state="1", cluster="patient", rng=np.random.default_rng(1)
        )


def test_late_entry_is_refused() -> None:
    late = MELANOMA[MELANOMA["exit"] > 400].assign(entry=lambda d: np.where(d.index < 60, 400, -1))
    late = pd.concat([MELANOMA[MELANOMA["exit"] <= 400], late])
    with pytest.raises(EstimationError, match="no version with late entry"):
        gray_test(late, group="ulcer", state="1")


def test_a_state_without_events_is_said_so() -> None:
    test = gray_test(MELANOMA, group="ulcer", state="infection")
    assert test.note == "not testable: no events 'infection'"
