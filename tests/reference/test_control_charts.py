"""Control charts, run rules, learning curves and funnel limits against printed values.

`data/control_charts.csv` names the source of each row (NIST/SEMATECH handbook, Montgomery,
Nelson, Provost and Murray, Spiegelhalter, Steiner); `memory` = yes marks values from memory.
"""

import csv
import re
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from outcomes.statistics.control_charts import ControlChart, c_chart, p_chart, u_chart
from outcomes.statistics.funnel import funnel_limits
from outcomes.statistics.gap_charts import g_chart, t_chart
from outcomes.statistics.run_rules import run_signals
from outcomes.statistics.sequential_charts import (
    ewma,
    learning_curve,
    observed_minus_expected,
    page_chart,
    tabular_cusum,
)

DATA = Path(__file__).parent / "data" / "control_charts.csv"
with DATA.open(newline="") as lines:
    ROWS = {row["check_id"]: row for row in csv.DictReader(lines)}


def numbers(check: str) -> list[float]:
    """Read the series of a row's input, after any `n=50;` or `target 325;` in front."""
    text = re.sub(r"^(n=\d+; |target \d+; )", "", ROWS[check]["input"])
    return [float(word) for word in re.findall(r"-?\d+\.?\d*", text)]


def limits(chart: ControlChart, point: int = 0) -> tuple[float, float]:
    return chart.table.loc[point, "limit_high"], chart.table.loc[point, "limit_low"]


def beyond(chart: ControlChart) -> list[int]:
    return chart.table.loc[chart.table["signal"] != "", "point"].tolist()


def handbook_p() -> ControlChart:
    return p_chart(numbers("SPC-001"), [50] * 30)


def montgomery_c(*without: int) -> ControlChart:
    counts = numbers("SPC-005")
    return c_chart(counts, baseline=[i + 1 not in without for i in range(len(counts))])


def shares(events: int, samples: int) -> ControlChart:
    # Only the total matters for the limits: spread it as evenly as whole numbers allow.
    counts = [events // samples + (i < events % samples) for i in range(samples)]
    return p_chart(counts, [100] * samples)


def spc_017() -> list[float]:
    # The row's own exponent, 0.2777; with 1/3.6 the upper limit is 11.669.
    y = [t**0.2777 for t in numbers("SPC-017")]
    steps = [abs(b - a) for a, b in pairwise(y)]
    table = t_chart(numbers("SPC-017"), limits="transformed", power=0.2777).table
    centre, high = table.loc[0, "centre"] ** 0.2777, table.loc[0, "limit_high"] ** 0.2777
    return [centre, sum(steps) / len(steps), high]


def spc_020() -> list[float]:
    table = tabular_cusum(numbers("SPC-020"), target=325, k=0.3175, h=4.1959)
    first = table[table["signal"] != ""].iloc[0]
    return [first["point"], first["upper"]]


def signalled(values: list[float], rule: str, shift: int = 8) -> int:
    return int(len(run_signals(values, rules=[rule], shift=shift)) > 0)


def curve(check: str) -> list[float]:
    p0, p1, error = (float(n) for n in re.findall(r"\d\.\d+", ROWS[check]["input"]))
    shown = learning_curve([], p0=p0, p1=p1, alpha=error, beta=error)
    assert shown.upper == pytest.approx(-shown.lower)
    return [shown.s, shown.upper]


def funnel(check: str) -> list[float]:
    target, size = (float(n) for n in re.findall(r"\d+\.?\d*", ROWS[check]["input"]))
    level = float(re.match(r"([\d.]+)%", ROWS[check]["quantity"]).group(1)) / 100
    shown = funnel_limits(target, [size], level=level)
    return shown.loc[0, ["limit_low", "limit_high"]].tolist()


OUTCOMES = [0, 0, 1, 0, 1, 1]

ANSWERS: dict[str, Callable[[], list[float]]] = {
    "SPC-001": lambda: [handbook_p().mean],
    "SPC-002": lambda: [*limits(handbook_p())],
    "SPC-003": lambda: beyond(handbook_p()),
    "SPC-005": lambda: [montgomery_c().mean],
    "SPC-006": lambda: [*limits(montgomery_c())],
    "SPC-007": lambda: beyond(montgomery_c()),
    "SPC-008": lambda: [montgomery_c(6, 20).mean, *limits(montgomery_c(6, 20))],
    "SPC-010": lambda: [shares(117, 20).mean, *limits(shares(117, 20))],
    "SPC-011": lambda: [shares(102, 19).mean, limits(shares(102, 19))[0]],
    "SPC-012": lambda: [limits(p_chart([8, 15], [80, 150]), i)[0] for i in (0, 1)],
    "SPC-013": lambda: [
        limits(u_chart([9, 9, 27], [4, 9, 7], baseline=[True, False, False]), i)[0] for i in (0, 1)
    ],
    "SPC-015": lambda: [g_chart([50, 50], limits="three sigma").table.loc[0, "centre"]],
    "SPC-016": lambda: [
        # The transformation shows in the centre line of a chart of equal gaps.
        t_chart([t, t], limits="transformed").table.loc[0, "centre"] ** 0.2777777778
        for t in (30, 100)
    ],
    "SPC-017": spc_017,
    "SPC-018": lambda: [
        ewma(numbers("SPC-018"), start=50, weight=0.3, sigma=2.0539)["average"].iloc[-1]
    ],
    "SPC-020": spc_020,
    "SPC-021": lambda: [
        signalled([0.5] * 8, "shift"),
        signalled([0.5] * 8, "shift", shift=9),
    ],
    "SPC-022": lambda: [signalled([1.0, 1.1, 1.2, 1.3, 1.4, 1.5], "trend")],
    "SPC-023": lambda: [signalled([2.1, 0.0, -2.1], "two of three")],
    "SPC-025": lambda: [signalled([0.3, -0.3] * 7, "alternating")],
    "CUS-001": lambda: curve("CUS-001"),
    "CUS-002": lambda: curve("CUS-002"),
    "CUS-003": lambda: curve("CUS-003"),
    "CUS-005": lambda: curve("CUS-005"),
    "CUS-006": lambda: page_chart(OUTCOMES, p0=0.05, p1=0.10).tolist(),
    "CUS-007": lambda: [observed_minus_expected(OUTCOMES, expected=0.10)[-1]],
    **{check: lambda check=check: funnel(check) for check in ROWS if check.startswith("FUN")},
}


@pytest.mark.parametrize("check", ROWS, ids=lambda c: f"{c}: {ROWS[c]['source']}")
def test_agrees_with_the_printed_value(check: str) -> None:
    row = ROWS[check]
    printed = [float(word) for word in row["value"].split(";")]
    assert ANSWERS[check]() == pytest.approx(printed, rel=0, abs=float(row["tolerance"]))


def test_ewma_limits_are_those_of_the_handbook() -> None:
    # NIST/SEMATECH e-Handbook 6.3.2.4: 52.5884 and 47.4115, from memory.
    table = ewma(numbers("SPC-018"), start=50, weight=0.3, sigma=2.0539)
    assert table.loc[0, ["limit_high", "limit_low"]].tolist() == pytest.approx(
        [52.5884, 47.4115], rel=0, abs=5e-4
    )
