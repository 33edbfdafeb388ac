"""A real cluster for tests and benchmarks: a scheduler and two workers, processes on loopback."""

from __future__ import annotations

import importlib
import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).parents[1]
SECONDS = 90  # to start


@contextmanager
def two_workers(
    folder: Path, *options: str, environment: Mapping[str, str] | None = None
) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """Address of the scheduler and the processes of the workers; all end with the context.

    `options` go to the workers' command; `folder` takes their files and the log.
    """
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    scheduler = ["scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"]
    worker = ["worker", address, "--host", "127.0.0.1", "--nthreads", "1", "--no-dashboard",
              "--local-directory", str(folder), *options]  # fmt: skip
    own = {**os.environ, **(environment or {}), "PYTHONPATH": str(ROOT)}
    with (folder / "log").open("wb") as log:
        started = [
            subprocess.Popen([sys.executable, "-m", "dask", *words], cwd=folder, env=own,
                             stdout=log, stderr=log)
            for words in (scheduler, worker, worker)
        ]  # fmt: skip
        try:
            _wait(address, folder / "log")
            yield address, started[1:]
        finally:
            for process in reversed(started):
                process.terminate()
                try:
                    process.wait(20)
                except subprocess.TimeoutExpired:
                    process.kill()
                    process.wait()


def _wait(address: str, log: Path) -> None:
    client_of = importlib.import_module("distributed").Client
    deadline = time.monotonic() + SECONDS
    while time.monotonic() < deadline:
        try:
            with client_of(address, timeout=5) as client:
                client.wait_for_workers(2, timeout=deadline - time.monotonic())
                return
        except (OSError, TimeoutError):
            time.sleep(0.5)
    raise TimeoutError(f"no cluster within {SECONDS} s: {log.read_text()[-500:]}")
