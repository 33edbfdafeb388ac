"""`python -m tests.damage.kills [RUNS]`: end an intake at random moments and open what is left.

A study of one clinic stands; an intake of other exports into the same folder is ended: by a kill
(half of them after a random time, half at a random step that touches files), by a disk on which no
file can grow beyond a random size, or by an error out of nowhere. Afterwards the version before
must open with every row; the version that `current` names must be the old or the new one, whole;
and the next intake must leave nothing of the broken one. The table is printed and written beside
this file.
"""

from __future__ import annotations

import os
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from outcomes.errors import OutcomesError, WriteError
from outcomes.plan.sources import read_sources
from outcomes.tables import timed_rows
from outcomes.tables.declared import DECLARED
from outcomes.tables.intake import intake
from outcomes.tables.parquet import frame_digest, in_one_order
from outcomes.tables.study import Study, open_study
from tests.damage.sound_clinic import HEADINGS, as_text, sound_clinic, write

SEED = 20_261_125
RUNS = 50
TABLE = Path(__file__).parent / "kills.txt"
STEPS = ("open", "os.rename", "os.mkdir", "os.remove", "os.rmdir", "shutil.rmtree", "os.listdir")
Ending = Callable[[np.random.Generator, float, int], None]


@dataclass(frozen=True, kw_only=True)
class Ended:
    """What one ended intake left."""

    how: str
    status: str
    moved: bool  # whether the pointer had moved on
    whole: bool  # whether the old version and the one in use hold what they must
    swept: bool  # whether the next intake left nothing of it


def exports(folder: Path, number: int) -> Path:
    """Write the exports of one of several clinics; return their sources.toml."""
    clinic = sound_clinic(np.random.default_rng([SEED, number]))
    encoding = clinic.style.encoding
    contents = {
        name: as_text(clinic.style, HEADINGS[name], rows).encode(encoding)
        for name, rows in clinic.cells.items()
    }
    return write(folder, clinic, contents, {})


def fingerprint(study: Study) -> bytes:
    """Return a digest of everything that the study's tables hold."""
    return b"".join(
        frame_digest(in_one_order(study.table(name), schema))
        for name, schema in DECLARED.items()
        if study.has(name)
    )


def in_a_child(sources: Path, study: Path, prepare: Callable[[], None]) -> int:
    """Begin an intake in a process of its own; return the process's number."""
    sys.stdout.flush()
    child = os.fork()
    if child:
        return child
    status = 1
    try:
        signal.alarm(300)  # a child that hangs is a failure, not a wait without end
        timed_rows.HELD_ROWS = 20  # rows are spilled, as those of a large clinic are
        prepare()
        intake(read_sources(sources), study)
        status = 0
    except WriteError:
        status = 4
    except BaseException:
        status = 1
    finally:
        os._exit(status)


def at_step(wanted: int, act: Callable[[], None], count: list[int]) -> Callable[[], None]:
    """Return what makes a process do `act` at its n-th step that touches files."""

    def hook(event: str, _: tuple[object, ...]) -> None:
        if event in STEPS:
            count[0] += 1
            if count[0] == wanted:
                act()

    return lambda: sys.addaudithook(hook)


def steps_of_an_intake(sources: Path, study: Path) -> tuple[int, float]:
    """Return how many steps and seconds an undisturbed intake takes."""
    count, began = [0], time.monotonic()
    reading, writing = os.pipe()

    def prepare() -> None:
        at_step(-1, lambda: None, count)()

    sys.stdout.flush()
    child = os.fork()
    if not child:
        timed_rows.HELD_ROWS = 20
        prepare()
        intake(read_sources(sources), study)
        os.write(writing, str(count[0]).encode())
        os._exit(0)
    os.waitpid(child, 0)
    steps = int(os.read(reading, 20))
    os.close(reading)
    os.close(writing)
    return steps, time.monotonic() - began


def _die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def _fail() -> None:
    raise RuntimeError("an error out of nowhere")


def _small_files(size: int) -> Callable[[], None]:
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


def ended(how: str, rng: np.random.Generator, folder: Path, *, steps: int, seconds: float) -> Ended:
    """End one intake of new exports into the study that stands in `folder`."""
    study, sources = folder / "study", folder / "new" / "sources.toml"
    before = open_study(study)
    told = fingerprint(before)
    step = int(rng.integers(1, steps + 1))
    prepare = {
        "killed after a time": lambda: None,
        "killed at a step": at_step(step, _die, [0]),
        "no space": _small_files(int(rng.integers(0, 6000))),
        "an error": at_step(step, _fail, [0]),
    }[how]
    child = in_a_child(sources, study, prepare)
    if how == "killed after a time":
        time.sleep(float(rng.uniform(0, 1.1 * seconds)))
        os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    return Ended(
        how=how,
        status="killed" if os.WIFSIGNALED(status) else f"exit {os.WEXITSTATUS(status)}",
        moved=open_study(study).version != before.version,
        whole=_whole(study, before.version, told, folder),
        swept=_swept(study, folder),
    )


