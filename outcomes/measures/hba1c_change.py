"""Does HbA1c fall, and by how much?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from outcomes.cohorts.build import CohortSet
from outcomes.cohorts.draws import BASELINE_MONTH, set_aside_draws, visit_draws
from outcomes.errors import EstimationError, UsageError, known_names
from outcomes.figures.style import FAINT, INK, look
from outcomes.measures.hba1c_pairs import RESPONSE, TARGET, due_pairs, responses
from outcomes.measures.hba1c_sensitivity import expected_regression, imputed_differences
from outcomes.measures.words import one_sentence
from outcomes.results import DASH, Record, Result, Show, interval, number
from outcomes.statistics.change import FEWEST_PER_ARM, ancova, paired_change
from outcomes.statistics.intervals import proportion_difference, t_interval
from outcomes.statistics.visit_means import visit_means
from outcomes.tables.declared import KINDS
from outcomes.units import hba1c_difference_mmol_mol

NEW: Final = "new"
APART: Final = "coverage shorter or unknown"
OBSERVED: Final = "observed of due"
CHANGE: Final = "mean change, those with both draws"
CHANGE_MODEL: Final = "mean change, repeated-measures model"
CHANGE_KEPT: Final = "mean change, unreliable draws kept"
REGRESSION: Final = "change expected from having begun high"
DIFFERENCE_RESPONSE: Final = "difference in responders"
DIFFERENCE: Final = "adjusted difference at the visit"
DIFFERENCE_MODEL: Final = "adjusted difference, repeated-measures model"
DIFFERENCE_PLAIN: Final = "difference in change, not adjusted"
CONTRAST: Final = "implanted minus adhesive"
NOBODY: Final = "nobody is due"
POINTS: Final = "percentage points"
MMOL: Final = "mmol/mol"

PATIENTS_PER_COVARIATE: Final = 10  # with fewer the model leans on chance

Row = dict[str, Any]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Hba1cChange(Result):
    """The result of `hba1c_change`; `pairs` has one row per patient, cohort and due visit."""

    pairs: pd.DataFrame

    def shown(self) -> pd.DataFrame:
        """Return the table as text, each change in both units on one line.

        The rows in mmol/mol stand in `.table` and in the records; here they become a column.
        """
        whole = super().shown()
        in_mmol = (self.table["unit"] == MMOL).to_numpy()
        # Every row in mmol/mol follows its twin in NGSP units.
        follows = np.append(in_mmol[1:], False)[~in_mmol]
        twins = whole.loc[in_mmol]
        words = iter(
            DASH if e == DASH else f"{e} ({low} to {high})"
            for e, low, high in twins[["Estimate", "95 % low", "95 % high"]].to_numpy()
        )
        both = [next(words) if twin else DASH for twin in follows]
        compact = whole.loc[~in_mmol].reset_index(drop=True)
        compact.insert(compact.columns.get_loc("Unit") + 1, "In mmol/mol", both)
        return compact.loc[compact["Note"] != NOBODY].reset_index(drop=True)


def hba1c_change(cohorts: CohortSet, *, month: int | None = None) -> Hba1cChange:
    """Does HbA1c fall after the index date, by how much, and in how many?

    Parameters
    ----------
    cohorts : CohortSet
    month : int, optional
        The visit of the one-sentence answer; by default the plan's primary month.

    Returns
    -------
    Hba1cChange
        `.table` has one row per population, cohort (or contrast), stratum, visit and quantity:
        n observed of n due, baseline and visit means and the mean change of those with both
        (Student t), the change of the repeated-measures model, responders and at target over all
        due with the missing counted (Wilson), and differences implanted minus adhesive adjusted
        for the baseline. Changes and differences in percentage points and in mmol/mol.
        Populations: *cumulative* (every visit due by the cut-off) and *quarter* (visits whose
        windows closed in this quarter). Primary figures are of the new patients; the stratum
        whose coverage is shorter or unknown stands apart.

    Raises
    ------
    UsageError
        `month` is not a visit of the plan.

    Notes
    -----
    The repeated-measures model is visit x cohort + visit x baseline + covariates by REML with an
    unstructured covariance and Satterthwaite degrees of freedom; changes at the cohort's own
    covariate means. The difference at one visit is an analysis of covariance with CR2 errors by
    patient. Both are refused in words under 10 in the smaller arm. Neither shows cause: patients
    chose their sensor.
    """
    rules = cohorts.plan.hba1c
    if month is not None and month not in rules.visit_months:
        months = map(str, rules.visit_months)
        raise UsageError(known_names("visit month of the plan", str(month), months))
    primary = rules.primary_month if month is None else month
    pairs = _with_stratum(due_pairs(cohorts.draws), cohorts)
    covariates, left_out = _covariates(cohorts, pairs)
    rows: list[Row] = []
    for population, part in _populations(pairs, cohorts):
        rows += _cohort_rows(part, population, cohorts)
        rows += _difference_rows(part, population, cohorts)
        if population == "cumulative":
            rows += _model_rows(part, cohorts, covariates)
    rows += _kept_rows(cohorts)
    rows += _imputed_rows(pairs, cohorts, primary)
    rows += _regression_rows(pairs, cohorts, primary)
    counts = dict.fromkeys(("month", "n", "n_due", "events", "missing"), "Int64")
    table = pd.DataFrame(rows, columns=_COLUMNS).astype(counts)
    finding = _finding(table, primary)
    points = _points(table)
    drawn = points.loc[points["n"] >= FEWEST_PER_ARM]
    return Hba1cChange(
        name="hba1c_change",
        title="Change in HbA1c",
        table=table,
        entries=[_record(row) for row in table.to_dict("records")],
        finding=finding,
        caption=(
            "HbA1c from baseline to each visit, by cohort. Cumulative: every visit due by "
            f"{cohorts.cut_off}; this quarter: visits whose windows closed {cohorts.span}. "
            "95 % intervals."
        ),
        footnotes=_footnotes(pairs, cohorts, covariates, left_out),
        settings=_settings(cohorts),
        show=_SHOW,
        drawing=partial(_draw, points=drawn) if len(drawn) else None,
        alt=_alt(finding, drawn),
        height=3.6,
        pairs=pairs,
    )


_COLUMNS = [
    *("population", "cohort", "contrast", "stratum", "month", "quantity"),
    *("estimate", "conf_low", "conf_high", "unit", "n", "n_due", "events", "missing"),
    *("who", "method", "note"),
]
_SHOW = {
    "population": Show("Population"),
    "who": Show("Cohort"),
    "stratum": Show("Stratum"),
    "month": Show("Month", 0),
    "quantity": Show("Quantity"),
    "estimate": Show("Estimate", 2),
    "conf_low": Show("95 % low", 2),
    "conf_high": Show("95 % high", 2),
    "unit": Show("Unit"),
    "n": Show("n", 0),
    "n_due": Show("Due (n)", 0),
    "missing": Show("Missing", 0),
    "note": Show("Note"),
}


def _with_stratum(pairs: pd.DataFrame, cohorts: CohortSet) -> pd.DataFrame:
    members = cohorts.patients[["patient_id", "cohort", "new"]]
    pairs = pairs.merge(members, on=["patient_id", "cohort"], validate="many_to_one")
    return pairs.assign(stratum=pd.Series(np.where(pairs["new"], NEW, APART), dtype=object))


def _populations(pairs: pd.DataFrame, cohorts: CohortSet) -> Iterator[tuple[str, pd.DataFrame]]:
    yield "cumulative", pairs
    span = cohorts.span
    first, last = pd.Timestamp(span.first_on), pd.Timestamp(span.last_on)
    yield "quarter", pairs.loc[pairs["window_to"].between(first, last)]


def _row(**given: Any) -> Row:
    row: Row = dict.fromkeys(_COLUMNS)
    row |= {"stratum": NEW, "method": "", "note": "", **given}
    row["who"] = row["cohort"] or row["contrast"]
    return row


def _cohort_rows(pairs: pd.DataFrame, population: str, cohorts: CohortSet) -> list[Row]:
    rows = []
    for cohort in KINDS:
        for stratum in (NEW, APART):
            mine = pairs.loc[(pairs["cohort"] == cohort) & (pairs["stratum"] == stratum)]
            if stratum == APART and mine.empty:
                continue
            for month in cohorts.plan.hba1c.visit_months:
                head = {
                    "population": population, "cohort": cohort, "stratum": stratum, "month": month,
                }  # fmt: skip
                rows += _visit_rows(mine.loc[mine["month"] == month], head, cohorts)
    return rows


def _visit_rows(visit: pd.DataFrame, head: Row, cohorts: CohortSet) -> list[Row]:
    due, seen = len(visit), int(visit["percent"].notna().sum())
    both = visit.dropna(subset=["change"])
    head = {**head, "n_due": due}
    observed = _row(
        **head, quantity=OBSERVED, estimate=100 * seen / due if due else None, unit="% of due",
        n=seen, events=seen, missing=due - seen, method="count",
        note="" if due else NOBODY,
    )  # fmt: skip
    if not due:
        return [observed]
    return [
        observed,
        *_mean_rows(both, head, due),
        *_change_rows(visit, head, CHANGE, due),
        *_response_rows(visit, head, cohorts),
    ]


def _mean_rows(both: pd.DataFrame, head: Row, due: int) -> list[Row]:
    rows = []
    for words, column in (("baseline mean", "baseline_percent"), ("visit mean", "percent")):
        for unit, values in (("%", both[column]), (MMOL, both[column.replace("percent", MMOL_)])):
            mean = t_interval(values.to_numpy(dtype=float))
            rows.append(
                _row(
                    **head, quantity=f"{words}, those with both draws", estimate=mean.estimate,
                    conf_low=mean.conf_low, conf_high=mean.conf_high, unit=unit, n=len(both),
                    missing=due - len(both), method=mean.method, note=mean.note,
                )
            )  # fmt: skip
    return rows


MMOL_ = "mmol_mol"  # column name of the IFCC scale


def _change_rows(visit: pd.DataFrame, head: Row, quantity: str, due: int) -> list[Row]:
    change = paired_change(visit, before="baseline_percent", after="percent")
    row = _row(
        **head, quantity=quantity, estimate=change.mean, conf_low=change.conf_low,
        conf_high=change.conf_high, unit=POINTS, n=change.n, missing=due - change.n,
        method="paired change, Student t", note=change.note or "",
    )  # fmt: skip
    return [row, _in_mmol_mol(row)]


def _in_mmol_mol(row: Row) -> Row:
    """Return the same difference in mmol/mol: a difference has no intercept."""
    scaled = {
        name: None if row[name] is None else float(hba1c_difference_mmol_mol(row[name]))
        for name in ("estimate", "conf_low", "conf_high")
    }
    return {**row, **scaled, "unit": MMOL}


def _response_rows(visit: pd.DataFrame, head: Row, cohorts: CohortSet) -> list[Row]:
    rules = cohorts.plan.hba1c
    words = {
        RESPONSE: f"fall of {rules.response_points:g} points or more",
        TARGET: f"below {rules.target_percent:g} %, of those at or above it at baseline",
    }
    rows = []
    for name, (share, events, n, missing) in responses(visit, rules=rules).items():
        scaled = share.scaled(100)
        rows.append(
            _row(
                **{**head, "n_due": n}, quantity=words[name], estimate=scaled.estimate,
                conf_low=scaled.conf_low, conf_high=scaled.conf_high, unit="% of due", n=n,
                events=events, missing=missing, method=share.method,
                note=share.note or (f"{missing} without both draws count as no" if missing else ""),
            )
        )  # fmt: skip
    return rows


def _difference_rows(pairs: pd.DataFrame, population: str, cohorts: CohortSet) -> list[Row]:
    due = pairs.loc[pairs["stratum"] == NEW]
    new = due.loc[due["change"].notna()]
    rows: list[Row] = []
    for month in cohorts.plan.hba1c.visit_months:
        visit = new.loc[new["month"] == month]
        sizes = {cohort: int((visit["cohort"] == cohort).sum()) for cohort in KINDS}
        head = {
            "population": population, "contrast": CONTRAST, "month": month, "n": len(visit),
        }  # fmt: skip
        n = f"{sizes['implanted']} implanted, {sizes['adhesive']} adhesive"
        if min(sizes.values()) < FEWEST_PER_ARM:
            note = f"not estimated: fewer than {FEWEST_PER_ARM} in the smaller arm ({n})"
            row = _row(**head, quantity=DIFFERENCE, unit=POINTS, note=note)
            rows += [row, _in_mmol_mol(row)]
            continue
        rows.append(_response_difference(due.loc[due["month"] == month], head, cohorts))
        fit = ancova(
            visit, outcome="percent", baseline="baseline_percent", group="cohort",
            reference="adhesive", cluster="patient_id",
        )  # fmt: skip
        for quantity, frame, method in (
            (DIFFERENCE, fit.differences, "analysis of covariance on baseline"),
            (DIFFERENCE_PLAIN, fit.change_scores, "difference of mean changes"),
        ):
            row = _row(
                **head, quantity=quantity, unit=POINTS, **_numbers(frame.iloc[0]),
                method=f"{method}, CR2 by patient, t",
                note=f"association, not proof of cause ({n})",
            )  # fmt: skip
            rows += [row, _in_mmol_mol(row)]
    return rows


def _response_difference(due: pd.DataFrame, head: Row, cohorts: CohortSet) -> Row:
    """Difference in the share of responders over all due, missing draws counted as no."""
    counted = {
        cohort: responses(due.loc[due["cohort"] == cohort], rules=cohorts.plan.hba1c)[RESPONSE]
        for cohort in KINDS
    }
    (_, events, n, _), (_, other, other_n, _) = counted["implanted"], counted["adhesive"]
    shown = proportion_difference(events, n, other, other_n).scaled(100)
    return _row(
        **{**head, "n": n + other_n, "n_due": n + other_n}, quantity=DIFFERENCE_RESPONSE,
        estimate=shown.estimate, conf_low=shown.conf_low, conf_high=shown.conf_high,
        unit="percentage points of patients", method=shown.method,
        note=shown.note or "not adjusted; association, not proof of cause",
    )  # fmt: skip


def _numbers(row: Any) -> Row:
    return {
        name: None if pd.isna(row[name]) else float(row[name])
        for name in ("estimate", "conf_low", "conf_high")
    }


def _covariates(cohorts: CohortSet, pairs: pd.DataFrame) -> tuple[list[str], dict[str, str]]:
    """Return the plan's covariates that the model can carry, and the others with the reason."""
    new = cohorts.patients.loc[cohorts.patients["new"]]
    asked = [name for name in cohorts.plan.cohorts.covariates if name != "baseline_hba1c"]
    left_out = {name: "not complete" for name in asked if new[name].isna().any()}
    left_out |= {
        name: "the same in everybody"
        for name in asked
        if name not in left_out and len(new[name].unique()) < 2
    }
    seen = pairs.loc[(pairs["stratum"] == NEW) & pairs["change"].notna(), "patient_id"]
    room = len(seen.unique()) // PATIENTS_PER_COVARIATE
    carried = [name for name in asked if name not in left_out]
    few = f"fewer than {PATIENTS_PER_COVARIATE} patients for each covariate"
    left_out |= dict.fromkeys(carried[room:], few)
    return carried[:room], left_out


