"""The readings of two invented systems, one patient after another, and what is in them.

implant cloud   one mixed readings file with offsets and two units; the meter's values
wear portal     one readings file a patient in two layouts, bare local time
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np

from .clinic import Life, as_date
from .clock import CHANGE_DAYS, DAY, local_offset
from .glucose import HIGH, LOW, Trace
from .rows import Part, TextFile, clock_table, day_table, field_table, joined
from .scenario import Scenario
from .spoil import (
    OUT_OF_ORDER,
    STRANGER,
    Planted,
    spoil_centre,
    spoil_cloud,
    spoil_satellites,
    unplaced,
)

MOLAR = 18.0156  # mg/dL per mmol/L, from the molar mass of glucose
DMY, ISO, MDY = "%d.%m.%Y", "%Y-%m-%d", "%m/%d/%Y"
CLOUD = "exports/implant_cloud/values.csv"
BATCH = 10  # patients whose rows are mixed month by month in the big file


@dataclass(kw_only=True)
class Written:
    """What was written: small files, and of the readings the counts."""

    files: list[TextFile] = field(default_factory=list)
    traps: dict[str, dict[str, int]] = field(default_factory=dict)  # in the right rows of `files`
    reading_rows: Counter[str] = field(default_factory=Counter)  # by file
    planted: list[dict[str, object]] = field(default_factory=list)  # in readings
    beyond: Counter[str] = field(default_factory=Counter)  # kept readings beyond a limit
    repeated_beyond: Counter[str] = field(default_factory=Counter)  # the same in planted rows
    wearers: Counter[str] = field(default_factory=Counter)  # patients met so far, by layout
    complete: Counter[tuple[str, str]] = field(default_factory=Counter)  # change day, kind

    def tell(self, path: str, planted: list[Planted]) -> None:
        """Note wrong rows of a readings file."""
        self.planted += [
            {"file": path, "table": "readings", "kind": kind, "rows": rows}
            for kind, rows in planted
            if rows
        ]

    def tell_change_days(self, kind: str, times: np.ndarray, minutes: int) -> None:
        """Count the patient where every reading of a day of 23 or 25 hours is there."""
        for on, (first, last) in CHANGE_DAYS.items():
            found = np.searchsorted(times, last) - np.searchsorted(times, first)
            self.complete[on, kind] += int(found == (last - first) // (60 * minutes))

    def added(self, path: str, added: list[tuple[str, int, bytes]]) -> bytes:
        """Note rows added to the mixed file and return them."""
        self.tell(path, [(kind, rows) for kind, rows, _ in added])
        lines = b"".join(lines for _, _, lines in added)
        self.repeated_beyond["implanted below"] += lines.count(b"LOW")
        self.repeated_beyond["implanted above"] += lines.count(b"HIGH")
        self.reading_rows[path] += lines.count(b"\n")
        return lines


@lru_cache(maxsize=8192)  # the same few years of days, over and over
def when(day: int | None, form: str, never: str = "") -> str:
    """Return a day number as text, or `never`."""
    return never if day is None else as_date(day).strftime(form)


class _Texts:
    """Texts of days, clocks, values and offsets, looked up by code."""

    def __init__(self, scenario: Scenario) -> None:
        self.first = 19_600
        self.minutes = {
            "implanted": scenario.implanted_minutes, "adhesive": scenario.adhesive_minutes
        }  # fmt: skip
        last = scenario.last_day + 2
        self.clock = clock_table()
        self.iso = day_table(self.first, last, ISO)
        self.dmy = day_table(self.first, last, DMY)
        whole = [str(v) for v in range(HIGH + 2)]
        self.mass = field_table([*("LOW",) * LOW, *whole[LOW : HIGH + 1], "HIGH"])
        tenths = [f"{v / 10:.1f}" for v in range(223)]
        self.molar = field_table([*("LOW",) * 22, *tenths[22:], "HIGH"])
        below, above = "< 2,2", "> 22,2"
        comma = [text.replace(".", ",") for text in tenths]
        self.comma = field_table([*(below,) * 22, *comma[22:], above])
        self.offset = field_table(["+01:00", "+02:00"])


def mass_codes(values: np.ndarray) -> np.ndarray:
    """Whole mg/dL with 39 for below and 401 for above the limits."""
    return np.clip(np.rint(values), LOW - 1, HIGH + 1).astype(np.int64)


def molar_codes(values: np.ndarray) -> np.ndarray:
    """Tenths of mmol/L with 21 for below and 223 for above the limits, decided in mg/dL."""
    whole = mass_codes(values)
    tenths = np.clip(np.rint(values / MOLAR * 10), 22, 222).astype(np.int64)
    return np.where(whole < LOW, 21, np.where(whole > HIGH, 223, tenths))


class Readings:
    """The readings files under `folder`; the meter's rows wait until wrong ones are planted."""

    def __init__(self, scenario: Scenario, folder: Path) -> None:
        self.folder, self.written = folder, Written()
        self.texts = _Texts(scenario)
        self.met = 0  # patients so far
        self.pieces: dict[int, list[bytes]] = {}
        self.sticks = TextFile(
            folder=folder, path="exports/implant_cloud/meter.csv", table="fingersticks",
            separator=",", encoding="utf-8", header=("person", "local time", "value", "used"),
        )  # fmt: skip
        (folder / CLOUD).write_bytes(b"person,device,time,value,unit\n")

    def add(self, life: Life, trace: Trace) -> None:
        """Write the readings of a patient."""
        for month, data in _cloud_rows(self.texts, life, trace, self.written):
            self.pieces.setdefault(month, []).append(data)
        _portal_file(self.texts, life, trace, self.folder, self.written)
        _meter_rows(life, trace, self.sticks)
        self.met += 1
        if self.met % BATCH == 0:
            self._mix()

    def _mix(self) -> None:
        with (self.folder / CLOUD).open("ab") as out:
            for month in sorted(self.pieces):
                out.writelines(self.pieces[month])
        self.pieces = {}

    def finish(self) -> Written:
        """Write what is left and a stranger's file; return what is in all of them."""
        self._mix()
        stray = self.folder / f"exports/wear_portal/centre/glucose_{STRANGER}.csv"
        stray.parent.mkdir(parents=True, exist_ok=True)
        rows = [f"2026-01-05 {hour:02d}:00:11,A{STRANGER}-001,150\n" for hour in range(10, 20)]
        added = [("unknown patient", len(rows), "".join(rows).encode())]
        name = stray.relative_to(self.folder).as_posix()
        stray.write_bytes(b"t,patch,mg\n" + self.written.added(name, added))
        return self.written


