"""Putting the parts of an answer into one sentence."""

from __future__ import annotations

from collections.abc import Sequence


def one_sentence(parts: Sequence[str]) -> str:
    """Return parts as one sentence: joined by semicolons, a capital first, a full stop last.

    Examples
    --------
    >>> one_sentence(["of 100 placed, 90 lasted", "no other was placed"])
    'Of 100 placed, 90 lasted; no other was placed.'
    """
    text = "; ".join(parts)
    return f"{text[:1].upper()}{text[1:]}."
