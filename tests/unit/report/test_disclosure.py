"""What leaves the clinic gives no small count away, alone or together with the page before."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, milp

from outcomes.errors import ReportError, UsageError
from outcomes.report.disclosure import (
    LEAVING,
    PARTS,
    Audience,
    audience,
    counts_within,
    key_of,
    small,
)
from outcomes.results import Record, Result
from tests.unit.report.test_page_rules import page_of, result_cell

SURVIVAL = PARTS["sensor_survival"]


def record(**changes):
    given = {
        "outcome": "complications", "quantity": "harm of wear, first events",
        "unit": "per 100 patient-years", "population": "cumulative", "cohort": "implanted",
        "by": {"counted": "all reported"}, "estimate": 12.345, "conf_low": 8.0, "conf_high": 17.0,
        "n_patients": 431, "n_units": 431, "events": 40, "exposure": 324.0,
    }  # fmt: skip
    return Record(**(given | changes))


def result(*entries, **changes):
    given = {
        "name": "harm", "title": "What goes wrong?", "table": pd.DataFrame({"x": ["P0107"]}),
        "entries": entries, "finding": "7 events.", "caption": "c",
    }  # fmt: skip
    return Result(**(given | changes))


def sensors(counts, units, cohort="implanted"):
    """Return the records of a whole whose parts are `counts`."""
    return [
        record(
            outcome="sensor_survival", quantity=part, unit="of 100 sensors placed", cohort=cohort,
            by={}, at="eve", estimate=100 * count / units, n_patients=units, n_units=units,
            events=count, exposure=None,
        )
        for part, count in zip(SURVIVAL, counts, strict=True)
    ]  # fmt: skip


def possible(target, published, wholes):
    """Return how many values a hidden count can take, given all that is published.

    Integer programming over every count: the least and the greatest value of `target`.
    """
    names = sorted(
        {key for key in published}
        | {key for parts, _ in wholes for key in parts}
        | {whole for _, whole in wholes}
    )
    index = {name: i for i, name in enumerate(names)}
    low, high = np.zeros(len(names)), np.full(len(names), 10_000.0)
    for name, value in published.items():
        if value is not None:
            low[index[name]] = high[index[name]] = value
    rows = []
    for parts, whole in wholes:  # the parts of a whole do not exceed it
        row = np.zeros(len(names))
        row[[index[part] for part in parts]] = 1
        row[index[whole]] = -1
        rows.append(row)
    bounds = (low, high)
    ends = []
    for sign in (1, -1):
        cost = np.zeros(len(names))
        cost[index[target]] = sign
        solved = milp(
            cost, integrality=np.ones(len(names)), bounds=Bounds(*bounds),
            constraints=LinearConstraint(np.array(rows), -np.inf, 0),
        )  # fmt: skip
        assert solved.success
        ends.append(sign * solved.fun)
    return round(ends[1] - ends[0]) + 1


def test_the_clinic_sees_the_result_itself():
    one = result(record(events=7))
    assert audience("clinic")(one) is one


@pytest.mark.parametrize("name", ["committee", "external"])
def test_what_shows_single_people_stays_in_the_clinic(name):
    shown = audience(name)(result(record(), private=True))
    assert "P0107" not in shown._repr_html_()
    assert shown.entries == ()
    assert "stays in the clinic" in shown.finding


def test_the_committee_sees_small_counts_of_harm():
    shown = audience("committee")(result(record(events=3)))
    assert shown.entries[0].events == 3
    assert shown.audience == "committee"


@pytest.mark.parametrize(
    "changes",
    [{"events": 1}, {"events": 10}, {"n_patients": 10}, {"events": 425}, {"n_units": 435}],
)
def test_a_small_count_takes_every_field_with_it(changes):
    shown = audience("external")(result(record(**changes)))
    (entry,) = shown.entries
    fields = (entry.estimate, entry.conf_low, entry.conf_high, entry.n_patients, entry.n_units)
    assert (*fields, entry.events, entry.exposure) == (None,) * 7
    page = shown._repr_html_() + json.dumps(shown._repr_mimebundle_())
    assert "12.3" not in page
    assert "fewer than 11" in page


@pytest.mark.parametrize("events", [0, 11, 420])
def test_nought_and_large_counts_may_be_shown(events):
    shown = audience("external")(result(record(events=events)))
    assert shown.entries[0].events == events


def test_figures_leave_at_the_precision_of_the_page_and_without_a_picture():
    shown = audience("external")(result(record(), drawing=lambda ax: None))
    assert (shown.entries[0].estimate, shown.drawing, shown.entries[0].exposure) == (12, None, None)


def test_only_the_headline_figures_leave():
    finer = record(by={"counted": "all reported", "category": "infection"})
    quarter = record(population="quarter")
    other = record(quantity="harm of wear, all events")
    shown = audience("external")(result(finer, quarter, other))
    assert shown.entries == ()
    assert "not part of what leaves" in shown.finding


def test_a_count_that_follows_from_the_page_before_is_hidden(tmp_path):
    before = record().as_dict()
    made = {"made": {"audience": "external"}, "results": [before]}
    (tmp_path / "results.json").write_text(json.dumps(made))
    shown = audience("external", previous=tmp_path)(result(record(events=45)))
    assert shown.entries[0].estimate is None
    grown = audience("external", previous=tmp_path)(result(record(events=60)))
    assert grown.entries[0].events == 60


def test_an_earlier_page_for_another_audience_is_refused(tmp_path):
    (tmp_path / "results.json").write_text('{"made": {"audience": "clinic"}, "results": []}')
    with pytest.raises(UsageError, match="earlier external page"):
        audience("external", previous=tmp_path)


def test_an_unknown_audience_names_the_known_ones():
    with pytest.raises(UsageError, match="committee"):
        audience("comittee")


@settings(max_examples=60, deadline=None)
@given(
    counts=st.lists(st.integers(0, 60), min_size=5, max_size=5),
    rest=st.integers(0, 60),
)
def test_every_hidden_part_of_a_whole_has_at_least_five_possible_values(counts, rest):
    units = sum(counts) + rest
    if units == 0:
        return
    entries = sensors(counts, units)
    shown = Audience("external")(result(*entries))
    published = {entry.quantity: entry.events for entry in shown.entries}
    for part in SURVIVAL:
        published.setdefault(part, None)
    known_units = {entry.n_units for entry in shown.entries} - {None}
    published["whole"] = known_units.pop() if known_units else None
    wholes = [(list(SURVIVAL), "whole")]
    for part, count in zip(SURVIVAL, counts, strict=True):
        if published[part] is None and small(count):
            assert possible(part, published, wholes) >= 5


@settings(max_examples=60, deadline=None)
@given(
    before=st.tuples(st.integers(0, 80), st.integers(0, 80)),
    added=st.tuples(st.integers(0, 30), st.integers(0, 30)),
)
def test_two_pages_together_leave_five_values_for_what_was_added(before, added):
    patients, events = max(before), min(before)
    first = record(n_patients=patients, n_units=patients, events=events)
    now = (patients + max(added), events + min(added))
    second = replace(first, n_patients=now[0], n_units=now[0], events=now[1])
    (old,) = Audience("external")(result(first)).entries
    seen = {} if old.estimate is None else {
        key_of(old): (old.n_patients, old.n_units, old.events)
    }  # fmt: skip
    (new,) = Audience("external", seen)(result(second)).entries
    if old.estimate is not None and new.estimate is not None:
        differences = (new.n_patients - old.n_patients, new.events - old.events)
        assert not any(map(small, differences))
    if new.estimate is not None:
        assert not any(map(small, counts_within(new)))


def test_every_leaving_figure_is_one_that_the_report_gives(quarter_folder):
    stored = json.loads((quarter_folder / "results.json").read_text("utf-8"))["results"]
    given = {(r["outcome"], r["quantity"], r["unit"]) for r in stored}
    assert set(LEAVING) <= given
    assert {q for q in SURVIVAL} <= {r["quantity"] for r in stored}


def test_a_page_refuses_a_result_for_another_audience():
    with pytest.raises(ReportError, match="meant for the committee"):
        page_of(result_cell(audience("committee")(result(record()))))
