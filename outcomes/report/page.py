"""Assemble a page from an executed notebook: prose and results, and nothing else.

A report notebook may display results and text only. Any other output (a picture without a
result, a stray number, printed text) is an error, so that every number on a page comes with its
n, its interval and its unit, and all data have been escaped by the result that shows them.
"""

from __future__ import annotations

import html
import re
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, Final

import mistune
import nbformat

from outcomes.errors import ReportError
from outcomes.mime import RESULT_MIME

# A longer table is folded, and so are more notes: finding and figure come first.
ROWS_SHOWN: Final = 6
NOTES_SHOWN: Final = 1
NEVER_FOLDED: Final = ("attention", "actions")  # what must be seen without a click
TABLE: Final = re.compile(r'<div class="scroll".*?</table></div>', re.DOTALL)
NOTES: Final = re.compile(
    r'<ul class="footnotes">.*?</ul>(?:<p class="settings">.*?</p>)?', re.DOTALL
)
CONTENT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:"


@dataclass(frozen=True)
class Heading:
    """One line of the contents: level 2 or 3, text, and the id it links to."""

    level: int
    text: str
    anchor: str


@dataclass(frozen=True)
class Page:
    """A finished page and what its results carry."""

    text: str
    results: tuple[dict[str, Any], ...]
    warnings: int


class _Headings(mistune.HTMLRenderer):
    """Render prose with all HTML escaped, give headings ids and remember them."""

    def __init__(self) -> None:
        super().__init__(escape=True)
        self.found: list[Heading] = []

    def heading(self, text: str, level: int, **_: Any) -> str:
        plain = html.unescape(re.sub(r"<[^>]+>", "", text))
        anchor = re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")
        taken = {heading.anchor for heading in self.found}
        while anchor in taken:
            anchor += "-again"
        self.found.append(Heading(level, plain, anchor))
        return f'<h{level} id="{anchor}">{text}</h{level}>\n'

    def link(self, text: str, url: str, title: str | None = None) -> str:
        # A page names its sources in words; it links to nothing outside itself.
        return f'<a href="{html.escape(url)}">{text}</a>' if url.startswith("#") else text


def assemble(
    notebook: nbformat.NotebookNode,
    *,
    title: str,
    subtitle: str,
    footer: str,
    audience: str = "clinic",
    folded: bool = False,
) -> Page:
    """Return the page made of the notebook's prose and results.

    Parameters
    ----------
    notebook : NotebookNode
        Executed, with outputs.
    title, subtitle, footer : str
        Plain text; escaped here.
    audience : str
        Whom the page is for; a result meant for another audience is refused.
    folded : bool
        Whether tables of more than `ROWS_SHOWN` rows and more than `NOTES_SHOWN` note are parts
        to open, but for `NEVER_FOLDED`; paper shows them whole.

    Raises
    ------
    ReportError
        A cell displays something that is neither a result nor prose, or a result that is not
        meant for the audience.
    """
    renderer = _Headings()
    prose = mistune.create_markdown(renderer=renderer, plugins=["table"])
    parts: list[str] = []
    results: list[dict[str, Any]] = []
    warnings = 0
    for number, cell in enumerate(notebook.cells, start=1):
        if cell.cell_type == "markdown":
            parts.append(str(prose(cell.source)))
            continue
        for output in cell.get("outputs", []):
            if output.output_type == "stream":
                warnings += output.name == "stderr"
                continue
            data = output.get("data", {})
            if RESULT_MIME in data:
                if data[RESULT_MIME]["audience"] != audience:
                    raise ReportError(
                        f"cell {number} ({cell.get('id', '')}) shows a result meant for the "
                        f"{data[RESULT_MIME]['audience']} on a page for the {audience}."
                    )
                results.append(data[RESULT_MIME])
                shown = data["text/html"]
                if folded and data[RESULT_MIME]["name"] not in NEVER_FOLDED:
                    shown = _folded(shown, data[RESULT_MIME]["title"])
                parts.append(shown + _csv_link(data[RESULT_MIME]))
            elif "text/markdown" in data:
                parts.append(str(prose(data["text/markdown"])))
            else:
                raise ReportError(
                    f"cell {number} ({cell.get('id', '')}) displays neither a result nor prose."
                )
    body = "\n".join(parts)
    return Page(
        text=_skeleton(title, subtitle, footer, _with_contents(body, renderer.found)),
        results=tuple(results),
        warnings=warnings,
    )


def _folded(shown: str, title: str) -> str:
    """Return a result's HTML with a long table, and many notes, as parts to open."""
    named = html.escape(title)

    def table(found: re.Match[str]) -> str:
        rows = found[0].count("<tr>") - 1
        return _part(found[0], f"Table of {rows} rows: {named}") if rows > ROWS_SHOWN else found[0]

    def notes(found: re.Match[str]) -> str:
        count = found[0].count("<li>")
        return _part(found[0], f"{count} notes: {named}") if count > NOTES_SHOWN else found[0]

    return NOTES.sub(notes, TABLE.sub(table, shown))


def _part(inside: str, summary: str) -> str:
    return f"<details><summary>{summary}</summary>{inside}</details>"


def _csv_link(result: dict[str, Any]) -> str:
    if not result["csv"]:
        return ""
    title = html.escape(result["title"])
    address = f"tables/{result['name']}.csv"
    return f'<p class="csv"><a href="{address}">Unrounded table as CSV: {title}</a></p>'


def _with_contents(body: str, headings: list[Heading]) -> str:
    """Return the body with the list of contents before its second section.

    The first section answers the questions; a reader with ten minutes needs nothing before it.
    """
    sections = [heading for heading in headings if heading.level == 2]
    if len(sections) < 2:
        return body
    items = "".join(
        f'<li><a href="#{heading.anchor}">{html.escape(heading.text)}</a></li>'
        for heading in sections
    )
    contents = f'<nav aria-label="Contents"><h2 id="contents">Contents</h2><ol>{items}</ol></nav>'
    marker = f'<h2 id="{sections[1].anchor}">'
    return body.replace(marker, contents + marker, 1)


def _skeleton(title: str, subtitle: str, footer: str, body: str) -> str:
    style = (files("outcomes.report") / "page.css").read_text(encoding="utf-8")
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="{CONTENT_POLICY}">
<title>{html.escape(title)}</title>
<style>
{style}</style>
</head>
<body>
<a class="skip" href="#main">Skip to the answers</a>
<header><h1>{html.escape(title)}</h1><p>{html.escape(subtitle)}</p></header>
<main id="main">
{body}
</main>
<footer><p>{html.escape(footer)}</p></footer>
</body>
</html>
"""
