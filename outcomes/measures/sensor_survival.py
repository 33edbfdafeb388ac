"""Do sensors last until their planned removal, and what takes the others?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.flow import NOT_RECORDED
from outcomes.errors import UsageError, known_names
from outcomes.figures.sensor_curves import draw_curves
from outcomes.figures.style import cohort_order
from outcomes.measures.sensor_ends import (
    end_states,
    lives_in,
)
from outcomes.measures.sensor_groups import GROUPINGS, PLANNED_LIFE, WHOLE, groups, with_groups
from outcomes.measures.sensor_needs import MEAN_DAYS, SENSORS, needs
from outcomes.measures.sensor_notes import footnotes
from outcomes.measures.sensor_shares import (
    HEADS,
    at_horizons,
    horizon,
    loss_rates,
    population_difference,
    reached_curve,
    refusal,
    shares,
)
from outcomes.measures.sensor_summary import LESS, finding, of_groups, of_kinds
from outcomes.plan import SensorSurvival
from outcomes.results import Record, Result
from outcomes.statistics.survival import number_at_risk
from outcomes.tables.declared import KINDS
from outcomes.units import counted

TITLE: Final = "Do sensors last until their planned removal?"
PER_100: Final = "of 100 sensors placed"
PER_YEAR: Final = "per patient-year of wear"
POINTS: Final = "points of 100 sensors placed"
Row = dict[str, object]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class SensorSurvivalResult(Result):
    """The result of `sensor_survival`, with the frames behind it.

    Attributes
    ----------
    ends : DataFrame, one row per sensor placed up to the cut-off
        See `outcomes.measures.sensor_ends.end_states`; with `site` and `year` of placement.
    curves : DataFrame, one row per kind, group and step
        `kind`, `group`, `time`, `share_of_planned`, `estimate`, `conf_low`, `conf_high`,
        `n_at_risk`: the share still working or removed as planned, cumulative population.
    at_risk : DataFrame, one row per kind, group and time shown
        `kind`, `group`, `share_of_planned`, `n_at_risk`.
    """

    ends: pd.DataFrame
    curves: pd.DataFrame
    at_risk: pd.DataFrame


def sensor_survival(cohorts: CohortSet, *, by: str | None = None) -> SensorSurvivalResult:
    """Of 100 sensors placed, how many reached planned removal, and what became of the others?

    All sensors of a kind count, whoever wears them. Two populations: *cumulative* (placed since
    the plan's start) and *quarter* (what was worn in this quarter, sensors in place at its start
    included with late entry).

    Parameters
    ----------
    cohorts : CohortSet
    by : {"model", "lot", "site", "year", "body_site", "planned_days"}, optional
        Show each level apart: `site` is where the sensor was placed, `year` the calendar year of
        its placement.

    Returns
    -------
    SensorSurvivalResult
        `.table` has one row per population, kind, group and quantity: `population`, `kind`,
        `group`, `quantity`, `reason`, `at`, `estimate`, `conf_low`, `conf_high`, `unit`,
        `n_units` (sensors), `n_patients`, `events`, `n_at_risk`, `exposure` (patient-years),
        `method`, `note`. Of 100 placed: reached planned removal (still working, or removed as
        planned within the grace), lost by reason, taken out early by reason, patient died, end not
        known, adding to 100 on the eve of the planned day; the same at the plan's horizons in days
        and in shares of planned life; bounds where ends are unknown or undated; patient choice
        counted as loss; the Kaplan-Meier curve; losses per patient-year, exact and clustered; days
        worked per sensor, sensors and procedures that a patient-year needs; and how far the
        quarter lies from the cumulative figure, with the patients in both counted once. What is
        shown is shorter (`.summary`).

    Raises
    ------
    UsageError
        `by` is not one of the groupings.

    Notes
    -----
    Aalen-Johansen with late entry; infinitesimal-jackknife variance summed by patient, limits on
    the log(-log) scale of the printed probability. See `outcomes.statistics.competing_risks`.
    Where no share can be given (no sensor, one sensor, one patient, no end, all ended early) the
    note says so in words and there is no number.
    """
    if by is not None and by not in GROUPINGS:
        raise UsageError(known_names("grouping of sensors", by, GROUPINGS))
    rules = cohorts.plan.sensor_survival
    ends = sensor_ends_of(cohorts)
    start = cohorts.plan.plan.start
    populations = populations_of(ends, cohorts)
    kinds = kinds_of(ends)
    procedures = cohorts.table("procedures")
    rows = [
        row
        for population, lives in populations.items()
        for kind in kinds
        for row in _kind_rows(
            lives.loc[lives["kind"] == kind], population, kind, by, rules, procedures
        )
    ]
    rows += [row for kind in kinds for row in _less_rows(populations, kind)]
    table = pd.DataFrame(rows)[["population", "kind", "group", *_COLUMNS]]
    curves = _curves(populations["cumulative"], kinds, by, rules.smallest_at_risk)
    at_risk = _at_risk(populations["cumulative"], kinds, by)
    asked = _asked(kinds, table)
    answer = finding(table, asked, str(start))
    among = "" if by is None else f", by {_WORDS[by]}"
    lines = of_kinds(table, kinds) if by is None else of_groups(table, heading=f"By {_WORDS[by]}")
    return SensorSurvivalResult(
        name="sensor_survival" + (f"_by_{by}" if by else ""),
        title=f"{TITLE[:-1]}{among}?",
        table=table,
        entries=[_record(row, by) for row in table.to_dict("records")],
        finding=answer,
        caption=(
            f"Of 100 sensors placed, on the eve of the planned day (95 % interval). Cumulative: "
            f"placed {start} to {cohorts.cut_off}; this quarter: worn {cohorts.span}."
        ),
        footnotes=footnotes(ends, populations, cohorts),
        settings=_settings(cohorts),
        summary=lines,
        drawing=partial(draw_curves, curves=curves, at_risk=at_risk) if len(curves) else None,
        alt=_alt(answer, curves, rules.smallest_at_risk),
        height=3.4 + 0.17 * max(len(at_risk.groupby(["kind", "group"])) if len(at_risk) else 0, 1),
        ends=ends,
        curves=curves,
        at_risk=at_risk,
    )


_WORDS = {
    "model": "model", "lot": "lot", "site": "site of placement", "year": "year of placement",
    "body_site": "place on the body", PLANNED_LIFE: "planned life",
}  # fmt: skip


def sensor_ends_of(cohorts: CohortSet) -> pd.DataFrame:
    """Return how every sensor placed up to the cut-off ended, with the columns to group by.

    Returns
    -------
    DataFrame, one row per sensor
        See `end_states` and `with_groups`; a kind that nobody wrote down is "not recorded".
    """
    patients = cohorts.table("patients")
    ends = end_states(
        cohorts.table("sensors"),
        cut_off=cohorts.cut_off,
        rules=cohorts.plan.sensor_survival,
        died=patients.set_index("patient_id")["died_on"],
        follow_up=cohorts.follow_up,
    )
    ends["kind"] = ends["kind"].astype(object).where(ends["kind"].notna(), NOT_RECORDED)
    return with_groups(ends, cohorts.tables)


def populations_of(ends: pd.DataFrame, cohorts: CohortSet) -> dict[str, pd.DataFrame]:
    """Return the lives of the two populations, *cumulative* and *quarter*."""
    start = cohorts.plan.plan.start
    since = ends["placed_on"] >= pd.Timestamp(start)
    return {
        "cumulative": lives_in(ends.loc[since], first_on=start, last_on=cohorts.cut_off),
        "quarter": lives_in(ends, first_on=cohorts.span.first_on, last_on=cohorts.span.last_on),
    }


def kinds_of(ends: pd.DataFrame) -> list[str]:
    """Return the kinds in their fixed order; both kinds always, others where they occur."""
    return cohort_order([*KINDS, *ends["kind"]])


def _asked(kinds: Sequence[str], table: pd.DataFrame) -> list[str]:
    """The two kinds, or sensors of unrecorded kind where there is nothing else to tell of."""
    mine = table.loc[(table["population"] == "cumulative") & (table["group"] == WHOLE)]
    some = set(mine.loc[mine["n_units"] > 0, "kind"])
    return list(KINDS) if some & set(KINDS) or not some else [k for k in kinds if k in some]


_COLUMNS = [
    *("quantity", "reason", "what", "at", "estimate", "conf_low", "conf_high", "unit"),
    *("n_units", "n_patients", "events", "n_at_risk", "exposure", "method", "note"),
]


def _kind_rows(
    lives: pd.DataFrame, population: str, kind: str, by: str | None, rules: SensorSurvival,
    procedures: pd.DataFrame,
) -> list[Row]:  # fmt: skip
    return [
        {"population": population, "kind": kind, "group": group, **row}
        for group, part in groups(lives, by)
        for row in _group_rows(part, rules, procedures)
    ]


def _group_rows(lives: pd.DataFrame, rules: SensorSurvival, procedures: pd.DataFrame) -> list[Row]:
    counts: Row = {
        "n_units": len(lives),
        "n_patients": int(lives["patient_id"].nunique()),
    }
    if lives.empty:
        why = {"note": refusal(lives), "method": "", "n_at_risk": 0, "events": 0}
        return [_row(quantity=head, unit=PER_100, **counts, **why) for head in HEADS]
    rows = []
    read = shares(lives, smallest_at_risk=rules.smallest_at_risk).to_dict("records")
    earlier = at_horizons(lives, shares_of_life=rules.horizon_shares, days=rules.horizon_days)
    for row in [*read, *earlier.to_dict("records")]:
        scaled = {name: _times(row[name], 100) for name in ("estimate", "conf_low", "conf_high")}
        rows.append(_row(**{**row, **scaled}, **counts, unit=PER_100))
    for row in loss_rates(lives).to_dict("records"):
        rows.append(_row(**row, **counts, unit=PER_YEAR))
    for row in needs(lives, procedures).to_dict("records"):
        quantity = row["quantity"]
        unit = "days" if quantity == MEAN_DAYS else (
            "sensors per patient-year" if quantity == SENSORS else "procedures per patient-year"
        )  # fmt: skip
        rows.append(_row(**row, **counts, unit=unit))
    return rows


def _row(**given: object) -> Row:
    row: Row = dict.fromkeys(_COLUMNS)
    row |= {"reason": "", "method": "", "note": ""}
    row |= {name: value for name, value in given.items() if name in row}
    reason = row["reason"]
    row["what"] = f"{row['quantity']}: {reason}" if reason else row["quantity"]
    for name in ("estimate", "conf_low", "conf_high", "exposure"):
        row[name] = _times(row[name], 1)
    return row


def _less_rows(populations: dict[str, pd.DataFrame], kind: str) -> list[Row]:
    """How far the quarter lies from the cumulative figure, patients in both counted once."""
    both = {
        name: lives.loc[lives["kind"] == kind] for name, lives in populations.items()
    }  # fmt: skip
    table = population_difference(both["quarter"], both["cumulative"])
    counts = {
        "n_units": len(both["quarter"]), "n_patients": int(both["quarter"]["patient_id"].nunique())
    }  # fmt: skip
    rows = []
    for row in table.to_dict("records"):
        scaled = {name: _times(row[name], 100) for name in ("estimate", "conf_low", "conf_high")}
        told = {**row, **scaled, "quantity": f"{row['quantity']}{LESS}"}
        told["method"] = "difference of influences within the patient, normal limits"
        rows.append(
            {"population": "quarter", "kind": kind, "group": WHOLE}
            | _row(**told, **counts, unit=POINTS)
        )
    return rows


def _times(value: object, factor: float) -> float | None:
    if value is None or pd.isna(value):
        return None
    return float(value) * factor  # type: ignore[arg-type]


def _whole(value: object) -> int | None:
    return None if value is None or pd.isna(value) else int(value)  # type: ignore[call-overload]


def _record(row: dict[str, object], by: str | None) -> Record:
    told = {"reason": str(row["reason"])} if row["reason"] else {}
    if row["group"] != WHOLE:
        told[by or PLANNED_LIFE] = str(row["group"])
    return Record(
        outcome="sensor_survival",
        quantity=str(row["quantity"]),
        population=str(row["population"]),
        cohort=str(row["kind"]),
        at=None if row["at"] is None or pd.isna(row["at"]) else str(row["at"]),
        by=told,
        estimate=_times(row["estimate"], 1),
        conf_low=_times(row["conf_low"], 1),
        conf_high=_times(row["conf_high"], 1),
        n_patients=_whole(row["n_patients"]),
        n_units=_whole(row["n_units"]),
        events=_whole(row["events"]),
        exposure=_times(row["exposure"], 1),
        unit=str(row["unit"]),
        method=str(row["method"]),
        note=str(row["note"]) or None,
    )


def _settings(cohorts: CohortSet) -> dict[str, str]:
    rules = cohorts.plan.sensor_survival
    grace = {
        f"grace, {kind}": f"{counted(rules.grace_before_days(kind), 'day')} before to "
        f"{rules.grace_after_days(kind)} after the planned day"
        for kind in KINDS
    }
    return {
        "plan start": str(cohorts.plan.plan.start),
        "cut-off": str(cohorts.cut_off),
        **grace,
        "horizons": ", ".join(
            [f"{100 * share:g} %" for share in rules.horizon_shares]
            + [f"day {day}" for day in rules.horizon_days]
        ),
        "curves stop below": f"{rules.smallest_at_risk} sensors at risk",
    }


def _alt(answer: str, curves: pd.DataFrame, smallest: int) -> str:
    if curves.empty:
        return answer
    return (
        "Step curves of the share of sensors still working or removed as planned, by kind, over "
        f"the share of planned life, ending where fewer than {smallest} are at risk. {answer}"
    )


def curve_groups(
    lives: pd.DataFrame, kinds: Sequence[str], by: str | None
) -> list[tuple[str, str, pd.DataFrame]]:
    """Return the curves that are drawn: one a kind, or one a level where levels are asked for."""
    found = []
    for kind in kinds:
        mine = lives.loc[lives["kind"] == kind]
        parts = groups(mine, by)[1:] if by else [(WHOLE, mine)]
        found += [(kind, group, part) for group, part in parts if len(part)]
    return found


def _curves(
    lives: pd.DataFrame, kinds: Sequence[str], by: str | None, smallest: int
) -> pd.DataFrame:
    parts = []
    for kind, group, part in curve_groups(lives, kinds, by):
        if part["patient_id"].nunique() < 2:
            continue  # one patient's sensors make no curve of a kind
        curve = reached_curve(part, smallest_at_risk=smallest)
        scale = 1.0 if horizon(part).pooled else float(part["planned_days"].iloc[0])
        share = curve["time"] / scale
        curve = curve.assign(kind=kind, group=group, share_of_planned=share)
        if len(curve) and (part["exit"] >= part["planned_days"]).sum() >= smallest:
            # Enough are still at risk on the planned day, so the last step reaches it.
            curve = pd.concat([curve, curve.tail(1).assign(share_of_planned=1.0)])
        parts.append(curve)
    parts = [part for part in parts if len(part)]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


_MARKS = (0.0, 0.25, 0.5, 0.75, 1.0)


def _at_risk(lives: pd.DataFrame, kinds: Sequence[str], by: str | None) -> pd.DataFrame:
    parts = []
    for kind, group, part in curve_groups(lives, kinds, by):
        planned = part["planned_days"].astype(float)
        clock = pd.DataFrame({"entry": part["entry"] / planned, "exit": part["exit"] / planned})
        table = number_at_risk(clock.assign(state="censored"), times=_MARKS)
        parts.append(
            pd.DataFrame(
                {
                    "kind": kind, "group": group, "share_of_planned": table["time"],
                    "n_at_risk": table["n_at_risk"],
                }
            )
        )  # fmt: skip
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
