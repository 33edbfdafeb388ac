"""A job that takes its time, so that a worker can be ended while it runs."""

from __future__ import annotations

import time

from outcomes.glucose.passes import FileJob, Sums, file_sums


def file_sums_slowly(job: FileJob) -> Sums:
    time.sleep(0.4)
    return file_sums(job)
