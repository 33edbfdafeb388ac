"""Implanted against adhesive: what weights recover, and what they cannot, where the truth is known.

`python -m tests.truth comparison` runs it. Each scenario is a way in which the comparison of a real
clinic can go wrong; rows that show the mistake itself stand beside the rows that avoid it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache, partial

import numpy as np
import pandas as pd
from scipy.special import expit

from outcomes.comparison.contrasts import Contrast, contrast, raw_difference
from outcomes.comparison.doubt import bounded
from outcomes.comparison.instrument import GAP, SHARE, column_of
from outcomes.comparison.people import Compared, model_columns
from outcomes.comparison.trial import SWITCH
from outcomes.comparison.weights import overlap
from outcomes.plan import Comparison
from synthetic.tables_only import Setting, tables, true_effects
from tests.truth.bench import Answer, Bench, Truth

OUTCOME = "Implanted against adhesive"
MONTH = 6
RULES = Comparison(covariates=("age_years", "sex", "diabetes_type", "baseline_hba1c"))

CHOSEN = Setting(patients=200, leaving=-20.0, leaving_hba1c=0.0)
NOTHING = replace(CHOSEN, effect=0.0, effect_per_point=0.0, effect_sd=0.0)
APART = replace(CHOSEN, choice_hba1c=3.0, choice_age=-1.0)
SMALL = replace(CHOSEN, patients=30, choice=-0.95, missed=0.0)
HIDDEN = replace(CHOSEN, unmeasured=0.8)
HIDDEN_EFFECT = 0.25 * 0.99  # points per unit of the trait, by month 6

MAIN = "overlap weights, augmented"
SEEN = "as seen, adjusted for nothing"


def entries(setting: Setting, rng: np.random.Generator) -> pd.DataFrame:
    """One row per patient, as an entry into a trial."""
    drawn = tables(setting, rng, only=("visits",))
    wide = drawn.visits.pivot_table(index="patient_id", columns="month", values="value")
    rows = drawn.patients.rename(columns={"cohort": "arm"})
    at = {month: rows["patient_id"].map(wide[month]) for month in (3, MONTH)}
    return rows.assign(
        percent=at[MONTH],
        change=at[MONTH] - rows["baseline_hba1c"],
        latest_hba1c=at[3].fillna(rows["baseline_hba1c"]),
        seen_since=at[3].notna().astype(float),
    )


def as_compared(rows: pd.DataFrame, rules: Comparison = RULES, outcome: str = "change") -> Compared:
    rows, covariates, notes = model_columns(rows, list(rules.covariates), rules, outcome=outcome)
    return Compared(
        trial=SWITCH, month=MONTH, rows=rows, covariates=covariates, left_out={}, notes=notes
    )


def said(got: Contrast) -> Answer:
    return Answer(estimate=got.estimate, low=got.conf_low, high=got.conf_high)


# --- the choice is confounded --------------------------------------------------------------------


def chosen(rng: np.random.Generator, *, setting: Setting) -> dict[str, Answer]:
    found = as_compared(entries(setting, rng))
    refusal = overlap(found, RULES).refusal
    raw = said(raw_difference(found, outcome="change", rules=RULES))
    options = {"outcome": "change", "rules": RULES, "refusal": refusal}
    return {
        MAIN: said(contrast(found, **options)),
        "everyone, augmented": said(contrast(found, target="everyone", **options)),
        "those who chose implanted, augmented": said(contrast(found, target="treated", **options)),
        f"{SEEN}: its own limit": raw,
        f"{SEEN}: against the effect in those who chose": raw,
    }


def chosen_truths(*, setting: Setting) -> dict[str, Truth]:
    true = true_effects(setting, month=MONTH)
    names = {
        MAIN: "overlap",
        "everyone, augmented": "everybody",
        "those who chose implanted, augmented": "implanted",
        f"{SEEN}: its own limit": "crude",
        f"{SEEN}: against the effect in those who chose": "implanted",
    }
    return {k: Truth(value=true[name].value, error=true[name].error) for k, name in names.items()}


def only_main(rng: np.random.Generator, *, setting: Setting) -> dict[str, Answer]:
    found = as_compared(entries(setting, rng))
    refusal = overlap(found, RULES).refusal
    return {MAIN: said(contrast(found, outcome="change", rules=RULES, refusal=refusal))}


def only_main_truths(*, setting: Setting) -> dict[str, Truth]:
    return {MAIN: chosen_truths(setting=setting)[MAIN]}


def ten_of_thirty(rng: np.random.Generator) -> dict[str, Answer]:
    """The first of the clinics drawn in which 10 of 30 wear an implanted sensor."""
    while True:
        rows = entries(SMALL, rng)
        if (rows["arm"] == "implanted").sum() == 10:
            break
    found = as_compared(rows)
    options = {"outcome": "change", "rules": RULES}
    refusal = overlap(found, RULES).refusal
    return {
        f"{MAIN}, as the rules have it": said(contrast(found, refusal=refusal, **options)),
        f"{MAIN}, without the rule on overlap": said(contrast(found, **options)),
    }


def ten_truths() -> dict[str, Truth]:
    truth = chosen_truths(setting=SMALL)[MAIN]
    return {
        f"{MAIN}, as the rules have it": truth,
        f"{MAIN}, without the rule on overlap": truth,
    }


def bootstrapped(rng: np.random.Generator) -> dict[str, Answer]:
    found = as_compared(entries(CHOSEN, rng))
    return {
        MAIN: said(contrast(found, outcome="change", rules=RULES, n_draws=1000, rng=rng)),
    }


# --- the high leave, in one arm more than in the other -------------------------------------------


def left(rng: np.random.Generator) -> Compared:
    """Who was high at the latest draw is not seen at month 6, on adhesive sensors above all."""
    rows = entries(CHOSEN, rng)
    odds = -0.8 - 2.2 * (rows["arm"] == "implanted") + 1.5 * (rows["latest_hba1c"] - 7.5)
    gone = rng.random(len(rows)) < expit(odds)
    return as_compared(rows.assign(change=rows["change"].mask(gone)))


def leaving(rng: np.random.Generator) -> dict[str, Answer]:
    found = left(rng)
    options = {"outcome": "change", "rules": RULES}
    return {
        f"{MAIN}, like ones stand for the unseen": said(contrast(found, **options)),
        f"{MAIN}, only those seen": said(contrast(found, observed_only=True, **options)),
    }


def leaving_truths() -> dict[str, Truth]:
    truth = chosen_truths(setting=CHOSEN)[MAIN]
    return {
        f"{MAIN}, like ones stand for the unseen": truth,
        f"{MAIN}, only those seen": truth,
    }


def leaving_bootstrapped(rng: np.random.Generator) -> dict[str, Answer]:
    drawn = contrast(left(rng), outcome="change", rules=RULES, n_draws=1000, rng=rng)
    return {f"{MAIN}, like ones stand for the unseen": said(drawn)}


def leaving_bootstrapped_truths() -> dict[str, Truth]:
    return {f"{MAIN}, like ones stand for the unseen": chosen_truths(setting=CHOSEN)[MAIN]}


# --- something unmeasured ------------------------------------------------------------------------


@cache
def hidden_imbalance(draws: int = 1_000_000) -> float:
    """Difference of the trait between the arms, given what was measured, in the overlap population.

    From the generator's law of the choice, written out once more: the chance of implanted given
    the measured covariates is averaged over the trait, and arms are weighted by the other's chance.
    """
    s, rng = HIDDEN, np.random.default_rng(7)
    age, level, swing, noise, trait = rng.standard_normal((5, draws))
    above = s.level_sd * level + s.swing_sd * swing + s.noise_sd * noise
    measured = (
        s.choice + s.choice_hba1c * above + s.choice_age * 1.5 * age
        + s.choice_type_1 * (rng.random(draws) < 0.6)
    )  # fmt: skip
    arm = rng.random(draws) < expit(measured + s.unmeasured * trait)
    nodes, weights = np.polynomial.hermite_e.hermegauss(20)
    grid = np.linspace(-6, 6, 601)
    averaged = expit(grid[:, None] + s.unmeasured * nodes) @ (weights / weights.sum())
    e = np.interp(measured, grid, averaged)
    return float(
        np.average(trait[arm], weights=1 - e[arm]) - np.average(trait[~arm], weights=e[~arm])
    )


def hidden(rng: np.random.Generator) -> dict[str, Answer]:
    got = contrast(as_compared(entries(HIDDEN, rng)), outcome="change", rules=RULES)
    plain = said(got)
    if plain.estimate is None or plain.low is None or plain.high is None:
        none = Answer(estimate=None, low=None, high=None)
        return {"bound of the true strength": none, "interval alone": none}
    at = bounded(
        plain.estimate, plain.low, plain.high, effect=HIDDEN_EFFECT, imbalance=hidden_imbalance()
    )
    # The trait lowers HbA1c and makes patients choose implanted, so that the bias is known to be
    # -effect x imbalance; the bound does not know the direction.
    unbiased = plain.estimate + at.bias
    return {
        "bound of the true strength": Answer(estimate=unbiased, low=at.conf_low, high=at.conf_high),
        "interval alone": plain,
    }


def hidden_truths() -> dict[str, Truth]:
    truth = chosen_truths(setting=HIDDEN)[MAIN]
    return {"bound of the true strength": truth, "interval alone": truth}


# --- the sensor is off by 5 mg/dL ----------------------------------------------------------------

OFF = 5.0
PERIOD_READINGS = 500  # independent readings of a period, for the noise of a share


def off(rng: np.random.Generator) -> dict[str, Answer]:
    """No effect on glucose at all; implanted sensors read 5 mg/dL too high."""
    rows = entries(NOTHING, rng)
    mean = 28.7 * (rows["baseline_hba1c"] - 0.3 + 0.4 * rng.normal(size=len(rows))) - 46.7
    spread = np.sqrt(np.log1p(rng.normal(0.33, 0.03, len(rows)) ** 2))
    own_gap = 0.3 * rng.normal(size=len(rows))
    bias = np.where(rows["arm"] == "implanted", OFF, 0.0)
    reads = (np.log(mean) - spread**2 / 2).to_numpy()[:, None] + spread[
        :, None
    ] * rng.standard_normal((len(rows), PERIOD_READINGS))
    value = np.exp(reads) + bias[:, None]
    shares = {
        column_of(shift): 100 * ((value + shift >= 70) & (value + shift <= 180)).mean(axis=1)
        for shift in (0, -5)
    }
    rows = rows.assign(**shares)
    rows[GAP] = 3.31 + 0.02392 * value.mean(axis=1) - ((mean + 46.7) / 28.7 + own_gap)
    rows["corrected"] = rows[column_of(-5)].where(rows["arm"] == "implanted", rows[SHARE])
    found = as_compared(rows)
    ask = partial(contrast, found, rules=RULES, observed_only=True)
    return {
        "share as each sensor reports it, against no effect": said(ask(outcome=SHARE)),
        "share if implanted sensors read 5 mg/dL too high": said(ask(outcome="corrected")),
        "difference of GMI less HbA1c": said(ask(outcome=GAP)),
    }


def off_truths() -> dict[str, Truth]:
    return {
        "share as each sensor reports it, against no effect": Truth(value=0.0),
        "share if implanted sensors read 5 mg/dL too high": Truth(value=0.0),
        "difference of GMI less HbA1c": Truth(value=0.02392 * OFF),
    }


def _bench(
    scenario: str, patients: int, replicate: object, truths: object, **more: object
) -> Bench:
    return Bench(
        outcome=OUTCOME, estimator=str(more.pop("estimator", "comparison")), scenario=scenario,
        patients=patients, replicate=replicate, truths=truths, **more,  # type: ignore[arg-type]
    )  # fmt: skip


BENCHES = [
    _bench(
        "the choice follows HbA1c, age and type", 200, partial(chosen, setting=CHOSEN),
        partial(chosen_truths, setting=CHOSEN),
    ),
    _bench(
        "the choice follows HbA1c, age and type", 120,
        partial(only_main, setting=replace(CHOSEN, patients=120)),
        partial(only_main_truths, setting=replace(CHOSEN, patients=120)),
    ),
    _bench(
        "no effect truly there", 200, partial(only_main, setting=NOTHING),
        partial(only_main_truths, setting=NOTHING),
    ),
    _bench(
        "the arms hardly overlap", 200, partial(only_main, setting=APART),
        partial(only_main_truths, setting=APART),
    ),
    _bench("30 patients, 10 of them implanted", 30, ten_of_thirty, ten_truths, replicates=500),
    _bench("the high are not seen, on adhesive above all", 200, leaving, leaving_truths),
    _bench("something unmeasured moves choice and HbA1c", 200, hidden, hidden_truths),
    _bench("implanted sensors read 5 mg/dL too high, no effect", 200, off, off_truths),
    _bench(
        "the choice follows HbA1c, age and type: 1,000 draws", 200, bootstrapped,
        partial(only_main_truths, setting=CHOSEN), replicates=200,
        estimator="comparison_bootstrap",
    ),
    _bench(
        "the high are not seen, on adhesive above all: 1,000 draws", 200, leaving_bootstrapped,
        leaving_bootstrapped_truths, replicates=200, estimator="comparison_bootstrap",
    ),
]  # fmt: skip
