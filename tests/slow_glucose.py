"""A second, deliberately slow account of the readings, written from the rules alone.

It paints every minute with the reading that owns it and then counts minutes. It knows nothing of
the compiled pass, takes whole minutes only, and shares no code with the package.
"""

from __future__ import annotations

import functools
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

LIMITS = {"mg/dL": (54, 63, 70, 140, 180, 250), "mmol/L": (3.0, 3.5, 3.9, 7.8, 10.0, 13.9)}
PER_MMOL = 18.0156


@dataclass
class Reading:
    minute: int  # since 1970-01-01 UTC
    value: float
    unit: str
    kind: str
    interval: int
    capped: int
    offset: int

    @functools.cached_property
    def local(self) -> datetime:
        return datetime(1970, 1, 1) + timedelta(minutes=self.minute + self.offset)

    @property
    def mg_dl(self) -> float:
        return self.value if self.unit == "mg/dL" else self.value * PER_MMOL

    @functools.cached_property
    def facts(self) -> dict[str, bool]:
        v, (a, p, b, t, c, d) = self.value, LIMITS[self.unit]
        return {
            "below_54": v < a,
            "below_70": v < b,
            "from_54_to_69": a <= v < b,
            "from_70_to_180": b <= v <= c,
            "from_70_to_140": b <= v <= t,
            "from_181_to_250": c < v <= d,
            "above_180": v > c,
            "above_250": v > d,
            "below_63": v < p,
            "from_54_to_62": a <= v < p,
            "from_63_to_140": p <= v <= t,
            "above_140": v > t,
        }

    def is_(self, name: str) -> bool:
        return self.facts[name]


SHARE_NAMES = (
    "below_54",
    "below_70",
    "from_54_to_69",
    "from_70_to_180",
    "from_70_to_140",
    "from_181_to_250",
    "above_180",
    "above_250",
    "below_63",
    "from_54_to_62",
    "from_63_to_140",
    "above_140",
)
# Level: what begins it, what it must come back to.
LEVELS = {
    "low_1": ("below_70", "below_70"),
    "low_2": ("below_54", "below_70"),
    "high_1": ("above_180", "above_180"),
    "high_2": ("above_250", "above_180"),
}


def one_stream(readings: Sequence[Reading], first: str) -> tuple[list[Reading], list[Reading]]:
    """What enters, and what is left out: first the minutes of the kind that goes first."""
    mine: dict[int, Reading] = {}
    out: list[Reading] = []
    for r in readings:
        if r.kind == first:
            if r.minute in mine:
                out.append(r)
            else:
                mine[r.minute] = r
    taken = set()
    for r in mine.values():
        for minute in range(r.minute, r.minute + r.interval):
            if minute > r.minute and minute in mine:
                break
            taken.add(minute)
    others: dict[int, Reading] = {}
    for r in readings:
        if r.kind != first:
            if r.minute in taken or r.minute in others:
                out.append(r)
            else:
                others[r.minute] = r
    return sorted([*mine.values(), *others.values()], key=lambda r: r.minute), out


def owned_minutes(stream: Sequence[Reading]) -> list[tuple[int, int]]:
    """Every owned minute with the place of its reading in the stream."""
    starts = {r.minute: i for i, r in enumerate(stream)}
    painted = []
    for i, r in enumerate(stream):
        for minute in range(r.minute, r.minute + r.interval):
            if minute > r.minute and minute in starts:
                break
            painted.append((minute, i))
    return painted


