"""A quarter, a patient, a cohort, readings or complications that are not there: a sensible page."""

import html
import math
import re

import pytest

from outcomes.report.check import check_page
from tests.notebooks.odd_clinics import ODD, odd_study, page_of

TOLD = {
    "an empty quarter": "No contact, HbA1c draw, sensor placed, procedure or complication is dated",
    "one patient": "Of 1 patients, 1 new to implanted sensors and 0 new to adhesive sensors",
    "a single cohort": "no adhesive sensor was placed since",
    "no readings": "the exports hold no sensor readings",
    "no complications": "no complications table; that is not the same as no harm",
}


@pytest.mark.slow
@pytest.mark.parametrize("name", ODD)
def test_a_clinic_that_lacks_something_gets_a_sensible_page(name, demo, tmp_path):
    odd_study(name, demo, tmp_path / "study")
    page = page_of(tmp_path / "study", demo / "clinic" / "plan.toml", ODD[name][2])
    check_page(page.text)
    text = html.unescape(re.sub(r"<style>.*?</style>|<[^>]+>", " ", page.text, flags=re.DOTALL))
    assert TOLD[name] in text
    assert re.findall(r".{30}\b(?:nan|NaN|NaT|inf|None)\b(?! of)(?=[\s.,;)%]).{30}", text) == []
    records = [record for result in page.results for record in result["records"]]
    for record in records:
        if record["estimate"] is None:
            assert record["note"], record
        else:
            assert math.isfinite(record["estimate"])
