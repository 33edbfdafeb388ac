"""What fired stands out by shape, size and words, so that grey print loses nothing."""

from __future__ import annotations

from functools import partial

import pandas as pd
import pytest
from matplotlib.axes import Axes

from outcomes.figures.signals import SIGNAL_MARKER
from outcomes.figures.style import ACCENT
from outcomes.results import Result
from outcomes.watch.charts import _draw_gaps, _draw_months
from outcomes.watch.inserter_page import _draw_curve
from outcomes.watch.inserters import inserter_curves
from outcomes.watch.places import _draw_funnel
from tests.unit.watch.test_inserters import RULES, cases

MONTHS = pd.DataFrame(
    {
        "month": pd.date_range("2025-01-01", periods=4, freq="MS"), "events": [1, 0, 9, 1],
        "size": 20.0, "estimate": [5.0, 0.0, 45.0, 5.0], "reference": 5.0, "limit": 25.0,
        "part": ["reference", "watched", "watched", "still open"],
        "signal": [False, False, True, False],
    }
)  # fmt: skip
GAPS = pd.DataFrame(
    {"on": pd.date_range("2025-01-01", periods=3, freq="30D"), "size": [5.0, 4.0, 0.5],
     "signal": [False, False, True]}
)  # fmt: skip
SITES = pd.DataFrame(
    {"site": ["East", "West"], "size": [30.0, 40.0], "estimate": [0.0, 30.0],
     "fires": [False, True]}
)  # fmt: skip
CURVE = inserter_curves(cases([0, 0, 0, 1, 1, 1]), RULES)[0]
DRAWN = {
    "months": (partial(_draw_months, table=MONTHS, unit="%"), "9 events"),
    "gaps": (partial(_draw_gaps, table=GAPS, limit=1.0), "too fast"),
    "funnel": (partial(_draw_funnel, table=SITES, target=5.0), "West"),
    "inserter": (partial(_draw_curve, one=CURVE), "crossed"),
}


def axes(name: str) -> Axes:
    draw, _ = DRAWN[name]
    result = Result(
        name=name, title=name, table=pd.DataFrame(), entries=[], finding="", caption="",
        drawing=draw,
    )  # fmt: skip
    found = result.plot()
    assert found is not None
    return found


@pytest.mark.parametrize("name", DRAWN)
def test_the_accent_always_comes_with_its_own_shape_and_words(name: str) -> None:
    ax = axes(name)
    accented = [line for line in ax.lines if line.get_color() == ACCENT]
    assert accented
    assert {line.get_marker() for line in accented} == {SIGNAL_MARKER}
    others = [line for line in ax.lines if line.get_color() != ACCENT]
    assert SIGNAL_MARKER not in {line.get_marker() for line in others}
    words = {text.get_text(): text for text in ax.texts}
    assert words[DRAWN[name][1]].get_fontweight() == "bold"


@pytest.mark.parametrize("name", ["months", "gaps", "funnel"])
def test_points_on_zero_are_seen_whole(name: str) -> None:
    assert axes(name).get_ylim()[0] < 0


def test_supervised_cases_are_hollow() -> None:
    lines = [line for line in axes("inserter").lines if line.get_marker() == "s"]
    hollow = [line for line in lines if line.get_markerfacecolor() == "white"]
    assert [len(line.get_xdata()) for line in hollow] == [2]


def test_every_line_of_a_chart_is_named_where_it_ends() -> None:
    words = {text.get_text() for text in axes("inserter").texts}
    assert {"observed − expected", "sequential chart", "acceptable", "unacceptable"} <= words
    assert {"95 %", "99.8 %", "reference"} <= {t.get_text() for t in axes("funnel").texts}
