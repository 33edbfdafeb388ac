"""Time in range as each sensor reports it: the sensor is treatment and instrument at once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.states import holds_on
from outcomes.comparison.contrasts import CONTRAST, Contrast, contrast, described
from outcomes.comparison.people import Compared, compared
from outcomes.comparison.trial import person_trials
from outcomes.comparison.weights import overlap
from outcomes.comparison.words import CAUTION, called, standing
from outcomes.glucose import summarise
from outcomes.plan import Comparison
from outcomes.results import Record, Result, interval, number
from outcomes.statistics.propensity import Target
from outcomes.tables.declared import KINDS, STATE_PREGNANT

SHARE: Final = "share_70_180"  # % of time
GAP: Final = "gmi_less_hba1c"  # points
GAP_DAYS: Final = 84  # of readings before the draw
REPORTED: Final = "as each sensor reports it"
IF_OFF: Final = "if sensors were off"
GAP_NAME: Final = "GMI less HbA1c"
PERCENT: Final = "percentage points of time"

Row = dict[str, Any]


def range_comparison(cohorts: CohortSet, *, at_month: int, weights: Target) -> Result:
    """Compare time in range as each sensor reports it, and say what a wrong sensor would do.

    Returns
    -------
    Result
        `.table` has one row per `quantity`: each arm's share as seen, the weighted difference as
        each sensor reports it, the same if the sensors of one arm or of both were off by the
        plan's shifts, each arm's gap between GMI and HbA1c, and the difference of the gaps.
    """
    rules, trial = cohorts.plan.comparison, cohorts.plan.comparison.primary_trial
    found = compared(person_trials(cohorts), trial=trial, month=at_month, rules=rules)
    if not cohorts.study.has("readings") or found.rows.empty:
        return _nothing(cohorts, trial, at_month)
    rows = found.rows.assign(
        **_shares(found.rows, cohorts, at_month), **{GAP: _gaps(found.rows, cohorts)}
    )
    return instrument_result(
        replace(found, rows=rows), rules, weights=weights,
        footnotes=[CAUTION, standing(cohorts).sentence, *_window_notes(cohorts, at_month)],
    )  # fmt: skip


def instrument_result(
    found: Compared, rules: Comparison, *, weights: Target, footnotes: list[str]
) -> Result:
    """Return the result from entries that carry their shares and gaps.

    Parameters
    ----------
    found : Compared
        Its rows with `share_70_180` (%), `share_70_180 +5` and so on (the share if every sensor
        read so many mg/dL more), and `gmi_less_hba1c` (points).
    rules : Comparison
    weights : str
    footnotes : list of str
    """
    table_rows = [*_reported(found, rules, weights), *_gap_rows(found, rules, weights)]
    table = pd.DataFrame(table_rows, columns=_COLUMNS)
    return Result(
        name="comparison_time_in_range",
        title="Time in range, as each sensor reports it",
        table=table,
        entries=[_record(row, found) for row in table_rows],
        finding=_finding(table, rules),
        caption=(
            f"“{found.trial}”, share of time in 70-180 mg/dL in the period of month {found.month} "
            "from time zero, implanted minus adhesive; exploratory. Below: the same if sensors "
            "read too high or too low by a constant, and GMI less HbA1c by arm."
        ),
        footnotes=footnotes,
        summary=_summary(table),
    )


_COLUMNS: Final = [
    *("quantity", "name", "cohort", "shift_implanted", "shift_adhesive"),
    *("estimate", "conf_low", "conf_high", "unit", "n_implanted", "n_adhesive", "method", "note"),
]


def _nothing(cohorts: CohortSet, trial: str, month: int) -> Result:
    why = "the exports hold no sensor readings"
    if cohorts.study.has("readings"):
        why = f"nobody of “{trial}” is due at month {month}"
    return Result(
        name="comparison_time_in_range",
        title="Time in range, as each sensor reports it",
        table=pd.DataFrame(columns=_COLUMNS),
        entries=(),
        finding=f"Time in range cannot be set side by side: {why}.",
        caption=f"“{trial}”, month {month}.",
    )


# --- from readings to one row an entry -----------------------------------------------------------


def _shares(rows: pd.DataFrame, cohorts: CohortSet, month: int) -> dict[str, pd.Series]:
    """Return each entry's share, and its share under every shift; missing where nothing counts."""
    settings, visits = cohorts.plan.time_in_range, cohorts.plan.hba1c
    day = dict(zip(visits.visit_months, visits.visit_days, strict=True))[month]
    first = rows["time_zero"] + pd.Timedelta(
        days=day // settings.period_days * settings.period_days
    )
    windows = _windows(
        rows, first, first + pd.Timedelta(days=settings.period_days - 1), cohorts,
        settings.period_counting_days,
    )  # fmt: skip
    usable = _not_pregnant(windows, cohorts)
    shares: dict[str, pd.Series] = {}
    sizes = cohorts.plan.comparison.shifts_mg_dl
    for shift in (0, *(s for size in sizes for s in (size, -size))):
        got = summarise(
            cohorts.study, windows, settings=settings, cut_off=cohorts.cut_off, shift_mg_dl=shift,
            remembering=True,
        )  # fmt: skip
        share = (100 * got["share_from_70_to_180"]).where(got["counts"] & usable)
        shares[column_of(shift)] = pd.Series(share.to_numpy(), index=rows.index)
    return shares


