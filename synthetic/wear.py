"""How long a sensor works and why its time ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .scenario import BAD_LOT, LOTS_FROM, MODEL, SECOND_GENERATION_FROM, Model, Scenario, day_number

CAUSES = (
    "sensor failure",
    "detached",
    "infection",
    "skin reaction",
    "other complication",
    "patient choice",
    "medical need",
)

# Of the implanted sensors that outlive their plan: removed long after it, and removed early though
# the reason is told as planned.
OVERDUE, EARLY = 0.04, 0.04
EARLY_DAYS = (12, 52)  # days before the planned day, the last excluded
VISIT_MEAN, VISIT_SD, VISIT_RANGE = 4.0, 7.0, (-6, 40)  # removal visit, days after planned


@dataclass(kw_only=True)
class Sensor:
    """One sensor as it truly was; `recorded_*` is what the clinic's systems hold."""

    sensor_id: str
    patient_id: str
    model: Model
    lot: str
    placed: int  # day number
    placed_minute: int  # local minute of the day
    works_until: int  # last day it worked, truly
    reason: str  # why its time ended, truly; "" while it works
    removed: int | None = None
    stopped_recorded: bool = True
    reason_recorded: str = ""
    body_site: str = ""

    @property
    def planned(self) -> int:
        """Day of the planned removal."""
        return self.placed + self.model.planned_days


def lives(
    model: Model,
    n: int,
    frailty: float | np.ndarray,
    lot_ratio: float | np.ndarray,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Draw the age in days at which each of `n` sensors would end, and the cause's place.

    Every cause has a latent time by inverting its cumulative hazard; the first one wins.
    """
    draws = rng.exponential(size=(len(CAUSES), n))
    risk = frailty * lot_ratio
    with np.errstate(divide="ignore"):
        latent = np.vstack(
            [
                model.failure_scale * (draws[0] / risk) ** (1 / model.failure_shape),
                model.detached_scale * (draws[1] / frailty) ** (1 / model.detached_shape),
                draws[2] / model.infection,
                draws[3] / model.skin_reaction,
                draws[4] / model.other_complication,
                draws[5] / model.patient_choice,
                draws[6] / model.medical_need,
            ]
        )
    cause = latent.argmin(axis=0)
    return latent.min(axis=0), cause


def lot(model: Model, placed: int, rng: np.random.Generator) -> str:
    """Return the lot: a letter by model, a number by the quarter of placement, then A or B."""
    letter = {"IG-1": "K", "IG-2": "M", "AP-10": "P", "AP-14": "Q"}[model.name]
    quarter = (placed - LOTS_FROM) // 91
    return f"{letter}{20 + quarter:02d}{'AB'[int(rng.integers(2))]}"


def implanted_model(placed: int, rng: np.random.Generator) -> Model:
    """Return the model placed on that day: the second generation from its launch, for most."""
    second = placed >= day_number(SECOND_GENERATION_FROM) and rng.random() < 0.55
    return MODEL["IG-2" if second else "IG-1"]


def place_implanted(
    scenario: Scenario, patient: str, sensor_id: str, placed: int, frailty: float,
    side: int, rng: np.random.Generator,
) -> Sensor:  # fmt: skip
    """Place an implanted sensor and decide when it stops, when it is removed and what is told."""
    model = implanted_model(placed, rng)
    batch = lot(model, placed, rng)
    ratio = scenario.bad_lot_ratio if batch == BAD_LOT else 1.0
    age, cause = lives(model, 1, frailty, ratio, rng)
    planned = placed + model.planned_days
    visit = planned + int(np.clip(np.rint(rng.normal(VISIT_MEAN, VISIT_SD)), *VISIT_RANGE))
    if placed + int(age[0]) < min(planned, visit):
        reason = CAUSES[int(cause[0])]
        stops = placed + int(age[0])
        elective = reason in ("patient choice", "medical need")
        removed = stops if elective else stops + 2 + int(rng.exponential(12))
    else:
        reason, removed = "planned", visit
        late = rng.random()
        if late < OVERDUE:
            removed = planned + 60 + int(rng.integers(120))  # long overdue
        elif late > 1 - EARLY:
            removed = planned - int(rng.integers(*EARLY_DAYS))
        stops = min(planned, removed)
    return Sensor(
        sensor_id=sensor_id,
        patient_id=patient,
        model=model,
        lot=batch,
        placed=placed,
        placed_minute=int(rng.integers(8 * 60, 17 * 60)),
        works_until=stops,
        reason=reason,
        removed=removed,
        stopped_recorded=bool(rng.random() < 0.8),
        reason_recorded="unknown" if rng.random() < 0.03 else reason,
        body_site="left upper arm" if side % 2 == 0 else "right upper arm",
    )


def wear_adhesive(
    patient: str, first_number: int, model: Model, first: int, last: int,
    frailty: float, rng: np.random.Generator,
) -> list[Sensor]:  # fmt: skip
    """Return the adhesive sensors worn one after another from day `first` to day `last`."""
    n = 12 + (last - first) // 5
    ages, causes = lives(model, n, frailty, 1.0, rng)
    days = np.minimum(ages.astype(int), model.planned_days)
    early = ages.astype(int) < model.planned_days
    pause = np.where(rng.random(n) < 0.06, rng.integers(1, 4, n), 0)
    placed = first + np.concatenate([[0], np.cumsum(days + pause)[:-1]])
    minutes = rng.integers(7 * 60, 22 * 60, n)
    told = rng.random(n)
    lots = rng.integers(2, size=n)
    letter = {"AP-10": "P", "AP-14": "Q"}[model.name]
    sensors = []
    for i in range(int(np.searchsorted(placed, last, side="left"))):
        ends = int(placed[i] + days[i])
        reason = CAUSES[causes[i]] if early[i] else "planned"
        if ends > last:  # taken off for the change of kind or the end of wear
            ends, reason = last, "patient choice"
        sensors.append(
            Sensor(
                sensor_id=f"A{patient}-{first_number + i:03d}",
                patient_id=patient,
                model=model,
                lot=f"{letter}{20 + (int(placed[i]) - LOTS_FROM) // 91:02d}{'AB'[lots[i]]}",
                placed=int(placed[i]),
                placed_minute=int(minutes[i]),
                works_until=ends,
                reason=reason,
                removed=ends,
                reason_recorded="unknown" if told[i] < 0.04 else reason,
                body_site="abdomen" if told[i] > 0.7 else "upper arm",
            )
        )
    return sensors
