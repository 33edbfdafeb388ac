"""Every reference value of the survival methods is asked of the code somewhere."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.reference.survival_rows import reference_rows

TOPICS = (
    "km_ci", "km_cluster", "km_left_truncation", "km_median", "rmst", "logrank",
    "weighted_logrank", "stratified_logrank", "cluster_logrank", "cox_ties", "cox_cluster",
    "cox_ipw", "andersen_gill", "ph_test", "cif_aj", "cif_left_truncation", "cause_specific_cox",
    "gray_test", "fine_gray", "edge_cases",
)  # fmt: skip
TESTS = "\n".join(
    path.read_text("utf-8")
    for path in Path(__file__).parent.glob("test_*.py")
    if path.name != Path(__file__).name
)


def test_the_topics_are_these() -> None:
    assert set(reference_rows()["topic"]) == set(TOPICS)


@pytest.mark.parametrize("topic", TOPICS)
def test_every_row_of_a_topic_is_checked(topic: str) -> None:
    """A row is named by its id, or its whole topic is run through `ids_of`."""
    rows = reference_rows()
    mine = rows.index[rows["topic"] == topic]
    assert len(mine)
    unnamed = [name for name in mine if f'"{name}"' not in TESTS]
    assert not unnamed or f'ids_of("{topic}"' in TESTS, unnamed
