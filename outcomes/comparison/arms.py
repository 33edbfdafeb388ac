"""Both arms of a trial: the flow into them, what they were like, what else was begun later."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.cohorts.baseline import baseline
from outcomes.cohorts.build import CohortSet
from outcomes.comparison.people import LEFT_OWN_LEVEL, compared, with_visit
from outcomes.comparison.trial import (
    ARM,
    FIRST_STEPS,
    KEPT,
    SWITCH,
    SWITCH_STEPS,
    TRIALS,
    PersonTrials,
    ended_before_placement,
)
from outcomes.results import Record, Result, interval, number
from outcomes.statistics.intervals import proportion
from outcomes.tables.declared import KINDS, STATE_SITE, STATE_UNRELIABLE
from outcomes.units import counted

CO_INTERVENTION_DAYS: Final = 183


# --- flow ----------------------------------------------------------------------------------------


def trial_flow(trials: PersonTrials, cohorts: CohortSet, *, month: int) -> Result:
    """Return who entered each trial and who can be compared, every exclusion adding up.

    Returns
    -------
    Result
        `.table` has `trial`, `counted` (patients or entries), `role`, `step`, `n`, and for entries
        `implanted` and `adhesive`. Patients: total = left out + kept. Entries of the kept: total =
        left out + compared; of the compared, how many were seen.
    """
    lines: list[tuple[object, ...]] = []
    for trial in TRIALS:
        lines += _patient_lines(trials, trial)
        lines += _entry_lines(trials, cohorts, trial, month)
    table = pd.DataFrame(
        lines, columns=["trial", "counted", "role", "step", "n", "implanted", "adhesive"]
    ).astype(dict.fromkeys(("n", "implanted", "adhesive"), "Int64"))
    primary = cohorts.plan.comparison.primary_trial
    mine = table.loc[(table["trial"] == primary) & (table["role"] == "compared")].iloc[0]
    kept = table.loc[(table["trial"] == primary) & (table["role"] == "kept"), "n"].iloc[0]
    total = len(trials.steps.loc[trials.steps["trial"] == primary])
    early = ended_before_placement(trials.rows, cohorts.plan.comparison.decision_days)
    return Result(
        name="comparison_flow",
        title="Who is compared",
        table=table,
        entries=[
            Record(
                outcome="comparison_flow", quantity=f"{line[1]} {line[2]}: {line[3]}",
                population="cumulative", by={"trial": str(line[0])}, estimate=float(str(line[4])),
                level=None, n_patients=int(str(line[4])) if line[1] == "patients" else None,
                n_units=int(str(line[4])), unit=str(line[1]), method="count",
            )
            for line in lines
        ],
        finding=(
            f"Of {counted(total, 'patient')}, {kept} entered the trial “{primary}”; "
            f"{counted(mine['n'], 'entry', 'entries')} can "
            f"be compared at month {month} ({mine['implanted']} implanted, {mine['adhesive']} "
            "adhesive)."
        ),
        caption=(
            f"Patients and their entries into each emulated trial up to {cohorts.cut_off}. A "
            "patient may enter “switch or stay” once a quarter, each time with an own time zero."
        ),
        footnotes=[
            f"{early} who count as having stayed died or were lost within "
            f"{cohorts.plan.comparison.decision_days} days of the contact, before a decision to "
            "switch could have been carried out.",
        ],
        summary=_flow_summary(table, primary),
    )  # fmt: skip


def _flow_summary(table: pd.DataFrame, primary: str) -> pd.DataFrame:
    """The primary trial's steps that anybody took; of the other trial its ends."""
    ends = table["role"].isin(["kept", "compared"])
    mine = table["trial"] == primary
    shown = table.loc[(mine & ((table["n"] > 0) | ends)) | ends]
    return pd.DataFrame(
        {
            "Trial": shown["trial"], "Counted": shown["counted"],
            "Step": [
                f"{role}: {step}" if role == "left out" else step
                for role, step in zip(shown["role"], shown["step"], strict=True)
            ],
            "All": shown["n"], "Implanted": shown["implanted"], "Adhesive": shown["adhesive"],
        }
    ).reset_index(drop=True)  # fmt: skip


