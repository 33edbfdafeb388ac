"""The bands between the paired glucose limits, and the risk of one value.

Seven bands do not overlap and cover everything; every share of the consensus tables is a sum of
neighbours. A value is put into its band by the limits printed in its own unit.
"""

from __future__ import annotations

import functools
from typing import Final

import numpy as np
import numpy.typing as npt

from outcomes.tables.declared import GLUCOSE_UNITS
from outcomes.tables.reading_store import SCALE
from outcomes.units import (
    HIGH,
    LOW,
    PREGNANCY_LOW,
    TIGHT_HIGH,
    VERY_HIGH,
    VERY_LOW,
    glucose_mg_dl,
)

Floats = npt.NDArray[np.float64]

# Names of the bands in the order of glucose; each limit of a range lies inside the range.
BANDS: Final = ("below 54", "54-62", "63-69", "70-140", "141-180", "181-250", "above 250")

# Shares that are offered, as sums of neighbouring bands (first and last, both included).
SHARES: Final[dict[str, tuple[int, int]]] = {
    "below_54": (0, 0),
    "below_70": (0, 2),
    "from_54_to_69": (1, 2),
    "from_70_to_180": (3, 4),
    "from_70_to_140": (3, 3),
    "from_181_to_250": (5, 5),
    "above_180": (5, 6),
    "above_250": (6, 6),
    "below_63": (0, 1),  # the pregnancy ranges from here on
    "from_54_to_62": (1, 1),
    "from_63_to_140": (2, 3),
    "above_140": (4, 6),
}

# Steps of glucose from which percentiles by time of day are read; the last is open above.
SHAPE_STEP_MG_DL: Final = 5.0
SHAPE_BINS: Final = 81

CENTRE_MG_DL: Final = 150.0  # squares are summed about this, so that they keep their digits
LARGEST_STORED: Final = 10_000  # the declared readings end at 1000 in either unit


def band(value: Floats, unit: str) -> npt.NDArray[np.int64]:
    """Return the band (index into `BANDS`) of each value, compared in its own unit.

    Examples
    --------
    >>> [BANDS[i] for i in band(np.array([3.8, 3.9, 10.0, 10.1]), "mmol/L")]
    ['63-69', '70-140', '141-180', '181-250']
    """
    low = [limit.in_unit(unit) for limit in (VERY_LOW, PREGNANCY_LOW, LOW)]
    high = [limit.in_unit(unit) for limit in (TIGHT_HIGH, HIGH, VERY_HIGH)]
    # A lower limit belongs to the band above it, an upper one to the band below it.
    return np.asarray(
        np.searchsorted(low, value, side="right") + np.searchsorted(high, value, side="left")
    )


def risk(mg_dl: Floats) -> Floats:
    """Return the signed risk of glucose values in mg/dL: below 0 for low, above 0 for high.

    10 f^2 with the sign of f, where f = 1.509 ((ln glucose)^1.084 - 5.381); no risk at 112.5.

    References
    ----------
    .. [1] Kovatchev BP et al. Diabetes Care 1997;20:1655-1658; constants from memory.

    Examples
    --------
    >>> risk(np.array([50.0, 180.0])).round(3)
    array([-22.5  ,   7.729])
    """
    scaled = 1.509 * (np.log(np.maximum(mg_dl, 1.0)) ** 1.084 - 5.381)
    return np.asarray(np.sign(scaled) * 10 * scaled**2)


def glycemia_risk_index(
    below_54: Floats, from_54_to_69: Floats, above_250: Floats, from_181_to_250: Floats
) -> Floats:
    """Return the glycemia risk index, 0 to 100, from shares in percent.

    3.0 x below 54 + 2.4 x 54-69 + 1.6 x above 250 + 0.8 x 181-250, at most 100.

    References
    ----------
    .. [1] Klonoff DC et al. J Diabetes Sci Technol 2022.

    Examples
    --------
    >>> float(glycemia_risk_index(3.0, 8.0, 4.0, 20.0).round(3))
    50.6
    """
    index = 3.0 * np.asarray(below_54) + 2.4 * np.asarray(from_54_to_69)
    return np.minimum(
        100.0, index + 1.6 * np.asarray(above_250) + 0.8 * np.asarray(from_181_to_250)
    )


@functools.cache
def value_table() -> Floats:
    """Return band, mg/dL less the centre, and low and high risk of every value that can occur.

    Returns
    -------
    array of shape (units, values, 4)
        First axis as `GLUCOSE_UNITS`; second axis the value as it is stored, whole mg/dL or
        tenths of mmol/L.
    """
    stored = np.arange(LARGEST_STORED + 1)
    table = np.zeros((len(GLUCOSE_UNITS), len(stored), 4))
    for index, (unit, steps) in enumerate(zip(GLUCOSE_UNITS, SCALE, strict=True)):
        value = np.maximum(stored, 1) / steps  # 0 does not occur and has no logarithm
        mg_dl = np.asarray(glucose_mg_dl(value, unit))
        signed = risk(mg_dl)
        table[index] = np.column_stack(
            [band(value, unit), mg_dl - CENTRE_MG_DL, np.maximum(-signed, 0), np.maximum(signed, 0)]
        )
    table.setflags(write=False)
    return table
