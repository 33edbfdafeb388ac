"""The whole way: an invented clinic's exports in, the quarterly report out."""

import html
import json
import math
import re
import shutil

import pandas as pd
import pytest

from outcomes.command import main
from outcomes.report import make
from outcomes.report.check import check_page
from outcomes.report.page import assemble
from outcomes.results import number

FIELDS = {
    "outcome", "quantity", "population", "cohort", "contrast", "at", "by", "estimate", "conf_low",
    "conf_high", "level", "n_patients", "n_units", "events", "exposure", "unit", "method", "note",
}  # fmt: skip
OUTCOMES = {"hba1c_change", "time_in_range", "sensor_survival", "complications"}


@pytest.fixture(scope="module")
def page(quarter_folder):
    return (quarter_folder / "quarterly_report.html").read_text("utf-8")


@pytest.fixture(scope="module")
def results(quarter_folder):
    return json.loads((quarter_folder / "results.json").read_text("utf-8"))


def report(demo, out):
    words = ["report", "quarterly", "--study", demo / "study", "--out", out]
    words += ["--plan", demo / "clinic" / "plan.toml", "--quarter", "2026-Q3"]
    return main([str(word) for word in words])


def test_the_page_stands_alone(page):
    check_page(page)


def test_the_page_answers_first(page):
    order = [page.index(text) for text in ('class="answers"', "<nav", "<figure", 'id="methods"')]
    assert order == sorted(order)


def test_every_outcome_has_a_figure_a_table_and_words_on_how_to_read_it(page):
    assert page.count("<figure>") >= 4
    assert page.count("<caption>") >= 8
    assert page.count("How to read it.") == page.count("What it does not show.") == 8


def test_all_four_outcomes_stand_in_the_results_with_every_field(results):
    records = results["results"]
    assert {record["outcome"] for record in records} >= OUTCOMES
    assert all(set(record) == FIELDS for record in records)
    assert {record["population"] for record in records} == {"cumulative", "quarter"}


def test_no_number_is_without_its_n_or_a_reason(results):
    for record in results["results"]:
        if record["estimate"] is None:
            assert record["note"], record
        else:
            assert math.isfinite(record["estimate"])
            assert record["unit"], record
            assert record["n_patients"] is not None or record["n_units"] is not None, record


def test_an_interval_holds_its_estimate(results):
    for record in results["results"]:
        low, high, estimate = record["conf_low"], record["conf_high"], record["estimate"]
        if None not in (low, high, estimate):
            assert low - 1e-9 <= estimate <= high + 1e-9, record


def test_every_number_of_the_answers_is_in_the_results(page, results):
    answers = re.search(r'<dl class="answers">(.*?)</dl>', page, re.DOTALL)[1]
    shown = {
        float(text.replace("−", "-"))
        for text in re.findall(r"(?<![\d.])[−-]?\d+\.\d+", re.sub(r"<[^>]+>", " ", answers))
    }
    known = [
        abs(record[field])
        for record in results["results"]
        for field in ("estimate", "conf_low", "conf_high")
        if record[field] is not None
    ]
    lost = [
        value for value in shown if not any(abs(abs(value) - other) <= 0.0501 for other in known)
    ]
    assert lost == []


def test_every_table_of_the_page_lies_beside_it(page, quarter_folder):
    linked = set(re.findall(r'href="(tables/[^"]+)"', page))
    there = {f"tables/{path.name}" for path in (quarter_folder / "tables").iterdir()}
    assert linked == there
    # An empty list of what needs attention still has its headings.
    assert all(len(pd.read_csv(quarter_folder / name).columns) for name in there)


def test_no_path_of_the_machine_and_no_day_of_the_run_is_in_the_report(page, results, demo):
    text = page + json.dumps(results)
    assert str(demo) not in text
    assert "/tmp" not in text
    assert "/home" not in text


@pytest.fixture(scope="module")
def second(demo, tmp_path_factory):
    """A second run of the same report: its folder, and the page with the data of each result."""
    pages, out = [], tmp_path_factory.mktemp("second")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(make, "assemble", lambda *a, **k: pages.append(assemble(*a, **k)) or pages[0])
        assert report(demo, out) == 0
    return out / "2026-Q3", pages[0]


def test_the_text_of_every_figure_tells_an_estimate_of_its_own_records(second):
    _, page = second
    records = {result["name"]: result["records"] for result in page.results}
    texts = re.findall(r'<title id="fig-([a-z0-9_]+)-text">(.*?)</title>', page.text, re.DOTALL)
    assert len(texts) > 15
    untold = []
    for name, text in texts:
        known = [r["estimate"] for r in records[name] if r["estimate"] is not None]
        exact = {number(sign * e, places) for e in known for places in (1, 2) for sign in (1, -1)}
        whole = {f"{number(e, 0)} %" for e in known}
        told = re.findall(r"(?<![\d.])−?\d+\.\d+|\d+ %", html.unescape(text))
        if known and not set(told) & (exact | whole):
            untold.append((name, text))
    assert untold == []


def test_two_runs_give_the_same_bytes_but_for_the_run_time(quarter_folder, second):
    again, _ = second
    files = sorted(p.relative_to(again) for p in again.rglob("*") if p.is_file())
    assert files == sorted(
        p.relative_to(quarter_folder) for p in quarter_folder.rglob("*") if p.is_file()
    )
    differ = [f for f in files if (again / f).read_bytes() != (quarter_folder / f).read_bytes()]
    assert [str(f) for f in differ] == ["run.json"]


def test_a_failing_run_leaves_no_page_and_touches_no_earlier_one(demo, tmp_path, capsys):
    out = tmp_path / "out"
    earlier = out / "2026-Q3" / "quarterly_report.html"
    earlier.parent.mkdir(parents=True)
    earlier.write_text("earlier")
    study = tmp_path / "study"
    shutil.copytree(demo / "study", study)
    for path in study.rglob("sensors.parquet"):
        path.write_bytes(b"not parquet")
    words = ["report", "quarterly", "--study", study, "--plan", demo / "clinic" / "plan.toml"]
    status = main([str(w) for w in [*words, "--quarter", "2026-Q3", "--out", out]])
    assert status != 0
    assert "Traceback" not in capsys.readouterr().err
    assert [p.name for p in out.rglob("*") if p.is_file()] == ["quarterly_report.html"]
    assert earlier.read_text() == "earlier"
    assert not list(tmp_path.glob(".run-*"))