def _patient_lines(trials: PersonTrials, trial: str) -> list[tuple[object, ...]]:
    steps = trials.steps.loc[trials.steps["trial"] == trial, "step"]
    counts = steps.value_counts()
    reasons = SWITCH_STEPS if trial == SWITCH else FIRST_STEPS
    lines = [("total", "patients in the study", len(steps))]
    lines += [("left out", step, int(counts.get(step, 0))) for step in reasons]
    lines.append(("kept", KEPT, int(counts.get(KEPT, 0))))
    return [(trial, "patients", role, step, n, pd.NA, pd.NA) for role, step, n in lines]


def _entry_lines(
    trials: PersonTrials, cohorts: CohortSet, trial: str, month: int
) -> list[tuple[object, ...]]:
    rows = trials.of(trial)
    found = compared(trials, trial=trial, month=month, rules=cohorts.plan.comparison)
    kept = found.rows
    lines = [("total", "entries", rows)]
    visit = with_visit(rows, trials.draws, month)
    rest = visit.loc[visit["due"]]
    lines.append(
        ("left out", "visit not due by the cut-off, or died before it", visit.loc[~visit["due"]])
    )
    for name in dict.fromkeys(["baseline_hba1c", *cohorts.plan.comparison.covariates]):
        if cohorts.plan.comparison.missing_covariates == LEFT_OWN_LEVEL and name != (
            "baseline_hba1c"
        ):
            continue
        gap = rest[name].isna()
        if gap.any():
            lines.append(("left out", f"without {name.replace('_', ' ')}", rest.loc[gap]))
            rest = rest.loc[~gap]
    lines.append(("compared", f"due at month {month}, complete", kept))
    lines.append(("of the compared", f"HbA1c seen at month {month}", kept[kept["change"].notna()]))
    lines.append(
        ("of the compared", "seen while on the arm's kind", kept[kept["change_on_kind"].notna()])
    )
    return [
        (trial, "entries", role, step, len(part), *(int((part["arm"] == a).sum()) for a in KINDS))
        for role, step, part in lines
    ]


# --- baseline and co-interventions ---------------------------------------------------------------


def trial_baseline(
    trials: PersonTrials, cohorts: CohortSet, *, trial: str, more: Sequence[str] = ()
) -> Result:
    """Return what the arms of a trial were like at time zero, with standardised differences."""
    rules = cohorts.plan.comparison
    names = list(dict.fromkeys([*rules.covariates, *more]))
    rows = trials.of(trial).assign(new=True).rename(columns={"arm": "cohort"})
    found = baseline(rows, covariates=names)
    words = ARM[trial]
    return replace(
        found,
        name="comparison_baseline",
        title="The arms at time zero",
        entries=[_of_comparison(entry) for entry in found.entries],
        finding=found.finding.replace("cohorts", "arms"),
        caption=(
            f"Entries into “{trial}” at time zero, what was known by then: mean (SD), or number "
            f"(share). Implanted: {words['implanted']}; adhesive: {words['adhesive']}. A patient "
            "counts once per entry."
        ),
    )


def _of_comparison(entry: Record) -> Record:
    why = None if entry.estimate is not None else "nobody in the arm, or a count of the missing"
    return replace(entry, outcome="comparison_baseline", note=entry.note or why)


