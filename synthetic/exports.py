"""The five invented systems and the files that they export, right rows first, then wrong ones.

register        people, facts, contacts: semicolon, cp1252, day.month.year, 31.12.9999 for never
implant log     implanted sensors and procedures: tabs, UTF-16, two title lines, year-month-day
laboratory      HbA1c: decimal comma and mixed units with a byte-order mark; a bedside file a year
wear portal     adhesive sensors; one readings file a patient in two layouts, bare local time
implant cloud   one mixed readings file with offsets and two units; the meter's values
and the quality office's list of complications, a workbook with headings in a third language
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np

from .clinic import Clinic, Life, as_date, contacts_of
from .clock import CHANGE_DAYS, DAY, local_offset
from .glucose import HIGH, LOW, Trace
from .rows import Part, TextFile, clock_table, day_table, field_table, joined
from .scenario import Scenario
from .sheets import SheetFile
from .spoil import (
    OUT_OF_ORDER,
    STRANGER,
    Planted,
    spoil,
    spoil_centre,
    spoil_cloud,
    spoil_satellites,
    twice_with_two_contents,
    unplaced,
)
from .wear import Sensor

MOLAR = 18.0156  # mg/dL per mmol/L, from the molar mass of glucose
DMY, ISO, MDY = "%d.%m.%Y", "%Y-%m-%d", "%m/%d/%Y"
CLOUD = "exports/implant_cloud/values.csv"
NEVER = "31.12.9999"
BATCH = 10  # patients whose rows are mixed month by month in the big file

MERKMAL = {
    "site": "Standort",
    "insulin delivery": "Insulingabe",
    "other glucose-lowering drug": "Begleitmittel",
    "pregnancy": "Schwangerschaft",
    "hba1c unreliable": "HbA1c unsicher",
}
VALUE = {
    "pump": "Pumpe",
    "injections": "Spritzen",
    "none": "ohne",
    "started": "Beginn",
    "yes": "ja",
    "transfusion": "Transfusion",
}
KONTAKT = {
    "visit": "Besuch",
    "call": "Anruf",
    "offer of a sensor": "Angebot",
    "sensor declined": "Absage",
    "left the clinic": "Abgang",
}
SEX = {"female": "w", "male": "m", "unknown": "?"}
TYPE = {"type 1": "Typ 1", "type 2": "Typ 2", "other": "sonstige"}
BEFORE = {"naive": "keine", "adhesive": "Klebe", "implanted": "Implantat", "unknown": "unbekannt"}
REASON = {
    "planned": "10", "sensor failure": "20", "detached": "21", "infection": "30",
    "skin reaction": "31", "other complication": "39", "patient choice": "40",
    "medical need": "41", "death": "50", "unknown": "99",
}  # fmt: skip
WHAT = {"placement": "IN", "removal": "OUT"}
METHOD = {"laboratory": "L", "home": "H"}
SEVERITY = {"mild": "1", "moderate": "2", "severe": "3"}
NATURE = {
    "bruising": "HEM",
    "pain": "DOU",
    "site infection": "INF",
    "vasovagal reaction": "VAG",
    "skin discolouration": "DEP",
    "reaction to the adhesive of the transmitter": "TRA",
    "contact dermatitis": "DER",
    "itching": "PRU",
    "bleeding at insertion": "SAI",
    "severe hypoglycaemia": "HYP",
    "diabetic ketoacidosis": "ACI",
    "skin reaction": "PEA",
    "migration": "MIG",
    "early replacement alert": "ALE",
}


@dataclass(kw_only=True)
class Written:
    """What was written: small files, and of the readings the counts."""

    files: list[TextFile] = field(default_factory=list)
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


def when(day: int | None, form: str, never: str = "") -> str:
    """Return a day number as text, or `never`."""
    return never if day is None else as_date(day).strftime(form)


def entered(clinic: Clinic, day: int, form: str) -> str:
    """Return the day on which a row came into its system, at the latest the day of the export."""
    return when(min(day, clinic.scenario.last_day + 1), form)


def write_exports(clinic: Clinic, folder: Path) -> Written:
    """Write every file under `folder`/exports and return what is in them."""
    written = Written()
    rng = np.random.default_rng([clinic.seed, 2**31, 1])
    small = [
        *_register(clinic), *_implant_log(clinic), *_laboratory(clinic), _patches(clinic),
        _incidents(clinic),
    ]  # fmt: skip
    for file in small:
        spoil(file, rng)
    if clinic.scenario.one_person_twice:
        twice_with_two_contents(small[0], rng)
    sticks = _meter_file()
    _readings(clinic, folder, written, sticks)
    spoil(sticks, rng)
    written.files = [*small, sticks]
    for file in written.files:
        file.write(folder)
    return written


def _register(clinic: Clinic) -> list[TextFile]:
    register = partial(TextFile, separator=";", encoding="cp1252", newline="\r\n")
    people = register(
        path="exports/register/personen.csv", table="patients",
        header=(
            "Kennung", "Kürzel", "Geboren", "Geschlecht", "Diabetestyp", "Diagnosejahr",
            "Erfasst ab", "Sensoren vorher", "Verstorben am",
        ),
    )  # fmt: skip
    facts = register(
        path="exports/register/merkmale.csv", table="states",
        header=("Kennung", "Merkmal", "Ausprägung", "Beginn", "Ende"),
    )  # fmt: skip
    contacts = register(
        path="exports/register/kontakte.csv", table="contacts",
        header=("Kennung", "Datum", "Art"),
    )  # fmt: skip
    for life in clinic.lives:
        who, lived = life.course.person, life.course
        known = None if who.entry == "unknown" else who.joined
        people.add(
            who.patient_id, who.initials, f"{who.birthday}{who.birth_year % 100:02d}",
            SEX[who.sex], TYPE[who.diabetes_type],
            str(who.diagnosis_year) if who.diagnosis_known else "", when(known, DMY),
            BEFORE[who.entry], when(lived.died, DMY, NEVER),
        )  # fmt: skip
        for state in life.states:
            facts.add(
                who.patient_id, MERKMAL[state.what], VALUE.get(state.value, state.value),
                when(state.first, DMY), when(state.last, DMY, NEVER),
            )  # fmt: skip
        for on, what in contacts_of(lived):
            contacts.add(who.patient_id, when(on, DMY), KONTAKT[what])
    return [people, facts, contacts]


def recorded_end(sensor: Sensor, life: Life) -> tuple[int | None, int | None, str]:
    """Return the recorded stop, the recorded removal and the recorded reason ("" for none)."""
    end = life.course.end
    ended = sensor.works_until <= end
    out = sensor.removed is not None and sensor.removed <= end
    known = (ended and sensor.reason != "planned") or out
    stop = sensor.works_until if ended and sensor.stopped_recorded and (known or out) else None
    return stop, sensor.removed if out else None, sensor.reason_recorded if known else ""


def _implant_log(clinic: Clinic) -> list[TextFile]:
    log = partial(
        TextFile, separator="\t", encoding="utf-16", newline="\r\n",
        title=("Implant log of the centre and its satellites", "All rows"),
    )  # fmt: skip
    sensors = log(
        path="exports/implant_log/sensors.txt", table="sensors",
        header=(
            "Device", "Person", "Model", "Lot", "Placed", "Placed at", "Life (d)",
            "Last day working", "Taken out", "Why", "Arm", "Entered",
        ),
    )  # fmt: skip
    attempts = log(
        path="exports/implant_log/procedures.txt", table="procedures",
        header=(
            "Procedure", "Person", "Device", "What", "Day", "Attempt", "Done", "By", "Profession",
            "Supervised", "Place", "Entered",
        ),
    )  # fmt: skip
    for life in clinic.lives:
        for s in life.course.sensors:
            if s.model.kind != "implanted":
                continue
            stop, out, why = recorded_end(s, life)
            minute = s.placed_minute
            sensors.add(
                s.sensor_id, s.patient_id, s.model.name, s.lot, when(s.placed, ISO),
                f"{when(s.placed, ISO)} {minute // 60:02d}:{minute % 60:02d}",
                str(s.model.planned_days), when(stop, ISO), when(out, ISO, "9999-12-31"),
                REASON.get(why, ""), s.body_site, entered(clinic, max(s.placed, out or 0) + 2, ISO),
            )  # fmt: skip
        for p in life.procedures:
            attempts.add(
                p.procedure_id, p.patient_id, p.sensor_id, WHAT[p.what], when(p.on, ISO),
                str(p.attempt), "yes" if p.completed else "no", p.inserter.inserter_id,
                p.inserter.role, "yes" if p.supervised else "no", p.site,
                entered(clinic, p.on + 1, ISO),
            )  # fmt: skip
    return [sensors, attempts]


def mmol_per_mol(percent: float) -> int:
    """Return HbA1c in whole mmol/mol, from NGSP % = 0.09148 x IFCC + 2.152."""
    return int(np.rint((percent - 2.152) / 0.09148))


def _laboratory(clinic: Clinic) -> list[TextFile]:
    central = TextFile(
        path="exports/laboratory/central.csv", table="hba1c", separator=";",
        encoding="utf-8-sig",
        header=("Auftrag", "Kennung", "Entnahme", "Ergebnis", "Einheit", "Ort", "Freigabe"),
    )  # fmt: skip
    bedside: dict[int, TextFile] = {}
    order = 0
    for life in clinic.lives:
        who = life.course.person
        for draw in life.course.draws:
            percent = float(np.rint(draw.percent * 10) / 10)
            if draw.method == "point of care":
                year = as_date(draw.on).year
                file = bedside.setdefault(year, _bedside(year))
                file.add(who.patient_id, when(draw.on, MDY), f"{percent:.1f}")
                continue
            order += 1
            # The central laboratory changed to mmol/mol for the centre's own patients.
            new_scale = who.site == "Ostervahl" and draw.on >= 20_089  # 2025-01-01
            value = str(mmol_per_mol(percent)) if new_scale else f"{percent:.1f}".replace(".", ",")
            central.add(
                f"{order:07d}", who.patient_id, when(draw.on, DMY), value,
                "mmol/mol" if new_scale else "Prozent", METHOD[draw.method],
                entered(clinic, draw.on + 1, DMY),
            )  # fmt: skip
    return [central, *(bedside[year] for year in sorted(bedside))]


def _bedside(year: int) -> TextFile:
    return TextFile(
        path=f"exports/laboratory/bedside_{year}.csv", table="hba1c", separator=",",
        encoding="utf-8", header=("person", "date", "a1c"),
    )  # fmt: skip


def _patches(clinic: Clinic) -> TextFile:
    file = TextFile(
        path="exports/wear_portal/patches.csv", table="sensors", separator=",",
        encoding="utf-8",
        header=("patch", "person", "model", "lot", "from", "life", "until", "reason", "where"),
    )  # fmt: skip
    for life in clinic.lives:
        for s in life.course.sensors:
            if s.model.kind != "adhesive":
                continue
            _, out, why = recorded_end(s, life)
            file.add(
                s.sensor_id, s.patient_id, s.model.name, s.lot, when(s.placed, ISO),
                str(s.model.planned_days), when(out, ISO), why, s.body_site,
            )  # fmt: skip
    return file


def _incidents(clinic: Clinic) -> SheetFile:
    file = SheetFile(
        path="exports/quality/incidents.xlsx", table="complications", separator="", encoding="",
        title=("Liste des incidents du bureau de la qualité",), sheet="Incidents",
        dates=("début", "saisi le"), numbers=("gravité",),
        header=(
            "numéro", "personne", "capteur", "acte", "début", "nature", "défaut seul", "gravité",
            "sérieux", "lien dispositif", "lien acte", "issue", "mesure prise", "saisi le",
        ),
    )  # fmt: skip
    for life in clinic.lives:
        for c in life.complications:
            file.add(
                c.complication_id, c.patient_id, c.sensor_id, c.procedure_id, when(c.onset, ISO),
                NATURE[c.category], "oui" if c.deficiency_only else "non", SEVERITY[c.severity],
                "oui" if c.serious else "non", c.to_device, c.to_procedure, c.outcome, c.action,
                entered(clinic, c.onset + 3, ISO),
            )  # fmt: skip
    return file


def _meter_file() -> TextFile:
    return TextFile(
        path="exports/implant_cloud/meter.csv", table="fingersticks", separator=",",
        encoding="utf-8", header=("person", "local time", "value", "used"),
    )  # fmt: skip


# --- readings -----------------------------------------------------------------------------------


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


def _readings(clinic: Clinic, folder: Path, written: Written, sticks: TextFile) -> None:
    texts = _Texts(clinic.scenario)
    cloud = folder / CLOUD
    cloud.parent.mkdir(parents=True, exist_ok=True)
    with cloud.open("wb") as out:
        out.write(b"person,device,time,value,unit\n")
        pieces: dict[int, list[bytes]] = {}
        for place, (life, trace) in enumerate(zip(clinic.lives, clinic.traces(), strict=True)):
            for month, data in _cloud_rows(texts, life, trace, written):
                pieces.setdefault(month, []).append(data)
            _portal_file(texts, life, trace, folder, written)
            _meter_rows(life, trace, sticks, written)
            if place % BATCH == BATCH - 1 or place == len(clinic.lives) - 1:
                for month in sorted(pieces):
                    out.writelines(pieces[month])
                pieces = {}
    stray = folder / f"exports/wear_portal/centre/glucose_{STRANGER}.csv"
    stray.parent.mkdir(parents=True, exist_ok=True)
    rows = [f"2026-01-05 {hour:02d}:00:11,A{STRANGER}-001,150\n" for hour in range(10, 20)]
    added = [("unknown patient", len(rows), "".join(rows).encode())]
    name = stray.relative_to(folder).as_posix()
    stray.write_bytes(b"t,patch,mg\n" + written.added(name, added))


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


def _meter_rows(life: Life, trace: Trace, sticks: TextFile, written: Written) -> None:
    if not trace.sticks:
        return
    times = np.array([stick.time for stick in trace.sticks])
    local = times + local_offset(times)
    for stick, at in zip(trace.sticks, local, strict=True):
        value = int(np.clip(np.rint(stick.value), 20, 600))
        day, minute = int(at) // DAY, int(at) % DAY // 60
        sticks.add(
            life.course.person.patient_id,
            f"{when(day, MDY)} {minute // 60:02d}:{minute % 60:02d}", str(value),
            "1" if stick.calibrates else "0",
        )  # fmt: skip