def column_of(shift: int) -> str:
    """Return the column of the share if every sensor read `shift` mg/dL more.

    Examples
    --------
    >>> column_of(0), column_of(-5)
    ('share_70_180', 'share_70_180 -5')
    """
    return SHARE if shift == 0 else f"{SHARE} {shift:+d}"


def _windows(
    rows: pd.DataFrame, first: pd.Series, last: pd.Series, cohorts: CohortSet, needed: int
) -> pd.DataFrame:
    n = len(rows)
    return pd.DataFrame(
        {
            "window_id": pd.array(np.arange(n), dtype="Int64"),
            "patient_id": rows["patient_id"].to_numpy(dtype=object),
            "kind": rows["arm"].to_numpy(dtype=object),
            "first_on": first.to_numpy().astype("datetime64[ns]"),
            "last_on": last.to_numpy().astype("datetime64[ns]"),
            "closed": pd.array(last <= pd.Timestamp(cohorts.cut_off), dtype="boolean"),
            "needed_days": pd.array(np.full(n, needed), dtype="Int64"),
        }
    )


def _not_pregnant(windows: pd.DataFrame, cohorts: CohortSet) -> pd.Series:
    states = cohorts.table("states")
    pregnant = [
        holds_on(states, what=STATE_PREGNANT, at=windows, day=day)
        for day in ("first_on", "last_on")
    ]
    return ~(pregnant[0] | pregnant[1])


def _gaps(rows: pd.DataFrame, cohorts: CohortSet) -> pd.Series:
    """Return GMI of the 84 days up to the draw less its HbA1c, in points."""
    drawn = rows.loc[rows["percent"].notna()]
    gaps = pd.Series(np.nan, index=rows.index)
    if drawn.empty:
        return gaps
    first = drawn["drawn_on"] - pd.Timedelta(days=GAP_DAYS - 1)
    needed = cohorts.plan.time_in_range.period_counting_days * GAP_DAYS // 28
    windows = _windows(drawn, first, drawn["drawn_on"], cohorts, needed)
    got = summarise(
        cohorts.study, windows, settings=cohorts.plan.time_in_range, cut_off=cohorts.cut_off,
        remembering=True,
    )  # fmt: skip
    found = (got["gmi_percent"] - drawn["percent"].to_numpy()).where(got["counts"])
    gaps[drawn.index] = found.to_numpy()
    return gaps


# --- rows of the table ---------------------------------------------------------------------------


def _line(quantity: str, name: str, got: Contrast, unit: str, shifts: tuple[int, int]) -> Row:
    row = got.row()
    return {
        "quantity": quantity, "name": name, "cohort": None, "shift_implanted": shifts[0],
        "shift_adhesive": shifts[1], "unit": unit,
        **{name: row[name] for name in _COLUMNS if name in row},
    }  # fmt: skip


def _arm_rows(found: Compared, quantity: str, outcome: str, unit: str) -> list[Row]:
    return [
        {"quantity": quantity, "name": "mean as seen", "cohort": arm, "unit": unit,
         **{name: got[name] for name in ("estimate", "conf_low", "conf_high")},
         f"n_{arm}": got["n"], "method": "mean as seen, CR2 by patient, t",
         "note": None if got["n"] else "nobody has readings that count"}
        for arm, got in described(found, outcome=outcome).items()
    ]  # fmt: skip


def _reported(found: Compared, rules: Comparison, weights: Target) -> list[Row]:
    refusal = overlap(found, rules, outcome=SHARE).refusal
    rows = _arm_rows(found, REPORTED, SHARE, "% of time")
    for quantity, name, shifts in _scenarios(rules):
        moved = found.rows[column_of(shifts[0])].where(
            found.rows["arm"] == "implanted", found.rows[column_of(shifts[1])]
        )
        seen = replace(found, rows=found.rows.assign(outcome=moved))
        got = contrast(
            seen, outcome="outcome", rules=rules, target=weights, refusal=refusal,
            observed_only=True,
        )  # fmt: skip
        rows.append(_line(quantity, name, got, PERCENT, shifts))
    return rows


def _scenarios(rules: Comparison) -> Iterator[tuple[str, str, tuple[int, int]]]:
    """Yield what is assumed, and by how much each arm's readings are corrected for it."""
    yield REPORTED, REPORTED, (0, 0)
    for size in rules.shifts_mg_dl:
        for word, correction in (("high", -size), ("low", size)):
            for who, arms in (
                ("implanted sensors read", (1, 0)),
                ("adhesive sensors read", (0, 1)),
                ("both kinds read", (1, 1)),
            ):
                name = f"{who} {size} mg/dL too {word}"
                yield IF_OFF, name, (arms[0] * correction, arms[1] * correction)


