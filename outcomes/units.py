"""Units, the paired glucose limits and the two HbA1c scales: the only place that converts.

Values are compared in their own unit with the printed limits of that unit; conversion is for
means and for display only. Limits: Battelino T et al. Diabetes Care 2019;42:1593-1603.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

GlucoseUnit = Literal["mg/dL", "mmol/L"]
Hba1cUnit = Literal["%", "mmol/mol"]
Floats = npt.NDArray[np.float64]

MG_DL_PER_MMOL_L: Final = 18.0156  # molar mass of glucose 180.156 g/mol (IUPAC atomic weights)
DAYS_PER_YEAR: Final = 365.25
LOW_WORD_MG_DL: Final = 40.0  # "LOW" enters as this limit in either unit, unless declared
HIGH_WORD_MG_DL: Final = 400.0


@dataclass(frozen=True)
class Limit:
    """One glucose limit as printed in both units; never converted one into the other."""

    mg_dl: float
    mmol_l: float

    def in_unit(self, unit: str) -> float:
        """Return the limit in `unit` ("mg/dL" or "mmol/L")."""
        return self.mg_dl if unit == "mg/dL" else self.mmol_l


VERY_LOW = Limit(54, 3.0)
PREGNANCY_LOW = Limit(63, 3.5)
LOW = Limit(70, 3.9)
TIGHT_HIGH = Limit(140, 7.8)
HIGH = Limit(180, 10.0)
VERY_HIGH = Limit(250, 13.9)


def glucose_mg_dl(value: Floats | float, unit: str) -> Floats | float:
    """Return glucose in mg/dL. `value` is in `unit` ("mg/dL" or "mmol/L").

    Examples
    --------
    >>> round(glucose_mg_dl(7.73, "mmol/L"), 6)
    139.260588
    """
    return value if unit == "mg/dL" else value * MG_DL_PER_MMOL_L


def glucose_mmol_l(value: Floats | float, unit: str) -> Floats | float:
    """Return glucose in mmol/L. `value` is in `unit` ("mg/dL" or "mmol/L")."""
    return value if unit == "mmol/L" else value / MG_DL_PER_MMOL_L


def hba1c_percent(value: Floats | float, unit: str) -> Floats | float:
    """Return HbA1c on the NGSP scale, in %. `value` is in `unit` ("%" or "mmol/mol").

    NGSP = 0.09148 x IFCC + 2.152 (Hoelzel W et al. Clin Chem 2004;50:166-174, long form).

    Examples
    --------
    >>> round(hba1c_percent(53, "mmol/mol"), 5)
    7.00044
    """
    return value if unit == "%" else 0.09148 * value + 2.152


def hba1c_mmol_mol(value: Floats | float, unit: str) -> Floats | float:
    """Return HbA1c on the IFCC scale, in mmol/mol. `value` is in `unit`."""
    return value if unit == "mmol/mol" else (value - 2.152) / 0.09148


def hba1c_difference_mmol_mol(points: Floats | float) -> Floats | float:
    """Return a difference of NGSP points in mmol/mol: a difference has no intercept.

    Examples
    --------
    >>> round(hba1c_difference_mmol_mol(0.5), 2)
    5.47
    """
    return points / 0.09148


def hba1c_tenths(value: Floats | float, unit: str) -> npt.NDArray[np.int64]:
    """Return HbA1c in whole tenths of an NGSP point, so that 8.2 - 7.7 is a fall of 5 tenths.

    Halves round up. The small allowance keeps 8.25 typed in decimal from rounding down.

    Examples
    --------
    >>> int(hba1c_tenths(8.2, "%") - hba1c_tenths(7.7, "%"))
    5
    >>> int(hba1c_tenths(64, "mmol/mol"))
    80
    """
    tenths = np.asarray(hba1c_percent(value, unit), dtype=float) * 10
    return np.asarray(np.floor(tenths + 0.5 + 1e-9), dtype=np.int64)


def glucose_management_indicator(mean_mg_dl: Floats | float) -> Floats | float:
    """Return the glucose management indicator in %, from the mean glucose in mg/dL.

    GMI = 3.31 + 0.02392 x mean (Bergenstal RM et al. Diabetes Care 2018;41:2275-2280).
    It is not an HbA1c, and was not derived on implanted sensors.
    """
    return 3.31 + 0.02392 * mean_mg_dl


def glucose_management_indicator_mmol_mol(mean_mmol_l: Floats | float) -> Floats | float:
    """Return the glucose management indicator in mmol/mol, from the mean glucose in mmol/L.

    GMI = 12.71 + 4.70587 x mean (Bergenstal RM et al. Diabetes Care 2018;41:2275-2280).
    """
    return 12.71 + 4.70587 * mean_mmol_l


def estimated_average_glucose(percent: Floats | float) -> Floats | float:
    """Return the mean glucose in mg/dL that an HbA1c in % goes with, on average over people.

    28.7 x HbA1c - 46.7 (Nathan DM et al. Diabetes Care 2008;31:1473-1478). The mean glucose of
    one person at 7 % lies between 123 and 185 mg/dL in 95 of 100.
    """
    return 28.7 * percent - 46.7


def counted(n: float, one: str, more: str = "") -> str:
    """Return a count with what was counted, in the singular for one.

    Parameters
    ----------
    n : int, or a whole number as a float
    one, more : str
        The word for one and for more; by default more is `one` with an s.

    Examples
    --------
    >>> counted(1, "patient"), counted(1428, "sensor"), counted(0, "entry", "entries")
    ('1 patient', '1,428 sensors', '0 entries')
    """
    return f"{n:,.0f} {one if n == 1 else more or one + 's'}"
