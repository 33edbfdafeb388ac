"""Who is compared: the flow into each arm, what they were like, and what else was begun later."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import pandas as pd

from outcomes.cohorts.baseline import baseline
from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.draws import BASELINE_MONTH
from outcomes.comparison.trial import (
    ARM,
    FIRST_STEPS,
    KEPT,
    SWITCH,
    SWITCH_STEPS,
    TRIALS,
    PersonTrials,
    ended_before_placement,
    entry_of,
)
from outcomes.errors import SettingsError, known_names
from outcomes.plan import Comparison
from outcomes.results import Record, Result, Show, interval, number
from outcomes.statistics.design import complete_rows, covariate_columns, is_numeric
from outcomes.statistics.intervals import proportion
from outcomes.statistics.natural_spline import natural_spline
from outcomes.statistics.propensity import PEOPLE_PER_COLUMN
from outcomes.tables.declared import KINDS, STATE_SITE, STATE_UNRELIABLE

MISSING_LEVEL: Final = "(missing)"
LEFT_OWN_LEVEL: Final = "own level"
LATEST: Final = "latest_hba1c"
SEEN_SINCE: Final = "seen_since"
FEWEST_OF_LEVEL: Final = 3
CO_INTERVENTION_DAYS: Final = 183


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Compared:
    """The entries of one trial whose visit is due, complete in what the models need.

    Attributes
    ----------
    trial : str
    month : int
    rows : DataFrame, one row per entry
        The entry's columns with `percent`, `change` (percentage points; missing where not seen),
        `change_on_kind` (missing too where the arm's kind was given up before the draw),
        `latest_hba1c` (latest draw before the visit) and `seen_since` (1 where that is later than
        the baseline).
    covariates : list of str
        Columns of the score and of the outcome model.
    left_out : dict
        Reason to number of entries; with `rows` they add to the entries of the trial.
    notes : list of str
    """

    trial: str
    month: int
    rows: pd.DataFrame
    covariates: list[str]
    left_out: dict[str, int]
    notes: list[str] = field(default_factory=list)

    def patients(self, arm: str, outcome: str | None = None) -> int:
        """Return how many patients an arm has, with an outcome where one is named."""
        mine = self.rows["arm"] == arm
        if outcome is not None:
            mine &= self.rows[outcome].notna()
        return int(self.rows.loc[mine, "patient_id"].nunique())

    def entries(self, arm: str, outcome: str | None = None) -> int:
        """Return how many entries an arm has, with an outcome where one is named."""
        mine = self.rows["arm"] == arm
        if outcome is not None:
            mine &= self.rows[outcome].notna()
        return int(mine.sum())

    def smaller(self, outcome: str | None = None) -> int:
        """Return the number of patients in the smaller arm."""
        return min(self.patients(arm, outcome) for arm in KINDS)


def compared(trials: PersonTrials, *, trial: str, month: int, rules: Comparison) -> Compared:
    """Return the entries of a trial that can be compared at a visit, and why the others cannot.

    Parameters
    ----------
    trials : PersonTrials
    trial : str
    month : int
        A visit of the plan.
    rules : Comparison

    Raises
    ------
    SettingsError
        The plan names a covariate that these patients do not have.
    """
    rows = trials.of(trial)
    for name in rules.covariates:
        if name not in rows.columns:
            known = [c for c in rows.columns if c not in ("person_trial", "patient_id", "arm")]
            raise SettingsError(
                "plan, comparison.covariates: " + known_names("covariate", name, known)
            )
    rows = _with_visit(rows, trials.draws, month)
    left_out = {"visit not due by the cut-off, or died before it": int((~rows["due"]).sum())}
    rows = rows.loc[rows["due"]]
    rows, covariates = _filled(rows, rules)
    found = complete_rows(rows, ["baseline_hba1c", *covariates])
    left_out |= {f"without {name.replace('_', ' ')}": n for name, n in found.left_out.items()}
    rows, covariates, notes = model_columns(
        found.frame.reset_index(drop=True), covariates, rules, outcome="change"
    )
    return Compared(
        trial=trial, month=month, rows=rows, covariates=covariates,
        left_out={reason: n for reason, n in left_out.items() if n}, notes=notes,
    )  # fmt: skip


def _with_visit(rows: pd.DataFrame, draws: pd.DataFrame, month: int) -> pd.DataFrame:
    key = entry_of(rows)
    visit = draws.loc[draws["month"] == month].set_index("entry")
    earlier = draws.loc[draws["month"].lt(month) & draws["month"].ne(BASELINE_MONTH)]
    latest = earlier.dropna(subset=["percent"]).sort_values("month").groupby("entry")["percent"]
    since = key.map(latest.last())
    drawn_on = pd.to_datetime(key.map(visit["drawn_on"]))
    percent = key.map(visit["percent"]).astype("float64")
    change = percent - rows["baseline_hba1c"]
    on_kind = drawn_on <= rows["on_kind_until"]
    return rows.assign(
        due=key.map(visit["due"]).fillna(False).astype(bool),
        percent=percent,
        drawn_on=drawn_on,
        change=change,
        change_on_kind=change.where(on_kind),
        latest_hba1c=since.fillna(rows["baseline_hba1c"]).astype("float64"),
        seen_since=since.notna().astype(float),
    )


def _filled(rows: pd.DataFrame, rules: Comparison) -> tuple[pd.DataFrame, list[str]]:
    """Return rows with gaps as a level of their own, where the plan says so."""
    covariates, rows = list(rules.covariates), rows.copy()
    if rules.missing_covariates != LEFT_OWN_LEVEL:
        return rows, covariates
    for name in rules.covariates:
        gaps = rows[name].isna()
        if not gaps.any() or name == "baseline_hba1c":
            continue
        if is_numeric(rows[name]):
            rows[name] = rows[name].astype("float64").fillna(rows[name].mean())
            rows[f"{name}_missing"] = gaps.astype(float)
            covariates.append(f"{name}_missing")
        else:
            rows[name] = rows[name].astype(object).where(~gaps, MISSING_LEVEL)
    return rows, covariates


def model_columns(
    rows: pd.DataFrame, covariates: list[str], rules: Comparison, *, outcome: str
) -> tuple[pd.DataFrame, list[str], list[str]]:
    """Return rows and columns that the models can carry, and in words what was done for it.

    A level of a category with fewer than three patients with an outcome in either arm is read as
    the commonest level. The spline enters while the smaller arm has five patients for every
    column; otherwise its covariate is a straight line.

    Parameters
    ----------
    rows : DataFrame, one row per entry
        `patient_id`, `arm`, the outcome and the covariates, complete.
    covariates : list of str
    rules : Comparison
    outcome : str
    """
    notes: list[str] = []
    for name in covariates:
        if not is_numeric(rows[name]):
            rows = _merged(rows, name, outcome, notes)
    return _with_curve(rows, covariates, rules, notes)


def _merged(rows: pd.DataFrame, name: str, outcome: str, notes: list[str]) -> pd.DataFrame:
    seen = rows.dropna(subset=[outcome])
    counts = seen.pivot_table(
        index=name, columns="arm", values="patient_id", aggfunc="nunique", fill_value=0
    )
    counts = counts.reindex(index=sorted(rows[name].unique()), columns=list(KINDS), fill_value=0)
    sparse = list(counts.index[counts.min(axis=1) < FEWEST_OF_LEVEL])
    if not sparse or len(counts) < 2:
        return rows
    common = (
        str(counts.drop(index=sparse).sum(axis=1).idxmax())
        if len(sparse) < len(counts)
        else (str(counts.sum(axis=1).idxmax()))
    )
    sparse = [level for level in sparse if level != common]
    here = rows[name].isin(sparse)
    notes.append(
        f"{name.replace('_', ' ')}: {', '.join(map(str, sparse))} ({int(here.sum())} entries) is "
        f"read as {common}, since an arm has fewer than {FEWEST_OF_LEVEL} such patients."
    )
    return rows.assign(**{name: rows[name].where(~here, common)})


def _with_curve(
    rows: pd.DataFrame, covariates: list[str], rules: Comparison, notes: list[str]
) -> tuple[pd.DataFrame, list[str], list[str]]:
    name, knots = rules.spline_covariate, rules.spline_knots
    if name not in covariates or rows.empty:
        return rows, covariates, notes
    sizes = [rows.loc[rows["arm"] == arm, "patient_id"].nunique() for arm in KINDS]
    columns = covariate_columns(rows, covariates)[0].shape[1] + len(knots) - 2
    if columns * PEOPLE_PER_COLUMN > min(sizes):
        notes.append(
            f"{name.replace('_', ' ')} enters as a straight line: {columns} columns would be more "
            f"than one per {PEOPLE_PER_COLUMN} of the {min(sizes)} patients in the smaller arm."
        )
        return rows, covariates, notes
    # The plan's own knots, so that a new quarter of data does not move the curve.
    basis = natural_spline(
        rows[name].to_numpy(dtype=float), knots=knots[1:-1], boundary=(knots[0], knots[-1])
    )
    bent = {f"{name}_curve_{j}": basis[:, j] for j in range(1, basis.shape[1])}
    return rows.assign(**bent), [*covariates, *bent], notes


def restricted(found: Compared, keep: pd.Series, rules: Comparison) -> Compared:
    """Return some of the entries, with the columns that so many patients can carry."""
    plain = [name for name in found.covariates if "_curve_" not in name]
    rows = found.rows.loc[keep.to_numpy(dtype=bool)].reset_index(drop=True)
    rows, covariates, notes = model_columns(rows, plain, rules, outcome="change")
    return replace(found, rows=rows, covariates=covariates, notes=notes)


def observation_columns(
    rows: pd.DataFrame, covariates: list[str], *, outcome: str
) -> tuple[list[str] | None, str | None]:
    """Return the columns of the model of being seen: as many as the unseen patients can carry.

    The latest value before the visit goes first; the covariates follow while five patients stand
    behind every column. With fewer than five unseen patients nothing is modelled.
    """
    unseen = rows[outcome].isna()
    if not unseen.any():
        return None, None
    fewest = min(rows.loc[part, "patient_id"].nunique() for part in (unseen, ~unseen))
    columns = covariate_columns(rows, [*covariates, LATEST, SEEN_SINCE])[0].shape[1] + 1
    if columns * PEOPLE_PER_COLUMN <= fewest:
        return [*covariates, LATEST, SEEN_SINCE], None
    told = f"{fewest} patients" if fewest else "no patients"
    for chosen in ([LATEST, SEEN_SINCE], [LATEST]):
        if (len(chosen) + 1) * PEOPLE_PER_COLUMN <= fewest:
            note = (
                f"{told} were not seen, so being seen is modelled on {' and '.join(chosen)} alone."
            )
            return chosen, note.replace("_", " ")
    return None, f"{told} were not seen, too few to model; they are left out of the difference."


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
            f"Of {total} patients, {kept} entered the trial “{primary}”; {mine['n']} entries can "
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
        show={
            "trial": Show("Trial"),
            "counted": Show("Counted"),
            "role": Show("Counted as"),
            "step": Show("Step"),
            "n": Show("All", 0),
            "implanted": Show("Implanted", 0),
            "adhesive": Show("Adhesive", 0),
        },
    )  # fmt: skip


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
    visit = _with_visit(rows, trials.draws, month)
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
