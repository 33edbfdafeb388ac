"""Inserters' cases and charts, and who may see them."""

import numpy as np
import pandas as pd
import pytest

from outcomes.plan import Watch
from outcomes.statistics.sequential_charts import learning_curve
from outcomes.watch.inserters import inserter_curves, roles_to_hide

RULES = Watch(sequential_from=4)


def cases(failures: list[int], *, who: str = "I1", role: str = "physician") -> pd.DataFrame:
    on = pd.date_range("2025-01-01", periods=len(failures), freq="7D")
    return pd.DataFrame(
        {
            "inserter_id": who, "procedure_id": [f"{who}-{i}" for i in range(len(failures))],
            "role": role, "on": on, "known_on": on + pd.Timedelta(days=30), "known": True,
            "what": "placement", "site": "A", "supervised": np.arange(len(failures)) < 2,
            "failure": failures, "because": "",
        }
    )  # fmt: skip


def test_observed_less_expected_starts_with_the_first_case() -> None:
    (curve,) = inserter_curves(cases([1, 0, 0, 0, 1]), RULES)
    assert curve.cases["observed_minus_expected"].tolist() == pytest.approx(
        [0.95, 0.90, 0.85, 0.80, 1.75]
    )


def test_the_sequential_chart_starts_with_the_plans_case() -> None:
    (curve,) = inserter_curves(cases([1, 1, 1, 0, 1]), RULES)
    alone = learning_curve([0, 1], p0=0.05, p1=0.15, alpha=0.05, beta=0.10)
    assert curve.cases["statistic"].isna().tolist() == [True, True, True, False, False]
    assert curve.cases["statistic"].iloc[3:].tolist() == alone.table["statistic"].tolist()
    assert curve.decision == "undecided"


def test_failures_while_learning_do_not_condemn_but_later_ones_do() -> None:
    (learning,) = inserter_curves(cases([1, 1, 1, 0, 0, 0]), RULES)
    (later,) = inserter_curves(cases([0, 0, 0, 1, 1, 1]), RULES)
    assert learning.decision == "undecided"
    assert (later.decision, later.decided_on) == ("unacceptable", pd.Timestamp("2025-03-07"))


def test_cases_not_yet_known_are_left_out_and_counted() -> None:
    frame = cases([0] * 5).assign(known=[True] * 3 + [False] * 2)
    (curve,) = inserter_curves(frame, RULES)
    assert (len(curve.cases), curve.open_cases) == (3, 2)


def test_inserters_come_by_id_whatever_their_results() -> None:
    frame = pd.concat([cases([0] * 6, who="I9"), cases([1] * 6, who="I2")])
    assert [curve.inserter_id for curve in inserter_curves(frame, RULES)] == ["I2", "I9"]


def test_a_role_with_fewer_than_five_is_hidden() -> None:
    frame = pd.concat(
        [cases([0] * 3, who=f"N{i}", role="nurse practitioner") for i in range(5)]
        + [cases([0] * 3, who=f"P{i}") for i in range(4)]
    )
    assert roles_to_hide(inserter_curves(frame, RULES), 5) == ("physician",)


def test_nobody_makes_no_curve() -> None:
    assert inserter_curves(cases([]), RULES) == ()
