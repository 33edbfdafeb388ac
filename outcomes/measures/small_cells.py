"""Which cells of a table of groups may not be shown, and what would give them away."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

SMALLEST: Final = {"clinic": 5, "committee": 5, "external": 11}  # patients; below is hidden
NOT_SHOWN: Final = "small cell, not shown"


def hidden_cells(counts: Sequence[int], smallest: int) -> list[bool]:
    """Return which of the groups that add up to a known total are hidden.

    A count above 0 and below `smallest` is hidden. Where that is one alone it would follow from
    the total, so the next smallest goes with it; an empty group may be shown.

    Examples
    --------
    >>> hidden_cells([3, 40, 20], 5), hidden_cells([3, 4, 20], 5), hidden_cells([0, 40, 20], 5)
    ([True, False, True], [True, True, False], [False, False, False])
    """
    small = [0 < count < smallest for count in counts]
    if sum(small) != 1:
        return small
    others = [(count, place) for place, count in enumerate(counts) if count >= smallest]
    if others:
        small[min(others)[1]] = True
    return small