def find_episodes(
    stream: Sequence[Reading], painted: Sequence[tuple[int, int]], level: str, gap: int, begin: int
) -> list[dict]:
    """Walk along the owned minutes, one by one."""
    beyond, back_from = LEVELS[level]
    found, run, now = [], [], None
    before = None
    for minute, i in painted:
        if before is not None and i != before:
            far = stream[i].minute - stream[before].minute > gap
            if far:
                if now:
                    found.append(now)
                run, now = [], None
        before = i
        is_beyond = stream[i].is_(beyond)
        if now is None:
            run = [*run, (minute, i)] if is_beyond else []
            if len(run) == begin:
                now = {
                    "minutes": [m for m, _ in run],
                    "since": [],
                    "back": 0,
                    "on": stream[run[0][1]].local.date(),
                }
                run = []
            continue
        now["since"].append(minute)
        if is_beyond:
            now["minutes"] += now["since"]
            now["since"], now["back"] = [], 0
        elif not stream[i].is_(back_from):
            now["back"] += 1
            if now["back"] == begin:
                found.append(now)
                now = None
        else:
            now["back"] = 0
    if now:
        found.append(now)
    return found


def midnight(day: date, zone: str) -> int:
    local = datetime(day.year, day.month, day.day, tzinfo=ZoneInfo(zone))
    return round(local.astimezone(UTC).timestamp()) // 60


def slow_window(
    readings: Sequence[Reading],
    *,
    first: str,
    first_on: date,
    last_on: date,
    zone: str,
    not_tested: Sequence[tuple[int, int]] = (),
    gap: int = 30,
    begin: int = 15,
    prolonged: int = 120,
) -> dict[str, float]:
    stream, left_out = one_stream(readings, first)
    painted = owned_minutes(stream)
    days = [first_on + timedelta(days=i) for i in range((last_on - first_on).days + 1)]
    inside = {i for i, r in enumerate(stream) if first_on <= r.local.date() <= last_on}
    owners = [i for _, i in painted if i in inside]
    got: dict[str, float] = {
        "readings": len(inside),
        "owned_minutes": len(owners),
        "elapsed_minutes": midnight(last_on + timedelta(days=1), zone) - midnight(first_on, zone),
        "overlap_left_out": sum(first_on <= r.local.date() <= last_on for r in left_out),
        "capped_below": sum(stream[i].capped < 0 for i in inside),
        "capped_above": sum(stream[i].capped > 0 for i in inside),
    }
    values = [stream[i].mg_dl for i in sorted(inside)]
    if values:
        got["mean_mg_dl"] = statistics.fmean(values)
        f = [1.509 * (math.log(v) ** 1.084 - 5.381) for v in values]
        got["low_index"] = sum(10 * x * x for x in f if x < 0) / len(f)
        got["high_index"] = sum(10 * x * x for x in f if x > 0) / len(f)
    if len(values) > 1:
        got["sd_mg_dl"] = statistics.stdev(values)
    parts = {
        "share": owners,
        "night_share": [i for i in owners if stream[i].local.hour < 6],
        "day_share": [i for i in owners if stream[i].local.hour >= 6],
    }
    for prefix, minutes in parts.items():
        if minutes:
            for name in SHARE_NAMES:
                count = sum(stream[i].is_(name) for i in minutes)
                got[f"{prefix}_{name}"] = count / len(minutes)
    got["counting_days"] = sum(_counts(day, stream, painted, zone, not_tested) for day in days)
    for level in LEVELS:
        found = find_episodes(stream, painted, level, gap, begin)
        lengths = [len(e["minutes"]) for e in found if first_on <= e["on"] <= last_on]
        got[f"{level}_episodes"] = len(lengths)
        got[f"{level}_minutes"] = sum(lengths)
        got[f"{level}_prolonged"] = sum(n >= prolonged for n in lengths)
        if lengths:
            got[f"{level}_median_minutes"] = statistics.median(lengths)
    return got


def _counts(
    day: date,
    stream: Sequence[Reading],
    painted: Sequence[tuple[int, int]],
    zone: str,
    not_tested: Sequence[tuple[int, int]],
) -> bool:
    def tested(minute: int) -> bool:
        return not any(a <= minute < b for a, b in not_tested)

    begins, ends = midnight(day, zone), midnight(day + timedelta(days=1), zone)
    elapsed = sum(map(tested, range(begins, ends)))
    owned = sum(stream[i].local.date() == day and tested(stream[i].minute) for _, i in painted)
    return elapsed > 0 and Fraction(owned, elapsed) >= Fraction(7, 10)
