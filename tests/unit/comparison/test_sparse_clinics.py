"""A clinic that lacks a table, or has nobody to compare, gets words and no error."""

from __future__ import annotations

import pytest

import outcomes as oc
from outcomes.cohorts.build import build_cohorts
from tests.invented_clinic import PLAN, invented_study, invented_tables


def everything(cohorts):
    comparison = oc.compare(cohorts)
    trial = oc.emulated_trial(cohorts)
    return [
        comparison, comparison.balance, oc.doubts(comparison), oc.subgroups(comparison),
        oc.compare(cohorts, "time_in_range"), oc.compare(cohorts, "year"), oc.switchers(cohorts),
        trial, trial.flow, trial.baseline, trial.co_interventions,
    ]  # fmt: skip


@pytest.mark.parametrize(
    "absent",
    [
        ("contacts",),
        ("hba1c",),
        ("states",),
        ("procedures", "complications"),
        ("contacts", "hba1c"),
    ],
)
def test_a_clinic_without_some_tables_is_told_so(tmp_path, absent):
    tables = {k: v for k, v in invented_tables().items() if k not in absent}
    made = build_cohorts(invented_study(tmp_path, tables), PLAN, quarter="2025-Q2")
    for result in everything(made):
        assert result.finding.endswith(".")
        assert repr(result)
        assert result._repr_html_()


def test_a_clinic_of_one_kind_only_is_described(tmp_path):
    tables = invented_tables(implanted=0, adhesive=20)
    made = build_cohorts(invented_study(tmp_path, tables), PLAN, quarter="2025-Q2")
    for result in everything(made):
        assert all(
            entry.estimate is None or entry.contrast is None
            for entry in result.entries
            if entry.outcome == "comparison_hba1c"
        )
