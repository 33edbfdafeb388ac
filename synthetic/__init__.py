"""An invented diabetes centre with known truth, written as messy exports.

`write_clinic` writes the exports with `sources.toml`, `plan.toml`, the truth and the known numbers;
`clinic` returns the same lives as frames without writing. Nothing here is shared with the
estimators: a generator that shared code with them could not catch their mistakes.

Everything is invented: the centre Ostervahl with its satellites Quendelau and Brimmsiel, its
patients, sensors, systems and file layouts.
"""

from .clinic import DEFAULT_SEED, Clinic, clinic
from .scenario import Scenario
from .write import write_clinic

__all__ = ["DEFAULT_SEED", "Clinic", "Scenario", "clinic", "write_clinic"]