def co_interventions(trials: PersonTrials, cohorts: CohortSet, *, trial: str) -> Result:
    """Return what else was begun or changed in the half-year after time zero, by arm.

    A difference here is a rival explanation that no weight at time zero removes: under the
    treatment-policy estimand it is part of what is compared.
    """
    rows = trials.of(trial)
    days = CO_INTERVENTION_DAYS
    followed = rows.loc[
        rows["follow_up_to"] >= rows["time_zero"] + pd.Timedelta(days=days)
    ].reset_index(drop=True)
    states = cohorts.table("states")
    facts = sorted(set(states["what"]) - {STATE_UNRELIABLE, STATE_SITE})
    lines = [
        _co_line(followed, states.loc[states["what"] == what], what, arm, days)
        for what in facts
        for arm in KINDS
    ]
    table = pd.DataFrame(
        lines,
        columns=["what", "arm", "events", "n", "estimate", "conf_low", "conf_high", "method"],
    )
    summary = _co_summary(table, facts)
    sizes = ", ".join(f"{int((followed['arm'] == a).sum())} {a}" for a in KINDS)
    return Result(
        name="comparison_co_interventions",
        title="What else was begun after time zero",
        table=table,
        entries=[
            Record(
                outcome="comparison_co_interventions", quantity=f"{row['what']} begun or changed",
                population="cumulative", cohort=str(row["arm"]), at=f"day {days}",
                by={"trial": trial}, estimate=row["estimate"], conf_low=row["conf_low"],
                conf_high=row["conf_high"], n_units=row["n"], events=row["events"],
                unit="% of entries", method=str(row["method"]),
                note=None if row["n"] else "nobody in the arm was followed for so long",
            )
            for row in lines
        ],
        finding=_co_finding(table, facts, sizes),
        caption=(
            f"Facts recorded as beginning within {days} days after time zero, of entries followed "
            "that long; share with Wilson 95 % interval."
        ),
        footnotes=["Not adjusted for: what began after the choice may be its consequence."],
        summary=summary if len(summary) else None,
    )  # fmt: skip


def _co_line(
    rows: pd.DataFrame, facts: pd.DataFrame, what: str, arm: str, days: int
) -> dict[str, Any]:
    mine = rows.loc[rows["arm"] == arm, ["patient_id", "time_zero"]].reset_index(drop=True)
    both = mine.assign(row=np.arange(len(mine))).merge(facts, on="patient_id")
    since = (both["from_on"] - both["time_zero"]).dt.days
    events = int(both.loc[since.between(1, days), "row"].nunique())
    share = proportion(events, len(mine), method="wilson").scaled(100)
    return {
        "what": what, "arm": arm, "events": events, "n": len(mine), "estimate": share.estimate,
        "conf_low": share.conf_low, "conf_high": share.conf_high, "method": share.method,
    }  # fmt: skip


def _co_summary(table: pd.DataFrame, facts: Sequence[str]) -> pd.DataFrame:
    lines = []
    for what in facts:
        cells = {"Begun or changed": what}
        for arm in KINDS:
            row = table.loc[(table["what"] == what) & (table["arm"] == arm)].iloc[0]
            cells[arm.capitalize()] = (
                f"{row['events']} of {row['n']} ({number(row['estimate'])} %; "
                f"{interval(row['conf_low'], row['conf_high'])})"
            )
        lines.append(cells)
    return pd.DataFrame(lines)


def _co_finding(table: pd.DataFrame, facts: Sequence[str], sizes: str) -> str:
    if not facts or not table["n"].sum():
        return "No dated facts are recorded, so that co-interventions cannot be shown."
    wide = table.pivot_table(index="what", columns="arm", values="estimate", sort=False)
    gap = (wide.get("implanted", np.nan) - wide.get("adhesive", np.nan)).abs()
    if gap.isna().all():
        return f"Co-interventions can be shown for one arm only (n = {sizes} entries)."
    what = str(gap.idxmax())
    rows = table.loc[table["what"] == what].set_index("arm")
    parts = " and ".join(
        f"{number(rows.loc[a, 'estimate'])} % ({rows.loc[a, 'events']} of {rows.loc[a, 'n']}) {a}"
        for a in KINDS
        if a in rows.index
    )
    return f"The arms differ most in “{what}” begun within the half-year: {parts}."
