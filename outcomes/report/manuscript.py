"""Tables that a word processor opens and figures in print quality, from the results of a page.

The tables hold the texts that the page shows, so that a paper and the report tell the same
numbers; a figure is the result's own drawing at the width of a journal's column.
"""

from __future__ import annotations

import html
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Final

import matplotlib as mpl
from matplotlib.figure import Figure

from outcomes.errors import UsageError
from outcomes.figures.style import house_style
from outcomes.report.publish import json_text, publish
from outcomes.report.workbook import workbook
from outcomes.results import Result

MILLIMETRES: Final = 25.4  # of an inch
DOTS_PER_INCH: Final = 600
# Usual widths of one and two columns of a medical journal, in mm; from memory.
WIDTHS: Final[Mapping[str, float]] = MappingProxyType({"one_column": 85, "two_columns": 170})
# A narrow figure is drawn wider and then reduced, so that its words have room.
DRAWN_AT_LEAST: Final = 135
STYLE: Final = """
body { font-family: "Times New Roman", "Liberation Serif", serif; font-size: 11pt; }
table { border-collapse: collapse; margin-top: 14pt; }
caption { text-align: left; padding-bottom: 4pt; }
th, td { text-align: left; vertical-align: top; padding: 2pt 6pt; font-weight: normal; }
thead th { border-top: 1.5pt solid black; border-bottom: .75pt solid black; font-weight: bold; }
tbody tr:last-child > * { border-bottom: 1.5pt solid black; }
.number { text-align: right; }
.note { font-size: 9.5pt; margin: 2pt 0; }
"""


def manuscript(
    *results: Result, folder: str | Path, widths: Mapping[str, float] = WIDTHS
) -> list[Path]:
    """Write the tables and figures of results for a manuscript, and return the files.

    Parameters
    ----------
    results : Result
        In the order of the paper; all for one audience (`outcomes.audience`), whose hidden cells
        stay hidden.
    folder : path
        Where to write; made where it does not exist.
    widths : mapping of name to mm
        Widths of the figures.

    Returns
    -------
    list of Path
        `tables.html` (opens in a word processor; tables numbered, with caption and footnotes,
        then the legends of the figures), `tables.xlsx` (unrounded, one sheet a result),
        `figures/NAME_WIDTH.svg` and `.png` (600 dots per inch) for each result that has a figure,
        and `results.json` with the records behind them.

    Raises
    ------
    UsageError
        No result, two of one name, or results for different audiences.
    WriteError
        The folder cannot be written.
    """
    names = [result.name for result in results]
    audiences = {result.audience for result in results}
    if len(audiences) != 1 or len(set(names)) != len(names):
        raise UsageError(
            f"a manuscript is made of results of different names for one audience; received "
            f"{', '.join(names) or 'none'} for {', '.join(sorted(audiences)) or 'nobody'}."
        )
    files: dict[str, str | bytes] = {}
    for result in results:
        for name, width in widths.items():
            files |= _figure(result, name, width)
    records = [record for result in results for record in result.records()]
    files["results.json"] = json_text({"audience": audiences.pop(), "results": records})
    files["tables.xlsx"] = workbook({r.name: r.table for r in results if not _withheld(r)})
    files["tables.html"] = tables_html(results)
    publish(Path(folder), files)
    return [Path(folder) / name for name in files]


def tables_html(results: tuple[Result, ...]) -> str:
    """Return one document with the numbered tables and the legends of the figures."""
    told = [result for result in results if not _withheld(result)]
    parts = [_table(result, number) for number, result in enumerate(told, start=1)]
    drawn = [result for result in results if result.drawing is not None]
    parts += [
        f"<p><b>Figure {number}.</b> {_safe(result.title)} {_safe(result.alt or result.finding)}"
        f" (figures/{result.name})</p>"
        for number, result in enumerate(drawn, start=1)
    ]
    parts += [f'<p class="note">{_safe(r.finding)}</p>' for r in results if _withheld(r)]
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f"<title>Tables and legends</title><style>{STYLE}</style></head>\n"
        f"<body>\n{chr(10).join(parts)}\n</body></html>\n"
    )


def _withheld(result: Result) -> bool:
    """Return whether the audience sees a sentence in place of this result."""
    return result.table.columns.empty


def _table(result: Result, number: int) -> str:
    shown = result.shown()
    numbers = {spec.heading for spec in result.show.values() if spec.decimals is not None}
    marks = [' class="number"' if name in numbers else "" for name in shown.columns]
    body = "".join(_row("td", row, marks) for row in shown.itertuples(index=False))
    settings = "; ".join(f"{name}: {value}" for name, value in result.settings.items())
    notes = [*result.footnotes, *([f"Settings: {settings}."] if settings else [])]
    return (
        f"<table><caption><b>Table {number}.</b> {_safe(result.caption)}</caption>"
        f"<thead>{_row('th', shown.columns, marks)}</thead><tbody>{body}</tbody></table>\n"
        + "\n".join(f'<p class="note">{_safe(note)}</p>' for note in notes)
    )


def _row(tag: str, cells: Iterable[object], marks: Sequence[str]) -> str:
    told = zip(cells, marks, strict=True)
    return f"<tr>{''.join(f'<{tag}{mark}>{_safe(cell)}</{tag}>' for cell, mark in told)}</tr>"


def _safe(text: object) -> str:
    return html.escape(str(text))


def _figure(result: Result, width_name: str, width: float) -> dict[str, str | bytes]:
    """Return a result's figure as SVG and PNG at one width; nothing where there is none."""
    if result.drawing is None:
        return {}
    drawn = max(width, DRAWN_AT_LEAST)
    figure = Figure(figsize=(drawn / MILLIMETRES, result.height))
    with house_style(), mpl.rc_context({"svg.fonttype": "path"}):
        # Letters as outlines look the same everywhere, whatever fonts a publisher has.
        result.plot(figure.add_subplot())
        alt = result.alt or result.finding
        vector, dots = io.StringIO(), io.BytesIO()
        figure.savefig(vector, format="svg", metadata={"Date": None, "Creator": None, "Title": alt})
        figure.savefig(
            dots, format="png", dpi=DOTS_PER_INCH * width / drawn,
            metadata={"Software": None, "Description": alt},
            pil_kwargs={"dpi": (DOTS_PER_INCH, DOTS_PER_INCH)},
        )  # fmt: skip
    stem = f"figures/{result.name}_{width_name}"
    height = result.height * MILLIMETRES * width / drawn
    size = f'width="{width:g}mm" height="{height:.2f}mm"'
    sized = re.sub(r'width="[\d.]+pt" height="[\d.]+pt"', size, vector.getvalue(), count=1)
    return {f"{stem}.svg": sized, f"{stem}.png": dots.getvalue()}