def _model_rows(pairs: pd.DataFrame, cohorts: CohortSet, covariates: Sequence[str]) -> list[Row]:
    """Change and difference at every visit from one model of all visits."""
    new = pairs.loc[(pairs["stratum"] == NEW) & pairs["baseline_percent"].notna()]
    about = cohorts.patients[["patient_id", "cohort", *covariates]]
    frame = new.merge(about, on=["patient_id", "cohort"], validate="many_to_one")
    if frame.empty:
        return []
    frame = frame.assign(subject=frame["patient_id"] + " " + frame["cohort"])
    seen = frame.dropna(subset=["percent"])
    has_both = seen["cohort"].nunique() == len(KINDS)
    in_both = frame.groupby("patient_id")["cohort"].nunique().gt(1).any()
    try:
        fit = visit_means(
            frame, subject="subject", visit="month", outcome="percent",
            baseline="baseline_percent", group="cohort" if has_both else None,
            reference="adhesive" if has_both else None, covariates=list(covariates),
            cluster="patient_id" if in_both else None,
        )  # fmt: skip
    except EstimationError as error:
        note = f"not estimated: {error}"
        return [
            _row(population="cumulative", cohort=cohort, month=month, quantity=CHANGE_MODEL,
                 unit=POINTS, note=note)
            for cohort in frame["cohort"].unique()
            for month in cohorts.plan.hba1c.visit_months
        ]  # fmt: skip
    only = None if has_both else str(frame["cohort"].iloc[0])
    method = "repeated measures, REML, Satterthwaite t"
    rows: list[Row] = []
    for row in fit.changes.to_dict("records"):
        shown = _row(
            population="cumulative", cohort=only or row["group"], month=int(row["visit"]),
            quantity=CHANGE_MODEL, unit=POINTS, n=int(row["n"]), n_due=int(row["n_given"]),
            missing=int(row["n_given"] - row["n"]), method=method, note=row["note"] or "",
            **_numbers(row),
        )  # fmt: skip
        rows += [shown, _in_mmol_mol(shown)]
    for row in fit.differences.to_dict("records"):
        note = row["note"] or "association, not proof of cause"
        shown = _row(
            population="cumulative", contrast=CONTRAST, month=int(row["visit"]),
            quantity=DIFFERENCE_MODEL, unit=POINTS, n=int(row["n"] + row["n_reference"]),
            method=method, note=note, **_numbers(row),
        )  # fmt: skip
        rows += [shown, _in_mmol_mol(shown)]
    return rows


