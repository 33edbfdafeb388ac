"""True survival and incidence at each horizon, true trajectories, true rates and chances."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from .clinic import Clinic, day
from .course import Course
from .harm import METABOLIC, PROCEDURE_HARM, WEAR_HARM
from .scenario import BAD_LOT, MODELS, Model, Scenario, day_number
from .truth import MEANS, incidence, share_curves, still_working
from .wear import CAUSES

HORIZONS: Final = (30, 90, 180, 365)  # days, where a planned life is as long
SHARES_OF_LIFE: Final = (0.25, 0.5, 0.75)
LOSSES: Final = list(CAUSES[:5])
ELECTIVE: Final = list(CAUSES[5:])
PERIOD_DAYS: Final = 28
PERIODS: Final = 13


def survival_truth(scenario: Scenario) -> pd.DataFrame:
    """What becomes of 1 sensor placed, by model, lot and horizon; nobody dies.

    `lost` before or on the day; `early`: patient choice, medical need, or a removal told as planned
    that came 12 days or more before the planned day; `reached`: still working, or removed for the
    planned reason in the last days before it. The three add to 1. `working_if_none_early` is what
    Kaplan-Meier estimates, other ends taken away. `losses_per_year` of wear up to that day.
    """
    rows = []
    for model in MODELS:
        lots = {"usual": 1.0} | ({BAD_LOT: scenario.bad_lot_ratio} if model.name == "IG-1" else {})
        for lot, ratio in lots.items():
            rows += _of_lot(model, lot, ratio, scenario)
    return pd.DataFrame(rows)


def _of_lot(model: Model, lot: str, ratio: float, scenario: Scenario) -> list[dict[str, object]]:
    given = {"frailty_sd": scenario.frailty_sd, "lot_ratio": ratio}
    shares = incidence(model, **given)
    working = still_working(model, **given)
    lost = shares[LOSSES].sum(axis=1).to_numpy()
    early = shares[[*ELECTIVE, "planned_too_early"]].sum(axis=1).to_numpy()
    gone = lost + early + (shares["planned"] - shares["planned_too_early"]).to_numpy()
    eve = model.planned_days - 1
    days = {f"day {d}": d for d in HORIZONS if d < eve}
    days |= {f"{100 * s:g} % of life": int(s * model.planned_days) for s in SHARES_OF_LIFE}
    days["eve of the planned day"] = eve
    years = np.cumsum(np.concatenate([[1.0], 1 - gone[:-1]])) / 365.25  # in place at a day's start
    return [
        {
            "model": model.name, "lot": lot, "horizon": name, "day": at,
            "reached": 1 - lost[at] - early[at], "lost": lost[at], "early": early[at],
            **{f"lost by {cause}": shares.loc[at, cause] for cause in LOSSES},
            "working_if_none_early": working[at],
            "losses_per_year": lost[at] / years[at],
        }
        for name, at in sorted(days.items(), key=lambda item: item[1])
    ]  # fmt: skip


def trajectory_truth(rows: pd.DataFrame) -> pd.DataFrame:
    """True levels by cohort and period of 28 days from the start of a kind, period 0 before it.

    Of the rows of `periods`: `all_*` as if nobody had left or died, whatever they wore later;
    `there_*` of those who in the whole period were in the clinic and wore the kind. Shares of true
    glucose, which no sensor reads exactly; HbA1c is the true one on the last day.
    """
    names = ["share_70_180", "share_below_70", "hba1c"]
    every = rows.groupby(["cohort", "period"])[names].mean().add_prefix("all_")
    there = rows[rows["there"]].groupby(["cohort", "period"])[names].mean().add_prefix("there_")
    counts = rows.groupby(["cohort", "period"])["there"].agg(n="size", n_there="sum")
    return counts.join(every).join(there).reset_index()


def periods(clinic: Clinic) -> pd.DataFrame:
    """One row per patient, kind begun and period that is over by the export.

    Of patients who began the kind on or after the plan's start and had not worn it since they
    joined; `there`: in the clinic and wearing the kind in the whole period.
    """
    columns = ["cohort", "period", "there", "share_70_180", "share_below_70", "hba1c"]
    rows = [
        row
        for life in clinic.lives
        for kind in ("implanted", "adhesive")
        for began in [_began(clinic.scenario, life.course, kind)]
        if began is not None
        for row in _periods(clinic.scenario, life.course, kind, began)
    ]
    return pd.DataFrame(rows, columns=columns)


def _began(scenario: Scenario, lived: Course, kind: str) -> int | None:
    """First day on which the kind was begun, if that was on or after the plan's start."""
    days = [on for on, worn in lived.kinds if worn == kind]
    if not days or days[0] < max(lived.person.joined, day_number(scenario.plan_start)):
        return None
    return days[0]


def _periods(
    scenario: Scenario, lived: Course, kind: str, began: int
) -> list[tuple[str, int, bool, float, float, float]]:
    glucose = lived.mean_glucose(scenario)
    curves = share_curves(lived.person.cv)
    daily = {
        name: np.interp(glucose, MEANS, curves[name]) for name in ("share_70_180", "share_below_70")
    }
    changes = [on for on, worn in lived.kinds if on > began and worn != kind]
    until = min([lived.end, *(on - 1 for on in changes)])
    rows = []
    for period in range(PERIODS + 1):
        first = began + PERIOD_DAYS * (period - 1)
        last = first + PERIOD_DAYS - 1
        if last > scenario.last_day:
            break
        span = slice(first - lived.first, last - lived.first + 1)
        inside, low = (float(daily[name][span].mean()) for name in daily)
        there = last <= (until if period else lived.end)
        rows.append((kind, period, there, inside, low, lived.hba1c(scenario, last, glucose)))
    return rows


def rate_truth() -> pd.DataFrame:
    """True rates of complications of an average patient, who has a factor of mean 1."""
    rows: list[dict[str, object]] = [
        {"category": name, "kind": "implanted", "per": "attempted procedure", "rate": chance}
        for name, chance in PROCEDURE_HARM.items()
    ]
    rows += [
        {"category": name, "kind": kind, "per": "patient-year of wear", "rate": yearly}
        for (kind, name), yearly in WEAR_HARM.items()
    ]
    rows += [
        {"category": name, "kind": "", "per": "patient-year of follow-up", "rate": yearly}
        for name, yearly in METABOLIC.items()
    ]
    return pd.DataFrame(rows)


def attempts(clinic: Clinic) -> pd.DataFrame:
    """One row per first attempt: its true chance to fail, and the inserter's cases before it.

    `cases_before` are the inserter's own earlier attempts of that kind, repeated ones and those
    before the records (`cases_before_records`) included; the chance falls with them alone.
    """
    return pd.DataFrame(
        [
            {
                "procedure_id": p.procedure_id, "inserter_id": p.inserter.inserter_id,
                "what": p.what, "on": day(p.on), "began_on": day(day_number(p.inserter.since)),
                "cases_before_records": p.inserter.before_records,
                "cases_before": p.first.cases_before, "chance_of_failing": p.first.chance,
                "completed": p.completed,
            }
            for life in clinic.lives
            for p in life.procedures
            if p.attempt == 1
        ]
    )  # fmt: skip
