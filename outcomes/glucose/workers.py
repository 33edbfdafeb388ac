"""Who runs the jobs of a pass: this process, its threads, other processes, or a cluster.

Every job is one call of one pure function on plain data, so the numbers are the same for all. A
cluster is an option (`outcomes[scale]`) that is switched on by the address of its scheduler; its
workers need this package, the same versions, and the study's folder under the same path.
"""

from __future__ import annotations

import importlib
import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from outcomes.errors import UsageError
from outcomes.tables.study import Study

Job = TypeVar("Job")
Done = TypeVar("Done")

# A worker that ends is replaced and its jobs are given to others; a job that ends this many workers
# is told as an error.
RETRIES: Final = 3
SECONDS_TO_CONNECT: Final = 20


@dataclass(frozen=True, kw_only=True)
class Workers:
    """Who runs the jobs.

    Parameters
    ----------
    threads : int, default 1
        Of this process.
    processes : int, default 1
        More than one starts so many others on this machine.
    scheduler : str, optional
        Address of a cluster's scheduler, such as "tcp://127.0.0.1:8786"; then the others are not
        used.

    Raises
    ------
    UsageError
        A number is not 1 or more, or both threads and processes are asked for.
    """

    threads: int = 1
    processes: int = 1
    scheduler: str | None = None

    def __post_init__(self) -> None:
        """Refuse what cannot be done."""
        if self.threads < 1 or self.processes < 1:
            raise UsageError(
                f"threads {self.threads}, processes {self.processes}: each is 1 or more."
            )
        if self.threads > 1 and self.processes > 1:
            raise UsageError("threads and processes: ask for more than one of either, not of both.")

    @property
    def parts(self) -> int:
        """Into how many parts a file is split, so that one file keeps every thread busy."""
        return max(self.threads, self.processes) if self.scheduler is None else 1

    def each(self, run: Callable[[Job], Done], jobs: Sequence[Job]) -> Iterator[Done]:
        """Yield `run(job)` of every job, in the order of the jobs."""
        if self.scheduler is not None:
            yield from _on_cluster(self.scheduler, run, jobs)
        elif max(self.threads, self.processes) == 1 or len(jobs) < 2:
            yield from map(run, jobs)
        else:
            with self._pool() as pool:
                yield from pool.map(run, jobs)

    def _pool(self) -> Executor:
        if self.threads > 1:
            return ThreadPoolExecutor(self.threads)
        # Started anew: a fork of a process whose libraries run threads can hang.
        return ProcessPoolExecutor(self.processes, mp_context=multiprocessing.get_context("spawn"))


def workers_of(study: Study, *, threads: int = 1) -> Workers:
    """Return the cluster that the study was opened with, else threads of this process."""
    return Workers(threads=threads, scheduler=study.scheduler)


def _on_cluster(address: str, run: Callable[[Job], Done], jobs: Sequence[Job]) -> Iterator[Done]:
    client = _client(address)
    try:
        # Not kept on the cluster after this run, and not taken from an earlier one.
        waiting = client.map(run, jobs, pure=False, retries=RETRIES)
        for future in waiting:
            yield future.result()
            future.release()
    finally:
        client.close()


def _client(address: str) -> Any:
    try:
        # An extra that takes half a second to import: only for those who ask for it.
        distributed = importlib.import_module("distributed")
    except ModuleNotFoundError as error:
        raise UsageError(
            "scheduler: the package distributed is not installed. "
            "Install the extra with pip install 'outcomes[scale]'."
        ) from error
    try:
        return distributed.Client(address, timeout=SECONDS_TO_CONNECT)
    except (OSError, TimeoutError, ValueError) as error:
        raise UsageError(
            f"scheduler '{address}': no scheduler answers there within {SECONDS_TO_CONNECT} s. "
            "Check the address, or leave it out to run on this machine."
        ) from error
