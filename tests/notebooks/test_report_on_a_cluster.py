"""The whole report with a cluster making the passes: the same numbers, and nothing else changes."""

import json
import shutil

import pytest

from outcomes.command import main
from tests.two_workers import two_workers

# The engine of the cluster warns of its own and of its libraries' ways; that is not ours to mend.
pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore")]


@pytest.fixture(scope="module")
def on_cluster(demo, tmp_path_factory):
    """Folder of the demo's report made anew, and how many jobs the cluster finished for it."""
    distributed = pytest.importorskip("distributed", reason="the extra 'scale' is not installed")
    place = tmp_path_factory.mktemp("report-on-cluster")
    shutil.copytree(demo / "study", place / "study")  # with nothing remembered beside it
    with two_workers(tmp_path_factory.mktemp("cluster")) as (address, _):
        words = ["report", "quarterly", "--study", place / "study", "--out", place / "out",
                 "--plan", demo / "clinic" / "plan.toml", "--quarter", "2026-Q3",
                 "--scheduler", address]  # fmt: skip
        assert main([str(word) for word in words]) == 0
        with distributed.Client(address) as client:
            done = client.run_on_scheduler(jobs_done)
    return place / "out" / "2026-Q3", done


def jobs_done(dask_scheduler) -> int:
    """How many jobs have come to a result."""
    return sum(1 for moved in dask_scheduler.transition_log if "memory" in moved)


def test_the_workers_made_the_passes(on_cluster) -> None:
    assert on_cluster[1] > 0


def test_every_number_is_that_of_the_serial_loop(on_cluster, quarter_folder) -> None:
    here, there = (json.loads((f / "results.json").read_text("utf-8"))
                   for f in (quarter_folder, on_cluster[0]))  # fmt: skip
    assert len(there["results"]) > 500
    assert there["results"] == here["results"]


def test_every_table_and_the_page_are_the_same(on_cluster, quarter_folder) -> None:
    names = sorted(file.name for file in (quarter_folder / "tables").iterdir())
    assert names == sorted(file.name for file in (on_cluster[0] / "tables").iterdir())
    for name in [f"tables/{name}" for name in names] + ["quarterly_report.html"]:
        assert (on_cluster[0] / name).read_bytes() == (quarter_folder / name).read_bytes(), name