def _kept_rows(cohorts: CohortSet) -> list[Row]:
    """The sensitivity analysis that keeps draws of days on which HbA1c was unreliable."""
    if not cohorts.draws["unreliable"].sum():
        return []
    members = cohorts.patients[
        ["patient_id", "cohort", "index_date", "follow_up_to", "follow_up_end"]
    ]
    draws = visit_draws(
        members, draws=cohorts.table("hba1c"), states=cohorts.table("states"),
        patients=cohorts.table("patients"), cut_off=cohorts.cut_off, rules=cohorts.plan.hba1c,
        keep_unreliable=True,
    )  # fmt: skip
    pairs = _with_stratum(due_pairs(draws), cohorts)
    rows: list[Row] = []
    for (cohort, month), visit in pairs.loc[pairs["new"]].groupby(["cohort", "month"]):
        head = {"population": "cumulative", "cohort": cohort, "month": month, "n_due": len(visit)}
        rows += _change_rows(visit, head, CHANGE_KEPT, len(visit))
    return rows


def _imputed_rows(pairs: pd.DataFrame, cohorts: CohortSet, month: int) -> list[Row]:
    """The difference if missing draws were imputed, and if they were worse by so many points."""
    new = pairs.loc[(pairs["stratum"] == NEW) & pairs["baseline_percent"].notna()]
    clustered = bool(cohorts.patients.loc[cohorts.patients["new"], "in_both"].any())
    rng = np.random.default_rng(cohorts.plan.plan.seed)
    found = imputed_differences(new, month=month, rng=rng, clustered=clustered)
    rows: list[Row] = []
    for row in found.to_dict("records"):
        worse = f", implanted worse by {row['delta']:g} points" if row["delta"] else ""
        note = row["note"] if isinstance(row["note"], str) else "association, not proof of cause"
        shown = _row(
            population="cumulative", contrast=CONTRAST, month=month, unit=POINTS,
            quantity=f"adjusted difference, missing draws imputed{worse}",
            n=int(row["n"] + row["n_reference"]),
            missing=int(row["n_imputed"]), method="multiple imputation, Rubin's rules",
            note=note, **_numbers(row),
        )  # fmt: skip
        rows += [shown, _in_mmol_mol(shown)]
    return rows


