"""The wheel, installed elsewhere, gives the same numbers as the checkout."""

import os
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def elsewhere(tmp_path_factory):
    """Python of an environment that has the wheel and this environment's libraries only."""
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (wheel,) = folder.glob("*.whl")
    venv = [sys.executable, "-m", "venv", "--without-pip", str(folder / "venv")]
    subprocess.run(venv, check=True)
    python = folder / "venv" / ("Scripts" if os.name == "nt" else "bin") / "python"
    ask = "import sysconfig; print(sysconfig.get_path('purelib'))"
    told = subprocess.run([python, "-I", "-c", ask], capture_output=True, text=True, check=True)
    site = Path(told.stdout.strip())
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    # Read as a plain path entry, so that this environment's own link to the checkout is not used.
    (site / "libraries.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return python


def test_the_wheel_makes_the_same_results_from_an_empty_folder(elsewhere, quarter_folder, tmp_path):
    subprocess.run(
        [elsewhere, "-I", "-m", "outcomes", "demo"], cwd=tmp_path, check=True, capture_output=True
    )
    made = tmp_path / "demo" / "report" / quarter_folder.name
    for name in ("results.json", "quarterly_report.html"):
        assert (made / name).read_bytes() == (quarter_folder / name).read_bytes()


def test_the_wheel_is_what_runs(elsewhere):
    ask = "import outcomes; print(outcomes.__file__)"
    told = subprocess.run([elsewhere, "-I", "-c", ask], capture_output=True, text=True, check=True)
    assert str(ROOT) not in told.stdout
