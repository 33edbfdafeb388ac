"""Which published figures on readings are checked, and which follow another rule than ours.

    python -m tests.reference.test_reading_rows_are_covered

prints both, topic by topic, with the reason beside each row that is not checked.
"""

from __future__ import annotations

import pandas as pd
import pytest

from tests.reference import test_agreement, test_glucose_metrics

GRIDS = "a zone of an error grid: its corners are from memory, and it asks for a laboratory"
# Topic: rows on it.
TOPICS = {
    "glucose units": 17,
    "estimated average glucose": 19,
    "glucose management indicator": 16,
    "time in ranges": 21,
    "variability metrics": 11,
    "risk indices": 19,
    "glycemia risk index": 13,
    "data sufficiency": 7,
    "sensor glucose events": 7,
    "sensor accuracy": 28,
    "agreement": 15,
}


def listed() -> pd.DataFrame:
    """One row per figure: its id, `topic`, `source`, and `because` (why it is not checked)."""
    glucose = test_glucose_metrics.rows().reset_index()
    glucose["because"] = glucose["check_id"].map(test_glucose_metrics.NOT_OFFERED)
    accuracy = pd.DataFrame(test_agreement.rows("accuracy.csv").values())
    accuracy["because"] = [
        GRIDS if check in test_agreement.NOT_OFFERED else None for check in accuracy["check_id"]
    ]
    pairs = pd.DataFrame(test_agreement.rows("agreement.csv").values())
    pairs["source"], pairs["because"] = pairs["dataset"] + ": " + pairs["call"], None
    columns = ["check_id", "topic", "source", "because"]
    together = [frame[columns].astype(object) for frame in (glucose, accuracy, pairs)]
    return pd.concat(together, ignore_index=True).astype(object)


@pytest.mark.parametrize("topic", TOPICS)
def test_every_row_of_a_topic_has_its_source_and_a_check_or_a_reason(topic: str) -> None:
    rows = listed().query("topic == @topic")
    assert len(rows) == TOPICS[topic]
    assert rows["source"].str.len().min() > 0
    known = {*test_agreement.ACCURACY, *test_agreement.AGREEMENT}
    known |= set(test_glucose_metrics.ids("UNIT", "EAG", "GMI", "TIR", "VAR", "RISK", "GRI",
                                          "SUF", "EVT"))  # fmt: skip
    without_reason = rows.loc[rows["because"].isna(), "check_id"]
    assert set(without_reason) <= known


if __name__ == "__main__":
    for topic, rows in listed().query("topic in @TOPICS").groupby("topic", sort=False):
        other = rows.loc[rows["because"].notna()]
        print(f"{topic}: {len(rows)} rows, {len(rows) - len(other)} checked, {len(other)} not")
        for row in other.itertuples():
            print(f"  {row.check_id}  {row.because}")
