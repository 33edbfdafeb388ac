"""Change of HbA1c, responders and meaningful changes against `data/hba1c_change.csv`.

The five patients' draws and what they must give (paired t; responders inclusive and in tenths), and
the least changes of time in range that are called meaningful (Battelino T et al. Lancet Diabetes
Endocrinol 2023;11:42-57; `memory` = yes: written down from memory).
"""

import re
from pathlib import Path

import pandas as pd
import pytest

from outcomes import units
from outcomes.measures.hba1c_pairs import RESPONSE, responses
from outcomes.measures.meaning import GROUP_POINTS, PERSON_POINTS, meaningful
from outcomes.plan import Hba1c
from outcomes.statistics.change import paired_change

ROWS = pd.read_csv(Path(__file__).parent / "data" / "hba1c_change.csv", dtype=str).set_index(
    "check_id", verify_integrity=True
)


def draws() -> pd.DataFrame:
    """The draws as the rows' own input gives them, judged in tenths as the measure does."""
    before, after = (
        [float(x) for x in part.split(";")]
        for part in re.findall(r"[\d.]+(?:;[\d.]+)+", ROWS.loc["CHG-001", "input"])
    )
    frame = pd.DataFrame({"baseline_percent": before, "percent": after})
    frame["baseline_tenths"] = units.hba1c_tenths(frame["baseline_percent"], "%")
    frame["tenths"] = units.hba1c_tenths(frame["percent"], "%")
    return frame.assign(
        change=frame["percent"] - frame["baseline_percent"], unit="%", baseline_unit="%",
        value=frame["percent"], baseline_value=frame["baseline_percent"],
    )  # fmt: skip


def wanted(check_id: str) -> list[object]:
    row = ROWS.loc[check_id]
    near = float(row["tolerance"])
    return [pytest.approx(float(x), abs=near) for x in row["value"].split(";")]


def test_every_row_is_checked_here():
    assert set(ROWS.index) == {
        *(f"CHG-00{n}" for n in (1, 2, 3, 5, 6)), *(f"MID-00{n}" for n in (1, 2, 3))
    }  # fmt: skip


def test_the_paired_change_has_the_mean_sd_and_t_limits():
    got = paired_change(draws(), before="baseline_percent", after="percent")
    assert [got.mean] == wanted("CHG-001")
    assert [got.sd] == wanted("CHG-002")
    assert [got.conf_low, got.conf_high] == wanted("CHG-003")
    assert got.df == 4


@pytest.mark.parametrize(("check_id", "points"), [("CHG-005", 0.5), ("CHG-006", 0.3)])
def test_responders_are_inclusive_and_safe_in_decimals(check_id, points):
    share = responses(draws(), rules=Hba1c(response_points=points))[RESPONSE][0]
    assert [100 * share.estimate] == wanted(check_id)


@pytest.mark.parametrize("check_id", ["MID-001", "MID-002", "MID-003"])
def test_the_least_meaningful_change_counts(check_id):
    row = ROWS.loc[check_id]
    least = PERSON_POINTS if row["input"].startswith("person") else GROUP_POINTS
    points = float(re.search(r"\+?(\d+\.\d)", row["input"])[1])
    assert [int(meaningful(points, least=least))] == wanted(check_id)
