"""The intake page in a browser: nothing is fetched, nothing is inaccessible, print holds."""

import pytest
from axe_playwright_python.base import AXE_FILE_PATH
from playwright.sync_api import sync_playwright

from outcomes.report.intake_account import intake_page
from tests.exports import LABS, READINGS, take_in
from tests.notebooks.test_pages_in_browser import FLAGS, RULES

pytestmark = pytest.mark.browser
LABS_TEXT = "patient_id,drawn_on,hba1c,unit\nP1,2024-03-01,7.1,%\nP9,2024-03-02,8.0,%\n"
READINGS_TEXT = "patient_id,read_at,glucose_mg_dl\n" + "".join(
    f"P{1 + i % 3},2024-{4 + i // 200:02d}-{1 + i % 28:02d} {i % 24:02d}:00,{100 + i % 50}\n"
    for i in range(600)
)


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    folder = tmp_path_factory.mktemp("intake")
    study = take_in(folder / "clinic", LABS + READINGS, labs=LABS_TEXT, readings=READINGS_TEXT)
    return intake_page(study, folder / "account")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_intake_page_fetches_nothing_and_passes_the_audit(chromium, page_file, scheme):
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, headless=True, args=FLAGS)
        context = browser.new_context(offline=True, bypass_csp=True, color_scheme=scheme)
        page = context.new_page()
        fetched = []
        page.on("request", lambda request: fetched.append(request.url))
        page.goto(page_file.as_uri())
        page.evaluate(AXE_FILE_PATH.read_text("utf-8"))
        options = {"runOnly": {"type": "tag", "values": RULES}}
        found = page.evaluate("options => axe.run(document, options)", options)
        paper = page.pdf(format="A4")
        browser.close()
    assert fetched == [page_file.as_uri()]
    assert [v["id"] for v in found["violations"]] == []
    assert paper.startswith(b"%PDF")
