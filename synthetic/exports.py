"""The files of four invented systems and of an office, patient by patient; readings apart.

register        people, facts, contacts: semicolon, cp1252, day.month.year, 31.12.9999 for never
implant log     implanted sensors and procedures: tabs, UTF-16, two title lines, year-month-day
laboratory      HbA1c: decimal comma and mixed units with a byte-order mark; a bedside file a year
wear portal     adhesive sensors (its readings, and the implant cloud: `readings.py`)
and the quality office's list of complications, a workbook with headings in a third language
"""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Protocol

import numpy as np

from .clinic import Clinic, Life, as_date, contacts_of
from .readings import DMY, ISO, MDY, Readings, Written, when
from .rows import TextFile
from .scenario import Scenario
from .sheets import SheetFile
from .spoil import spoil, twice_with_two_contents
from .traps import traps
from .wear import Sensor

NEVER = "31.12.9999"
SCALE_CHANGED_ON = 20_089  # 2025-01-01

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


class System(Protocol):
    """Files of one system that take in one patient after another."""

    def add(self, life: Life) -> None:
        """Add the rows of a patient."""

    @property
    def files(self) -> list[TextFile]:
        """The files, in the order in which wrong rows are planted."""


class Exports:
    """Every file under `folder`/exports, written while patients come in."""

    def __init__(self, scenario: Scenario, seed: int, folder: Path) -> None:
        self.scenario, self.seed, self.folder = scenario, seed, folder
        self.systems: list[System] = [
            Register(folder), ImplantLog(scenario, folder), Laboratory(scenario, folder),
            Patches(folder), Incidents(scenario, folder),
        ]  # fmt: skip
        self.readings = Readings(scenario, folder)

    def add(self, block: Clinic) -> None:
        """Add the rows of some patients."""
        for life, trace in zip(block.lives, block.traces(), strict=True):
            for system in self.systems:
                system.add(life)
            self.readings.add(life, trace)

    def finish(self) -> Written:
        """Plant the wrong rows, write what waits, and return what is in the files."""
        rng = np.random.default_rng([self.seed, 2**31, 1])
        written = self.readings.finish()
        small = [file for system in self.systems for file in system.files]
        for file in small:
            spoil(file, rng)
        if self.scenario.one_person_twice:
            twice_with_two_contents(small[0], rng)
        spoil(self.readings.sticks, rng)
        written.files = [*small, self.readings.sticks]
        written.traps = traps(written.files)
        for file in written.files:
            file.write()
        return written


def entered(scenario: Scenario, day: int, form: str) -> str:
    """Return the day on which a row came into its system, at the latest the day of the export."""
    return when(min(day, scenario.last_day + 1), form)


class Register:
    """People, facts and contacts."""

    def __init__(self, folder: Path) -> None:
        register = partial(
            TextFile, folder=folder, separator=";", encoding="cp1252", newline="\r\n"
        )
        self.people = register(
            path="exports/register/personen.csv", table="patients",
            header=(
                "Kennung", "Kürzel", "Geboren", "Geschlecht", "Diabetestyp", "Diagnosejahr",
                "Erfasst ab", "Sensoren vorher", "Verstorben am",
            ),
        )  # fmt: skip
        self.facts = register(
            path="exports/register/merkmale.csv", table="states",
            header=("Kennung", "Merkmal", "Ausprägung", "Beginn", "Ende"),
        )  # fmt: skip
        self.contacts = register(
            path="exports/register/kontakte.csv", table="contacts",
            header=("Kennung", "Datum", "Art"),
        )  # fmt: skip
        self.files = [self.people, self.facts, self.contacts]

    def add(self, life: Life) -> None:
        """Add the rows of a patient."""
        who, lived = life.course.person, life.course
        known = None if who.entry == "unknown" else who.joined
        self.people.add(
            who.patient_id, who.initials, f"{who.birthday}{who.birth_year % 100:02d}",
            SEX[who.sex], TYPE[who.diabetes_type],
            str(who.diagnosis_year) if who.diagnosis_known else "", when(known, DMY),
            BEFORE[who.entry], when(lived.died, DMY, NEVER),
        )  # fmt: skip
        for state in life.states:
            self.facts.add(
                who.patient_id, MERKMAL[state.what], VALUE.get(state.value, state.value),
                when(state.first, DMY), when(state.last, DMY, NEVER),
            )  # fmt: skip
        for on, what in contacts_of(lived):
            self.contacts.add(who.patient_id, when(on, DMY), KONTAKT[what])


def recorded_end(sensor: Sensor, life: Life) -> tuple[int | None, int | None, str]:
    """Return the recorded stop, the recorded removal and the recorded reason ("" for none)."""
    end = life.course.end
    ended = sensor.works_until <= end
    out = sensor.removed is not None and sensor.removed <= end
    known = (ended and sensor.reason != "planned") or out
    stop = sensor.works_until if ended and sensor.stopped_recorded and (known or out) else None
    return stop, sensor.removed if out else None, sensor.reason_recorded if known else ""


