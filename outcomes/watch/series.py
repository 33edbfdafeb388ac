"""The monthly series that are watched: events and exposure of every calendar month."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.measures.harms import PROCEDURE, WEAR, attributed, in_body, in_window
from outcomes.measures.sensor_ends import LOST_STATES, end_states, lives_in, patient_days
from outcomes.plan import Plan
from outcomes.statistics.reference_tails import Kind, Reference
from outcomes.tables.declared import KINDS
from outcomes.units import DAYS_PER_YEAR

REFERENCE: Final = "reference"
WATCHED: Final = "watched"
OPEN: Final = "still open"


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Series:
    """One thing that is counted every month.

    Attributes
    ----------
    key : str
        Short name, also of the plan's setting (`reference_KEY`).
    title, unit, size_name : str
        In words: what is counted, per what, and what the size is.
    kind : {"rate", "share"}
    per : float
        Factor from the estimate to the unit that is shown.
    points : DataFrame, one row per month
        `month` (its first day), `last_on`, `closes_on` (from when it can be judged), `events`,
        `size`, `part` ("reference", "watched", "still open"), `this_quarter`.
    reference : Reference or None
        None where there is nothing to hold it against, and `note` says why.
    note, look_at : str
        `look_at` says what to look at first when a rule fires.
    days : DataFrame or None
        For rare events: one row per event after the reference, `on` and `size_to` (exposure of
        the clinic from the reference's end to it), in order.
    """

    key: str
    title: str
    unit: str
    size_name: str
    kind: Kind
    per: float
    points: pd.DataFrame
    reference: Reference | None
    note: str
    look_at: str
    days: pd.DataFrame | None = None

    @property
    def rare(self) -> bool:
        """Whether the gaps between events are read rather than months."""
        return self.days is not None

    @property
    def watched(self) -> pd.DataFrame:
        """The months after the reference that can be judged."""
        return self.points.loc[self.points["part"] == WATCHED].reset_index(drop=True)

    @property
    def quarter(self) -> pd.DataFrame:
        """Those of them that became so in this quarter."""
        return self.watched.loc[lambda d: d["this_quarter"]].reset_index(drop=True)

    @property
    def yearly_sizes(self) -> np.ndarray:
        """Sizes of twelve months like the latest ones, for what a year would bring."""
        sizes = self.points.loc[self.points["part"] != OPEN, "size"].to_numpy(float)[-12:]
        return np.resize(sizes, 12) if len(sizes) else np.zeros(12)


def months(cohorts: CohortSet) -> pd.DataFrame:
    """Return every whole calendar month from the plan's start to the cut-off."""
    start, end = pd.Timestamp(cohorts.plan.plan.start), pd.Timestamp(cohorts.cut_off)
    first = pd.date_range(start.replace(day=1), end, freq="MS")
    last = first + pd.offsets.MonthEnd(0)
    # A plan that starts inside a month begins to count with the next one.
    whole = (first >= start) & (last <= end)
    return pd.DataFrame({"month": first[whole], "last_on": last[whole]})


def all_series(cohorts: CohortSet) -> tuple[Series, ...]:
    """Return everything that is watched, in the order in which it is shown."""
    frames = _Frames.of(cohorts)
    made = [
        _procedure_harm(frames),
        _not_completed(frames),
        *(_wear_harm(frames, kind) for kind in KINDS),
        *(_losses(frames, kind) for kind in KINDS),
        _visits(frames),
        _serious(frames),
        _infections(frames),
    ]
    return tuple(made)


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class _Frames:
    """What several series are counted from."""

    cohorts: CohortSet
    months: pd.DataFrame
    spans: pd.DataFrame
    harms: pd.DataFrame
    procedures: pd.DataFrame
    ends: pd.DataFrame

    @classmethod
    def of(cls, cohorts: CohortSet) -> _Frames:
        died = cohorts.table("patients").set_index("patient_id")["died_on"]
        sensors = cohorts.table("sensors")
        spans = in_body(sensors, cut_off=cohorts.cut_off, died=died, follow_up=cohorts.follow_up)
        procedures = cohorts.table("procedures")
        kind = procedures["sensor_id"].map(spans.set_index("sensor_id")["kind"])
        return cls(
            cohorts=cohorts,
            months=months(cohorts),
            spans=spans,
            harms=attributed(
                cohorts.table("complications"), procedures=procedures, sensors=spans,
                rules=cohorts.plan.complications,
            ),
            procedures=procedures.loc[kind.ne("adhesive")].reset_index(drop=True),
            ends=end_states(
                sensors, cut_off=cohorts.cut_off, rules=cohorts.plan.sensor_survival, died=died,
                follow_up=cohorts.follow_up,
            ),
        )  # fmt: skip

    def absent(self, *names: str) -> str:
        """Say which tables are missing, or nothing."""
        gone = [name for name in names if not self.cohorts.has(name)]
        return f"not watched: the study has no {' and no '.join(gone)} table" if gone else ""


def _counted(days: pd.Series, months: pd.DataFrame) -> np.ndarray:
    month = days.dt.to_period("M").dt.to_timestamp()
    return month.value_counts().reindex(months["month"], fill_value=0).to_numpy(float)


def _exposure(spans: pd.DataFrame, months: pd.DataFrame, *, once: bool) -> np.ndarray:
    """Years worn in every month: of patients (once) or of sensors."""
    years = []
    for row in months.itertuples():
        part = in_window(spans, first_on=row.month.date(), last_on=row.last_on.date())
        days = patient_days(part).sum() if once else _sensor_days(part)
        years.append(float(days) / DAYS_PER_YEAR)
    return np.array(years)


def _sensor_days(spans: pd.DataFrame) -> float:
    return float(((spans["to_on"] - spans["from_on"]).dt.days + 0.5 * spans["half_day"]).sum())


def _series(
    frames: _Frames, key: str, events: np.ndarray, size: np.ndarray, *, delay: int = 0,
    absent: str = "", rare: Callable[[pd.Timestamp], pd.DataFrame] | None = None, **words: Any,
) -> Series:  # fmt: skip
    cohorts, plan = frames.cohorts, frames.cohorts.plan
    points = frames.months.assign(events=events, size=size)
    points["closes_on"] = points["last_on"] + pd.Timedelta(days=delay)
    first = points["month"].min() if len(points) else pd.NaT
    end = first + pd.DateOffset(months=plan.watch.reference_months)
    judged = points["closes_on"] <= pd.Timestamp(cohorts.cut_off)
    in_reference = points["month"] < end
    points["part"] = np.select([~judged, in_reference], [OPEN, REFERENCE], WATCHED)
    points["this_quarter"] = (points["part"] == WATCHED) & (
        points["closes_on"] >= pd.Timestamp(cohorts.span.first_on)
    )
    reference, note = _reference(points, plan, key, words["kind"], absent)
    return Series(
        key=key, points=points, reference=reference, note=note,
        days=None if rare is None or reference is None else rare(end), **words,
    )  # fmt: skip


def _reference(
    points: pd.DataFrame, plan: Plan, key: str, kind: Kind, absent: str
) -> tuple[Reference | None, str]:
    if absent:
        return None, absent
    declared = getattr(plan.watch, f"reference_{key}")
    if declared is not None:
        return Reference(kind=kind, level=float(declared)), ""
    base = points.loc[points["part"] == REFERENCE]
    if len(base) < plan.watch.reference_months:
        return None, (
            f"not watched yet: {len(base)} of the {plan.watch.reference_months} months of the "
            "reference can be judged"
        )
    size = float(base["size"].sum())
    if not size > 0:
        return None, "not watched: the months of the reference have no exposure"
    return Reference(kind=kind, events=float(base["events"].sum()), size=size), ""


def _procedure_harm(frames: _Frames) -> Series:
    done = frames.procedures
    mine = frames.harms.loc[frames.harms["belongs_to"] == PROCEDURE, "procedure_id"]
    harmed = done.loc[done["procedure_id"].isin(mine), "on"]
    days = frames.cohorts.plan.complications.procedure_days
    return _series(
        frames, "procedure_harm", _counted(harmed, frames.months),
        _counted(done["on"], frames.months), delay=days, kind="share", per=100.0,
        absent=frames.absent("procedures", "complications"),
        title=f"Procedures of implanted sensors with harm within {days} days",
        unit="% of attempted procedures", size_name="procedures",
        look_at="the procedures concerned: inserter, site, category of harm, lot of material",
    )  # fmt: skip


def _not_completed(frames: _Frames) -> Series:
    done = frames.procedures
    failed = done.loc[~done["completed"].fillna(False).astype(bool), "on"]
    return _series(
        frames, "not_completed", _counted(failed, frames.months),
        _counted(done["on"], frames.months), kind="share", per=100.0,
        absent=frames.absent("procedures"),
        title="Procedures of implanted sensors not completed", unit="% of attempted procedures",
        size_name="procedures",
        look_at="placements and removals apart, then sites, then who is new to the procedure",
    )  # fmt: skip


def _wear_harm(frames: _Frames, kind: str) -> Series:
    worn = frames.spans.loc[frames.spans["kind"] == kind]
    mine = frames.harms.loc[
        (frames.harms["belongs_to"] == WEAR) & frames.harms["sensor_id"].isin(worn["sensor_id"])
    ].assign(month=lambda d: d["onset_on"].dt.to_period("M"))
    # A patient's harms of one month are often one matter: the patient counts once a month.
    once = mine.drop_duplicates(["patient_id", "month"])
    return _series(
        frames, f"wear_harm_{kind}", _counted(once["onset_on"], frames.months),
        _exposure(worn, frames.months, once=True), kind="rate", per=100.0,
        absent=frames.absent("complications"),
        title=f"Patients with harm of wearing {kind} sensors", unit="per 100 patient-years",
        size_name="patient-years",
        look_at="categories, models and lots of the sensors named; whether more was asked",
    )  # fmt: skip


def _losses(frames: _Frames, kind: str) -> Series:
    mine = frames.ends.loc[frames.ends["kind"] == kind]
    events, size = [], []
    for row in frames.months.itertuples():
        lives = lives_in(mine, first_on=row.month.date(), last_on=row.last_on.date())
        events.append(float((lives["ended"] & lives["state"].isin(LOST_STATES)).sum()))
        size.append(float(lives["exposure_days"].sum()) / DAYS_PER_YEAR)
    return _series(
        frames, f"losses_{kind}", np.array(events), np.array(size), kind="rate", per=1.0,
        title=f"{kind.capitalize()} sensors lost before their planned day",
        unit="per sensor-year", size_name="sensor-years",
        look_at="reasons of loss, then lots and models, then body sites",
    )  # fmt: skip


def _visits(frames: _Frames) -> Series:
    cohorts = frames.cohorts
    rules = cohorts.plan.hba1c
    ends = dict(zip(rules.visit_months, rules.window_to_days, strict=True))
    due = cohorts.draws.loc[cohorts.draws["month"].isin(list(ends)) & cohorts.draws["due"]]
    index = cohorts.patients.set_index(["patient_id", "cohort"])["index_date"]
    begun = index.reindex(pd.MultiIndex.from_frame(due[["patient_id", "cohort"]])).to_numpy()
    closed = pd.Series(begun, index=due.index) + pd.to_timedelta(due["month"].map(ends), "D")
    missing = closed.loc[due["drawn_on"].isna()]
    return _series(
        frames, "visits_without_draw", _counted(missing, frames.months),
        _counted(closed, frames.months), kind="share", per=100.0, absent=frames.absent("hba1c"),
        title="HbA1c visits due without a draw", unit="% of visits due", size_name="visits",
        look_at="whether draws arrive late from a laboratory; then patients not seen for long",
    )  # fmt: skip


def _serious(frames: _Frames) -> Series:
    harms = frames.harms.loc[
        frames.harms["serious"].fillna(False).astype(bool)
        & frames.harms["related"]
        & frames.harms["belongs_to"].isin([WEAR, PROCEDURE])
    ]
    return _rare(
        frames, "serious_related", harms, frames.spans,
        title="Serious harm related to device or procedure",
        look_at="each event, and whether it was reported under the local rules",
    )  # fmt: skip


def _infections(frames: _Frames) -> Series:
    worn = frames.spans.loc[frames.spans["kind"] == "implanted"]
    named = frames.harms["sensor_id"].isin(worn["sensor_id"]) | frames.harms["procedure_id"].isin(
        frames.procedures["procedure_id"]
    )
    harms = frames.harms.loc[
        (frames.harms["category"] == "site infection")
        & named
        & frames.harms["belongs_to"].isin([WEAR, PROCEDURE])
    ]
    return _rare(
        frames, "site_infection", harms, worn, title="Site infections of implanted sensors",
        look_at="hygiene and material of the procedures before; inserter, site, lot",
    )  # fmt: skip


def _rare(
    frames: _Frames, key: str, harms: pd.DataFrame, spans: pd.DataFrame, *, title: str,
    look_at: str,
) -> Series:  # fmt: skip
    once = harms.drop_duplicates(["patient_id", "onset_on"]).sort_values("onset_on")
    return _series(
        frames, key, _counted(once["onset_on"], frames.months),
        _exposure(spans, frames.months, once=False), kind="rate", per=100.0,
        absent=frames.absent("complications"), title=title, unit="per 100 sensor-years",
        size_name="sensor-years", look_at=look_at,
        rare=lambda end: _event_days(frames, once["onset_on"], spans, end),
    )  # fmt: skip


def _event_days(
    frames: _Frames, onsets: pd.Series, spans: pd.DataFrame, begins: pd.Timestamp
) -> pd.DataFrame:
    """Return the events after the reference with the clinic's exposure up to the middle of each.

    An event of a whole day lies in its middle; two of one day are half a day apart.
    """
    last = pd.Timestamp(frames.cohorts.cut_off)
    days = pd.date_range(begins, last, freq="D")
    events = onsets.loc[(onsets >= begins) & (onsets <= last)].sort_values()
    worn = _daily(spans, days)
    before = pd.Series(np.cumsum(worn) - worn / 2, index=days) / DAYS_PER_YEAR
    frame = pd.DataFrame({"on": events.to_numpy()})
    repeat = frame.groupby("on").cumcount()
    half = pd.Series(worn / 2 / DAYS_PER_YEAR, index=days)
    on = pd.DatetimeIndex(frame["on"])
    size_to = before.reindex(on).to_numpy() + repeat.to_numpy() * half.reindex(on).to_numpy()
    return frame.assign(size_to=size_to)


def _daily(spans: pd.DataFrame, days: pd.DatetimeIndex) -> np.ndarray:
    """Sensors worn on every day."""
    if not len(days):
        return np.zeros(0)
    begin = (spans["from_on"] - days[0]).dt.days.to_numpy() + 1
    stop = (spans["to_on"] - days[0]).dt.days.to_numpy() + 1
    change = np.zeros(len(days) + 1)
    np.add.at(change, np.clip(begin, 0, len(days)), 1.0)
    np.add.at(change, np.clip(stop, 0, len(days)), -1.0)
    return np.cumsum(change)[:-1]


def span_words(cohorts: CohortSet) -> str:
    """Return the months that are the reference, in words."""
    start = pd.Timestamp(cohorts.plan.plan.start)
    end = start + pd.DateOffset(months=cohorts.plan.watch.reference_months)
    return f"{start.date()} to {(end - timedelta(days=1)).date()}"