def _gap_rows(found: Compared, rules: Comparison, weights: Target) -> list[Row]:
    refusal = overlap(found, rules, outcome=GAP).refusal
    got = contrast(
        found, outcome=GAP, rules=rules, target=weights, refusal=refusal, observed_only=True
    )
    unit = "percentage points"
    return [
        *_arm_rows(found, GAP_NAME, GAP, unit),
        _line(GAP_NAME, "difference of the gaps", got, unit, (0, 0)),
    ]


def _window_notes(cohorts: CohortSet, month: int) -> list[str]:
    rules = cohorts.plan.comparison
    return [
        "A constant difference between two kinds of sensors looks exactly like a difference in "
        "glucose, so that this is no primary outcome and never a verdict. Both kinds' sensors are "
        "assumed off in turn, and together.",
        f"GMI less HbA1c: mean glucose of the {GAP_DAYS} days up to the draw of month {month}, as "
        "a GMI, less that draw. Patients differ in this gap whatever they wear; a difference "
        "between the arms of 0.12 points is what 5 mg/dL of a sensor would make. GMI was not "
        "derived on implanted sensors.",
        "Words beyond a limit stand for that limit and move with it. Windows that begin or end in "
        "a pregnancy are left out, and entries without counting windows.",
        f"Word used: {called(rules)}. Episodes are not compared here: kinds read at different "
        "intervals.",
    ]


# --- words ---------------------------------------------------------------------------------------


def _finding(table: pd.DataFrame, rules: Comparison) -> str:
    main = table.loc[table["name"] == REPORTED].iloc[0]
    gap = table.loc[table["name"] == "difference of the gaps"].iloc[0]
    if pd.isna(main["estimate"]):
        return f"Time in range, as each sensor reports it, is {main['note']}."
    size = rules.shifts_mg_dl[0]
    off = table.loc[
        (table["quantity"] == IF_OFF) & table["name"].str.contains(f" {size} mg/dL", regex=False),
        "estimate",
    ]
    limits = interval(main["conf_low"], main["conf_high"], 1)
    n = f"n = {main['n_implanted']:.0f} implanted, {main['n_adhesive']:.0f} adhesive patients"
    more = f"{number(abs(main['estimate']))} points {'lower' if main['estimate'] < 0 else 'higher'}"
    told = (
        f"As each sensor reports it, the share of time in range was {more} with implanted "
        f"(difference {number(main['estimate'])}, 95 % {limits}; {n}); were one kind's sensors off "
        f"by {size} mg/dL, the difference could be {number(off.min())} to {number(off.max())}"
    )
    if pd.isna(gap["estimate"]):
        return f"{told}. The gap between GMI and HbA1c is {gap['note']}."
    limits = interval(gap["conf_low"], gap["conf_high"], 2)
    return (
        f"{told}. GMI less HbA1c differs between the arms by {number(gap['estimate'], 2)} points "
        f"({limits})."
    )


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    """As reported, the two ends of each size of shift, and the gaps; the CSV has every shift."""
    off = table.loc[table["quantity"] == IF_OFF]
    if off["estimate"].notna().any():
        size = off[["shift_implanted", "shift_adhesive"]].abs().max(axis=1)
        ends = off.groupby(size)["estimate"].agg(["idxmin", "idxmax"]).to_numpy().ravel()
        table = table.loc[(table["quantity"] != IF_OFF) | table.index.isin(ends)]
    lines = []
    for row in table.to_dict("records"):
        decimals = 2 if row["quantity"] == GAP_NAME else 1
        shown = str(row["note"])
        if pd.notna(row["estimate"]):
            limits = interval(_plain(row["conf_low"]), _plain(row["conf_high"]), decimals)
            shown = f"{number(row['estimate'], decimals)} ({limits})"
        which = row["cohort"] if row["cohort"] else row["name"]
        if which == REPORTED:
            which = "implanted minus adhesive"
        lines.append(
            {
                "Quantity": row["quantity"], "Which": which, "Estimate (95 %)": shown,
                "Unit": {PERCENT: "points of time"}.get(row["unit"], row["unit"]),
                "Patients": " + ".join(
                    f"{row[f'n_{a}']:.0f}" for a in KINDS if pd.notna(row[f"n_{a}"])
                ),
            }
        )  # fmt: skip
    return pd.DataFrame(lines)


def _plain(value: Any) -> float | None:
    return None if value is None or pd.isna(value) else float(value)


def _record(row: Row, found: Compared) -> Record:
    sizes = [row.get(f"n_{arm}") for arm in KINDS]
    return Record(
        outcome="comparison_time_in_range", quantity=f"{row['quantity']}: {row['name']}",
        population="cumulative", cohort=row.get("cohort"),
        contrast=None if row.get("cohort") else CONTRAST, at=f"month {found.month}",
        by={"trial": found.trial}, estimate=row.get("estimate"), conf_low=row.get("conf_low"),
        conf_high=row.get("conf_high"), n_patients=sum(int(n) for n in sizes if n is not None),
        unit=str(row["unit"]), method=str(row.get("method") or ""), note=row.get("note"),
    )  # fmt: skip
