"""One finished demo, shared by every test that reads a study or a page."""

import os
import shutil
import time

import pytest

from outcomes.command import main


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    """Folder of a finished `outcomes demo`: clinic, study and report; made once per test run."""
    base = tmp_path_factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        base = base.parent  # shared by all workers of this run
    folder, claim = base / "demo", base / "demo-claim"
    try:
        claim.mkdir()
    except FileExistsError:
        deadline = time.monotonic() + 300
        while not (claim / "ended").exists() and time.monotonic() < deadline:
            time.sleep(0.2)
    else:
        status = main(["demo", "--out", str(folder)])
        (claim / "ended").write_text(str(status))
    assert (claim / "ended").read_text() == "0", "the demo failed; run `outcomes demo` to see why"
    return folder


@pytest.fixture(scope="session")
def quarter_folder(demo):
    """Folder of the demo's report: page, tables, results.json, run.json."""
    (folder,) = [path for path in (demo / "report").iterdir() if path.is_dir()]
    return folder


@pytest.fixture(scope="session")
def chromium():
    """Path of an installed Chromium; the test is skipped with a word where there is none."""
    path = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "chrome"))), None)
    if path is None:
        if os.environ.get("CI"):
            pytest.fail("no Chromium on this machine; CI must have one")
        pytest.skip("no Chromium on this machine")
    return path
