"""Tables and figures for a paper: they open, they tell the page's numbers, hidden stays hidden."""

import json
import re
import xml.etree.ElementTree as ET

import openpyxl
import pandas as pd
import pytest
from bs4 import BeautifulSoup
from PIL import Image

import outcomes as oc
from outcomes.command import main
from outcomes.errors import UsageError
from outcomes.report.manuscript import WIDTHS
from outcomes.results import Record, Result, Show


def small(**changes):
    given = {
        "name": "small", "title": "Did it fall?", "finding": "It fell by 0.5 (n = 40).",
        "table": pd.DataFrame({"cohort": ["implanted"], "estimate": [-0.51]}),
        "show": {"cohort": Show("Cohort"), "estimate": Show("Change", 1)},
        "entries": [Record(outcome="small", quantity="change", population="cumulative")],
        "caption": "Change in <units>.", "footnotes": ["One draw each."],
        "settings": {"small.window": "30 days"}, "drawing": lambda ax: ax.plot([0, 1], [1, 0]),
    }  # fmt: skip
    return Result(**(given | changes))


@pytest.fixture(scope="module")
def written(demo, tmp_path_factory):
    folder = tmp_path_factory.mktemp("manuscript")
    words = ["manuscript", "--study", demo / "study", "--plan", demo / "clinic" / "plan.toml"]
    assert main([str(w) for w in [*words, "--quarter", "2026-Q3", "--out", folder]]) == 0
    return folder


def test_the_numbers_are_those_of_the_report(written, quarter_folder):
    ours = json.loads((written / "results.json").read_text("utf-8"))["results"]
    page = json.loads((quarter_folder / "results.json").read_text("utf-8"))["results"]
    assert len(ours) > 100
    assert [record for record in ours if record not in page] == []


def test_every_cell_of_the_tables_stands_on_the_page_too(written, quarter_folder):
    def cells(path):
        page = BeautifulSoup(path.read_text("utf-8"), "html.parser")
        return [
            [[cell.get_text(" ", strip=True) for cell in row(["th", "td"])] for row in table("tr")]
            for table in page("table")
        ]

    on_page = cells(quarter_folder / "quarterly_report.html")
    ours = cells(written / "tables.html")
    assert len(ours) >= 8
    assert [table[0] for table in ours if table not in on_page] == []


def test_tables_are_numbered_and_have_captions_and_footnotes(written):
    text = (written / "tables.html").read_text("utf-8")
    numbers = re.findall(r"<caption><b>Table (\d+)\.</b> \S", text)
    assert numbers == [str(n) for n in range(1, text.count("<table") + 1)]
    assert text.count('class="note"') >= len(numbers)
    assert len(re.findall(r"<b>Figure \d+\.</b>", text)) == 4


def test_figures_have_the_widths_and_the_dots_that_were_promised(tmp_path):
    oc.manuscript(small(), folder=tmp_path)
    for name, width in WIDTHS.items():
        with Image.open(tmp_path / "figures" / f"small_{name}.png") as dots:
            assert dots.width / width * 25.4 == pytest.approx(600, abs=1)
            assert dots.info["dpi"] == pytest.approx((600, 600), abs=0.1)
        vector = ET.parse(tmp_path / "figures" / f"small_{name}.svg").getroot()
        assert vector.attrib["width"] == f"{width}mm"
        assert "It fell by 0.5" in ET.tostring(vector, encoding="unicode")


def test_the_same_results_give_the_same_bytes_and_data_show_as_text(tmp_path):
    first, second = (oc.manuscript(small(), folder=tmp_path / name) for name in "ab")
    assert [path.read_bytes() for path in first] == [path.read_bytes() for path in second]
    text = (tmp_path / "a" / "tables.html").read_text("utf-8")
    assert "Change in &lt;units&gt;." in text
    assert "−0.5" in text


def test_what_is_hidden_from_outside_is_in_no_file(demo, tmp_path):
    plan = oc.read_plan(demo / "clinic" / "plan.toml")
    cohorts = oc.build_cohorts(oc.open_study(demo / "study"), plan, quarter="2026-Q3")
    to = oc.audience("external")
    shown = map(to, [cohorts.baseline, oc.complications(cohorts), oc.sensor_survival(cohorts)])
    written = oc.manuscript(*shown, folder=tmp_path)
    records = json.loads((tmp_path / "results.json").read_text("utf-8"))["results"]
    counts = [r[name] for r in records for name in ("n_patients", "n_units", "events") if r[name]]
    assert records
    assert min(counts, default=11) >= 11
    named = {path.name for path in written}
    assert named == {"tables.html", "tables.xlsx", "results.json"}  # no curve
    assert "hidden: fewer than 11" in (tmp_path / "tables.html").read_text("utf-8")


def test_in_the_workbook_texts_are_texts_and_numbers_are_numbers(tmp_path):
    notes = ["=1+1", "@SUM(A1)", "+49 30 0000", "\t=2+2", "-x", None]
    table = pd.DataFrame({"note": notes, "change": [-0.5] * 6})
    oc.manuscript(small(table=table, show={}, drawing=None), folder=tmp_path)
    book = openpyxl.load_workbook(tmp_path / "tables.xlsx")
    cells = list(book["small"].iter_rows(min_row=2))
    assert [cell.data_type for cell, _ in cells] == ["s"] * 5 + ["n"]
    assert [cell.value for cell, _ in cells] == notes
    assert [number.value for _, number in cells] == [-0.5] * 6
    assert all(cell.quotePrefix for cell, _ in cells[:5])


@pytest.mark.parametrize(
    "results", [[], [small(), small()], [small(), small(name="b", audience="external")]]
)
def test_mixed_audiences_and_doubled_names_are_refused(results, tmp_path):
    with pytest.raises(UsageError, match="for one audience"):
        oc.manuscript(*results, folder=tmp_path)
    assert not any(tmp_path.iterdir())
