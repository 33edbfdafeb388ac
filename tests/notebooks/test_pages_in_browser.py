"""The page in a browser: nothing is fetched, nothing is inaccessible, print and phone hold."""

import subprocess

import pytest
from axe_playwright_python.base import AXE_FILE_PATH
from playwright.sync_api import sync_playwright

pytestmark = pytest.mark.browser
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="module")
def browser(chromium):
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=chromium, headless=True, args=FLAGS)
        yield opened
        opened.close()


@pytest.fixture
def open_page(browser, quarter_folder):
    contexts = []

    def opened(**options):
        context = browser.new_context(offline=True, bypass_csp=True, **options)
        contexts.append(context)
        page = context.new_page()
        page.fetched = []
        page.on("request", lambda request: page.fetched.append(request.url))
        page.goto((quarter_folder / "quarterly_report.html").as_uri())
        return page

    yield opened
    for context in contexts:
        context.close()


def audited(chromium, address, scheme):
    """Open a page in a browser of its own and return what the audit finds, folded parts too."""
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=chromium, args=FLAGS)
        page = opened.new_context(offline=True, bypass_csp=True, color_scheme=scheme).new_page()
        page.goto(address)
        page.eval_on_selector_all("details", "all => all.forEach(e => { e.open = true })")
        found = violations(page)
        opened.close()
    return found


def violations(page):
    """Return what the audit finds on an open page: the rule, and where it is broken first."""
    page.evaluate(AXE_FILE_PATH.read_text("utf-8"))
    options = {"runOnly": {"type": "tag", "values": RULES}}
    found = page.evaluate("options => axe.run(document, options)", options)
    return [(v["id"], [n["html"][:200] for n in v["nodes"]][:3]) for v in found["violations"]]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_accessibility_audit_finds_no_violation(open_page, scheme):
    page = open_page(color_scheme=scheme)
    # What is folded is audited too.
    page.eval_on_selector_all("details", "all => all.forEach(e => { e.open = true })")
    assert violations(page) == []


def test_the_page_fetches_nothing(open_page):
    page = open_page()
    page.wait_for_timeout(200)
    assert [url for url in page.fetched if not url.startswith(("file:", "data:"))] == []
    assert len(page.fetched) == 1


# Row headings of one word that stand on several lines.
LINES_OF_ONE_WORD = """all => all.filter(e => {
  const range = document.createRange(); range.selectNodeContents(e);
  const tops = new Set([...range.getClientRects()].map(r => Math.round(r.top)));
  return !/[\\s-]/.test(e.textContent.trim()) && tops.size > 1;
}).map(e => e.textContent)"""


def test_what_is_folded_on_a_screen_is_printed_whole(open_page):
    page = open_page()
    seen = "all => all.map(e => e.checkVisibility())"
    assert set(page.eval_on_selector_all("details > div table", seen)) == {False}
    page.emulate_media(media="print")
    assert set(page.eval_on_selector_all("details > div table", seen)) == {True}


def test_a_phone_shows_the_page_without_scrolling_sideways(open_page):
    page = open_page(viewport={"width": 320, "height": 700})
    assert page.evaluate("document.documentElement.scrollWidth") <= 320


@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_print_cuts_no_figure_and_repeats_table_heads(open_page, tmp_path, size):
    page = open_page(viewport={"width": 680, "height": 980})  # A4 between its margins
    page.emulate_media(media="print")
    heads = page.eval_on_selector_all("thead", "all => all.map(e => getComputedStyle(e).display)")
    breaks = page.eval_on_selector_all(
        "figure", "all => all.map(e => getComputedStyle(e).breakInside)"
    )
    tall = page.eval_on_selector_all(
        "figure", "all => all.map(e => e.getBoundingClientRect().height)"
    )
    assert set(heads) == {"table-header-group"}
    assert set(breaks) == {"avoid"}
    assert max(tall) < 900  # CSS pixels of an A4 page between its margins
    wide = page.eval_on_selector_all(
        ".scroll, .wide", "all => all.filter(e => e.scrollWidth > e.clientWidth + 1).length"
    )
    assert wide == 0
    broken = page.eval_on_selector_all("tbody th", LINES_OF_ONE_WORD)
    assert broken == []
    target = tmp_path / "page.pdf"
    page.pdf(path=target, format=size, print_background=True, tagged=True)
    told = subprocess.run(["pdfinfo", target], capture_output=True, text=True, check=False).stdout
    assert target.stat().st_size > 20_000
    assert told == "" or f"({size.lower()})" in told.lower()