def _regression_rows(pairs: pd.DataFrame, cohorts: CohortSet, month: int) -> list[Row]:
    visit = pairs.loc[
        (pairs["stratum"] == NEW) & (pairs["month"] == month) & pairs["change"].notna()
    ]
    members = cohorts.patients.loc[cohorts.patients["new"]]
    found = expected_regression(cohorts.table("hba1c"), members, visit)
    rows: list[Row] = []
    for row in found.to_dict("records"):
        value = None if pd.isna(row["estimate"]) else float(row["estimate"])
        shown = _row(
            population="cumulative", cohort=row["cohort"], month=month, quantity=REGRESSION,
            estimate=value, unit=POINTS, n=int(row["n"]),
            method="correlation of two earlier draws (n patients with both)", note=row["note"],
        )  # fmt: skip
        rows += [shown, _in_mmol_mol(shown)]
    return rows


def _record(row: Mapping[str, Any]) -> Record:
    plain = {name: None if pd.isna(value) else value for name, value in row.items()}
    return Record(
        outcome="hba1c_change",
        quantity=str(plain["quantity"]),
        population=str(plain["population"]),
        cohort=plain["cohort"],
        contrast=plain["contrast"],
        at=f"month {plain['month']}",
        by={} if plain["stratum"] == NEW else {"stratum": str(plain["stratum"])},
        estimate=plain["estimate"],
        conf_low=plain["conf_low"],
        conf_high=plain["conf_high"],
        n_patients=None if plain["n"] is None else int(plain["n"]),
        n_units=None if plain["n_due"] is None else int(plain["n_due"]),
        events=None if plain["events"] is None else int(plain["events"]),
        unit=str(plain["unit"]),
        method=str(plain["method"]),
        note=str(plain["note"]) or None,
    )


