"""The pass in threads, in processes and on a real cluster: the same numbers everywhere."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from outcomes.cohorts.build import build_cohorts
from outcomes.errors import UsageError
from outcomes.glucose import Workers, periods, summary
from outcomes.glucose.passes import file_sums, jobs_of
from outcomes.measures.range_windows import clinic_windows
from outcomes.tables import reading_writer
from tests import small_clinic
from tests.slow_jobs import file_sums_slowly
from tests.two_workers import two_workers

PATIENTS = 12
# The engine of the cluster warns of its own and of its libraries' ways; that is not ours to mend.
pytestmark = pytest.mark.filterwarnings("ignore")


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """A study in six files of two patients each."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading_writer, "FILE_ROWS", 2 * 96 * 120)
        folder = tmp_path_factory.mktemp("files") / "study"
        return small_clinic.study(folder, PATIENTS, days=120)


@pytest.fixture(scope="module")
def windows(study):
    cohorts = build_cohorts(study, small_clinic.PLAN, quarter="2024-Q3")
    made = periods(cohorts.patients, small_clinic.PLAN, cohorts.cut_off)
    return made.assign(shaped=made["period"] == 1)


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """Address of a scheduler, and two workers: all processes of their own, on loopback."""
    pytest.importorskip("distributed", reason="the extra 'scale' is not installed")
    # Without nannies, so that a worker which is killed stays dead.
    with two_workers(tmp_path_factory.mktemp("cluster"), "--no-nanny") as started:
        yield started


def same(one, other) -> None:
    pd.testing.assert_frame_equal(one.table, other.table, check_exact=True)
    np.testing.assert_array_equal(one.shapes, other.shapes)


def summed(study, windows, workers):
    return summary(study, windows, settings=small_clinic.PLAN.time_in_range, workers=workers)


@pytest.mark.parametrize("workers", [Workers(threads=3), Workers(processes=2)])
def test_threads_and_processes_give_the_numbers_of_the_plain_loop(study, windows, workers) -> None:
    assert len(study.reading_files()) == 6
    same(summed(study, windows, Workers()), summed(study, windows, workers))


@pytest.mark.slow
def test_a_cluster_gives_the_same_numbers(study, windows, cluster) -> None:
    same(summed(study, windows, Workers()), summed(study, windows, Workers(scheduler=cluster[0])))


@pytest.mark.slow
def test_a_study_opened_with_a_scheduler_uses_it_for_every_measure(study, cluster) -> None:
    def windows(scheduler: str | None):
        opened = replace(study, scheduler=scheduler)
        kept = study.folder.parent / f".{study.folder.name}-remembered"
        for file in kept.glob("*"):
            file.unlink()
        return clinic_windows(build_cohorts(opened, small_clinic.PLAN, quarter="2024-Q3"))

    here, there = windows(None), windows(cluster[0])
    pd.testing.assert_frame_equal(here.windows, there.windows, check_exact=True)
    pd.testing.assert_frame_equal(here.gaps, there.gaps, check_exact=True)


@pytest.mark.slow
def test_a_worker_killed_half_way_changes_no_number(study, windows, cluster) -> None:
    jobs = jobs_of(study, windows, settings=small_clinic.PLAN.time_in_range, cut_off=None)
    got = []
    for number, sums in enumerate(Workers(scheduler=cluster[0]).each(file_sums_slowly, jobs)):
        if number == 1:
            cluster[1][0].kill()
        got.append(sums.windows)
    assert cluster[1][0].wait() != 0
    for job, sums in zip(jobs, got, strict=True):
        np.testing.assert_array_equal(file_sums(job).windows, sums)


def test_an_address_where_nobody_answers_is_said(monkeypatch) -> None:
    pytest.importorskip("distributed", reason="the extra 'scale' is not installed")
    monkeypatch.setattr("outcomes.glucose.workers.SECONDS_TO_CONNECT", 1)
    with pytest.raises(UsageError, match=r"scheduler 'tcp://127\.0\.0\.1:9': no scheduler answers"):
        list(Workers(scheduler="tcp://127.0.0.1:9").each(str, [1]))


@pytest.mark.parametrize(
    "wrong", [{"threads": 0}, {"processes": 0}, {"threads": 2, "processes": 2}]
)
def test_workers_that_cannot_be_are_refused(wrong) -> None:
    with pytest.raises(UsageError, match="threads"):
        Workers(**wrong)
