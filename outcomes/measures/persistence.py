"""Do patients stay with their kind of sensor, and are sensors removed on time?"""

from __future__ import annotations

from functools import partial
from typing import Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.figures.forest import draw_forest
from outcomes.figures.scales import PERCENT
from outcomes.measures.persistence_rows import (
    AGAIN,
    AT_CUT_OFF,
    CUMULATIVE,
    OFFERED,
    OTHER_END,
    QUARTER,
    STAYED,
    STILL,
    TIMELY,
    Row,
    past,
    rows_of,
)
from outcomes.measures.replacements import IN_BODY, LOST_WITH, NO_REASON, OVERDUE, SAME, WITHIN
from outcomes.measures.words import one_sentence, with_interval
from outcomes.plan import SensorSurvival
from outcomes.results import DASH, Record, Result, number
from outcomes.tables.declared import KINDS
from outcomes.units import counted

OUTCOME: Final = "persistence"


def persistence(cohorts: CohortSet) -> Result:
    """Are sensors placed after an offer, placed again after a removal, and removed on time?

    Parameters
    ----------
    cohorts : CohortSet

    Returns
    -------
    Result
        `.table` has one row per population, kind, `quantity`, `level` and `at`: offers followed by
        a placement; what followed an ended sensor within 30 and 90 days (same kind placed again,
        other kind, no sensor; the last two by the reason of the end); planned removals before,
        within and after the grace, with removals for other reasons beside; what new patients wore
        183 and 365 days after their first sensor of the kind; completeness of follow-up by
        cohort; sensors overdue at the cut-off. `events` of `n_units`, `estimate` in %.

    Notes
    -----
    *Cumulative*: offers and sensors from the plan's start. *Quarter*: windows that closed in it,
    removals dated in it, so that quarters add to the year. Shares of sensors have Wilson's
    interval, removals the exact one, as if each sensor were its own; where patients gave several,
    a twin clustered by patient stands in the CSV. Completeness is Clark's: time followed over the
    time to death or cut-off [1]_.

    References
    ----------
    .. [1] Clark TG, Altman DG, De Stavola BL. Quantification of the completeness of follow-up.
       Lancet 2002;359:1309-1310.
    """
    table = pd.DataFrame(rows_of(cohorts), columns=list(_COLUMNS))
    drawn = _drawn(table)
    answer = _finding(table, cohorts)
    rules = cohorts.plan.sensor_survival
    return Result(
        name=OUTCOME,
        title="Do patients stay with their sensor, and are removals on time?",
        table=table,
        entries=[_record(row) for row in table.astype(object).to_dict("records")],
        finding=answer,
        caption=(
            f"Offers and sensors since {cohorts.plan.plan.start}, windows closed by "
            f"{cohorts.cut_off}; number of number, % with 95 % interval."
        ),
        footnotes=_footnotes(cohorts),
        settings={
            "re-placed within": ", ".join(f"{day} days" for day in rules.replaced_within_days),
            "placed after an offer within": f"{rules.offered_within_days} days",
            "staying read at": ", ".join(f"day {day}" for day in rules.persistence_days),
        },
        summary=_summary(table, rules),
        drawing=partial(draw_forest, rows=drawn, label="%", nothing=100.0, scale=PERCENT)
        if len(drawn)
        else None,
        alt=f"Shares with 95 % intervals, implanted and adhesive. {answer}",
        height=1.0 + 0.28 * max(len(drawn), 1),
    )


