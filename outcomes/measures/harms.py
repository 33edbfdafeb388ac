"""Which harm belongs to a procedure and which to wear, and the rates of each: pure rules."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Final

import numpy as np
import pandas as pd

from outcomes.cohorts.follow_up import LOST as PATIENT_LOST
from outcomes.measures.sensor_ends import patient_days
from outcomes.plan import Complications
from outcomes.statistics.clustered_rates import ClusteredRate, clustered_rate
from outcomes.statistics.intervals import Interval, proportion
from outcomes.statistics.rates import rate
from outcomes.tables.declared import RELATED
from outcomes.units import DAYS_PER_YEAR

PROCEDURE: Final = "procedure"
WEAR: Final = "wear"
METABOLIC: Final = "metabolic"
LISTED: Final = "listed only"
DEFICIENCY: Final = "deficiency without harm"


def attributed(
    complications: pd.DataFrame,
    *,
    procedures: pd.DataFrame,
    sensors: pd.DataFrame,
    rules: Complications,
) -> pd.DataFrame:
    """Return every complication with what it belongs to, and why some belong to nothing.

    A complication that names a procedure and begins within `rules.procedure_days` of it is harm
    of that procedure. Any other that names a sensor is harm of its wear, from the placement until
    `rules.after_removal_days` after the sensor left the body. Declared metabolic categories belong
    to the patient's follow-up. Device deficiencies without harm are no harm. The rest is listed.

    Parameters
    ----------
    complications, procedures, sensors : DataFrame
        As declared, up to the cut-off; `sensors` with `left_body_on` (see `in_body`) or
        `removed_on`.
    rules : Complications

    Returns
    -------
    DataFrame, one row per complication, in the order given
        Its own columns and `belongs_to` ("procedure", "wear", "metabolic", "deficiency without
        harm", "listed only"), `why_listed`, `related` (to device or procedure: possible or more),
        `kind` (of the sensor named).
    """
    rows = complications.reset_index(drop=True)
    done = procedures.set_index("procedure_id")["on"]
    worn = sensors.set_index("sensor_id")
    since_procedure = (rows["onset_on"] - pd.to_datetime(rows["procedure_id"].map(done))).dt.days
    placed = pd.to_datetime(rows["sensor_id"].map(worn["placed_on"]))
    left = worn["left_body_on"] if "left_body_on" in worn.columns else worn["removed_on"]
    since_left = (rows["onset_on"] - pd.to_datetime(rows["sensor_id"].map(left))).dt.days
    metabolic = {name.lower() for name in rules.metabolic_categories}
    by_procedure = since_procedure.between(0, rules.procedure_days)
    early = rows["onset_on"] < placed
    late = since_left > rules.after_removal_days
    by_wear = placed.notna() & ~early & ~late
    belongs = np.select(
        [
            rows["deficiency_only"].fillna(False).astype(bool),
            rows["category"].astype(str).str.strip().str.lower().isin(metabolic),
            by_procedure,
            by_wear,
        ],
        [DEFICIENCY, METABOLIC, PROCEDURE, WEAR],
        default=LISTED,
    )
    why = np.select(
        [placed.notna() & early, placed.notna() & late, rows["sensor_id"].notna()],
        [
            "began before the sensor was placed",
            f"began more than {rules.after_removal_days} days after the sensor left the body",
            "names a sensor that the study does not have",
        ],
        default="names no sensor, and no procedure shortly before",
    )
    related = rows["related_to_device"].isin(RELATED) | rows["related_to_procedure"].isin(RELATED)
    return rows.assign(
        belongs_to=belongs,
        why_listed=np.where(belongs == LISTED, why, ""),
        related=related,
        kind=rows["sensor_id"].map(worn["kind"]),
    )


def in_body(
    sensors: pd.DataFrame, *, cut_off: date, died: pd.Series, follow_up: pd.DataFrame
) -> pd.DataFrame:
    """Return the span of days that each sensor was in or on the body.

    An implanted sensor that has stopped is in the body until it is removed; an adhesive one comes
    off when it stops. A death ends the span; without an end it runs to the cut-off, or until a
    lost patient was last seen.

    Parameters
    ----------
    sensors : DataFrame, one row per sensor
        As declared, up to the cut-off.
    cut_off : date
    died : Series of dates, indexed by patient_id
    follow_up : DataFrame, one row per patient
        `patient_id`, `follow_up_to`, `follow_up_end`.

    Returns
    -------
    DataFrame, one row per sensor
        The sensor's columns and `left_body_on` (missing while it is in place), `from_on`, `to_on`
        (in the body on days after the first, up to the second), `half_day` (placed and gone on
        one day). A sensor that ended before it was placed is left out.
    """
    rows = sensors.reset_index(drop=True)
    comes_off = rows["stopped_on"].where(rows["kind"] == "adhesive")
    left = rows["removed_on"].fillna(comes_off)
    death = pd.to_datetime(rows["patient_id"].map(died))
    left = left.where(~(death < left.fillna(pd.Timestamp.max)), death)
    lost = follow_up.loc[follow_up["follow_up_end"] == PATIENT_LOST].set_index("patient_id")
    seen_to = pd.to_datetime(rows["patient_id"].map(lost["follow_up_to"]))
    is_lost = rows["patient_id"].isin(lost.index)
    last = pd.Series(pd.Timestamp(cut_off), index=rows.index).where(
        ~is_lost, seen_to.fillna(rows["placed_on"])
    )
    # A lost patient was seen at least on the day of the placement.
    to_on = left.fillna(last.where(last > rows["placed_on"], rows["placed_on"]))
    spans = rows.assign(
        left_body_on=left, from_on=rows["placed_on"], to_on=to_on,
        half_day=left.notna() & (left == rows["placed_on"]),
    )  # fmt: skip
    return spans.loc[spans["to_on"] >= spans["from_on"]].reset_index(drop=True)


def in_window(spans: pd.DataFrame, *, first_on: date, last_on: date) -> pd.DataFrame:
    """Return the part of each span that lies in a window of days, both ends included.

    Quarters add to the year: a sensor in place at the start gives its days from the first day on.
    """
    start = pd.Timestamp(first_on) - pd.Timedelta(days=1)
    last = pd.Timestamp(last_on)
    begins = spans["from_on"].where(spans["from_on"] > start, start)
    ends = spans["to_on"].where(spans["to_on"] < last, last)
    here = (spans["from_on"] <= last) & (spans["to_on"] > start)
    clipped = spans.assign(from_on=begins, to_on=ends)
    return clipped.loc[here & (ends >= begins)].reset_index(drop=True)


def wear_exposure(spans: pd.DataFrame) -> pd.DataFrame:
    """Return each patient's exposure: patient-years once, and sensor-days of every sensor.

    Returns
    -------
    DataFrame, one row per patient
        `patient_id`, `patient_years` (overlapping sensors once), `sensor_days`.
    """
    days = (spans["to_on"] - spans["from_on"]).dt.days + 0.5 * spans["half_day"]
    each = days.astype(float).groupby(spans["patient_id"]).sum()
    years = patient_days(spans) / DAYS_PER_YEAR
    return pd.DataFrame(
        {
            "patient_id": each.index,
            "patient_years": years.reindex(each.index).to_numpy(),
            "sensor_days": each.to_numpy(),
        }
    )


def until_first(spans: pd.DataFrame, first: pd.Series) -> pd.DataFrame:
    """Return spans that stop on the day of each patient's first event.

    Parameters
    ----------
    spans : DataFrame, one row per sensor
        `patient_id`, `from_on`, `to_on`, `half_day`.
    first : Series of dates, indexed by patient_id
    """
    event = pd.to_datetime(spans["patient_id"].map(first))
    stops = spans["to_on"].where(~(event < spans["to_on"]), event)
    kept = stops >= spans["from_on"]
    # Exposure that begins and stops on one day is half a day; a window's edge is no beginning.
    placed = spans["placed_on"] if "placed_on" in spans.columns else spans["from_on"]
    half = spans["half_day"] | (event.eq(placed) & stops.eq(placed))
    return spans.assign(to_on=stops, half_day=half).loc[kept].reset_index(drop=True)


def first_event_rate(
    exposure: pd.DataFrame, *, events: int, unit: str, per: float
) -> tuple[Interval, float, int]:
    """Return the exact rate of first events, its exposure and the number of patients at risk.

    Parameters
    ----------
    exposure : DataFrame, one row per patient
        As `wear_exposure` returns it, of spans that stop at each first event (`until_first`).
    events : int
        First events in the window of the spans.
    unit : {"patient_years", "sensor_days"}
    per : float
    """
    total = float(exposure[unit].sum())
    if total == 0 and events:
        note = "not estimable: no exposure before the first events"
        nothing = Interval(
            estimate=None, conf_low=None, conf_high=None, method="exact (Garwood)", note=note
        )
        return nothing, 0.0, len(exposure)
    return rate(events, total, per=per), total, len(exposure)


def all_event_rate(
    exposure: pd.DataFrame, patients_of_events: Sequence[str], *, unit: str, per: float
) -> tuple[Interval, float, int]:
    """Return the rate of all events, cluster-robust by patient; exact where there is none.

    Parameters
    ----------
    exposure : DataFrame, one row per patient
        As `wear_exposure` returns it.
    patients_of_events : sequence of str
        The patient of each event, once per event. An event after the last day worn adds to the
        events of its patient, and no exposure.
    unit : {"patient_years", "sensor_days"}
    per : float
    """
    worn = exposure.set_index("patient_id")[unit]
    counts = pd.Series(list(patients_of_events), dtype=object).value_counts()
    people = sorted(set(worn.index) | set(counts.index))
    frame = pd.DataFrame(
        {
            "patient_id": people,
            "events": counts.reindex(people, fill_value=0).to_numpy(dtype=int),
            "exposure": worn.reindex(people, fill_value=0.0).to_numpy(dtype=float),
        }
    )
    total = float(frame["exposure"].sum())
    n = int((frame["exposure"] > 0).sum())
    if not frame["events"].sum():
        return rate(0, total, per=per), total, n
    if total == 0:
        note = "not estimable: harm was seen, but nothing was worn in this window"
        nothing = Interval(
            estimate=None, conf_low=None, conf_high=None, method="cluster-robust", note=note
        )
        return nothing, 0.0, n
    found: ClusteredRate = clustered_rate(
        frame, events="events", exposure="exposure", cluster="patient_id", per=per
    )
    return found, total, n


def procedure_rates(procedures: pd.DataFrame, harms: pd.DataFrame) -> pd.DataFrame:
    """Return the share of procedures with a harm, per attempted and per completed procedure.

    A numerator names only procedures of its denominator, each once, however many harms it had.

    Parameters
    ----------
    procedures : DataFrame, one row per attempt
        `procedure_id`, `patient_id`, `what`, `completed`.
    harms : DataFrame, one row per complication
        `procedure_id`, of those that are harm of a procedure.

    Returns
    -------
    DataFrame, one row per placement or removal, attempted or completed
        `what`, `of`, `events`, `n`, `n_patients`, `estimate`, `conf_low`, `conf_high`
        (fractions, exact), `method`, `note`.
    """
    harmed = procedures["procedure_id"].isin(harms["procedure_id"])
    rows = []
    for what in ("placement", "removal"):
        for of in ("attempted", "completed"):
            chosen = procedures["what"] == what
            if of == "completed":
                chosen &= procedures["completed"].fillna(False).astype(bool)
            events, n = int((chosen & harmed).sum()), int(chosen.sum())
            share = proportion(events, n, method="exact")
            rows.append(
                {
                    "what": what, "of": of, "events": events, "n": n,
                    "n_patients": int(procedures.loc[chosen, "patient_id"].nunique()),
                    "estimate": share.estimate, "conf_low": share.conf_low,
                    "conf_high": share.conf_high, "method": share.method, "note": share.note,
                }
            )  # fmt: skip
    return pd.DataFrame(rows)
