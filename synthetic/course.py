"""A patient's way through the clinic: contacts, draws, offers, choices, wear and its end.

The mean glucose of a day is

    28.7 x (level + lagged effect of what is worn + drug) - 46.7 + slow swings   (mg/dL)

with the line of Nathan DM, Diabetes Care 2008;31:1473 between HbA1c and mean glucose. HbA1c weighs
the days before it by a half-life of 30 days (about half of the value comes from the last month)
and adds the patient's own gap. The choice of an implanted sensor and the leaving of the clinic
follow the latest *measured* draw, so that the one who chooses is high by chance as well.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from .people import Person
from .scenario import MODEL, Scenario, day_number, stream
from .wear import Sensor, place_implanted, wear_adhesive

SLOPE, INTERCEPT = 28.7, -46.7  # mg/dL per point, Nathan 2008
BURN_IN = 200
WEIGHTS = 0.5 ** (np.arange(180) / 30.0)
WEIGHTS /= WEIGHTS.sum()


@dataclass(kw_only=True)
class Draw:
    """One HbA1c sample: the value in % as measured, before any rounding."""

    on: int
    percent: float
    method: str


@dataclass(kw_only=True)
class Decision:
    """A contact at which the patient could begin, change to or decline an implanted sensor."""

    on: int
    kind_before: str  # "none" or "adhesive"
    log_odds: float
    chosen: str  # "implanted", "adhesive"
    latest_hba1c: float


@dataclass(kw_only=True)
class Course:
    """Everything that truly happened to one patient; days are day numbers."""

    person: Person
    first: int  # day of the first element of the daily series
    swings: np.ndarray  # mg/dL a day
    target: np.ndarray  # effect of what is worn, in points, before the lag
    drug_from: int | None = None
    died: int | None = None
    left: int | None = None  # day of the last contact of those who leave
    left_recorded: bool = False
    end: int = 0  # last day in the clinic
    contacts: list[tuple[int, str]] = field(default_factory=list)
    draws: list[Draw] = field(default_factory=list)
    decisions: list[Decision] = field(default_factory=list)
    sensors: list[Sensor] = field(default_factory=list)
    kinds: list[tuple[int, str]] = field(default_factory=list)  # (day, worn from then on)

    def effect(self, scenario: Scenario) -> np.ndarray:
        """Effect of what is worn on each day, in points, with the lag."""
        return lagged(self.target, scenario.lag_days)

    def mean_glucose(self, scenario: Scenario) -> np.ndarray:
        """True mean glucose of each day, mg/dL."""
        points = self.person.level + self.effect(scenario)
        if self.drug_from is not None:
            since = np.arange(len(points)) - (self.drug_from - self.first) + 1
            points += scenario.drug_effect * -np.expm1(-np.maximum(since, 0) / scenario.lag_days)
        return np.clip(SLOPE * points + INTERCEPT + self.swings, 75.0, 340.0)

    def hba1c(self, scenario: Scenario, on: int, glucose: np.ndarray | None = None) -> float:
        """True HbA1c on a day, %."""
        mean = self.mean_glucose(scenario) if glucose is None else glucose
        place = on - self.first
        past = mean[max(place - len(WEIGHTS) + 1, 0) : place + 1][::-1]
        weights = WEIGHTS[: len(past)]
        level = float(past @ weights / weights.sum())
        return (level - INTERCEPT) / SLOPE + self.person.glycation_gap


def lagged(target: np.ndarray, days: float) -> np.ndarray:
    """First-order approach to `target`, from its first value."""
    keep = float(np.exp(-1 / days))
    start = np.array([keep * target[0]])
    return np.asarray(lfilter([1 - keep], [1, -keep], target, zi=start)[0])


def contributions(scenario: Scenario, person: Person, latest: float) -> dict[str, float]:
    """What each covariate adds to the log odds of choosing an implanted sensor."""
    return {
        "hba1c": scenario.choice_hba1c * (latest - scenario.centre),
        "age": scenario.choice_age * (person.age_years - 52) / 10,
        "type_1": scenario.choice_type_1 * (person.diabetes_type == "type 1"),
        "trait": scenario.unmeasured * person.trait,
    }


def log_odds(scenario: Scenario, person: Person, latest: float) -> float:
    """Log odds of choosing an implanted sensor."""
    total = scenario.choice_intercept
    for size in contributions(scenario, person, latest).values():
        total += size
    return total


def course(scenario: Scenario, seed: int, person: Person) -> Course:
    """Live one patient's time in the clinic up to the export."""
    walk = _Walk(scenario, seed, person)
    walk.run()
    return walk.course


