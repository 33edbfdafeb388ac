"""Which counts may leave the clinic, by a published cell size policy.

Centers for Medicare and Medicaid Services, cell size suppression policy, 2024: 1 to 10 may be
neither shown nor derivable, 0 may be shown.
"""

import pandas as pd
import pytest

from outcomes.report.disclosure import audience, counts_within, small
from outcomes.results import Record, Result


@pytest.mark.parametrize(("count", "shown"), [(0, True), (1, False), (10, False), (11, True)])
def test_counts_of_one_to_ten_are_hidden(count: int, shown: bool) -> None:
    assert small(count) is not shown


def test_a_percentage_goes_with_the_count_it_gives_away() -> None:
    # 12.5 % of 24 are 3.
    entry = Record(
        outcome="complications", quantity="harm within 30 days, attempted placements",
        population="cumulative", cohort="implanted", by={"counted": "all reported"},
        estimate=12.5, conf_low=2.7, conf_high=32.4, n_units=24, n_patients=24, events=3,
        unit="% of procedures",
    )  # fmt: skip
    assert round(entry.estimate / 100 * entry.n_units) == 3
    assert any(small(count) for count in counts_within(entry))
    given = Result(
        name="complications", title="Complications", table=entry_table(entry), entries=[entry],
        finding="12.5 % of 24.", caption="",
    )  # fmt: skip
    shown = audience("external")(given)
    (left,) = shown.records()
    assert left["estimate"] is left["conf_low"] is left["conf_high"] is left["events"] is None
    assert "12.5" not in shown._repr_html_()


def entry_table(entry: Record) -> pd.DataFrame:
    return pd.DataFrame([{"estimate": entry.estimate, "events": entry.events}])
