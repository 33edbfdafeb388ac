"""Which changes of time in range are called meaningful, for one person and between groups.

Battelino T et al. Lancet Diabetes Endocrinol 2023;11:42-57; both figures from memory.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

PERSON_POINTS: Final = 5.0  # percentage points of time in range
GROUP_POINTS: Final = 3.0
_TINY: Final = 1e-9  # 70 % less 65 % is 5 points, whatever binary fractions make of it


def meaningful(points: npt.ArrayLike, *, least: float = PERSON_POINTS) -> npt.NDArray[np.bool_]:
    """Return whether a gain in points of time in range is `least` points or more.

    Examples
    --------
    >>> meaningful([100 * (0.70 - 0.65), 4.9, np.nan]).tolist()
    [True, False, False]
    """
    return np.asarray(np.asarray(points, dtype=float) >= least - _TINY, dtype=np.bool_)


def between_groups(low: float, high: float) -> str:
    """Return what an interval of a difference says of a meaningful one.

    Examples
    --------
    >>> between_groups(-1.2, 2.0)
    'excludes a difference of 3 points or more'
    >>> between_groups(3.0, 9.0)
    'lies wholly at 3 points or more'
    >>> between_groups(-6.0, 0.5)
    'does not exclude a difference of 3 points'
    """
    if max(abs(low), abs(high)) < GROUP_POINTS - _TINY:
        return f"excludes a difference of {GROUP_POINTS:g} points or more"
    if meaningful(max(low, -high), least=GROUP_POINTS):
        return f"lies wholly at {GROUP_POINTS:g} points or more"
    return f"does not exclude a difference of {GROUP_POINTS:g} points"
