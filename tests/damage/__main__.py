"""`python -m tests.damage [FILES]`: take in FILES damaged files of every kind and print the table.

The table is printed and written beside this file; the exit status is 1 where a file crashed the
intake, lost a row, or a value of damage that can be told was kept altered.
"""

from __future__ import annotations

import sys
from pathlib import Path

from tests.damage.kinds import KINDS
from tests.damage.trial import Outcome, trial

TABLE = Path(__file__).parent / "damaged_files.txt"
FILES = 16  # of every kind that can be told
MORE = 4  # times as many of the others, since a rate is asked of them


def table(outcomes: list[Outcome]) -> str:
    """Return one line a kind of damage, and the sums."""
    head = (
        f"{'kind of damage':<45}{'told':>5}{'files':>7}{'refused':>9}{'crashed':>9}"
        f"{'rows lost':>11}{'touched':>9}{'kept altered':>14}{'detected':>10}"
    )
    lines = [head]
    for kind in KINDS:
        own = [o for o in outcomes if o.kind is kind]
        lines.append(_line(kind.name, "yes" if kind.told else "no", own, rate=not kind.told))
    for told in (True, False):
        own = [o for o in outcomes if o.kind.told is told]
        lines.append(_line("all that can" + ("" if told else "not") + " be told", "", own,
                           rate=not told))  # fmt: skip
    lines.append(_line("all", "", outcomes, rate=False))
    return "\n".join(lines) + "\n"


def _line(name: str, told: str, own: list[Outcome], *, rate: bool) -> str:
    touched, altered = sum(o.touched for o in own), sum(o.altered_kept for o in own)
    detected = f"{100 * (1 - altered / touched):.0f} %" if rate and touched else ""
    return (
        f"{name:<45}{told:>5}{len(own):>7}{sum(bool(o.refused) for o in own):>9}"
        f"{sum(bool(o.crash) for o in own):>9}{sum(bool(o.lost) for o in own):>11}{touched:>9}"
        f"{altered:>14}{detected:>10}"
    )


def wrong(outcomes: list[Outcome]) -> list[Outcome]:
    """Return the outcomes that must not be."""
    return [o for o in outcomes if o.crash or o.lost or (o.kind.told and o.altered_kept)]


def main() -> int:
    """Run every kind, print and write the table."""
    files = int(sys.argv[1]) if len(sys.argv) > 1 else FILES
    outcomes = [
        trial(kind, number)
        for kind in KINDS
        for number in range(files if kind.told else MORE * files)
    ]
    text = table(outcomes)
    print(text)
    for outcome in wrong(outcomes):
        told = outcome.crash.splitlines()[-1] if outcome.crash else outcome.lost
        print(f"{outcome.kind.name}, seed {outcome.seed}, {outcome.table}: "
              f"{told or f'{outcome.altered_kept} altered values kept'}")  # fmt: skip
    if files >= FILES:
        TABLE.write_text(text, encoding="utf-8")
    return 1 if wrong(outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
