"""Proportions, rates and their contrasts against other programs and printed tables.

`data/rates.csv`: calls in R 4.2.2 (base and stats), with the papers they stand for in the
`quantity` column. `data/published_intervals.csv` and `data/one_sided_bounds.csv`: printed values,
from memory where the `memory` column says yes.
"""

import csv
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from outcomes.statistics.intervals import (
    fisher_p,
    proportion,
    proportion_difference,
    zero_proportion_bound,
)
from outcomes.statistics.rate_contrasts import rate_difference, rate_ratio
from outcomes.statistics.rates import rate, zero_rate_bound

DATA = Path(__file__).parent / "data"


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(newline="") as lines:
        return list(csv.DictReader(lines))


def near(text: str) -> Callable[[float], object]:
    kind, size = text.split()
    if kind == "abs":
        return lambda value: pytest.approx(value, rel=0, abs=float(size))
    return lambda value: pytest.approx(value, rel=float(size), abs=1e-12)


BOICE = (41, 28010, 15, 19017)
HELP_PAGE = (11, 800, 21, 3011)

# What of ours answers each row; the counts are those of the row's own call.
ANSWERS: dict[str, Callable[[], float | None]] = {
    "RTCI-01": lambda: rate(0, 1).conf_high,
    "RTCI-02": lambda: rate(1, 1).conf_low,
    "RTCI-03": lambda: rate(1, 1).conf_high,
    "RTCI-04": lambda: rate(3, 1).conf_low,
    "RTCI-06": lambda: rate(10, 1).conf_low,
    "RTCI-07": lambda: rate(10, 1).conf_high,
    "RTCI-08": lambda: rate(100, 1).conf_low,
    "RTCI-09": lambda: rate(100, 1).conf_high,
    "RTCI-10": lambda: rate(0, 1).conf_low,
    "RTCI-12": lambda: rate(0, 1, method="mid-p").conf_high,
    "RTCI-14": lambda: rate(3, 1, method="mid-p").conf_high,
    "RTCI-15": lambda: rate(10, 1, method="mid-p").conf_low,
    "RTCI-16": lambda: rate(10, 1, method="mid-p").conf_high,
    "RTCI-17": lambda: zero_rate_bound(1).conf_high,
    "RTRT-02": lambda: rate_ratio(*BOICE).conf_low,
    "RTRT-03": lambda: rate_ratio(*BOICE).conf_high,
    "RTRT-04": lambda: rate_ratio(*BOICE).p_value,
    "RTRT-05": lambda: rate_ratio(*HELP_PAGE).conf_low,
    "RTRT-06": lambda: rate_ratio(*HELP_PAGE).conf_high,
    "RTRT-07": lambda: rate_ratio(*HELP_PAGE).p_value,
    "RTRT-08": lambda: rate_ratio(0, 100, 5, 120).conf_high,
    "RTRT-10": lambda: rate_ratio(0, 100, 5, 120).conf_low,
    "RTRT-11": lambda: rate_ratio(5, 120, 0, 100).conf_low,
    "RTRT-13": lambda: rate_ratio(*BOICE, method="mid-p").conf_high,
    "RTRT-14": lambda: rate_ratio(*BOICE, method="wald").conf_low,
    "RTRT-15": lambda: rate_difference(*BOICE, method="wald").conf_low,
    "PRCI-01": lambda: proportion(81, 263).conf_low,
    "PRCI-02": lambda: proportion(81, 263, method="exact").conf_low,
    "PRCI-03": lambda: proportion(81, 263).conf_high,
    "PRCI-04": lambda: proportion(81, 263, method="exact").conf_high,
    "PRCI-05": lambda: proportion(15, 148).conf_low,
    "PRCI-09": lambda: proportion(0, 20).conf_high,
    "PRCI-10": lambda: proportion(0, 20, method="exact").conf_high,
    "PRCI-11": lambda: proportion(1, 29).conf_low,
    "PRCI-12": lambda: proportion(1, 29, method="exact").conf_low,
    "PRCI-13": lambda: proportion(1, 29).conf_high,
    "PRCI-15": lambda: proportion(0, 20).conf_low,
    "PRCI-16": lambda: proportion(81, 263, method="wilson-continuity").conf_low,
    "PRCI-17": lambda: proportion(15, 148, method="mid-p").conf_low,
    "PRCI-18": lambda: proportion(0, 20, method="mid-p").conf_high,
    "PRDF-01": lambda: proportion_difference(56, 70, 48, 80).conf_low,
    "PRDF-02": lambda: proportion_difference(56, 70, 48, 80).conf_high,
    "PRDF-03": lambda: proportion_difference(9, 10, 3, 10).conf_low,
    "PRDF-04": lambda: proportion_difference(9, 10, 3, 10).conf_high,
    "PRDF-05": lambda: proportion_difference(5, 56, 0, 29).conf_low,
    "PRDF-06": lambda: proportion_difference(5, 56, 0, 29).conf_high,
    "PRDF-07": lambda: proportion_difference(0, 10, 0, 20).conf_low,
    "PRDF-10": lambda: proportion_difference(10, 10, 0, 20).conf_high,
    "PRDF-11": lambda: proportion_difference(56, 70, 48, 80).estimate,
    "PRDF-12": lambda: fisher_p(56, 70, 48, 80),
    "RU3-01": lambda: zero_proportion_bound(20).conf_high,
    "RU3-02": lambda: zero_proportion_bound(20).conf_high,
    "RU3-03": lambda: zero_proportion_bound(300, method="rule of three").conf_high,
    "RU3-05": lambda: zero_rate_bound(1500, per=1000).conf_high,
}