def _whole(study: Path, before: str, told: bytes, folder: Path) -> bool:
    if fingerprint(open_study(study, version=before)) != told:
        return False
    now = open_study(study)
    return now.version == before or fingerprint(now) == (folder / "new.digest").read_bytes()


def _swept(study: Path, folder: Path) -> bool:
    """Take the old exports in again and look for leftovers."""
    intake(read_sources(folder / "old" / "sources.toml"), study)
    names = [path.name for path in (*study.iterdir(), *(study / "versions").iterdir())]
    return not [n for n in names if n.startswith((".unfinished", ".current"))]


def stage(folder: Path) -> tuple[int, float]:
    """Write both clinics and the study of the old one; return steps and seconds of an intake."""
    old, new = exports(folder / "old", 1), exports(folder / "new", 2)
    intake(read_sources(old), folder / "study")
    (folder / "new.digest").write_bytes(
        fingerprint(intake(read_sources(new), folder / "elsewhere"))
    )
    steps, seconds = steps_of_an_intake(new, folder / "other")
    shutil.rmtree(folder / "other")
    return steps, seconds


def endings(runs: int) -> list[Ended]:
    """End intakes: `runs` by a kill, and half as many by a full disk and by an error each."""
    hows = ["killed after a time", "killed at a step"] * (runs // 2)
    hows += ["no space"] * (runs // 2) + ["an error"] * (runs // 2)
    found = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        steps, seconds = stage(folder)
        for number, how in enumerate(hows):
            rng = np.random.default_rng([SEED, 10, number])
            found.append(ended(how, rng, folder, steps=steps, seconds=seconds))
            _forget_the_new_version(folder)
    return found


def _forget_the_new_version(folder: Path) -> None:
    used = open_study(folder / "study").version
    for version in (folder / "study" / "versions").iterdir():
        if version.name != used:
            shutil.rmtree(version)


def two_at_once(runs: int) -> tuple[int, int, int]:
    """Begin two intakes into one folder; return how often one was refused, both ended, or else."""
    refused = both = other = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        stage(folder)
        for _ in range(runs):
            pair = [
                in_a_child(folder / which / "sources.toml", folder / "study", lambda: None)
                for which in ("old", "new")
            ]
            codes = sorted(os.WEXITSTATUS(os.waitpid(child, 0)[1]) for child in pair)
            fingerprint(open_study(folder / "study"))
            refused, both = refused + (codes == [0, 4]), both + (codes == [0, 0])
            other += codes not in ([0, 4], [0, 0])
    return refused, both, other


def reports_during(runs: int) -> tuple[int, int]:
    """Read the study in use while it is replaced; return how often, and how often it failed."""
    read = failed = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        stage(folder)
        known = {open_study(folder / "study").version: fingerprint(open_study(folder / "study"))}
        new = open_study(folder / "elsewhere")
        known[new.version] = fingerprint(new)
        for number in range(runs):
            which = ("new", "old")[number % 2]
            child = in_a_child(folder / which / "sources.toml", folder / "study", lambda: None)
            while os.waitpid(child, os.WNOHANG) == (0, 0):
                read += 1
                try:
                    study = open_study(folder / "study")
                    failed += fingerprint(study) != known[study.version]
                except OutcomesError:
                    failed += 1
    return read, failed


def table(found: list[Ended], pairs: tuple[int, int, int], reads: tuple[int, int]) -> str:
    """Return what was seen, one line a way of ending."""
    lines = [
        f"{'an intake is ended':<24}{'runs':>6}{'before the pointer':>20}{'after it':>10}"
        f"{'versions whole':>16}{'leftovers swept':>17}"
    ]
    for how in dict.fromkeys(e.how for e in found):
        own = [e for e in found if e.how == how]
        moved = sum(e.moved for e in own)
        lines.append(
            f"{how:<24}{len(own):>6}{len(own) - moved:>20}{moved:>10}"
            f"{sum(e.whole for e in own):>16}{sum(e.swept for e in own):>17}"
        )
    lines += [
        "",
        f"two intakes at once, {sum(pairs)} times: one refused {pairs[0]}, one after the other "
        f"{pairs[1]}, anything else {pairs[2]}; the study opened each time",
        f"the study read {reads[0]} times while intakes replaced it: "
        f"{reads[1]} times not a whole version",
    ]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Run, print and write the table."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else RUNS
    found = endings(runs)
    pairs, reads = two_at_once(max(runs // 5, 1)), reports_during(max(runs // 5, 1))
    text = table(found, pairs, reads)
    print(text)
    for e in found:
        if not (e.whole and e.swept):
            print(e)
    if runs >= RUNS:
        TABLE.write_text(text, encoding="utf-8")
    sound = all(e.whole and e.swept for e in found) and not pairs[2] and not reads[1]
    return 0 if sound else 1


if __name__ == "__main__":
    sys.exit(main())
