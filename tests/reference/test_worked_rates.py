"""Worked examples of proportions and rates: tiny inputs, each answer reached by two methods.

`tests/data/worked_examples/answers.csv` holds the answers; codes W11, W14 and W27 to W31.
"""

import csv
from pathlib import Path

import pandas as pd
import pytest

from outcomes.statistics.clustered_rates import clustered_rate
from outcomes.statistics.intervals import Interval, proportion
from outcomes.statistics.rates import rate, zero_rate_bound

EXAMPLES = Path(__file__).parents[1] / "data" / "worked_examples"
YEAR = 365.25


def answers(code: str) -> dict[str, str]:
    with (EXAMPLES / "answers.csv").open(newline="") as lines:
        return {row[1]: row[2] for row in csv.reader(lines) if row[0] == code}


def exactly(code: str, name: str) -> object:
    return pytest.approx(float(answers(code)[name]), rel=1e-9, abs=1e-15)


def w11() -> pd.DataFrame:
    sensors = pd.read_csv(EXAMPLES / "w08_sensors.csv")
    days = sensors[["end_day", "planned_days"]].min(axis=1)
    sensors["years"] = days.where(days > 0, 0.5) / YEAR
    sensors["lost"] = sensors["end_reason"].isin(["sensor failure", "infection"]).astype(int)
    return sensors


def test_w11_losses_per_patient_year_have_garwood_limits() -> None:
    sensors = w11()
    shown = rate(sensors["lost"].sum(), sensors["years"].sum())
    assert shown.estimate == exactly("W11", "rate_per_year")
    assert shown.conf_low == exactly("W11", "low")
    assert shown.conf_high == exactly("W11", "high")


def test_w11_losses_have_a_twin_clustered_by_patient() -> None:
    shown = clustered_rate(w11(), events="lost", exposure="years", cluster="patient_id")
    assert shown.se_log == exactly("W11", "cluster_se_log")
    assert shown.conf_low == exactly("W11", "cluster_low")
    assert shown.conf_high == exactly("W11", "cluster_high")


def w28() -> pd.DataFrame:
    wear = pd.read_csv(EXAMPLES / "w28_wear.csv", dtype={"event_days": str})
    wear["harms"] = wear["event_days"].fillna("").str.split().str.len()
    wear["years"] = wear["in_body_days"] / YEAR
    return wear


def test_w28_first_events_have_garwood_limits() -> None:
    shown = rate(3, 775.5 / YEAR, per=100)
    assert shown.estimate == exactly("W28", "first_per_100_years")
    assert shown.conf_low == exactly("W28", "first_low")
    assert shown.conf_high == exactly("W28", "first_high")


def test_w28_all_events_have_cluster_robust_limits() -> None:
    shown = clustered_rate(w28(), events="harms", exposure="years", cluster="patient_id", per=100)
    assert (shown.events, shown.n_clusters) == (4, 6)
    assert shown.estimate == exactly("W28", "all_per_100_years")
    assert shown.se_log == exactly("W28", "all_se_log")
    assert shown.conf_low == exactly("W28", "all_low")
    assert shown.conf_high == exactly("W28", "all_high")


def test_w29_no_event_has_a_two_sided_exact_interval_and_a_labelled_bound() -> None:
    table, sentence = rate(0, 1105.5 / YEAR, per=100), zero_rate_bound(1105.5 / YEAR, per=100)
    assert (table.estimate, table.conf_low) == (0, 0)
    assert table.conf_high == exactly("W29", "high_two_sided_per_100_years")
    assert sentence.conf_high == exactly("W29", "bound_one_sided_per_100_years")
    assert "one-sided" in sentence.method


def test_w29_no_event_has_no_cluster_robust_interval() -> None:
    quiet = w28().assign(harms=0)
    shown = clustered_rate(quiet, events="harms", exposure="years", cluster="patient_id")
    assert (shown.estimate, shown.conf_low, shown.conf_high, shown.se_log) == (0, None, None, None)
    assert "not estimable by this method" in shown.note


PROPORTIONS = [
    ("W14", "fall_responders", "fall", "wilson"),
    ("W14", "below_7", "below_7", "wilson"),
    ("W27", "placement_attempted", "placement_attempted", "exact"),
    ("W27", "placement_completed", "placement_completed", "exact"),
    ("W27", "removal_attempted", "removal_attempted", "exact"),
    ("W27", "removal_completed", "removal_completed", "exact"),
    ("W30", "within_30", "within_30", "wilson"),
    ("W30", "within_90", "within_90", "wilson"),
    ("W31", "within", "within", "exact"),
]


@pytest.mark.parametrize(("code", "counts", "limits", "method"), PROPORTIONS)
def test_proportion_of_the_worked_example(code: str, counts: str, limits: str, method: str) -> None:
    events, n = (int(word) for word in answers(code)[counts].split(" of "))
    shown: Interval = proportion(events, n, method=method)
    assert shown.estimate == events / n
    assert shown.conf_low == exactly(code, f"{limits}_low")
    assert shown.conf_high == exactly(code, f"{limits}_high")
