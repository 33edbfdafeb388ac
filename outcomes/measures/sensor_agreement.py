"""How far do sensor values lie from the fingersticks that patients took?"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.once import once
from outcomes.errors import UsageError, known_names
from outcomes.figures.scales import Scale, drawn_values, fix_scale
from outcomes.figures.style import FAINT, look
from outcomes.glucose.meter_pairs import meter_pairs
from outcomes.glucose.workers import Workers, workers_of
from outcomes.plan import SensorAgreement as Settings
from outcomes.results import Record, Result, interval, number
from outcomes.statistics.agreement import bias, concordance, limits_of_agreement
from outcomes.statistics.deming import deming
from outcomes.statistics.intervals import Interval
from outcomes.statistics.ratios import within
from outcomes.statistics.relative_differences import (
    agreement_rates,
    mean_relative_difference,
    median_relative_difference,
)
from outcomes.tables.declared import KINDS
from outcomes.units import HIGH, LOW, MG_DL_PER_MMOL_L, counted

OUTCOME: Final = "sensor_agreement"
ALL: Final = "all pairs"
NOT_USED: Final = "not used for calibration"
USED: Final = "used for calibration"
# As the estimators name the columns of pairs.
PAIR: Final[dict[str, Any]] = {
    "measured": "sensor_mg_dl", "reference": "meter_mg_dl", "cluster": "patient_id",
}  # fmt: skip
BIAS: Final = "mean difference"
MARD: Final = "mean absolute relative difference"
# Weeks since the placement, in groups.
WEEKS: Final = ((1, 1), (2, 2), (3, 4), (5, 8), (9, 13), (14, 26), (27, 52), (53, 999))
RANGES: Final = ("below 70", "70-180", "above 180")
CAUTION: Final = (
    "Descriptive only: this is no claim about accuracy. Fingersticks of a home meter are no "
    "laboratory values, patients choose when to take one, and one figure cannot be held against "
    "another kind of sensor, whose wearers measure for other reasons and at other times."
)


def sensor_agreement(
    cohorts: CohortSet,
    *,
    kind: str = "implanted",
    threads: int = 1,
) -> Result:
    """Describe how far the values of one kind of sensor lie from fingersticks.

    Parameters
    ----------
    cohorts : CohortSet
        Of its study `readings`, `fingersticks` and `sensors` are used, whoever wears the sensor.
    kind : {"implanted", "adhesive"}
        One kind a result: the kinds are not set side by side.
    threads : int, default 1
        As in `time_in_range`.

    Returns
    -------
    Result
        `.table` has one row per group of pairs (`pairs`: all, not used for calibration, by range
        of the fingerstick, by week since placement) and quantity: mean difference, mean and median
        absolute relative difference, shares that agree, limits of agreement, concordance, and a
        Deming line.

    Raises
    ------
    UsageError
        An unknown kind.

    Notes
    -----
    A pair is a fingerstick and the last sensor value strictly before it, no longer before than the
    plan's minutes. Intervals take the patient as the unit.

    References
    ----------
    .. [1] Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160.
    .. [2] Lin LI. Biometrics 1989;45:255-268.
    .. [3] Reiterer F et al. J Diabetes Sci Technol 2017;11:59-67 (such figures depend on who
       measures, when, and at which glucose).
    """
    if kind not in KINDS:
        raise UsageError(known_names("kind of sensor", kind, KINDS))
    rules = cohorts.plan.sensor_agreement
    workers = workers_of(cohorts.study, threads=threads)
    pairs, beyond = agreement_pairs(cohorts, kind=kind, workers=workers)
    rows = list(_rows(pairs, rules, cohorts.plan.plan.seed)) if len(pairs) else []
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    finding = _finding(table, pairs, kind, cohorts)
    return Result(
        name=f"{OUTCOME}_{kind}",
        title=f"How far do {kind} sensors lie from fingersticks?",
        table=table,
        entries=[_record(row, kind) for row in rows],
        finding=finding,
        caption=(
            f"Pairs of a fingerstick and the last value of the patient's {kind} sensor before it, "
            f"up to {cohorts.cut_off}: sensor less fingerstick; 95 % intervals by patient. "
            "Descriptive."
        ),
        footnotes=_footnotes(table, pairs, beyond, rules),
        settings={
            "pair_minutes": str(rules.pair_minutes), "switch_mg_dl": f"{rules.switch_mg_dl:g}",
            "agree_within": ", ".join(map(str, rules.agree_within)),
            "bootstrap_draws": str(rules.bootstrap_draws),
        },
        summary=_summary(table, rules),
        drawing=_drawing(table, pairs, kind, cohorts.plan.sensor_survival.smallest_at_risk),
        alt=(
            "Mean difference of sensor and fingerstick by range of the fingerstick and by week "
            f"since placement, with intervals. {finding}"
        ),
        height=3.6,
    )  # fmt: skip


_COLUMNS: Final = (
    "pairs", "at", "quantity", "n_patients", "n_units", "estimate", "conf_low", "conf_high",
    "unit", "method", "note",
)  # fmt: skip


def agreement_pairs(cohorts: CohortSet, *, kind: str, workers: Workers) -> tuple[pd.DataFrame, int]:
    """Return the pairs of one kind of sensor, and how many fingersticks were beyond the meter.

    Returns
    -------
    pairs : DataFrame, one row a pair
        `patient_id`, `time`, `sensor_mg_dl`, `meter_mg_dl`, `capped` (of the sensor),
        `minutes_before`, `used` (for calibration; missing where not recorded), `range` of the
        fingerstick in its own unit, `week` since the placement (missing where no sensor of the
        kind is known to have been worn).
    beyond : int
        Fingersticks that only say that the meter's limit was passed: they have no value to hold
        against, and are in no pair.
    """
    sticks = cohorts.table("fingersticks")
    if not cohorts.study.has("readings") or sticks.empty:
        return pd.DataFrame(), 0
    beyond = int((sticks["capped"] != "no").sum())
    sticks = _with_a_value(sticks)
    found = _pairs_of_both_kinds(cohorts, workers).loc[lambda pairs: pairs["kind"] == kind]
    pairs = sticks.loc[found["fingerstick"]].reset_index(drop=True)
    mmol = pairs["unit"] == "mmol/L"
    pairs["meter_mg_dl"] = pairs["value"] * np.where(mmol, MG_DL_PER_MMOL_L, 1.0)
    low, high = ([limit.in_unit(u) for u in pairs["unit"]] for limit in (LOW, HIGH))
    pairs["range"] = np.select(
        [pairs["value"] < low, pairs["value"] > high], [RANGES[0], RANGES[2]], default=RANGES[1]
    )
    pairs["used"] = pairs["used_for_calibration"]
    for name in ("sensor_mg_dl", "minutes_before"):
        pairs[name] = found[name].to_numpy()
    pairs["sensor_capped"] = found["capped"].to_numpy() != 0
    pairs["week"] = _weeks(pairs, cohorts.table("sensors"), kind)
    return pairs, beyond


def _with_a_value(sticks: pd.DataFrame) -> pd.DataFrame:
    return sticks.loc[sticks["capped"] == "no"].reset_index(drop=True)


@once
def _pairs_of_both_kinds(cohorts: CohortSet, workers: Workers) -> pd.DataFrame:
    """Return what `meter_pairs` finds in one pass over the readings."""
    return meter_pairs(
        cohorts.study, _with_a_value(cohorts.table("fingersticks")),
        minutes=cohorts.plan.sensor_agreement.pair_minutes, workers=workers,
    )  # fmt: skip


def _weeks(pairs: pd.DataFrame, sensors: pd.DataFrame, kind: str) -> pd.Series:
    """Week since the latest placement of the kind; the placement's own day is in week 1."""
    on = (
        pairs["time"] + pd.to_timedelta(pairs["local_offset"].astype("int64"), "min")
    ).dt.normalize()
    worn = sensors.loc[(sensors["kind"] == kind) & sensors["placed_on"].notna()]
    left = pairs[["patient_id"]].assign(on=on, place=np.arange(len(pairs))).sort_values("on")
    right = worn[["patient_id", "placed_on"]].sort_values("placed_on")
    both = pd.merge_asof(left, right, left_on="on", right_on="placed_on", by="patient_id")
    days = (both["on"] - both["placed_on"]).dt.days
    return (
        pd.Series(days.to_numpy() // 7 + 1, index=both["place"]).sort_index().reset_index(drop=True)
    )


# --- estimates -----------------------------------------------------------------------------------


def _rows(pairs: pd.DataFrame, rules: Settings, seed: int) -> Iterator[dict[str, Any]]:
    used = pairs["used"].astype("boolean")
    rng = np.random.default_rng(seed)
    groups = [(ALL, pairs), (NOT_USED, pairs.loc[~used.fillna(True)])]
    for name, group in groups:
        yield from _estimates(group, name, None, rules)
        if len(group):
            yield from _in_full(group, name, rules, rng)
    yield from _estimates(pairs.loc[used.fillna(False)], USED, None, rules)
    for name in RANGES:
        yield from _estimates(pairs.loc[pairs["range"] == name], ALL, f"fingerstick {name}", rules)
    for first, last in WEEKS:
        group = pairs.loc[pairs["week"].between(first, last)]
        if len(group):
            yield from _estimates(group, ALL, _week_words(first, last), rules)


def _week_words(first: int, last: int) -> str:
    if first == last:
        return f"week {first}"
    return f"week {first} on" if last > 900 else f"weeks {first}-{last}"


def _estimates(
    group: pd.DataFrame, name: str, at: str | None, rules: Settings
) -> Iterator[dict[str, Any]]:
    who = {"pairs": name, "at": at, "n_patients": group["patient_id"].nunique(),
           "n_units": len(group)}  # fmt: skip
    yield _row(bias(group, **PAIR), BIAS, "mg/dL", who)
    relative = within(mean_relative_difference(group, **PAIR), 0, math.inf)
    yield _row(relative, MARD, "%", who, factor=100)
    rates = agreement_rates(group, **PAIR, switch=rules.switch_mg_dl, within=rules.agree_within)
    for rate in rates.to_dict("records"):
        yield {
            **who, "quantity": f"within {rate['within']} mg/dL or %",
            **{end: None if rate[end] is None or pd.isna(rate[end]) else 100 * rate[end]
               for end in ("estimate", "conf_low", "conf_high")},
            "unit": "% of pairs", "method": rate["method"], "note": rate["note"] or None,
        }  # fmt: skip


def _in_full(
    group: pd.DataFrame, name: str, rules: Settings, rng: np.random.Generator
) -> Iterator[dict[str, Any]]:
    who = {"pairs": name, "at": None, "n_patients": group["patient_id"].nunique(),
           "n_units": len(group)}  # fmt: skip
    draws: dict[str, Any] = {"draws": rules.bootstrap_draws, "rng": rng}
    yield _row(median_relative_difference(group, **PAIR, **draws),
               "median absolute relative difference", "%", who, factor=100)  # fmt: skip
    limits = limits_of_agreement(group, **PAIR, **draws)
    yield _row(limits.lower, "lower limit of agreement", "mg/dL", who)
    yield _row(limits.upper, "upper limit of agreement", "mg/dL", who)
    yield _row(concordance(group, **PAIR, **draws), "concordance correlation", "correlation", who)
    line = deming(group, **PAIR)
    yield _row(line.slope, "slope of the line through the pairs (Deming)", "mg/dL per mg/dL", who)
    yield _row(line.intercept, "intercept of that line", "mg/dL", who)


def _row(
    shown: Interval, quantity: str, unit: str, who: dict[str, Any], *, factor: float = 1.0
) -> dict[str, Any]:
    ends = {"estimate": shown.estimate, "conf_low": shown.conf_low, "conf_high": shown.conf_high}
    return {
        **who, "quantity": quantity,
        **{end: None if value is None else factor * value for end, value in ends.items()},
        "unit": unit, "method": shown.method, "note": shown.note or None,
    }  # fmt: skip


def _record(row: dict[str, Any], kind: str) -> Record:
    note = row["note"]
    if row["estimate"] is None and note is None:
        note = "not estimable"
    kept = {k: v for k, v in row.items() if k not in ("pairs", "note")}
    return Record(
        outcome=OUTCOME, population="cumulative", cohort=kind, by={"pairs": row["pairs"]},
        note=note, **kept,
    )  # fmt: skip


# --- words and picture ---------------------------------------------------------------------------


def _finding(table: pd.DataFrame, pairs: pd.DataFrame, kind: str, cohorts: CohortSet) -> str:
    for name in ("readings", "fingersticks"):
        if not cohorts.study.has(name):
            return f"The study holds no {name}: nothing can be held against each other."
    if not len(pairs):
        return f"No fingerstick has a value of the {kind} sensor shortly before it."
    whole = table.loc[(table["pairs"] == ALL) & table["at"].isna()].set_index("quantity")
    row = whole.loc[MARD]
    limits = ""
    if not pd.isna(row["conf_low"]):
        limits = f", 95 % interval {interval(float(row['conf_low']), float(row['conf_high']))}"
    used = int(pairs["used"].fillna(False).astype(bool).sum())
    return (
        f"{kind.capitalize()}: {number(row['estimate'])} % mean absolute relative difference from "
        f"fingersticks ({counted(len(pairs), 'pair')} of "
        f"{counted(row['n_patients'], 'patient')}{limits}). "
        f"{used:,} of the pairs calibrated the sensor, which flatters this; it is no claim about "
        "accuracy."
    )


def _footnotes(
    table: pd.DataFrame,
    pairs: pd.DataFrame,
    beyond: int,
    rules: Settings,
) -> list[str]:
    notes = [
        CAUTION,
        "A pair is a fingerstick and the last sensor value strictly before it, no more than "
        f"{rules.pair_minutes} minutes; a value at the entry or later may already have been pulled "
        "to it.",
        f"Two values agree within {', '.join(map(str, rules.agree_within))} when they differ by no "
        f"more than so many mg/dL at a fingerstick below {rules.switch_mg_dl:g} mg/dL, and by no "
        "more than so many per cent of it from there on; papers differ in this switch.",
        _wide(table),
        "Error grids and premarket bounds are not offered: they ask for a laboratory reference.",
    ]
    if not len(pairs):
        return notes
    used = pairs["used"].astype("boolean")
    unknown, known = int(used.isna().sum()), int(used.fillna(False).sum())
    notes.insert(1, (
        f"{known} of {counted(len(pairs), 'pair')} served for calibration ({unknown} not "
        "recorded). A sensor "
        "is pulled towards the values it is calibrated with, so these and the pairs that follow "
        "them flatter the figures; the pairs that did not serve are told apart."
    ))  # fmt: skip
    capped = int(pairs["sensor_capped"].sum())
    low, high = ((pairs["meter_mg_dl"] < 70).sum(), (pairs["meter_mg_dl"] > 250).sum())
    notes.append(
        f"Of the pairs {number(100 * low / len(pairs))} % have a fingerstick below 70 and "
        f"{number(100 * high / len(pairs))} % above 250 mg/dL; in {capped} the sensor only said "
        "that its limit was passed, and that limit entered."
    )
    if beyond:
        notes.append(f"Beyond the meter's limits, in no pair: {counted(beyond, 'fingerstick')}.")
    return notes


def _wide(table: pd.DataFrame) -> str:
    """How far single pairs lie apart: the limits of agreement, and the concordance."""
    rule = (
        "Limits of agreement: mean difference -/+ 1.96 SD of a single difference, the SD from "
        "parts between and within patients."
    )
    whole = table.loc[(table["pairs"] == ALL) & table["at"].isna()].set_index("quantity")
    ends = [whole["estimate"].get(f"{end} limit of agreement") for end in ("lower", "upper")]
    if any(end is None or pd.isna(end) for end in ends):
        return rule
    told = f"{rule} All pairs: {interval(float(ends[0]), float(ends[1]))} mg/dL"
    together = whole["estimate"].get("concordance correlation")
    if together is None or pd.isna(together):
        return f"{told}."
    return f"{told}; concordance correlation {number(float(together), 2)} (1 is full agreement)."


def _summary(table: pd.DataFrame, rules: Settings) -> pd.DataFrame:
    """One line a group of pairs."""
    second = rules.agree_within[min(1, len(rules.agree_within) - 1)]
    shown = {
        "Sensor less fingerstick, mg/dL": BIAS,
        "Mean absolute relative difference, %": MARD,
        f"Within {second} mg/dL or %, % of pairs": f"within {second} mg/dL or %",
    }
    lines = []
    for (pairs, at), rows in table.groupby(["pairs", "at"], sort=False, dropna=False):
        by_name = rows.set_index("quantity")
        first = rows.iloc[0]
        lines.append(
            {
                "Pairs": pairs if pd.isna(at) else at,
                "Number (patients)": f"{first['n_units']} ({first['n_patients']})",
                **{heading: _cell(by_name.loc[name]) for heading, name in shown.items()},
            }
        )
    return pd.DataFrame(lines, columns=["Pairs", "Number (patients)", *shown])


def _cell(row: pd.Series) -> str:
    if pd.isna(row["estimate"]):
        return "not estimable"
    low, high = row["conf_low"], row["conf_high"]
    limits = "no interval" if pd.isna(low) else interval(float(low), float(high))
    return f"{number(row['estimate'])} ({limits})"


DIFFERENCES: Final = Scale(-60, 60, 20)  # mg/dL, of either kind of sensor


def _drawing(
    table: pd.DataFrame, pairs: pd.DataFrame, kind: str, fewest: int
) -> Callable[[Axes], None] | None:
    rows = table.loc[(table["quantity"] == BIAS) & table["at"].notna()]
    rows = rows.loc[rows["estimate"].notna() & (rows["n_patients"] >= fewest)]
    if rows.empty:
        return None
    spread = {
        at: (pairs.loc[pick, "sensor_mg_dl"] - pairs.loc[pick, "meter_mg_dl"]).quantile([0.1, 0.9])
        for at in rows["at"]
        for pick in [_picked(pairs, at)]
    }
    return partial(_draw, rows=rows, spread=spread, kind=kind)


def _picked(pairs: pd.DataFrame, at: str) -> pd.Series:
    if at.startswith("fingerstick "):
        return pairs["range"] == at.removeprefix("fingerstick ")
    first, last = next(w for w in WEEKS if _week_words(*w) == at)
    return pairs["week"].between(first, last)


def _draw(ax: Axes, *, rows: pd.DataFrame, spread: dict[str, pd.Series], kind: str) -> None:
    """One line a group: where the mean lies, and between what four of five differences lie."""
    shown, names = look(kind), rows["at"].tolist()
    for y, row in enumerate(rows.to_dict("records")):
        low, high = spread[row["at"]]
        ax.hlines(y, low, high, color=FAINT, linewidth=1)
        if not pd.isna(row["conf_low"]):
            ax.hlines(y, row["conf_low"], row["conf_high"], color=shown.colour, linewidth=3)
        ax.plot(row["estimate"], y, shown.marker, color=shown.colour, markersize=5)
        ax.annotate(counted(row["n_units"], "pair"), (1.01, y),
                    xycoords=("axes fraction", "data"),
                    va="center", fontsize="small", annotation_clip=False)  # fmt: skip
    ax.axvline(0, color=FAINT, linewidth=0.8, linestyle=":")
    ax.set_yticks(range(len(names)), names)
    ax.invert_yaxis()
    ax.set_xlabel(
        "Sensor less fingerstick, mg/dL: mean with interval; thin line: four of five pairs"
    )
    spread_ends = [end for at in names for end in spread[at]]
    fix_scale(ax, "x", DIFFERENCES, [*drawn_values(rows), *spread_ends])