def _of_kind(trace: Trace, kind: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, values and the sensor's place of one kind, in order of time."""
    places = [i for i, s in enumerate(trace.sensors) if s.model.kind == kind]
    if not places:
        return np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int64)
    times = np.concatenate([trace.times[i] for i in places])
    values = np.concatenate([trace.values[i] for i in places])
    sensor = np.repeat(places, [len(trace.times[i]) for i in places])
    order = np.argsort(times, kind="stable")
    return times[order], values[order], sensor[order]


def _cloud_rows(
    texts: _Texts, life: Life, trace: Trace, written: Written
) -> list[tuple[int, bytes]]:
    """Rows of the mixed file, by month, with the repeats and wrong rows of this patient."""
    times, values, sensor = _of_kind(trace, "implanted")
    if len(times) == 0:
        return []
    written.tell_change_days("implanted", times, texts.minutes["implanted"])
    who = life.course.person
    molar = who.site == "Brimmsiel"
    codes = molar_codes(values) if molar else mass_codes(values)
    _count_beyond(written, "implanted", codes, molar)
    offset = local_offset(times)
    local = times + offset
    ids = field_table([s.sensor_id for s in trace.sensors])
    unit = b",mmol/L\n" if molar else b",mg/dL\n"
    month = local // (30 * DAY)
    edges = np.flatnonzero(np.diff(month)) + 1
    pieces: list[tuple[int, bytes]] = []
    for rows in np.split(np.arange(len(times)), edges):
        data = joined(
            [
                who.patient_id.encode() + b",", (ids, sensor[rows]), b",",
                (texts.iso, local[rows] // DAY - texts.first), b"T",
                (texts.clock, local[rows] % DAY), (texts.offset, offset[rows] // 3600 - 1), b",",
                (texts.molar if molar else texts.mass, codes[rows]), unit,
            ]
        )  # fmt: skip
        number = len(pieces)
        added = spoil_cloud(written.wearers["cloud"], number, data)
        data += written.added(CLOUD, added)
        pieces.append((int(month[rows[0]]), data))
    written.wearers["cloud"] += 1
    written.reading_rows[CLOUD] += len(times)
    return pieces


def _portal_file(texts: _Texts, life: Life, trace: Trace, folder: Path, written: Written) -> None:
    """One file of one patient: mg/dL in the centre's layout, mmol/L in the satellites'."""
    times, values, sensor = _of_kind(trace, "adhesive")
    if len(times) == 0:
        return
    written.tell_change_days("adhesive", times, texts.minutes["adhesive"])
    who = life.course.person
    local = times + local_offset(times)
    central = who.site == "Ostervahl"
    codes = mass_codes(values) if central else molar_codes(values)
    _count_beyond(written, "adhesive", codes, not central)
    day, clock = local // DAY - texts.first, local % DAY
    if central:
        path, header = f"exports/wear_portal/centre/glucose_{who.patient_id}.csv", b"t,patch,mg\n"
        ids = field_table([s.sensor_id for s in trace.sensors])
        parts: list[Part] = [
            (texts.iso, day), b" ", (texts.clock, clock), b",", (ids, sensor), b",",
            (texts.mass, codes), b"\n",
        ]  # fmt: skip
    else:
        path, header = (
            f"exports/wear_portal/satellites/{who.patient_id}_verlauf.csv",
            b"Zeit;Wert\n",
        )
        parts = [
            (texts.dmy, day), b" ", (texts.clock, clock), b";", (texts.comma, codes), b"\r\n",
        ]  # fmt: skip
    target = folder / path
    target.parent.mkdir(parents=True, exist_ok=True)
    spoiler, layout = (spoil_centre, "centre") if central else (spoil_satellites, "satellites")
    wearer = written.wearers[layout]
    written.wearers[layout] += 1
    right = joined(parts)
    data, planted = spoiler(wearer, right)
    lost = unplaced(
        local, codes, sensor if central else np.zeros_like(sensor),
        in_order=central or wearer != OUT_OF_ORDER,
    )  # fmt: skip
    written.tell(path, [*planted, *lost])
    if data is not right:
        for side, words in {"below": (b"LOW", b"< 2,2"), "above": (b"HIGH", b"> 22,2")}.items():
            extra = sum(data.count(word) - right.count(word) for word in words)
            written.repeated_beyond[f"adhesive {side}"] += extra
    with target.open("wb") as out:
        out.write(header)
        out.write(data)
    written.reading_rows[path] += len(times) if data is right else data.count(b"\n")


def _count_beyond(written: Written, kind: str, codes: np.ndarray, molar: bool) -> None:
    low, high = (21, 223) if molar else (LOW - 1, HIGH + 1)
    written.beyond[f"{kind} below"] += int((codes == low).sum())
    written.beyond[f"{kind} above"] += int((codes == high).sum())


def _meter_rows(life: Life, trace: Trace, sticks: TextFile) -> None:
    if not trace.sticks:
        return
    times = np.array([stick.time for stick in trace.sticks])
    values = np.clip(np.rint([stick.value for stick in trace.sticks]), 20, 600).astype(int)
    days, seconds = np.divmod(times + local_offset(times), DAY)
    rows = zip(trace.sticks, days.tolist(), (seconds // 60).tolist(), values.tolist(), strict=True)
    for stick, day, minute, value in rows:
        sticks.add(
            life.course.person.patient_id,
            f"{when(day, MDY)} {minute // 60:02d}:{minute % 60:02d}", str(value),
            "1" if stick.calibrates else "0",
        )  # fmt: skip
