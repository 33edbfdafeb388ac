"""Compile the pass over readings ahead of need.

Compiled code is kept once it is made; only the first pass after an install waits for it. Whoever
knows that a pass will come, and has a core to spare, can have it compiled meanwhile.
"""

from __future__ import annotations

import numpy as np

from outcomes.glucose.gaps import gaps
from outcomes.glucose.local_days import Midnights
from outcomes.glucose.passes import NO_SPANS, patient_sums
from outcomes.plan import TimeInRange
from outcomes.tables.reading_runs import spelt_out
from outcomes.tables.reading_store import StoredReadings


def compile_pass() -> None:
    """Compile every function of a period pass, by a pass over one reading of nobody."""
    reading = StoredReadings(
        patient_id="nobody",
        time=np.zeros(1, dtype=np.int64),
        value=np.full(1, 100, dtype=np.int16),
        exact=np.empty(0),
        **spelt_out(np.array([[1, 0, 0, 0]])),
        unit_of=np.zeros(1, dtype=np.int8),
        kind_of=np.zeros(1, dtype=np.int8),
        interval_of=np.full(1, 5, dtype=np.int16),
    )
    day = np.zeros(1, dtype=np.int64)
    patient_sums(
        reading, kind=0, first_day=day, last_day=day, shaped=0, not_tested=NO_SPANS,
        midnights=Midnights.between(-1, 2, "UTC"), settings=TimeInRange(),
    )  # fmt: skip
    gaps(
        reading.time, reading.stream, reading.kind_of, reading.interval_of, 0,
        np.zeros((1, 2), dtype=np.int64), 1,
    )  # fmt: skip
