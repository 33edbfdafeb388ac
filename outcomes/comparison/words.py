"""Which words a contrast may use: association or effect, exploratory or not, which look it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from outcomes.cohorts.build import CohortSet
from outcomes.plan import Comparison, Quarter
from outcomes.results import interval, number

CAUTION: Final = (
    "Patients chose their sensor. This is no randomised comparison, and it is never a basis for "
    "one patient's treatment."
)


@dataclass(frozen=True, kw_only=True)
class Standing:
    """What this look at the data may be called.

    `look` counts the quarters since the plan's start, this one included; `confirmatory` only at a
    cut-off that the plan names.
    """

    look: int
    confirmatory: bool
    sentence: str

    @property
    def word(self) -> str:
        """ "confirmatory" or "exploratory"."""
        return "confirmatory" if self.confirmatory else "exploratory"


def standing(cohorts: CohortSet) -> Standing:
    """Return which look at the data this is, and whether the plan makes it a confirmatory one."""
    rules = cohorts.plan.comparison
    quarter, look = Quarter.of(cohorts.plan.plan.start), 1
    while quarter < cohorts.quarter:
        quarter, look = quarter.next(), look + 1
    confirmatory = cohorts.cut_off in rules.confirmatory_on
    named = ", ".join(day.isoformat() for day in rules.confirmatory_on)
    if confirmatory:
        told = f"the plan names its cut-off ({cohorts.cut_off}) as confirmatory"
    elif named:
        told = f"exploratory: the plan's confirmatory cut-offs are {named}"
    else:
        told = "exploratory: the plan names no confirmatory cut-off"
    sentence = (
        f"This is look {look} at these data ({cohorts.quarter}); {told}. The same contrast was or "
        "could have been read at every earlier look, and its interval does not allow for that."
    )
    return Standing(look=look, confirmatory=confirmatory, sentence=sentence)


def called(rules: Comparison) -> str:
    """Return "effect" where the plan holds that every reason was measured, else "association".

    Examples
    --------
    >>> called(Comparison()), called(Comparison(reasons_measured=True))
    ('association', 'effect')
    """
    return "effect" if rules.reasons_measured else "association"


def lower_by(estimate: float, low: float | None, high: float | None, *, decimals: int = 2) -> str:
    """Return a difference in words with its limits: the size first, then the direction.

    Examples
    --------
    >>> lower_by(-0.214, -0.45, 0.02)
    '0.21 points lower (difference −0.21, 95 % −0.45 to 0.02)'
    """
    size = number(abs(estimate), decimals)
    way = "the same" if float(f"{estimate:.{decimals}f}") == 0 else None
    way = way or f"{size} points {'lower' if estimate < 0 else 'higher'}"
    limits = interval(low, high, decimals)
    return f"{way} (difference {number(estimate, decimals)}, 95 % {limits})"


def under(fewest: int, sizes: dict[str, int]) -> str | None:
    """Return why nothing is contrasted where an arm is too small, else None.

    Examples
    --------
    >>> under(10, {"implanted": 7, "adhesive": 120})
    'described only: fewer than 10 patients in the smaller arm (7 implanted, 120 adhesive)'
    """
    if min(sizes.values()) >= fewest:
        return None
    told = ", ".join(f"{n} {arm}" for arm, n in sizes.items())
    return f"described only: fewer than {fewest} patients in the smaller arm ({told})"
