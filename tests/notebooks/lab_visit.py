"""Visit a JupyterLab as a fellow does: run the notebook, use the panel, write down what was seen.

Arguments: the browser, the address with its token, the file to write.
"""

import json
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

SHOWN = ".jupyter-widgets.widget-vbox .widget-html"
FLAGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    # As without a network: no name is found, and no address but this machine's is reached.
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1", "--proxy-server=127.0.0.1:9",
    "--proxy-bypass-list=<-loopback>;127.0.0.1",
]  # fmt: skip


def told(page, words, before=""):
    """Return what the panel shows once it holds some words and is not what it showed before."""
    page.wait_for_function(
        "([where, words, before]) => { const shown = document.querySelector(where);"
        " const text = shown ? shown.textContent : '';"
        " return text.includes(words) && text !== before }",
        arg=[SHOWN, words, before],
        timeout=90_000,
    )
    return page.text_content(SHOWN)


def visit(page, address):
    """Run all cells, then change outcome, horizon and covariate; return what was shown."""
    page.goto(address)
    page.wait_for_selector(".jp-NotebookPanel .jp-Cell", timeout=90_000)
    page.get_by_text("| Idle").wait_for(timeout=90_000)  # what is run before is lost
    page.get_by_text("Run", exact=True).first.click()
    page.get_by_text("Run All Cells", exact=True).click()
    shown = [told(page, "Change in HbA1c")]
    page.locator(".widget-dropdown select").first.select_option("time_in_range")
    shown.append(told(page, "Time in 70-180"))
    page.locator(".noUi-handle").first.focus()
    page.keyboard.press("ArrowLeft")
    shown.append(told(page, "Time in 70-180", before=shown[-1]))
    page.locator(".widget-dropdown select").nth(2).select_option("sex")
    shown.append(told(page, "female"))
    return shown


def main(chromium, address, target):
    own = address.partition("/lab")[0]
    allowed = (own, own.replace("http", "ws"), "data:", "blob:")
    asked = []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=FLAGS)
        page = browser.new_page(viewport={"width": 1200, "height": 1100})
        page.context.on("request", lambda request: asked.append(request.url))
        page.on("websocket", lambda opened: asked.append(opened.url))
        shown = visit(page, address)
        news = page.get_by_text("Jupyter news").count()
        page.screenshot(path=f"{target}.png")
        browser.close()
    outside = [url for url in asked if not url.startswith(allowed)]
    Path(target).write_text(
        json.dumps({"shown": shown, "outside": outside, "news": news}), encoding="utf-8"
    )


if __name__ == "__main__":
    main(*sys.argv[1:])
