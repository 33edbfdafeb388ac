"""HbA1c after a decision between the kinds of sensor: the one primary contrast, and its company."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import pandas as pd

from outcomes.cohorts.build import CohortSet
from outcomes.comparison.contrasts import (
    CONTRAST,
    ON_KIND,
    OUTCOME_OF,
    POLICY,
    Contrast,
    contrast,
    described,
    raw_difference,
    stream,
)
from outcomes.comparison.people import Compared, compared
from outcomes.comparison.trial import ARM, TRIALS, PersonTrials, person_trials
from outcomes.comparison.weights import Overlap, balance_result, overlap
from outcomes.comparison.words import CAUTION, Standing, called, lower_by, standing
from outcomes.figures.forest import draw_forest
from outcomes.plan import Comparison
from outcomes.results import Record, Result, interval, number
from outcomes.statistics.propensity import Target
from outcomes.tables.declared import KINDS
from outcomes.units import counted, hba1c_difference_mmol_mol

POINTS: Final = "percentage points"
ARM_MEAN: Final = "mean change as seen"
RAW: Final = "difference as seen, adjusted for nothing"
MAIN: Final = "augmented, bootstrap"
SECOND: Final = "augmented, stacked equations"
PRIMARY, SECONDARY = "primary", "secondary"
SENSITIVITY, DESCRIPTION = "sensitivity", "description"

Row = dict[str, Any]


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Hba1cComparison(Result):
    """The result of `compare` for HbA1c.

    Attributes
    ----------
    trials : PersonTrials
    found : Compared
        The entries behind the primary contrast.
    judged : Overlap
    main : Contrast
        The primary contrast.
    balance : Result
        How alike the arms are before and after weighting.
    """

    trials: PersonTrials
    found: Compared
    judged: Overlap
    main: Contrast
    balance: Result
    cohorts: CohortSet
    target: Target


def hba1c_comparison(cohorts: CohortSet, *, at_month: int, weights: Target) -> Hba1cComparison:
    """Compare the change of HbA1c between the arms of every trial; see `compare`."""
    rules, trials = cohorts.plan.comparison, person_trials(cohorts)
    months = [at_month, *(m for m in _months(cohorts) if m != at_month)]
    rows: list[Row] = []
    kept: dict[str, Any] = {}
    for trial in sorted(TRIALS, key=lambda name: name != rules.primary_trial):
        for month in months:
            first = trial == rules.primary_trial and month == at_month
            found = compared(trials, trial=trial, month=month, rules=rules)
            judged = overlap(found, rules)
            made, main = _lines(found, judged, cohorts, weights, first=first)
            rows += made
            if first:
                kept = {"found": found, "judged": judged, "main": main}
    table = pd.DataFrame(rows, columns=_COLUMNS)
    where = standing(cohorts)
    found, judged, main = kept["found"], kept["judged"], kept["main"]
    finding = _finding(found, main, cohorts, where)
    drawn = _drawn(table, rules.primary_trial)
    return Hba1cComparison(
        name="comparison_hba1c",
        title="Is the implanted cohort doing better, or is it different?",
        table=table,
        entries=[_record(row) for row in rows],
        finding=finding,
        plain=_plain_words(found, main, rules),
        caption=(
            "HbA1c: mean change from the draw before the decision, by arm as seen, and the "
            f"difference implanted minus adhesive for {weights} weights, with 95 % intervals; "
            f"patients with the outcome. Data to {cohorts.cut_off}."
        ),
        footnotes=_footnotes(table, found, judged, cohorts, where),
        settings=_settings(cohorts, weights),
        summary=_summary(table),
        drawing=partial(
            draw_forest, rows=drawn,
            label="points of HbA1c, implanted minus adhesive",
        )
        if len(drawn)
        else None,
        alt=f"Differences implanted minus adhesive with 95 % intervals, one line each. {finding}",
        height=1.1 + 0.33 * max(len(drawn), 1),
        trials=trials,
        found=found,
        judged=judged,
        main=main,
        balance=balance_result(found, judged, rules, target=weights),
        cohorts=cohorts,
        target=weights,
    )  # fmt: skip


def _months(cohorts: CohortSet) -> list[int]:
    rules = cohorts.plan.hba1c
    return [month for month in rules.visit_months if month >= rules.primary_month]


_COLUMNS: Final = [
    *("trial", "month", "estimand", "quantity", "target", "role", "cohort"),
    *("estimate", "conf_low", "conf_high", "std_error", "unit"),
    *("mean_implanted", "mean_adhesive", "n_implanted", "n_adhesive", "n_draws", "n_failed"),
    *("method", "note"),
]


def _lines(
    found: Compared, judged: Overlap, cohorts: CohortSet, target: Target, *, first: bool
) -> tuple[list[Row], Contrast]:
    """Return the rows of one trial and visit, and its main contrast."""
    rules, plan = cohorts.plan.comparison, cohorts.plan
    head = {"trial": found.trial, "month": found.month, "unit": POINTS}
    rows = [
        {**head, "estimand": POLICY, "quantity": ARM_MEAN, "role": DESCRIPTION, "cohort": arm,
         **{name: got[name] for name in ("estimate", "conf_low", "conf_high")},
         f"n_{arm}": got["n"], "method": "mean as seen, CR2 by patient, t", "target": None,
         "note": None if got["n"] else "nobody was seen"}
        for arm, got in described(found, outcome="change").items()
    ]  # fmt: skip
    raw = raw_difference(found, outcome="change", rules=rules)
    rows.append({**head, "estimand": POLICY, "quantity": RAW, "role": DESCRIPTION, **raw.row()})
    main: Contrast | None = None
    for estimand, outcome in OUTCOME_OF.items():
        primary = first and estimand == POLICY
        drawn = rules.bootstrap_draws if first or found.trial == rules.primary_trial else 0
        got = contrast(
            found, outcome=outcome, rules=rules, target=target, n_draws=drawn,
            rng=stream(plan.plan.seed, found.trial, str(found.month), estimand),
            refusal=judged.refusal,
        )  # fmt: skip
        role = PRIMARY if primary else SECONDARY
        head_of = {**head, "estimand": estimand, "target": target}
        quantity = MAIN if drawn else SECOND
        rows.append({**head_of, "quantity": quantity, "role": role, **got.row()})
        if primary:
            rows += _company(found, judged, rules, head_of, got, target)
        main = got if main is None else main
    assert main is not None
    return rows, main


def _company(
    found: Compared, judged: Overlap, rules: Comparison, head: Row, main: Contrast, target: Target
) -> list[Row]:
    """Return the second opinion on the primary contrast, and other target populations."""
    rows = []
    if main.fit is not None and main.fit.sandwich is not None:
        other = dict(main.fit.sandwich)
        limits = {name: other[name] for name in ("conf_low", "conf_high", "std_error")}
        method = f"augmented, target {target}; stacked sandwich by patient, t"
        rows.append(
            {**head, "quantity": SECOND, "role": SENSITIVITY, **main.row(), **limits,
             "n_draws": 0, "n_failed": 0, "method": method, "note": None}
        )  # fmt: skip
    others: Sequence[Target] = ("everyone", "treated", "overlap")
    for population in others:
        if population == target:
            continue
        got = contrast(
            found, outcome="change", rules=rules, target=population, refusal=judged.refusal
        )
        rows.append(
            {**head, "target": population, "quantity": SECOND, "role": SENSITIVITY, **got.row()}
        )
    return rows


# --- words ---------------------------------------------------------------------------------------


def _finding(found: Compared, main: Contrast, cohorts: CohortSet, where: Standing) -> str:
    rules, words = cohorts.plan.comparison, ARM[found.trial]
    n = f"n = {main.n['implanted']} implanted and {main.n['adhesive']} adhesive patients"
    if main.estimate is None:
        means = described(found, outcome="change")
        if not any(got["n"] for got in means.values()):
            return (
                f"Nobody of “{found.trial}” is due at month {found.month} with both draws, so "
                "implanted and adhesive cannot be set side by side (n = 0)."
            )
        seen = "; ".join(
            f"{arm} {number(got['estimate'], 2)} ({interval(got['conf_low'], got['conf_high'], 2)},"
            f" n = {got['n']})"
            for arm, got in means.items()
        )
        return (
            f"At month {found.month} implanted and adhesive are described, not contrasted "
            f"({_reason(main.note)}); mean change of HbA1c in points: {seen}."
        )
    mmol = [
        None if x is None else float(hba1c_difference_mmol_mol(x))
        for x in (main.estimate, main.conf_low, main.conf_high)
    ]
    return (
        f"{found.month} months after the decision, HbA1c was "
        f"{lower_by(main.estimate, main.conf_low, main.conf_high)} in those who "
        f"{_verb(words['implanted'])} than in like patients who {_verb(words['adhesive'])} "
        f"({number(mmol[0])} mmol/mol, {interval(mmol[1], mmol[2])}; {n}): an "
        f"{called(rules)}, {where.word}."
    ).replace("an effect", "an effect, if every reason was measured")


def _plain_words(found: Compared, main: Contrast, rules: Comparison) -> str:
    """Return the finding in everyday words, for a committee."""
    words = ARM[found.trial]
    n = (
        f"{main.n['implanted']} people who {_verb(words['implanted'])} and "
        f"{main.n['adhesive']} who {_verb(words['adhesive'])}"
    )
    if main.estimate is None or main.conf_low is None or main.conf_high is None:
        return (
            f"With {n}, the two kinds of sensor cannot be compared fairly yet "
            f"({_reason(main.note)})."
        )
    way = "lower" if main.estimate < 0 else "higher"
    cause = "" if rules.reasons_measured else " People chose their sensor, so it need not be why."
    return (
        f"Among {n}, made alike as far as records allow, HbA1c at month {found.month} was "
        f"{number(abs(main.estimate), 1)} points {way} with implanted; the true difference is "
        f"likely between {number(main.conf_low, 1)} and {number(main.conf_high, 1)}.{cause}"
    )


def _reason(note: str | None) -> str:
    """Return a refusal without the words that say that it is one."""
    text = note or "no estimate"
    return text.removeprefix("described only: ").removeprefix("not contrasted: ")


def _verb(words: str) -> str:
    past = {"switch": "switched", "stay": "stayed", "begin": "began"}
    first, rest = words.split(" ", 1)
    return f"{past[first]} {rest}"


def _footnotes(
    table: pd.DataFrame, found: Compared, judged: Overlap, cohorts: CohortSet, where: Standing
) -> list[str]:
    rules = cohorts.plan.comparison
    other = table["role"].isin([SECONDARY, SENSITIVITY]) & table["estimate"].notna()
    notes = [
        CAUTION,
        where.sentence,
        f"One primary contrast; the other {int(other.sum())} on this table are exploratory, with "
        "no correction for their number.",
        f"“{POLICY}”: everybody alive and due counts in the arm of the decision. “{ON_KIND}”: "
        "draws after the arm's kind was given up do not count, and patients like those stand for "
        "them (weights for being seen on the kind, refitted in every draw). Both are while alive.",
        "Who was not seen is stood for by those like them in the covariates and in the latest "
        "value before the visit; a reason for not coming that none of these show remains.",
        f"Word used: {called(rules)}"
        + ("." if rules.reasons_measured else ", since the plan does not hold that every reason "
           "for the choice of sensor was measured."),
        *[
            f"{reason}: {counted(n, 'entry', 'entries')} left out."
            for reason, n in found.left_out.items()
        ],
        *found.notes,
    ]  # fmt: skip
    if judged.refusal:
        notes.append(f"{judged.refusal[:1].upper()}{judged.refusal[1:]}.")
    failed = table.loc[table["role"] == PRIMARY, ["n_failed", "n_draws"]].iloc[0]
    if failed["n_draws"]:
        notes.append(
            f"Primary interval: percentiles of {int(failed['n_draws'])} draws of patients that "
            f"refit score, outcome model and weights; "
            f"{counted(int(failed['n_failed']), 'draw')} failed."
        )
    return notes


def _settings(cohorts: CohortSet, target: str) -> dict[str, str]:
    rules = cohorts.plan.comparison
    return {
        "covariates": ", ".join(rules.covariates),
        "weights": target,
        "decision_days": str(rules.decision_days),
        "adhesive_days": str(rules.adhesive_days),
        "missing_covariates": rules.missing_covariates,
        "bootstrap_draws": str(rules.bootstrap_draws),
        "seed": str(cohorts.plan.plan.seed),
    }


def _summary(table: pd.DataFrame) -> pd.DataFrame:
    """Return one line per trial, month and analysis; a refusal stands once for all it concerns."""
    lines = []
    for (trial, month), part in table.groupby(["trial", "month"], sort=False):
        means = part.loc[part["quantity"] == ARM_MEAN].set_index("cohort")
        cells = {arm: _cell(means.loc[arm], int(means.loc[arm, f"n_{arm}"])) for arm in KINDS}
        told: set[str] = set()
        where = f"{trial}, {month}"
        for row in part.loc[part["quantity"] != ARM_MEAN].to_dict("records"):
            refused = _plain(row["estimate"]) is None
            again = str(row["note"]) in told or row["role"] == SENSITIVITY or row["quantity"] == RAW
            if refused and again:
                continue
            told |= {str(row["note"])} if refused else set()
            lines.append(
                {
                    "Trial, month": where,
                    "Implanted, as seen": cells["implanted"],
                    "Adhesive, as seen": cells["adhesive"],
                    "Analysis": _analysis(row), "Difference (95 %)": _difference(row),
                }
            )  # fmt: skip
            where, cells = "", dict.fromkeys(KINDS, "")
    return pd.DataFrame(lines)


def _analysis(row: Row) -> str:
    if row["quantity"] == RAW:
        return RAW
    if row["role"] == SENSITIVITY:
        return f"target {row['target']}"
    return f"{row['estimand']} (primary)" if row["role"] == PRIMARY else str(row["estimand"])


def _cell(row: pd.Series, n: int) -> str:
    limits = interval(_plain(row["conf_low"]), _plain(row["conf_high"]), 2)
    return f"{number(_plain(row['estimate']), 2)} ({limits}; n = {n})"


def _difference(row: Row) -> str:
    if _plain(row["estimate"]) is None:
        return str(row["note"])
    n = f"{row['n_implanted']:.0f} + {row['n_adhesive']:.0f}"
    limits = interval(_plain(row["conf_low"]), _plain(row["conf_high"]), 2)
    return f"{number(row['estimate'], 2)} ({limits}; n = {n})"


def _plain(value: Any) -> float | None:
    return None if value is None or pd.isna(value) else float(value)


def _drawn(table: pd.DataFrame, trial: str) -> pd.DataFrame:
    # A raw difference is drawn beside a weighted one only, never alone.
    made = table["estimate"].notna() & table["role"].ne(DESCRIPTION)
    weighted = made.groupby([table["trial"], table["month"]]).transform("any")
    beside = table["quantity"].eq(RAW) & table["estimate"].notna() & weighted
    rows = table.loc[made | beside].copy()
    rows["label"] = [
        f"{r.trial}, month {r.month}: "
        + (
            "as seen"
            if r.quantity == RAW
            else f"{r.target} ({r.quantity.split(', ')[1]})"
            if r.role == SENSITIVITY
            else f"{r.estimand}"
        )
        for r in rows.itertuples()
    ]
    rows["main"] = rows["role"] == PRIMARY
    rows["n"] = rows["n_implanted"] + rows["n_adhesive"]
    return rows[["label", "estimate", "conf_low", "conf_high", "main", "n"]].reset_index(drop=True)


def _record(row: Row) -> Record:
    cohort = row.get("cohort")
    n = [row.get(f"n_{arm}") for arm in KINDS]
    return Record(
        outcome="comparison_hba1c", quantity=str(row["quantity"]), population="cumulative",
        cohort=cohort, contrast=None if cohort else CONTRAST, at=f"month {row['month']}",
        by={"trial": str(row["trial"]), "estimand": str(row["estimand"]),
            "target": str(row.get("target") or ""), "role": str(row["role"])},
        estimate=row["estimate"], conf_low=row["conf_low"], conf_high=row["conf_high"],
        n_patients=sum(int(x) for x in n if x is not None), unit=POINTS,
        method=str(row["method"]), note=row.get("note"),
    )  # fmt: skip
