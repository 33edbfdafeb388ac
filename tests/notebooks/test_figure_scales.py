"""Every figure states its n, and keeps its scales between cohorts and between quarters."""

import re
from functools import cache

import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.dates import DateFormatter
from matplotlib.figure import Figure
from matplotlib.text import Text

from outcomes.figures.forest import draw_forest
from outcomes.figures.scales import HBA1C_POINTS, WIDER, Scale, about, fix_scale
from outcomes.measures.course_figures import draw_lines
from tests.notebooks.odd_clinics import results_of

pytestmark = pytest.mark.slow
# A count of what the figure is about, in what is drawn or written under it.
STATED = re.compile(
    r"\bn = \d|\bn (implanted|adhesive)\b|At risk|\d+ of \d+|\(row from \d+\)|\d+ / \d+"
    r"|\d (events?|pairs?|gaps?|patients?|sensors?|procedures?|entry|entries)\b|patients \(n\)"
)
# What no figure is drawn by: bootstraps of comparisons that the demo's clinic is too small for.
WITHOUT = (
    r"(oc\.only\()?to\((comparison|trial|oc\.(compare|doubts|subgroups|switchers|changes|action))"
)
# Scales that follow the data, and why.
FOLLOWS = {
    "hba1c_visits": "patients due at a visit: a growing clinic has more of them every quarter",
    "projection": "sensors expected to come out: they are counts of the clinic's own size",
    "chart_losses_implanted": "the months since the plan's start: three more every quarter",
    "chart_wear_harm_implanted": "the months since the plan's start: three more every quarter",
}


def panels(ax: Axes) -> list[Axes]:
    """Return the Axes of a figure, those inside others too."""
    found = list(ax.get_figure(root=True).axes)
    for one in found:
        found += [child for child in one.child_axes if child.get_figure() is not None]
    return [one for one in found if type(one) is Axes or one.axison]


@cache
def words(result) -> str:
    """Return what a reader sees of a figure: all that is drawn, and what stands under it."""
    drawn = [t.get_text() for p in panels(result.plot()) for t in p.findobj(Text)]
    return " ".join([*drawn, result.alt.replace(result.finding, "")])


@cache
def scales(result) -> list[tuple[float, float]]:
    """Return the limits of every axis with numbers; rows and dates have names instead."""
    ends = []
    for panel in panels(result.plot()):
        for axis, limits in ((panel.xaxis, panel.get_xlim()), (panel.yaxis, panel.get_ylim())):
            dates = isinstance(axis.get_major_formatter(), DateFormatter)
            labels = " ".join(label.get_text() for label in axis.get_ticklabels())
            named = re.search(r"[a-zA-Z]", labels) or not labels.strip()
            if panel.axison and not (dates or named):
                ends.append(limits)
    return ends


@pytest.fixture(scope="module")
def quarters(demo):
    """Return the figures of two quarters of one clinic, by name."""
    found = []
    for quarter in ("2026-Q2", "2026-Q3"):
        given = demo / "study", demo / "clinic" / "plan.toml", quarter
        shown = results_of("quarterly_report", *given, without=WITHOUT)
        shown += [] if found else results_of("committee_brief", *given, without=WITHOUT)
        found.append({result.name: result for result in shown if result.drawing is not None})
    return found


def test_every_figure_states_its_n(quarters):
    untold = [
        name for figures in quarters for name, result in figures.items()
        if not STATED.search(words(result))
    ]  # fmt: skip
    assert len(quarters[1]) > 20
    assert untold == []


def test_two_quarters_of_one_clinic_have_the_same_scales(quarters):
    before, now = quarters
    both = sorted(set(before) & set(now) - set(FOLLOWS))
    moved = [
        name for name in both
        if scales(before[name]) != scales(now[name])
        and WIDER not in words(before[name]) + words(now[name])
    ]  # fmt: skip
    assert len(both) > 15
    assert moved == []


def test_few_scales_of_the_demo_are_wider_than_usual(quarters):
    wider = {name for figures in quarters for name, r in figures.items() if WIDER in words(r)}
    assert wider <= {"who"}  # groups of few patients have wide intervals


def test_a_chart_keeps_its_height_while_months_are_added(quarters):
    before, now = quarters
    for name in ("chart_losses_implanted", "chart_wear_harm_implanted"):
        assert scales(before[name])[-1] == scales(now[name])[-1]


def test_panels_of_two_cohorts_have_one_scale(quarters):
    states, courses = quarters[1]["sensor_states"], Figure().add_subplot()
    assert len(set(scales(states))) == 2  # both panels: 0 to 100 %, across and up
    points = pd.DataFrame(
        {"patient_id": list("AABB"), "cohort": ["implanted"] * 2 + ["adhesive"] * 2,
         "x": [0, 6, 0, 6], "y": [9.0, 8.0, 7.0, 6.5]}
    )  # fmt: skip
    draw_lines(courses, points=points, label="%", x_label="Month", scale=Scale(5, 13, 1))
    assert len({panel.get_ylim() for panel in courses.child_axes}) == 1


def test_both_kinds_of_sensor_are_held_against_fingersticks_on_one_scale(quarters):
    (drawn,) = [q["sensor_agreement_implanted"] for q in quarters[1:]]
    low, high = scales(drawn)[0]
    assert -low == high > 60  # fixed about 0 for either kind


@pytest.mark.parametrize(("estimate", "ends"), [(-0.5, (-2, 1)), (-2.6, (-3, 1)), (1.2, (-2, 1.5))])
def test_a_scale_widens_by_whole_steps_and_says_so(estimate, ends):
    ax = Figure().add_subplot()
    rows = pd.DataFrame(
        {"label": ["a"], "estimate": [estimate], "conf_low": [None], "conf_high": [None],
         "main": [True]}
    )  # fmt: skip
    draw_forest(ax, rows=rows, label="points")
    low, high = ax.get_xlim()
    assert low < ends[0] < low + 0.2
    assert high - 0.2 < ends[1] < high
    assert (WIDER in ax.get_xlabel()) == (ends != (-2, 1))


def test_nothing_is_drawn_beyond_what_a_quantity_can_be():
    assert Scale(20, 100, 20, lowest=0, highest=100).holding([-5.0, 130.0]) == (0, 100)
    assert about(40.0, highest=100).high == 100


def test_a_scale_without_values_is_the_usual_one():
    ax = Figure().add_subplot()
    fix_scale(ax, "y", HBA1C_POINTS, [None, float("nan")], room=(0, 0))
    assert ax.get_ylim() == (-2, 1)