def _headline(table: pd.DataFrame) -> pd.DataFrame:
    """The change shown for each cohort and visit: the model's, else the observed one."""
    mine = table.loc[
        (table["population"] == "cumulative")
        & (table["stratum"] == NEW)
        & (table["unit"] == POINTS)
        & table["quantity"].isin([CHANGE_MODEL, CHANGE])
        & table["estimate"].notna()
    ]
    order = mine.assign(second=mine["quantity"] != CHANGE_MODEL).sort_values(
        ["cohort", "month", "second"]
    )
    return order.drop_duplicates(["cohort", "month"])


def _points(table: pd.DataFrame) -> pd.DataFrame:
    observed = table.loc[
        (table["population"] == "cumulative")
        & (table["stratum"] == NEW)
        & (table["quantity"] == OBSERVED),
        ["cohort", "month", "n", "n_due"],
    ]
    chosen = _headline(table)[["cohort", "month", "estimate", "conf_low", "conf_high", "quantity"]]
    return chosen.merge(observed, on=["cohort", "month"], how="left").astype({"month": int})


def _finding(table: pd.DataFrame, primary: int) -> str:
    chosen = _points(table)
    chosen = chosen.loc[chosen["month"] == primary].set_index("cohort")
    parts = [_cohort_words(chosen, cohort) for cohort in KINDS]
    parts[0] = f"by month {primary}, {parts[0]}"
    return one_sentence([*parts, _difference_words(table, primary)])