def overdue(cohorts: CohortSet) -> Result:
    """Which sensors are past their planned day without a removal? A list for the clinic alone.

    Returns
    -------
    Result
        `.table` as `outcomes.measures.replacements.past_planned_day` gives it, with ids; private,
        so that no other audience sees it.
    """
    found = past(cohorts)
    counts = found["why"].value_counts()
    said = [f"{counts.get(why, 0)} {why}" for why in (OVERDUE, IN_BODY)]
    record = Record(
        outcome="overdue", quantity=OVERDUE, population=CUMULATIVE, unit="sensors",
        estimate=float(counts.get(OVERDUE, 0)), n_units=len(cohorts.table("sensors")),
        method="count",
    )  # fmt: skip
    listed = found.assign(
        placed_on=found["placed_on"].dt.date.astype(str),
        planned_on=found["planned_on"].dt.date.astype(str),
    )
    return Result(
        name="overdue",
        title="Which sensors are past their planned day?",
        table=listed,
        entries=[record],
        finding=one_sentence([f"at {cohorts.cut_off}: {', '.join(said)}"]),
        caption=f"Sensors without a recorded removal at {cohorts.cut_off}, longest past first.",
        footnotes=[
            "A sensor past its planned day without an end is a question to the patient, and often "
            "a removal that nobody wrote down. Local rules say by when a sensor must come out. "
            f"Those of patients who are lost ({counts.get(LOST_WITH, 0)}) stand in the CSV."
        ],
        private=True,
        summary=listed.loc[found["why"] != LOST_WITH, list(_SHOW_LIST)].rename(columns=_SHOW_LIST),
    )


_SHOW_LIST = {
    "sensor_id": "Sensor", "patient_id": "Patient", "kind": "Kind", "placed_on": "Placed",
    "planned_on": "Planned removal", "days_past": "Days past", "why": "Why it is listed",
}  # fmt: skip
_COLUMNS: Final = (
    "population", "kind", "quantity", "level", "at", "events", "n_units", "n_patients",
    "estimate", "conf_low", "conf_high", "unit", "method", "note",
)  # fmt: skip


# --- words and picture ---------------------------------------------------------------------------


def _record(row: Row) -> Record:
    given = dict(row)
    given.update((name, None) for name, value in row.items() if pd.isna(value))
    kind, level = given.pop("kind"), str(given.pop("level"))
    if given["estimate"] is None and given["note"] is None:
        given["note"] = "not estimable: none of these"
    return Record(outcome=OUTCOME, cohort=kind, by={"level": level}, **given)


def _of(table: pd.DataFrame, population: str, kind: str, quantity: str, level: str,
        at: str | None = None) -> Row | None:  # fmt: skip
    mine = table.loc[
        (table["population"] == population) & (table["kind"] == kind)
        & (table["quantity"] == quantity) & (table["level"] == level)
    ]  # fmt: skip
    if at is not None:
        mine = mine.loc[mine["at"] == at]
    return None if mine.empty else mine.iloc[0].to_dict()


def _cell(row: Row | None) -> str:
    if row is None or not row["n_units"]:
        return DASH
    if row["unit"] == "sensors":
        return f"{row['events']:.0f}"
    share = with_interval(row["estimate"], row["conf_low"], row["conf_high"], 0)
    if row["unit"] == "% of patient-time":
        return f"{share} %"
    return f"{row['events']:,.0f} of {row['n_units']:,.0f}: {share} %"


def _summary(table: pd.DataFrame, rules: SensorSurvival) -> pd.DataFrame:
    """The short table: whoever did not stay only at the longest windows; the rest is in the CSV."""
    last = {AGAIN: f"{max(rules.replaced_within_days)} days",
            STAYED: f"day {max(rules.persistence_days)}"}  # fmt: skip
    told = table.loc[~table["level"].str.contains(", by patient|: ", regex=True)]
    ever = told.groupby(["quantity", "level", "at"], dropna=False)["events"].transform("sum") > 0
    told = told.loc[
        (told["quantity"] != OTHER_END) & (ever | (told["level"] == OVERDUE))
        & (told["level"].isin([SAME, STILL]) | (told["at"] == told["quantity"].map(last))
           | ~told["quantity"].isin(last))
    ]  # fmt: skip
    asked = dict.fromkeys(zip(told["quantity"], told["level"], told["at"], strict=True))
    return pd.DataFrame([_line(table, *one) for one in asked])


