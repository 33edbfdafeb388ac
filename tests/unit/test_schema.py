"""A table is checked at the door: types, categories, ranges, keys."""

import pandas as pd
import pytest

from outcomes.errors import TableError
from outcomes.schema import Column, Schema
from outcomes.tables.declared import DECLARED

VISITS = Schema(
    name="visits",
    grain="one row per patient",
    key=("patient_id",),
    columns=(
        Column(name="patient_id", kind="id", meaning="id"),
        Column(name="on", kind="date", required=False, meaning="day"),
        Column(name="kind", kind="category", categories=("a", "b"), meaning="kind"),
        Column(name="age", kind="integer", low=0, high=120, unit="years", meaning="age"),
    ),
)


def frame(**changes):
    given = {
        "patient_id": ["007", "7"],
        "on": pd.to_datetime(["2026-01-01", None]).astype("datetime64[ns]"),
        "kind": ["a", "b"],
        "age": pd.array([10, 20], dtype="Int64"),
    }
    return pd.DataFrame(given | changes)


def test_a_table_that_keeps_its_rules_passes():
    VISITS.check(frame())


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"patient_id": ["7", "7"]}, "patient_id: 2 of 2 rows not unique"),
        ({"patient_id": ["7", None]}, "1 of 2 rows without a value"),
        ({"patient_id": [7, 8]}, "int64 where object"),
        ({"kind": ["a", "c"]}, "not one of a, b"),
        ({"age": pd.array([10, 121], dtype="Int64")}, "outside 0 to 120 years"),
    ],
)
def test_a_broken_rule_names_column_count_and_first_row(changes, told):
    with pytest.raises(TableError, match=told) as caught:
        VISITS.check(frame(**changes))
    assert len(caught.value.failing_rows) in (1, 2)


def test_an_absent_column_is_named():
    with pytest.raises(TableError, match="no column kind"):
        VISITS.check(frame().drop(columns="kind"))


@pytest.mark.parametrize("schema", DECLARED.values(), ids=lambda s: s.name)
def test_every_declared_table_is_described_and_has_an_empty_form(schema):
    schema.check(schema.empty())
    assert all(len(column.meaning) > 3 for column in schema.columns)
    assert schema.grain.startswith("one row per")
