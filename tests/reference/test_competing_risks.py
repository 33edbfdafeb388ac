"""Cumulative incidence against R (survival, etm, cmprsk); the calls are in the rows."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from statsmodels.duration.survfunc import CumIncidenceRight

from outcomes.statistics.competing_risks import cumulative_incidence, difference
from outcomes.statistics.restricted_means import mean_time_lost
from outcomes.statistics.survival import kaplan_meier
from tests.reference.survival_rows import data, expect, ids_of, lives_of

WORDS: dict[object, str] = {0: "censored", 1: "1", 2: "2", 3: "3"}
MGUS = lives_of(data("mgus2"), "etime", "event", words=WORDS)
MELANOMA = lives_of(data("mel"), "time", "cause", words=WORDS)
ABORTION = lives_of(data("abortion"), "exit", "cause", entry="entry", words=WORDS)
PLANNED = lives_of(data("plan150"), "time", "cause", words=WORDS)
AT_ZERO = lives_of(data("edge0"), "time", "cause", words=WORDS)


def share(lives: pd.DataFrame, state: str, time: float, **options: object) -> pd.Series:
    return cumulative_incidence(lives, times=[time], **options).at(state, time)


def mgus(**options: object) -> pd.Series:
    return share(MGUS, "1", 120, **options)


def melanoma(state: str = "1", **options: object) -> pd.Series:
    return share(MELANOMA, state, 1825, **options)


def clusters_of_three() -> float:
    threes = MGUS.assign(three=np.arange(len(MGUS)) // 3)
    return share(threes, "1", 120, cluster="three")["std_error"]


def weighted() -> float:
    lives = MELANOMA.assign(w=1 + 0.5 * MELANOMA["ulcer"])
    return share(lives, "1", 1825, weight="w")["estimate"]


def ulcer_z() -> float:
    with_, without = (
        share(MELANOMA[MELANOMA["ulcer"] == ulcer], "1", 1825, variance="gray") for ulcer in (1, 0)
    )
    apart = np.hypot(with_["std_error"], without["std_error"])
    return float((with_["estimate"] - without["estimate"]) / apart)


def one_minus_survival() -> float:
    censoring_the_rest = MELANOMA.assign(state=MELANOMA["state"].replace("2", "censored"))
    return 1 - kaplan_meier(censoring_the_rest, times=[1825]).table.loc[0, "estimate"]


def pregnancy(state: str, week: float, **options: object) -> pd.Series:
    return share(ABORTION, state, week, **options)


CHECKS: dict[str, Callable[[], float]] = {
    "CIFA-01": lambda: mgus()["estimate"],
    "CIFA-02": lambda: share(MGUS, "2", 120)["estimate"],
    "CIFA-03": lambda: mgus()["std_error"],
    "CIFA-04": lambda: mgus(transform="log")["conf_low"],
    "CIFA-05": lambda: mgus(transform="log")["conf_high"],
    "CIFA-06": lambda: mgus()["conf_low"],
    "CIFA-07": lambda: mgus()["conf_high"],
    "CIFA-08": lambda: mgus(variance="gray")["std_error"],
    "CIFA-09": lambda: mgus(variance="greenwood")["std_error"],
    "CIFA-10": lambda: mgus(variance="gray", transform="complementary log-log")["conf_low"],
    "CIFA-12": lambda: melanoma(variance="gray")["std_error"] ** 2,
    "CIFA-13": lambda: melanoma()["std_error"],
    "CIFA-14": lambda: melanoma("2")["estimate"],
    "CIFA-15": one_minus_survival,
    "CIFA-16": lambda: mean_time_lost(MGUS, state="1", horizon=120).estimate,
    "CIFA-17": clusters_of_three,
    "CIFA-19": ulcer_z,
    "CIFA-21": lambda: share(AT_ZERO, "1", 1)["estimate"],
    "CIFA-22": lambda: share(PLANNED, "1", 14)["estimate"],
    "CIFA-24": lambda: share(PLANNED, "1", 14)["std_error"],
    "CIFA-26": weighted,
    "CIFA-28": lambda: mean_time_lost(MGUS, state="1", horizon=120).std_error,
    "CILT-01": lambda: pregnancy("1", 12)["estimate"],
    "CILT-02": lambda: pregnancy("3", 20)["estimate"],
    "CILT-03": lambda: pregnancy("3", 20, variance="greenwood")["std_error"],
    "CILT-05": lambda: pregnancy("3", 20, cluster="id")["estimate"],
    "CILT-06": lambda: pregnancy("3", 20, cluster="id")["std_error"],
}


@pytest.mark.parametrize("check_id", CHECKS)
def test_incidence_agrees_with_the_reference(check_id: str) -> None:
    expect(check_id, CHECKS[check_id]())


def test_every_reference_row_of_these_topics_is_checked() -> None:
    assert set(ids_of("cif_aj", "cif_left_truncation")) == set(CHECKS)


@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # the library divides by 0 at the last time
def test_estimate_and_error_agree_with_the_library_where_it_is_right() -> None:
    library = CumIncidenceRight(
        data("mgus2")["etime"].to_numpy(), data("mgus2")["event"].to_numpy()
    )
    last = np.searchsorted(library.times, 120, "right") - 1
    ours = mgus()
    assert ours["estimate"] == pytest.approx(library.cinc[0][last], rel=1e-12)
    assert ours["std_error"] == pytest.approx(library.cinc_se[0][last], rel=1e-9)


def test_one_minus_kaplan_meier_overstates_a_competing_risk() -> None:
    assert one_minus_survival() > melanoma()["estimate"] + 0.004


def test_the_difference_of_independent_groups_adds_their_variances() -> None:
    groups = [cumulative_incidence(MELANOMA[MELANOMA["ulcer"] == u], times=[1825]) for u in (1, 0)]
    row = difference(*groups, states=["1"]).iloc[0]
    errors = [group.at("1", 1825)["std_error"] for group in groups]
    assert row["std_error"] == pytest.approx(np.hypot(*errors), rel=1e-12)


def slow_influence(lives: pd.DataFrame, state: str, time: float) -> np.ndarray:
    """Leave a row's weight at 1 + h and 1 - h, one row at a time: the definition, no formula."""
    step, found = 1e-6, []
    for row in range(len(lives)):
        up, down = (
            share(
                lives.assign(w=np.where(np.arange(len(lives)) == row, 1 + h, 1.0)),
                state,
                time,
                weight="w",
            )["estimate"]
            for h in (step, -step)
        )
        found.append((up - down) / (2 * step))
    return np.array(found)


@pytest.mark.parametrize("state", ["1", "2", "event free"])
def test_the_influence_is_the_derivative_by_the_weight_of_a_row(state: str) -> None:
    rows = ABORTION.iloc[::40].reset_index(drop=True)
    ours = cumulative_incidence(rows, times=[30]).influence(state, 30).to_numpy()
    assert ours == pytest.approx(slow_influence(rows, state, 30), abs=1e-8)