def _cohort_words(chosen: pd.DataFrame, cohort: str) -> str:
    if cohort not in chosen.index:
        return f"no change in HbA1c can be shown in the {cohort} cohort (nobody due has both draws)"
    row = chosen.loc[cohort]
    mmol = float(hba1c_difference_mmol_mol(row["estimate"]))
    limits = interval(_none(row["conf_low"]), _none(row["conf_high"]), 2)
    return (
        f"HbA1c changed by {number(row['estimate'], 2)} points ({number(mmol, 1)} mmol/mol; 95 % "
        f"interval {limits}) in the {cohort} cohort (n = {row['n']:.0f} observed of "
        f"{row['n_due']:.0f} due)"
    )


def _none(value: Any) -> float | None:
    return None if pd.isna(value) else float(value)


def _difference_words(table: pd.DataFrame, primary: int) -> str:
    mine = table.loc[
        (table["population"] == "cumulative")
        & (table["month"] == primary)
        & (table["unit"] == POINTS)
        & table["quantity"].isin([DIFFERENCE_MODEL, DIFFERENCE])
    ]
    found = mine.loc[mine["estimate"].notna()]
    if found.empty:
        note = mine["note"].iloc[0] if len(mine) else "nobody is due"
        return f"the cohorts are not compared ({note})"
    row = found.sort_values("quantity", key=lambda q: q != DIFFERENCE_MODEL).iloc[0]
    limits = interval(_none(row["conf_low"]), _none(row["conf_high"]), 2)
    return (
        f"adjusted for baseline, implanted less adhesive was {number(row['estimate'], 2)} points "
        f"({limits}; n = {row['n']:.0f}), an association and not proof of cause"
    )


def _settings(cohorts: CohortSet) -> dict[str, str]:
    rules = cohorts.plan.hba1c
    windows = zip(rules.visit_months, rules.window_from_days, rules.window_to_days, strict=True)
    return {
        "baseline window": f"days {rules.baseline_from_day} to {rules.baseline_to_day}",
        "visit windows": ", ".join(f"month {m}: days {a} to {b}" for m, a, b in windows),
        "target days": ", ".join(map(str, rules.visit_days)),
        "response": f"fall of {rules.response_points:g} points or more",
        "target": f"below {rules.target_percent:g} %",
        "primary visit": f"month {rules.primary_month}",
    }


