"""Readings and a frame of windows in, one row per patient and window out, in one pass.

A window is a run of whole local days of one patient. The pass reads each patient's readings once,
sums them by local day, and makes every window from its days, whatever the number of windows.
"""

from outcomes.glucose.daily import write_daily
from outcomes.glucose.summary import summarise, summary
from outcomes.glucose.windows import days, months, periods, quarter, sensors, together
from outcomes.glucose.workers import Workers

__all__ = [
    "Workers",
    "days",
    "months",
    "periods",
    "quarter",
    "sensors",
    "summarise",
    "summary",
    "together",
    "write_daily",
]