def _line(table: pd.DataFrame, quantity: str, level: str, at: str | None) -> dict[str, str]:
    cells = {
        f"{kind}{words}": _cell(_of(table, population, kind, quantity, level, at))
        for kind in KINDS
        for population, words in ((CUMULATIVE, ""), (QUARTER, ", this quarter"))
    }
    name = level if level in (quantity, STILL) else f"{quantity}: {level}"
    when = "" if at is None or quantity == AT_CUT_OFF else f", {at}"
    return {"What": f"{name}{when}", **cells}


def _finding(table: pd.DataFrame, cohorts: CohortSet) -> str:
    longest = max(cohorts.plan.sensor_survival.replaced_within_days)
    parts = []
    for kind in KINDS:
        again = _of(table, CUMULATIVE, kind, AGAIN, SAME, f"{longest} days")
        timely = _of(table, CUMULATIVE, kind, TIMELY, WITHIN)
        if again is None or not again["n_units"]:
            parts.append(f"no {kind} sensor came out {longest} days or more before the cut-off")
            continue
        text = (
            f"of {counted(again['n_units'], f'{kind} sensor')} "
            f"{number(again['estimate'], 0)} % were placed again within {longest} days (95 % "
            f"interval {number(again['conf_low'], 0)} to {number(again['conf_high'], 0)})"
        )
        if timely is not None and timely["n_units"]:
            text += (
                f", and {timely['events']:,} of {timely['n_units']:,} planned removals were within "
                f"the grace ({number(timely['conf_low'], 0)} to {number(timely['conf_high'], 0)} %)"
            )
        parts.append(text)
    late = _of(table, CUMULATIVE, "implanted", AT_CUT_OFF, OVERDUE)
    parts.append(f"overdue: {counted(late['events'] if late else 0, 'implanted sensor')}")
    return one_sentence(parts)


def _drawn(table: pd.DataFrame) -> pd.DataFrame:
    mine = table.loc[
        (table["population"] == CUMULATIVE) & table["estimate"].notna()
        & table["level"].isin([SAME, STILL, WITHIN, OFFERED]) & (table["n_units"] > 0)
    ]  # fmt: skip
    names = {SAME: "placed again", WITHIN: "removed within the grace", OFFERED: "placed on offer",
             STILL: "still on the kind"}  # fmt: skip
    where = mine["at"].fillna("planned removals")
    return mine.assign(
        label=mine["kind"] + ", " + mine["level"].map(names) + ", " + where,
        main=mine["kind"] == "implanted",
        n=mine["n_units"],
    ).sort_values(["quantity", "at", "kind"], ascending=[True, True, False])


def _footnotes(cohorts: CohortSet) -> list[str]:
    rules = cohorts.plan.sensor_survival
    gap = min(rules.replaced_within_days)
    sensors = cohorts.table("sensors")
    undated = int(((sensors["end_reason"] == "planned") & sensors["removed_on"].isna()).sum())
    return [
        "Placed again = a sensor of the same kind, counted from the removal (else the stop); only "
        "windows that had closed by the cut-off count, and a death before a re-placement leaves "
        "the denominator. Changed kind and no sensor stand beside, by the reason of the end in "
        "the CSV.",
        "Timeliness is about planned removals and judged on the day of removal; removals for "
        f"another reason are listed in the CSV. {undated} planned ends have no day of removal.",
        f"Still on the kind = a sensor of it in place on the day, or one that ended at most {gap} "
        "days before. The dead and the lost stand apart and add to 100 with the others.",
        "Offers: contacts recorded as an offer; further offers within "
        f"{rules.offered_within_days} days of one are the same offer. Not placed is not refused: "
        "nobody asked why.",
        "Followed of the time that could be: days to the last contact, or to death or the cut-off, "
        "over days to death or the cut-off. Compare the cohorts before comparing anything else.",
        f"{NO_REASON.capitalize()} is a reason of its own. Intervals of shares take sensors as "
        "independent; by patient they are in the CSV.",
    ]
