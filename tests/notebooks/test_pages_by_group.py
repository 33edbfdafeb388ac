"""One report a group from one command, for a committee: pages that can be read by everybody."""

import json

import pytest

from outcomes.command import main
from tests.notebooks.test_pages_in_browser import audited

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def pages(demo, tmp_path_factory):
    """Folders of the demo's quarterly pages by sex, made for a committee."""
    out = tmp_path_factory.mktemp("groups")
    words = ["report", "quarterly", "--study", demo / "study", "--out", out, "--by", "sex"]
    words += ["--plan", demo / "clinic" / "plan.toml", "--quarter", "2026-Q3"]
    assert main([str(w) for w in [*words, "--audience", "committee"]]) == 0
    return {path.parent.parent.name: path.parent for path in out.rglob("quarterly_report.html")}


def test_those_due_in_the_groups_are_those_due_in_all(pages, quarter_folder):
    assert {"sex-female", "sex-male"} <= set(pages)
    due = [hba1c_due(folder) for folder in pages.values()]
    assert sum(due) == hba1c_due(quarter_folder) > 20


def hba1c_due(folder):
    """How many new patients of both cohorts had an HbA1c due at month 6."""
    results = json.loads((folder / "results.json").read_text("utf-8"))["results"]
    wanted = ("hba1c_change", "observed of due", "cumulative", "month 6", {})
    names = ("outcome", "quantity", "population", "at", "by")
    return sum(r["n_units"] for r in results if tuple(r[name] for name in names) == wanted)


def test_limits_of_days_in_a_year_are_days_of_a_year(pages):
    days = [
        record
        for folder in pages.values()
        for record in json.loads((folder / "results.json").read_text("utf-8"))["results"]
        if record["quantity"] == "days without readings" and record["conf_low"] is not None
    ]
    assert len(days) >= 2
    assert all(0 <= r["conf_low"] <= r["estimate"] <= r["conf_high"] <= 365.25 for r in days)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_accessibility_audit_of_every_page_finds_no_violation(pages, chromium, scheme):
    found = {
        name: audited(chromium, (folder / "quarterly_report.html").as_uri(), scheme)
        for name, folder in pages.items()
    }
    assert found == {name: [] for name in pages}
