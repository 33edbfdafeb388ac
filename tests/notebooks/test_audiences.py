"""The quarterly page for readers outside: hidden counts are nowhere in it."""

import json
import re
import shutil

import pandas as pd
import pytest

import outcomes as oc
from outcomes.command import main
from outcomes.errors import WriteError
from outcomes.report import pdf
from tests.notebooks.test_pages_in_browser import audited


@pytest.fixture(scope="module")
def outside(demo, tmp_path_factory):
    """Folder of the demo's quarterly page made for readers outside."""
    out = tmp_path_factory.mktemp("outside")
    words = ["report", "quarterly", "--study", demo / "study", "--out", out]
    words += ["--plan", demo / "clinic" / "plan.toml", "--quarter", "2026-Q3"]
    assert main([str(w) for w in [*words, "--audience", "external"]]) == 0
    return out / "2026-Q3" / "external"


def test_no_patient_and_no_small_count_is_in_any_file(outside, demo):
    stored = json.loads((outside / "results.json").read_text("utf-8"))
    assert stored["made"]["audience"] == "external"
    counts = [
        record[name]
        for record in stored["results"]
        for name in ("n_patients", "n_units", "events")
        if record[name] is not None
    ]
    assert not any(0 < count < 11 for count in counts)
    text = "".join(p.read_text("utf-8") for p in outside.rglob("*") if p.is_file())
    ids = oc.open_study(demo / "study").table("patients")["patient_id"]
    long_ids = [name for name in ids if len(name) > 4]
    assert len(long_ids) > 50
    assert not [name for name in long_ids if re.search(rf"\b{re.escape(name)}\b", text)]


def test_page_csv_and_json_tell_the_same_and_show_no_picture(outside):
    page = (outside / "quarterly_report.html").read_text("utf-8")
    assert "<figure" not in page
    assert "fewer than 11" in page
    for path in (outside / "tables").glob("*.csv"):
        table = pd.read_csv(path)
        assert set(table) <= {
            "note", "Figure", "Cohort", "Estimate (95 % interval)", "Unit", "Patients",
            "item", "value", "setting", "default", "unit", "source", "sentence",
        }, path.name  # fmt: skip


def test_an_unknown_audience_is_refused_before_anything_runs(demo, tmp_path, capsys):
    words = ["report", "quarterly", "--study", demo / "study", "--out", tmp_path / "out"]
    words += ["--plan", demo / "clinic" / "plan.toml", "--quarter", "2026-Q3"]
    assert main([str(w) for w in [*words, "--audience", "public"]]) == 2
    assert "clinic, committee, external" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_accessibility_audit_of_the_external_page_finds_no_violation(outside, chromium, scheme):
    assert audited(chromium, (outside / "quarterly_report.html").as_uri(), scheme) == []


@pytest.mark.browser
def test_a_pdf_is_printed_beside_the_page(quarter_folder, tmp_path, chromium):
    page = shutil.copy(quarter_folder / "quarterly_report.html", tmp_path)
    made = pdf.print_pdf(tmp_path / "quarterly_report.html")
    assert str(page).endswith(".html")
    assert made.read_bytes().startswith(b"%PDF")
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []


def test_without_a_browser_the_pdf_is_refused_in_words(tmp_path, monkeypatch):
    monkeypatch.setattr(pdf, "browser", lambda: None)
    with pytest.raises(WriteError, match="no Chromium is installed"):
        pdf.print_pdf(tmp_path / "page.html")