@pytest.mark.parametrize(
    "row", rows("rates.csv"), ids=lambda r: f"{r['check_id']}: {r['quantity']}"
)
def test_agrees_with_the_other_program(row: dict[str, str]) -> None:
    close = near(row["suggested_tolerance"])
    assert ANSWERS[row["check_id"]]() == close(float(row["value"])), row["call"]


def test_every_reference_row_has_an_answer() -> None:
    assert set(ANSWERS) == {row["check_id"] for row in rows("rates.csv")}


def limits(row: dict[str, str]) -> tuple[float | None, ...]:
    """Answer a printed row from the numbers in its `input`."""
    n = [int(number) for number in re.findall(r"\d+", row["input"])]
    what = row["quantity"]
    if what.startswith("Wilson"):
        shown = proportion(n[0], n[1])
    elif what.startswith("exact 95%"):
        shown = proportion(n[0], n[1], method="exact")
    elif what.startswith("difference"):
        shown = proportion_difference(*n)
    elif what.startswith("95% lower;upper for a count"):
        shown = rate(n[0], 1)
    elif what.startswith("rate per 1000"):
        both = rate(n[0], n[1], per=1000)
        return both.estimate, both.conf_low, both.conf_high
    elif what.startswith("events per patient-year"):
        return (rate(n[0], n[1] / 365.25).estimate,)
    elif what.startswith("events per 1000"):
        return (rate(n[0], n[1], per=1000).estimate,)
    else:
        return (zero_proportion_bound(n[1], method="rule of three").conf_high,)
    return shown.conf_low, shown.conf_high


@pytest.mark.parametrize(
    "row", rows("published_intervals.csv"), ids=lambda r: f"{r['check_id']}: {r['source']}"
)
def test_agrees_with_the_printed_value(row: dict[str, str]) -> None:
    printed = [float(number) for number in row["value"].split(";")]
    # One digit more than printed: the printed value is rounded.
    allowed = float(row["tolerance"])
    assert list(limits(row)) == pytest.approx(printed, rel=0, abs=allowed), row["source"]


@pytest.mark.parametrize("row", rows("one_sided_bounds.csv"), ids=lambda r: r["input"])
def test_lower_limit_at_90_percent_is_the_one_sided_95_percent_bound(row: dict[str, str]) -> None:
    inside, pairs = (int(number) for number in re.findall(r"\d+", row["input"])[:2])
    shown = proportion(inside, pairs, method="exact", confidence_level=0.90)
    assert 100 * shown.conf_low == pytest.approx(
        float(row["value"]), rel=0, abs=float(row["tolerance"])
    )
