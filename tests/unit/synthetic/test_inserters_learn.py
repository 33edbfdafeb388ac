"""Inserters learn by their own cases: the chance that a first attempt fails falls with them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from synthetic import Clinic, clinic
from synthetic.horizons import attempts
from synthetic.procedures import CASES, FAILING
from synthetic.scenario import INSERTERS


@pytest.fixture(scope="module")
def large() -> Clinic:
    return clinic(400, 21)


@pytest.fixture(scope="module")
def first(large: Clinic) -> pd.DataFrame:
    return attempts(large)


def test_cases_before_are_the_attempts_counted_in_order_of_day(
    large: Clinic, first: pd.DataFrame
) -> None:
    rows = large.procedures.sort_values(["on", "procedure_id"])
    counted = rows.groupby(["inserter_id", "what"]).cumcount()
    earlier = rows["inserter_id"].map({each.inserter_id: each.before_records for each in INSERTERS})
    recount = pd.Series((counted + earlier).to_numpy(), index=rows["procedure_id"])
    told = first.set_index("procedure_id")["cases_before"]
    assert told.to_dict() == recount[told.index].to_dict()


def test_the_chance_falls_with_the_inserters_own_cases_alone(first: pd.DataFrame) -> None:
    base, gain = (first["what"].map(lambda what, n=n: FAILING[what][n]) for n in (0, 1))
    told = base + gain * np.exp(-first["cases_before"] / CASES)
    assert first["chance_of_failing"].to_numpy() == pytest.approx(told.to_numpy())
    for _, rows in first.sort_values("cases_before").groupby(["inserter_id", "what"]):
        assert rows["chance_of_failing"].is_monotonic_decreasing
    assert first.groupby("inserter_id")["chance_of_failing"].agg(np.ptp).max() > 0.05


def test_attempts_fail_as_often_as_their_chances_say_early_and_late(first: pd.DataFrame) -> None:
    shares = []
    for _, rows in first.groupby(pd.cut(first["cases_before"], [-1, 7, 24, 1000]), observed=True):
        chance = rows["chance_of_failing"]
        error = np.sqrt((chance * (1 - chance)).sum())
        assert abs((~rows["completed"]).sum() - chance.sum()) < 4 * error
        shares.append((~rows["completed"]).mean())
    assert len(shares) == 3
    assert shares[0] > 2 * shares[2]


def test_the_share_of_failures_is_the_stated_one_in_clinics_of_both_sizes() -> None:
    many = [attempts(clinic(60, seed))["chance_of_failing"] for seed in range(10)]
    assert pd.concat(many).mean() == pytest.approx(0.05, abs=0.008)
    assert attempts(clinic(500, 2))["chance_of_failing"].mean() == pytest.approx(0.027, abs=0.003)


def test_a_failed_attempt_is_followed_by_a_completed_one_of_the_centres_first(
    large: Clinic,
) -> None:
    rows = large.procedures.reset_index(drop=True)
    failed = rows[~rows["completed"]]
    again = rows[rows["attempt"] == 2]
    assert len(failed) == len(again) > 10
    for what in ("placement", "removal"):
        before, after = (part[part["what"] == what] for part in (failed, again))
        both = before.merge(after, on="patient_id", suffixes=("", "_again"))
        days = (both["on_again"] - both["on"]).dt.days
        assert days.between(0, 14).groupby(both["procedure_id"]).any().all()


def test_beginners_have_no_cases_before_the_records(first: pd.DataFrame) -> None:
    began = first["began_on"] >= pd.Timestamp("2024-07-01")
    assert (first.loc[began, "cases_before_records"] == 0).all()
    assert (first.loc[~began, "cases_before_records"] > 0).all()
    assert (first["on"] >= first["began_on"]).all()
