"""The committee's brief: two pages, plain words, nobody named."""

import json
import re
import subprocess

import pytest
from playwright.sync_api import sync_playwright

import outcomes as oc
from outcomes.command import main
from outcomes.measures.hba1c_change_rows import CHANGE_MODEL
from outcomes.report.brief import FIGURES
from outcomes.report.check import check_page
from tests.notebooks.test_pages_in_browser import audited


def brief(demo, out, *more):
    words = ["report", "committee", "--study", demo / "study", "--out", out, *more]
    words += ["--plan", demo / "clinic" / "plan.toml", "--quarter", "2026-Q3"]
    assert main([str(word) for word in words]) == 0
    return out / "2026-Q3"


@pytest.fixture(scope="module")
def folder(demo, tmp_path_factory):
    return brief(demo, tmp_path_factory.mktemp("brief")) / "committee"


@pytest.fixture(scope="module")
def page(folder):
    return (folder / "committee_brief.html").read_text("utf-8")


def test_the_brief_stands_alone_and_answers_first(page):
    check_page(page)
    order = [page.index(text) for text in ('class="answers"', "What needs attention", "Signed")]
    assert order == sorted(order)


def test_the_answers_are_in_natural_frequencies(page):
    answers = re.search(r'<dl class="answers">(.*?)</dl>', page, re.DOTALL)[1]
    for words in ("of 24 hours a day", "Of every 100", "between", "If 100 patients"):
        assert words in answers
    assert "%" not in answers


def test_every_plain_figure_is_one_that_the_measures_give(quarter_folder):
    stored = json.loads((quarter_folder / "results.json").read_text("utf-8"))["results"]
    given = {(r["outcome"], r["quantity"], r["unit"]) for r in stored}
    assert {(outcome, quantity, unit) for outcome, quantity, unit, _, _ in FIGURES} <= given


def test_nobody_is_named(folder, demo):
    study = oc.open_study(demo / "study")
    ids = [*study.table("patients")["patient_id"], *study.table("procedures")["inserter_id"]]
    names = {name for name in ids if name and len(name) > 4}
    text = "".join(p.read_text("utf-8") for p in folder.rglob("*") if p.is_file())
    assert len(names) > 50
    assert not [name for name in names if re.search(rf"\b{re.escape(name)}\b", text)]


def test_the_change_told_is_the_primary_one(quarter_folder, page):
    stored = json.loads((quarter_folder / "results.json").read_text("utf-8"))["results"]
    told = re.findall(r"HbA1c was on average ([\d.]+) points lower", page)
    primary = [
        f"{-record['estimate']:.1f}" for record in stored
        if record["quantity"] == CHANGE_MODEL and record["at"] == "month 6"
        and record["unit"] == "percentage points" and record["population"] == "cumulative"
    ]  # fmt: skip
    assert sorted(told) == sorted(set(primary)) != []


def test_harm_of_procedures_has_one_denominator_on_both_pages(page, quarter_folder):
    quarterly = (quarter_folder / "quarterly_report.html").read_text("utf-8")
    placements = re.search(r"Of (\d+) attempted placements", page)[1]
    assert f"of {placements} attempted placements" in quarterly


def test_the_capture_of_harm_is_told_in_everyday_words(page):
    told = re.search(r"Of \d+ recorded complications, written down in full: \d+\.[^<]+", page)[0]
    assert "in no count" in told
    assert "interval" not in told


@pytest.fixture(scope="module")
def outside(demo, tmp_path_factory):
    made = brief(demo, tmp_path_factory.mktemp("outside"), "--audience", "external")
    return made / "committee-external"


def test_the_brief_for_readers_outside_shows_no_small_count(outside):
    stored = json.loads((outside / "results.json").read_text("utf-8"))
    counts = [
        record[name] for record in stored["results"] for name in ("n_patients", "n_units", "events")
    ]
    assert not any(count is not None and 0 < count < 11 for count in counts)
    assert "<figure" not in (outside / "committee_brief.html").read_text("utf-8")


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("reader", ["folder", "outside"])
def test_an_accessibility_audit_of_the_brief_finds_no_violation(request, chromium, reader, scheme):
    page = request.getfixturevalue(reader) / "committee_brief.html"
    assert audited(chromium, page.as_uri(), scheme) == []


@pytest.mark.browser
@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_the_brief_prints_on_two_pages(folder, chromium, tmp_path, size):
    target = tmp_path / "brief.pdf"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        opened = browser.new_page()
        opened.goto((folder / "committee_brief.html").as_uri())
        # The style sheet names A4; other paper is chosen in the print dialog, as here.
        opened.pdf(path=target, format=size, prefer_css_page_size=size == "A4")
        opened.set_viewport_size({"width": 320, "height": 700})
        wide = opened.evaluate("document.documentElement.scrollWidth")
        browser.close()
    told = subprocess.run(["pdfinfo", target], capture_output=True, text=True, check=False).stdout
    assert wide <= 320
    assert re.search(r"Pages:\s+[12]\b", told), told
