"""Putting the parts of an answer into one sentence."""

from __future__ import annotations

from collections.abc import Sequence

from outcomes.results import DASH, interval, number


def one_sentence(parts: Sequence[str]) -> str:
    """Return parts as one sentence: joined by semicolons, a capital first, a full stop last.

    Examples
    --------
    >>> one_sentence(["of 100 placed, 90 lasted", "no other was placed"])
    'Of 100 placed, 90 lasted; no other was placed.'
    """
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}."


def with_interval(
    estimate: float | None, low: float | None, high: float | None, decimals: int = 1
) -> str:
    """Return an estimate with its interval for one cell of a table.

    Examples
    --------
    >>> with_interval(-0.472, -0.63, -0.31, 2), with_interval(None, None, None)
    ('−0.47 (−0.63 to −0.31)', '–')
    """
    if estimate is None:
        return DASH
    if low is None and high is None:
        return number(estimate, decimals)
    return f"{number(estimate, decimals)} ({interval(low, high, decimals)})"
