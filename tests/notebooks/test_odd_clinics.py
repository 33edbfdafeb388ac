"""A quarter, a patient, a cohort, readings or complications that are not there: a sensible page."""

import html
import math
import re

import pytest

from outcomes.report.check import check_page
from tests.notebooks.odd_clinics import ODD, odd_study, page_of
from tests.notebooks.test_figure_scales import STATED
from tests.notebooks.test_pages_in_browser import audited

TOLD = {
    "an empty quarter": "No contact, HbA1c draw, sensor placed, procedure or complication is dated",
    "one patient": "Of 1 patient, 1 new to implanted sensors and 0 new to adhesive sensors",
    "a single cohort": "no adhesive sensor was placed since",
    "no readings": "the exports hold no sensor readings",
    "no complications": "no complications table; that is not the same as no harm",
}


# What is counted somewhere on a page, and would read badly after a 1.
COUNTED = (
    "patients|sites|sensors|readings|months|events|gaps|pairs|visits|actions|procedures|entries|"
    "complications|inserters|cases|placements|fingersticks|harms|removals|rows|patient-years|draws|models|units"
)
pytestmark = pytest.mark.slow


@pytest.fixture(scope="module", params=ODD)
def made(request, demo, tmp_path_factory):
    """Return the name of a clinic that lacks something, and its quarterly page."""
    folder = tmp_path_factory.mktemp("odd")
    odd_study(request.param, demo, folder / "study")
    plan, quarter = demo / "clinic" / "plan.toml", ODD[request.param][2]
    return request.param, page_of(folder / "study", plan, quarter)


def texts(page):
    """Return what is read on a page; parts of it stand apart, cells of a table too."""
    bare = re.sub(r"<style>.*?</style>", "", page.text, flags=re.DOTALL)
    inline = re.sub(r"</?(?:strong|em|a|span)\b[^>]*>", "", bare)
    return re.sub(r"[ \n]+", " ", html.unescape(re.sub(r"<[^>]+>", " | ", inline)))


def test_a_clinic_that_lacks_something_gets_a_sensible_page(made):
    name, page = made
    check_page(page.text)
    text = texts(page)
    assert TOLD[name] in text
    assert re.findall(r".{30}\b(?:nan|NaN|NaT|inf|None)\b(?! of)(?=[\s.,;)%]).{30}", text) == []
    for record in (record for result in page.results for record in result["records"]):
        if record["estimate"] is None:
            assert record["note"], record
        else:
            assert math.isfinite(record["estimate"])


def test_one_of_anything_is_told_in_the_singular(made):
    found = re.findall(rf"(?<![\d.,–])\b1 (?:\w+ )?(?:{COUNTED})\b.{{20}}", texts(made[1]))
    assert found == []


def test_no_marks_of_a_markup_language_are_read(made):
    assert re.findall(r"\*[A-Za-z][^*|]*\*|`[^`|]+`|\]\(", texts(made[1])) == []


@pytest.mark.browser
@pytest.mark.parametrize("made", ["one patient"], indirect=True)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_accessibility_audit_of_a_small_groups_page_finds_none(made, chromium, tmp_path, scheme):
    page = tmp_path / "page.html"
    page.write_text(made[1].text, encoding="utf-8")
    assert audited(chromium, page.as_uri(), scheme) == []


def test_every_figure_of_a_small_clinic_states_its_n(made):
    figures = re.findall(r"<figure>.*?</figure>", made[1].text, re.DOTALL)
    told = [re.sub(r"<title[^>]*>.*?</title>|<[^>]+>", " ", figure) for figure in figures]
    untold = [text[-200:] for text in told if not STATED.search(html.unescape(text))]
    assert figures
    assert untold == []