class _Walk:
    """The patient's way, contact by contact."""

    def __init__(self, scenario: Scenario, seed: int, person: Person) -> None:
        self.scenario, self.person = scenario, person
        self.rng = stream(seed, person.index, "course")
        self.wear_rng = stream(seed, person.index, "wear")
        self.lab_rng = stream(seed, person.index, "laboratory")
        first = person.joined - BURN_IN
        n = scenario.last_day - first + 60
        keep = float(np.exp(-1 / scenario.wander_days))
        noise = self.rng.normal(size=n) * scenario.wander_sd_mg_dl * np.sqrt(1 - keep**2)
        noise[0] = self.rng.normal() * scenario.wander_sd_mg_dl
        self.course = Course(
            person=person,
            first=first,
            swings=np.asarray(lfilter([1], [1, -keep], noise)),
            target=np.zeros(n),
            end=scenario.last_day,
        )
        self.implants = 0
        self.model = MODEL["AP-10" if self.rng.random() < 0.5 else "AP-14"]

    def run(self) -> None:
        self._fates()
        entry = self.person.entry
        kind = {"naive": "none", "unknown": "adhesive"}.get(entry, entry)
        # A naive patient's first decision comes at a contact after 95 to 330 covered days.
        self.decides_from = self.person.joined + int(self.rng.integers(95, 330))
        self.decides_from = max(self.decides_from, day_number(self.scenario.plan_start) + 5)
        self._wear(self.course.first, kind)
        self.kind, self.since = kind, self.person.joined - int(self.rng.integers(0, 10))
        self.implant: Sensor | None = None
        if kind == "implanted":
            self._place(self.person.joined - int(self.rng.integers(1, 80)))
        day = self.person.joined + int(self.rng.integers(0, 60))
        while day <= self.course.end:
            self._contact(day)
            day += int(np.clip(self.rng.normal(88, 18), 40, 150))
        self._finish()

    def _fates(self) -> None:
        """Death and the start of another drug, neither caused by a sensor."""
        yearly = 0.012 * np.exp((self.person.age_years - 60) / 12)
        death = self.person.joined + int(365.25 * self.rng.exponential() / yearly)
        if death <= self.scenario.last_day:
            self.course.died = self.course.end = death
        if self.rng.random() < 0.12:
            self.course.drug_from = self.person.joined + int(self.rng.integers(150, 700))

    def _wear(self, day: int, kind: str) -> None:
        """From `day` on `kind` is worn: set the effect that its wear approaches."""
        person = self.person
        effect = {
            "none": 0.0,
            "adhesive": person.effect_adhesive,
            "implanted": person.effect_adhesive + person.effect_implanted,
        }[kind]
        trait = -0.25 * person.trait * (self.scenario.unmeasured != 0.0) * (kind != "none")
        self.course.target[max(day - self.course.first, 0) :] = effect + trait
        self.course.kinds.append((day, kind))

    def _contact(self, day: int) -> None:
        self._replace_implants(day)
        latest = self._draw(day)
        what = "call" if self.rng.random() < 0.12 else "visit"
        self.course.contacts.append((day, what))
        odds = self.scenario.leaving_intercept + self.scenario.leaving_hba1c * (
            latest - self.scenario.centre
        )
        if self.rng.random() < _expit(odds):
            self.course.left = self.course.end = day
            self.course.left_recorded = bool(self.rng.random() < 0.5)
            return
        if self.kind == "none" and day >= self.decides_from:
            self._decide(day, latest)
        elif self.kind == "adhesive" and day >= day_number(self.scenario.records_from) + 90:
            if self.rng.random() < self.scenario.offer:
                self._decide(day, latest)
            elif self.rng.random() < 0.015:
                self._stop_adhesive(day)
                self.decides_from = day + 120

    def _decide(self, day: int, latest: float) -> None:
        odds = log_odds(self.scenario, self.person, latest)
        before = self.kind
        # An adhesive wearer is used to the sensor and changes less readily.
        odds -= 1.3 if before == "adhesive" else 0.0
        chosen = "implanted" if self.rng.random() < _expit(odds) else "adhesive"
        self.course.decisions.append(
            Decision(on=day, kind_before=before, log_odds=odds, chosen=chosen, latest_hba1c=latest)
        )
        self.course.contacts.append((day, "offer of a sensor"))
        if chosen == "implanted":
            placed = day + int(self.rng.integers(5, 29))
            if placed > self.course.end:
                return
            if before == "adhesive":
                self._stop_adhesive(placed + (4 if self.rng.random() < 0.5 else 0))
            self._place(placed)
            self._wear(placed, "implanted")
            self.kind = "implanted"
            return
        self._decline(day)
        if before == "none":
            self.since = day + int(self.rng.integers(0, 8))
            self._wear(self.since, "adhesive")
            self.kind = "adhesive"

    def _decline(self, day: int) -> None:
        """Half of those who stay away from an implanted sensor call to say so; the others do not.

        No random number is drawn, so that everything else stays as it was.
        """
        called = day + 3 + (31 * day + 17 * self.person.index) % 15
        if (day + self.person.index) % 2 == 0 and called <= self.course.end:
            self.course.contacts.append((called, "sensor declined"))

    def _stop_adhesive(self, day: int) -> None:
        """Take the adhesive sensors off on `day`; the sensors up to then are drawn now."""
        last = min(day, self.course.end)
        if last > self.since:
            self.course.sensors += wear_adhesive(
                self.person.patient_id, len(self.course.sensors) + 1, self.model, self.since,
                last, self.person.frailty, self.wear_rng,
            )  # fmt: skip
        self.kind = "none"
        self._wear(day, "none")

    def _place(self, day: int) -> None:
        self.implants += 1
        self.implant = place_implanted(
            self.scenario, self.person.patient_id,
            f"S{self.person.patient_id}-{self.implants:02d}", day, self.person.frailty,
            self.implants, self.wear_rng,
        )  # fmt: skip
        self.course.sensors.append(self.implant)
        self.kind = "implanted"

    def _replace_implants(self, until: int) -> None:
        """Walk through the removals before `until`: place the next, change kind or stop."""
        while self.kind == "implanted" and self.implant is not None:
            removed = self.implant.removed
            if removed is None or removed >= until:
                return
            stay = 0.60 if self.implant.reason == "patient choice" else 0.86
            draw = self.rng.random()
            if draw < stay:
                same_day = self.rng.random() < 0.55
                self._place(removed + (0 if same_day else int(self.rng.integers(3, 50))))
                continue
            self.implant = None
            self.since = removed
            self.kind = "adhesive" if draw < stay + 0.6 * (1 - stay) else "none"
            self.decides_from = removed + 180
            self._wear(removed, self.kind)

    def _draw(self, day: int) -> float:
        """Draw HbA1c around a contact, sometimes not, sometimes once more; return the latest."""
        rng, course = self.lab_rng, self.course
        glucose = course.mean_glucose(self.scenario)
        u, before, extra, noise = (
            rng.random(),
            rng.integers(0, 11),
            rng.random(),
            rng.normal(size=2),
        )
        satellite = self.person.site != "Ostervahl"
        if u < 0.87 or not course.draws:
            near = u < (0.45 if satellite else 0.12)
            on = day if near else day - int(before)
            method = "point of care" if near else "laboratory"
            self._add_draw(on, method, noise[0], glucose)
        latest = course.draws[-1].percent
        if extra < 0.15 and day + 30 <= min(course.end, self.scenario.last_day):
            on = day + 15 + int(extra * 100)
            self._add_draw(on, "home" if extra < 0.03 else "laboratory", noise[1], glucose)
        return latest

    def _add_draw(self, on: int, method: str, noise: float, glucose: np.ndarray) -> None:
        sd = self.scenario.laboratory_sd
        sd = sd if method == "laboratory" else self.scenario.point_of_care_sd
        value = self.course.hba1c(self.scenario, on, glucose) + sd * noise
        self.course.draws.append(Draw(on=on, percent=value, method=method))

    def _finish(self) -> None:
        """Close what is still worn at the end of the patient's time or at the export."""
        self._replace_implants(self.course.end + 1)
        end = self.course.end
        if self.kind == "adhesive" and end > self.since:
            still = end + 20 if self.course.left is None and self.course.died is None else end + 1
            self.course.sensors += wear_adhesive(
                self.person.patient_id, len(self.course.sensors) + 1, self.model, self.since,
                still, self.person.frailty, self.wear_rng,
            )  # fmt: skip
        self.course.sensors = [s for s in self.course.sensors if s.placed <= end]
        # One draw a day and method: clashes are planted, counted, and not left to chance.
        once = {(d.on, d.method): d for d in reversed(self.course.draws) if d.on <= end}
        self.course.draws = sorted(once.values(), key=lambda draw: (draw.on, draw.method))


def _expit(x: float) -> float:
    return float(1 / (1 + np.exp(-x)))
