"""What several measures of one page begin with, made once for a set of cohorts."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Concatenate, ParamSpec, TypeVar
from weakref import WeakKeyDictionary

from outcomes.cohorts.build import CohortSet

Made = TypeVar("Made")
How = ParamSpec("How")


def once(
    make: Callable[Concatenate[CohortSet, How], Made],
) -> Callable[Concatenate[CohortSet, How], Made]:
    """Keep what a function makes of a set of cohorts, as long as that set lives.

    A set of cohorts never changes, so neither does what is made of it. Further arguments may only
    say how it is made (threads, workers), never what: they are not looked at the second time.
    Callers do not change what they get; who adds columns takes a copy.
    """
    kept: WeakKeyDictionary[CohortSet, Made] = WeakKeyDictionary()

    @wraps(make)
    def made(cohorts: CohortSet, /, *args: How.args, **options: How.kwargs) -> Made:
        if cohorts not in kept:
            kept[cohorts] = make(cohorts, *args, **options)
        return kept[cohorts]

    return made