def _footnotes(
    pairs: pd.DataFrame,
    cohorts: CohortSet,
    covariates: Sequence[str],
    left_out: Mapping[str, str],
) -> list[str]:
    new = cohorts.patients.loc[cohorts.patients["new"], ["patient_id", "cohort"]]
    draws = cohorts.draws.merge(new, on=["patient_id", "cohort"])
    first = draws.loc[draws["month"] == BASELINE_MONTH]
    missing = pairs.loc[pairs["stratum"] == NEW, "missing_because"].value_counts()
    reasons = ", ".join(f"{name} {n}" for name, n in sorted(missing.items())) or "none"
    notes = [
        "Baseline: the latest draw in the window; of one day laboratory, then point of care, "
        "then home, then unknown. Visits: the draw nearest the target day, ties to the later.",
        "Due: alive on the last day of the window, and the window closed by the cut-off. Due "
        f"visits without a draw, by reason: {reasons}.",
        f"{int(first['drawn_on'].isna().sum())} of {len(first)} new patients (counted per cohort) "
        "have no baseline draw and enter no change.",
        f"{set_aside_draws(cohorts.table('hba1c'))} draws contradict another of the same day and "
        "method and are left out, both.",
        f"{int(draws['unreliable'].sum())} draws on days with HbA1c recorded as unreliable are "
        "left out; the visit stays due. Where there are any, a sensitivity analysis keeps them.",
        "Responders are counted over all due; who has no draw counts as no response. Draws go "
        "into tenths of a point before they are subtracted; each is judged in its own unit.",
        "Means are unrounded; a difference in mmol/mol is points / 0.09148, without intercept.",
        "Primary change: repeated-measures model (visit x cohort, visit x baseline, covariates: "
        f"{', '.join(covariates) or 'none'}), which uses all visits of all with a baseline and is "
        "valid if missing draws depend on what was seen; beside it those with both draws.",
        "Patients chose their sensor, and baseline HbA1c is one reason to choose: a fall towards "
        "the mean is expected without any effect; how much, is estimated from patients with two "
        "or more draws up to the index date. Differences are associations.",
        "Missing draws of the primary visit are also imputed (seed "
        f"{cohorts.plan.plan.seed}), then made worse for the implanted, to show how wrong the "
        "imputation would have to be for the answer to change.",
    ]
    if left_out:
        words = ", ".join(f"{name} ({why})" for name, why in left_out.items())
        notes.append(f"Covariates of the plan that the model leaves out: {words}.")
    if not cohorts.has("hba1c"):
        notes.append("The study has no hba1c table, so there is no HbA1c to report.")
    return notes


def _alt(finding: str, points: pd.DataFrame) -> str:
    if points.empty:
        return finding
    return (
        "Mean change in HbA1c with 95 % intervals, by cohort, at each visit with at least "
        f"{FEWEST_PER_ARM} observed. {finding}"
    )


def _draw(ax: Axes, *, points: pd.DataFrame) -> None:
    """Mean change at each visit with its interval, no change as the reference line."""
    months = sorted(points["month"].unique())
    place = {month: i for i, month in enumerate(months)}
    ax.axhline(0, color=FAINT, linewidth=0.8)
    names = [name for name in KINDS if name in set(points["cohort"])]
    for turn, name in enumerate(names):
        mine, style = points.loc[points["cohort"] == name].sort_values("month"), look(name)
        x = mine["month"].map(place).to_numpy(dtype=float) + 0.12 * (turn - (len(names) - 1) / 2)
        y = mine["estimate"].to_numpy(dtype=float)
        low = np.nan_to_num(y - mine["conf_low"].to_numpy(dtype=float))
        high = np.nan_to_num(mine["conf_high"].to_numpy(dtype=float) - y)
        ax.errorbar(
            x, y, yerr=[low, high], fmt=style.marker, linestyle=style.line, color=style.colour,
            capsize=3, linewidth=1.2, label=name,
        )  # fmt: skip
    counts: dict[int, list[str]] = {month: [] for month in months}
    for name in names:
        for row in points.loc[points["cohort"] == name].itertuples():
            counts[row.month].append(f"{name} {row.n:.0f} of {row.n_due:.0f}")
    ax.set_xticks(
        range(len(months)),
        ["\n".join([f"month {month}", *counts[month]]) for month in months],
    )
    ax.set_xlim(-0.5, len(months) - 0.5)
    ax.set_ylabel("change in HbA1c,\npercentage points")
    step = 1 / float(hba1c_difference_mmol_mol(1.0))
    twin = ax.secondary_yaxis(
        "right", functions=(lambda y: np.asarray(y) / step, lambda y: np.asarray(y) * step)
    )
    twin.set_ylabel(MMOL, color=INK)
    ax.legend(frameon=False, loc="best")