class ImplantLog:
    """Implanted sensors and the attempts at placing and removing them."""

    def __init__(self, scenario: Scenario, folder: Path) -> None:
        self.scenario = scenario
        log = partial(
            TextFile, folder=folder, separator="\t", encoding="utf-16", newline="\r\n",
            title=("Implant log of the centre and its satellites", "All rows"),
        )  # fmt: skip
        self.sensors = log(
            path="exports/implant_log/sensors.txt", table="sensors",
            header=(
                "Device", "Person", "Model", "Lot", "Placed", "Placed at", "Life (d)",
                "Last day working", "Taken out", "Why", "Arm", "Entered",
            ),
        )  # fmt: skip
        self.attempts = log(
            path="exports/implant_log/procedures.txt", table="procedures",
            header=(
                "Procedure", "Person", "Device", "What", "Day", "Attempt", "Done", "By",
                "Profession", "Supervised", "Place", "Entered",
            ),
        )  # fmt: skip
        self.files = [self.sensors, self.attempts]

    def add(self, life: Life) -> None:
        """Add the rows of a patient."""
        for s in life.course.sensors:
            if s.model.kind != "implanted":
                continue
            stop, out, why = recorded_end(s, life)
            minute, last = s.placed_minute, max(s.placed, out or 0)
            self.sensors.add(
                s.sensor_id, s.patient_id, s.model.name, s.lot, when(s.placed, ISO),
                f"{when(s.placed, ISO)} {minute // 60:02d}:{minute % 60:02d}",
                str(s.model.planned_days), when(stop, ISO), when(out, ISO, "9999-12-31"),
                REASON.get(why, ""), s.body_site, entered(self.scenario, last + 2, ISO),
            )  # fmt: skip
        for p in life.procedures:
            self.attempts.add(
                p.procedure_id, p.patient_id, p.sensor_id, WHAT[p.what], when(p.on, ISO),
                str(p.attempt), "yes" if p.completed else "no", p.inserter.inserter_id,
                p.inserter.role, "yes" if p.supervised else "no", p.site,
                entered(self.scenario, p.on + 1, ISO),
            )  # fmt: skip


def mmol_per_mol(percent: float) -> int:
    """Return HbA1c in whole mmol/mol, from NGSP % = 0.09148 x IFCC + 2.152."""
    return int(np.rint((percent - 2.152) / 0.09148))


class Laboratory:
    """Draws of the central laboratory, and of the bedside device one file a year."""

    def __init__(self, scenario: Scenario, folder: Path) -> None:
        self.scenario, self.folder = scenario, folder
        self.central = TextFile(
            folder=folder, path="exports/laboratory/central.csv", table="hba1c", separator=";",
            encoding="utf-8-sig",
            header=("Auftrag", "Kennung", "Entnahme", "Ergebnis", "Einheit", "Ort", "Freigabe"),
        )  # fmt: skip
        self.bedside: dict[int, TextFile] = {}
        self.order = 0

    @property
    def files(self) -> list[TextFile]:
        """The central file, then the bedside ones by year."""
        return [self.central, *(self.bedside[year] for year in sorted(self.bedside))]

    def add(self, life: Life) -> None:
        """Add the rows of a patient."""
        who = life.course.person
        for draw in life.course.draws:
            percent = float(np.rint(draw.percent * 10) / 10)
            if draw.method == "point of care":
                file = self._bedside(as_date(draw.on).year)
                file.add(who.patient_id, when(draw.on, MDY), f"{percent:.1f}")
                continue
            self.order += 1
            # The central laboratory changed to mmol/mol for the centre's own patients.
            new_scale = who.site == "Ostervahl" and draw.on >= SCALE_CHANGED_ON
            value = str(mmol_per_mol(percent)) if new_scale else f"{percent:.1f}".replace(".", ",")
            self.central.add(
                f"{self.order:07d}", who.patient_id, when(draw.on, DMY), value,
                "mmol/mol" if new_scale else "Prozent", METHOD[draw.method],
                entered(self.scenario, draw.on + 1, DMY),
            )  # fmt: skip

    def _bedside(self, year: int) -> TextFile:
        if year not in self.bedside:
            self.bedside[year] = TextFile(
                folder=self.folder, path=f"exports/laboratory/bedside_{year}.csv", table="hba1c",
                separator=",", encoding="utf-8", header=("person", "date", "a1c"),
            )  # fmt: skip
        return self.bedside[year]


class Patches:
    """Adhesive sensors."""

    def __init__(self, folder: Path) -> None:
        self.file = TextFile(
            folder=folder, path="exports/wear_portal/patches.csv", table="sensors", separator=",",
            encoding="utf-8",
            header=("patch", "person", "model", "lot", "from", "life", "until", "reason", "where"),
        )  # fmt: skip
        self.files = [self.file]

    def add(self, life: Life) -> None:
        """Add the rows of a patient."""
        for s in life.course.sensors:
            if s.model.kind != "adhesive":
                continue
            _, out, why = recorded_end(s, life)
            self.file.add(
                s.sensor_id, s.patient_id, s.model.name, s.lot, when(s.placed, ISO),
                str(s.model.planned_days), when(out, ISO), why, s.body_site,
            )  # fmt: skip


class Incidents:
    """The quality office's list of complications."""

    def __init__(self, scenario: Scenario, folder: Path) -> None:
        self.scenario = scenario
        self.file = SheetFile(
            folder=folder, path="exports/quality/incidents.xlsx", table="complications",
            separator="", encoding="",
            title=("Liste des incidents du bureau de la qualité",), sheet="Incidents",
            dates=("début", "saisi le"), numbers=("gravité",),
            header=(
                "numéro", "personne", "capteur", "acte", "début", "nature", "défaut seul",
                "gravité", "sérieux", "lien dispositif", "lien acte", "issue", "mesure prise",
                "saisi le",
            ),
        )  # fmt: skip
        self.files: list[TextFile] = [self.file]

    def add(self, life: Life) -> None:
        """Add the rows of a patient."""
        for c in life.complications:
            self.file.add(
                c.complication_id, c.patient_id, c.sensor_id, c.procedure_id, when(c.onset, ISO),
                NATURE[c.category], "oui" if c.deficiency_only else "non", SEVERITY[c.severity],
                "oui" if c.serious else "non", c.to_device, c.to_procedure, c.outcome, c.action,
                entered(self.scenario, c.onset + 3, ISO),
            )  # fmt: skip
