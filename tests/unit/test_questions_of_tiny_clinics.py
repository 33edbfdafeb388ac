"""The further questions where there is little or nobody: words, and no number without a reason."""

import json
from pathlib import Path

import pandas as pd
import pytest

import outcomes as oc
from outcomes.cohorts.build import CohortSet, build_cohorts
from tests.invented_clinic import PLAN, invented_study, invented_tables

QUESTIONS = (
    "hba1c_visits", "hba1c_sensitivity", "hba1c_by_baseline", "trajectories", "targets",
    "other_treatments", "who", "patient_lines",
)  # fmt: skip


@pytest.fixture(scope="module", params=[(3, 3), (12, 0), (0, 0)])
def cohorts(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> CohortSet:
    """So many new patients of each kind, without readings; none: two who began before the plan."""
    implanted, adhesive = request.param
    tables = invented_tables(implanted=max(implanted, 1), adhesive=adhesive)
    if not implanted:
        sensors = tables["sensors"]
        for column, day in (("placed_on", "2023-02-01"), ("removed_on", "2023-03-01")):
            days = pd.Series(pd.Timestamp(day), index=sensors.index)
            sensors[column] = days.astype("datetime64[ns]")
        tables |= {name: tables[name].head(0) for name in ("procedures", "complications")}
    folder: Path = tmp_path_factory.mktemp("tiny")
    return build_cohorts(invented_study(folder, tables), PLAN)


@pytest.mark.parametrize("name", QUESTIONS)
def test_every_question_is_answered_in_words(cohorts: CohortSet, name: str) -> None:
    result = getattr(oc, name)(cohorts)
    assert result.finding.endswith(".")
    assert ("<table>" in result._repr_html_()) == (not result.shown().empty)
    json.dumps(result.records(), allow_nan=False)
    for record in result.records():
        assert record["estimate"] is not None or record["note"]


def test_precision_of_nothing_says_so(cohorts: CohortSet) -> None:
    result = oc.precision(cohorts, oc.hba1c_change(cohorts))
    if result.table.empty:
        assert result.finding.startswith("No primary figure has an interval")
    else:
        assert result.table["half_width"].gt(0).all()
