"""`outcomes explore` in a browser: the panel answers, and nothing leaves the machine.

The browser is driven by a program of its own, with a time limit: whatever hangs is killed, and
the test says so.
"""

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.slow]
DRIVER = Path(__file__).parent / "lab_visit.py"
START_SECONDS = 90
VISIT_SECONDS = 200


@contextmanager
def running(command, log):
    """Run a command in a session of its own; at the end all that it started is killed."""
    with log.open("w") as out:
        process = subprocess.Popen(
            list(map(str, command)), stdout=out, stderr=subprocess.STDOUT,
            stdin=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
    try:
        yield process
    finally:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
        process.wait(10)


def address(process, log, port):
    """Return the address that the server prints once it answers."""
    deadline = time.monotonic() + START_SECONDS
    while time.monotonic() < deadline and process.poll() is None:
        if found := re.search(rf"http://127\.0\.0\.1:{port}\S+token=\w+", log.read_text()):
            return found[0]
        time.sleep(0.2)
    raise AssertionError(log.read_text()[-2000:])


def test_the_panel_answers_and_nothing_leaves_the_machine(chromium, demo, tmp_path):
    shutil.copytree(demo / "study", tmp_path / "study")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    log = tmp_path / "log.txt"
    opened = [sys.executable, "-m", "outcomes", "explore", "--study", tmp_path / "study"]
    opened += ["--plan", demo / "clinic" / "plan.toml", "--folder", tmp_path / "explore"]
    with running([*opened, "--no-browser", "--port", port], log) as server:
        visit = [sys.executable, DRIVER, chromium, address(server, log, port), tmp_path / "seen"]
        with running(visit, tmp_path / "visit.txt") as visitor:
            assert visitor.wait(VISIT_SECONDS) == 0, (tmp_path / "visit.txt").read_text()[-2000:]
    seen = json.loads((tmp_path / "seen").read_text())
    assert len(set(seen["shown"])) == 4
    assert all("Exploration, not a finding" in text for text in seen["shown"])
    assert seen["outside"] == []
    assert seen["news"] == 0
