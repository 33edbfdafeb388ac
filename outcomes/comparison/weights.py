"""Could the patients of both arms have been in either, and are the arms alike after weighting?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from outcomes.comparison.people import Compared
from outcomes.comparison.words import under
from outcomes.errors import EstimationError
from outcomes.figures.scales import Scale, fix_scale
from outcomes.figures.style import INK, look
from outcomes.plan import Comparison
from outcomes.results import Record, Result, Show, number
from outcomes.statistics.balance import balance, effective_sample_size
from outcomes.statistics.propensity import PropensityScore, Target, propensity_score
from outcomes.tables.declared import KINDS
from outcomes.units import counted

Floats = NDArray[np.float64]
REFERENCE: Final = "adhesive"
RANGE: Final = (0.1, 0.9)
FLAG: Final = 0.1  # of a standardised difference after weighting
BINS: Final = np.linspace(0, 1, 11)
NAMES: Final[dict[str, str]] = {
    "overlap": "overlap (those who could have been in either arm)",
    "everyone": "everyone (average over all entries)",
    "treated": "those who chose implanted",
    "matching": "matching weights",
    "trimmed": "everyone with a score of 0.1 to 0.9",
    "truncated": "everyone, weights cut at 1 and 99 %",
}


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Overlap:
    """How far the arms' scores overlap, and whether a contrast is refused for it.

    Attributes
    ----------
    score : PropensityScore or None
        None where it could not be fitted.
    even : Series
        Score if the arms were equally large, between 0 and 1, one per entry.
    inside : dict
        Arm to number of patients with an entry whose even score lies between 0.1 and 0.9.
    effective : dict
        Arm to effective number of patients under the overlap weights.
    shared : float or None
        Share of the two score distributions (in tenths of the even score) that they have in
        common: 0 none, 1 all.
    refusal : str or None
        Why no contrast is made, in words.
    """

    score: PropensityScore | None
    even: pd.Series
    inside: Mapping[str, int]
    effective: Mapping[str, float]
    shared: float | None
    refusal: str | None


def overlap(found: Compared, rules: Comparison, *, outcome: str = "change") -> Overlap:
    """Judge the overlap of the arms before any outcome is compared.

    Parameters
    ----------
    found : Compared
    rules : Comparison
    outcome : str
        Only to count patients with an outcome against `fewest_per_arm`.
    """
    sizes = {arm: found.patients(arm, outcome) for arm in KINDS}
    few = under(rules.fewest_per_arm, sizes)
    if few is not None:
        return _refused(few)
    try:
        score = propensity_score(
            found.rows, group="arm", reference=REFERENCE, covariates=found.covariates
        )
    except EstimationError as error:
        return _refused(f"not contrasted: {error}")
    odds = score.score / (1 - score.score)
    share = float(score.treated.mean())
    even = odds / (odds + share / (1 - share))
    arm = found.rows["arm"]
    patient = found.rows["patient_id"]
    within = even.between(*RANGE)
    inside = {a: int(patient[(arm == a) & within].nunique()) for a in KINDS}
    weights = score.weights("overlap")
    effective = {
        a: effective_sample_size(weights[arm == a].groupby(patient[arm == a]).sum()) for a in KINDS
    }
    parts = [np.histogram(even[arm == a], BINS)[0] / (arm == a).sum() for a in KINDS]
    shared = float(np.minimum(*parts).sum())
    return Overlap(
        score=score, even=even, inside=inside, effective=effective, shared=shared,
        refusal=_why_not(inside, effective, rules),
    )  # fmt: skip


def _refused(why: str) -> Overlap:
    return Overlap(
        score=None, even=pd.Series(dtype=float), inside={}, effective={}, shared=None, refusal=why
    )


def _why_not(
    inside: Mapping[str, int], effective: Mapping[str, float], rules: Comparison
) -> str | None:
    least = rules.fewest_overlapping
    if min(inside.values()) < least:
        told = ", ".join(f"{n} {arm}" for arm, n in inside.items())
        return (
            f"not contrasted: the arms hardly overlap. Fewer than {least} patients of an arm could "
            f"as well have been in the other (score 0.1 to 0.9: {told})"
        )
    if min(effective.values()) < least:
        told = ", ".join(f"{number(n)} {arm}" for arm, n in effective.items())
        return (
            f"not contrasted: after weighting an arm counts for fewer than {least} patients "
            f"({told})"
        )
    return None


def balance_result(
    found: Compared, judged: Overlap, rules: Comparison, *, target: Target = "overlap"
) -> Result:
    """Return how alike the arms are before and after weighting, with the overlap drawn.

    Returns
    -------
    Result
        `.table` has a row per number or level: standardised difference, variance ratio and
        largest distance between the distributions (ECDF), each before and after weighting.
    """
    if judged.score is None:
        return _no_balance(found, judged)
    score = judged.score
    rows = found.rows.assign(weight=score.weights(target))
    table = balance(
        rows, group="arm", reference=REFERENCE, covariates=found.covariates, weights="weight",
        denominator="treated" if target == "treated" else "pooled",
    )  # fmt: skip
    worst = table["weighted_smd"].abs().max()
    before = table["smd"].abs().max()
    sizes = ", ".join(f"{found.entries(a)} {a}" for a in KINDS)
    effective = ", ".join(f"{number(n)} {a}" for a, n in judged.effective.items())
    finding = (
        f"The largest standardised difference is {number(before, 2)} before and "
        f"{number(worst, 2)} after weighting ({sizes} entries); the score distributions have "
        f"{number(100 * (judged.shared or 0), 0)} % in common."
    )
    flagged = table.loc[table["weighted_smd"].abs() > FLAG, "covariate"].unique()
    return Result(
        name="comparison_balance",
        title="Are the arms alike after weighting?",
        table=table,
        entries=_balance_records(table, found, target),
        finding=finding,
        caption=(
            f"Entries into “{found.trial}” due at month {found.month}: balance for "
            f"{NAMES[target]}. SMD in pooled standard deviations of the unweighted arms; variance "
            "ratio implanted over adhesive; ECDF gap, the largest distance between distributions."
        ),
        footnotes=[
            f"Effective number of patients under overlap weights: {effective}.",
            "Overlap weights make the means of the score's columns equal by construction, so look "
            "at variance ratios and ECDF gaps for what the score's form may have missed.",
            *(
                [f"Still apart by more than {FLAG}: {', '.join(map(str, flagged))}."]
                if len(flagged)
                else []
            ),
            *score.notes,
            *found.notes,
            *([judged.refusal.capitalize() + "."] if judged.refusal else []),
        ],
        show={
            "covariate": Show("Covariate"),
            "level": Show("Level"),
            "smd": Show("SMD before", 2),
            "weighted_smd": Show("SMD after", 2),
            "variance_ratio": Show("Variance ratio before", 2),
            "weighted_variance_ratio": Show("Variance ratio after", 2),
            "ks": Show("ECDF gap before", 2),
            "weighted_ks": Show("ECDF gap after", 2),
        },
        drawing=partial(draw_overlap, even=judged.even, arm=found.rows["arm"]),
        alt=(
            "Share of each arm in tenths of the propensity score (arms taken as equally large), "
            f"implanted upwards and adhesive downwards. {finding}"
        ),
        height=2.8,
    )  # fmt: skip


def _no_balance(found: Compared, judged: Overlap) -> Result:
    return Result(
        name="comparison_balance",
        title="Are the arms alike after weighting?",
        table=pd.DataFrame(),  # a sentence and nothing else
        entries=(),
        finding=f"The arms are not weighted: {judged.refusal}.",
        caption=f"Covariates of “{found.trial}” at month {found.month}.",
        footnotes=found.notes,
    )


def _balance_records(table: pd.DataFrame, found: Compared, target: str) -> list[Record]:
    return [
        Record(
            outcome="comparison_balance", quantity=f"standardised difference, {when}",
            population="cumulative", contrast="implanted minus adhesive",
            at=f"month {found.month}",
            by={"trial": found.trial, "covariate": str(row["covariate"]),
                "level": "" if row["level"] is None else str(row["level"])},
            estimate=_plain(row[column]), level=None, n_units=len(found.rows),
            unit="standard deviations", method=f"target {target}",
            note=None if _plain(row[column]) is not None else "no spread to standardise by",
        )
        for row in table.to_dict("records")
        for when, column in (("before", "smd"), ("after", "weighted_smd"))
    ]  # fmt: skip


def _plain(value: Any) -> float | None:
    return None if value is None or pd.isna(value) else float(value)


def draw_overlap(ax: Axes, *, even: pd.Series, arm: pd.Series) -> None:
    """Draw both score distributions back to back."""
    middle = (BINS[:-1] + BINS[1:]) / 2
    top = 0.0
    for sign, kind in ((1, "implanted"), (-1, "adhesive")):
        mine = even[(arm == kind).to_numpy()]
        share = 100 * np.histogram(mine, BINS)[0] / max(len(mine), 1)
        top = max(top, float(share.max()))
        ax.bar(
            middle, sign * share, width=0.092, color=look(kind).colour,
            hatch="" if kind == "implanted" else "//", edgecolor="white",
        )  # fmt: skip
        ax.text(
            0.99, 0.97 if sign > 0 else 0.03, f"{kind} ({counted(len(mine), 'entry', 'entries')})",
            transform=ax.transAxes, ha="right", va="top" if sign > 0 else "bottom", color=INK,
        )  # fmt: skip
    ax.axhline(0, color=INK, linewidth=0.8)
    ax.set_xlim(0, 1)
    ax.set_xlabel("chance of implanted given the covariates, arms taken as equally large")
    ax.set_ylabel("% of the arm's entries")
    fix_scale(ax, "y", Scale(-40, 40, 20), [-top, top], room=(0.1, 0.1))
    ticks = range(-100, 101, 20)
    ends = ax.get_ylim()
    ax.set_yticks(ticks, [str(abs(tick)) for tick in ticks])
    ax.set_ylim(*ends)
