"""The one shape in which a number leaves a measure.

A `Result` holds its table, the flat records of `results.json`, one sentence that answers the
question, and its picture. Notebook, page, CSV and JSON are all made from it, so that they cannot
drift apart.
"""

from __future__ import annotations

import html
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Final

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from outcomes.figures.style import WIDTH_INCHES, house_style, svg_figure
from outcomes.mime import RESULT_MIME

DASH: Final = "–"


@dataclass(frozen=True, kw_only=True)
class Record:
    """One number with everything a reader needs to judge it; the entries of `results.json`.

    `estimate`, `conf_low` and `conf_high` are None where there is none, and `note` says why.
    Exactly one of `cohort` and `contrast` is set, or neither for the whole clinic.
    """

    outcome: str
    quantity: str
    population: str  # "cumulative" or "quarter"
    cohort: str | None = None
    contrast: str | None = None
    at: str | None = None  # "month 6", "day 179", "period 3", ...
    by: Mapping[str, str] = field(default_factory=dict)
    estimate: float | None = None
    conf_low: float | None = None
    conf_high: float | None = None
    level: float | None = 0.95
    n_patients: int | None = None
    n_units: int | None = None
    events: int | None = None
    exposure: float | None = None
    unit: str = ""
    method: str = ""
    note: str | None = None

    def as_dict(self) -> dict[str, Any]:
        """Return plain JSON types, with null for what does not exist."""
        return {name: _plain(value) for name, value in asdict(self).items()}


def _plain(value: Any) -> Any:
    if value is None or value is pd.NA or value is pd.NaT:
        return None
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): str(item) for key, item in value.items()}
    return value


@dataclass(frozen=True)
class Show:
    """How one column of a result's table is shown: its heading and its number of decimals."""

    heading: str
    decimals: int | None = None


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Result:
    """Base of every result.

    Parameters
    ----------
    name : str
        File stem of its table (`tables/NAME.csv`), lower case with underscores.
    title : str
        The question in a few words.
    table : DataFrame
        Tidy and unrounded; without columns where there is a sentence and nothing else.
    entries : sequence of Record
    finding : str
        One sentence that answers the question, with estimate, interval and n.
    plain : str
        The same answer for a committee: everyday words, "of every 100" instead of a percentage,
        the interval as "between a and b"; empty where the finding says it plainly enough.
    private : bool
        Whether it names or shows single people (ids, inserters): for the clinic's own pages only.
    audience : str
        Whom it is shown to; a page is assembled from results for one audience only.
    caption : str
        What the table and the figure show, with unit and population.
    footnotes : sequence of str
    settings : mapping
        The plan's settings that made it, name to value, printed with it.
    show : mapping
        Column of `table` to `Show`; columns not named are left out of the shown table.
    summary : DataFrame or None
        What is shown instead of `table` where that is too long to read: texts made from the same
        numbers, one line a cohort or visit, estimate with its interval and n in one cell. The
        whole table still lies beside the page as CSV.
    drawing : callable or None
        Draws on the Axes it is given; None where there is nothing to draw.
    alt : str
        What the figure shows, in words; must contain the finding's estimate.
    height : float
        Height of the figure in inches.
    parts : sequence of str
        What a page shows of it beside the finding: "figure", "table", "footnotes", "settings".
    """

    name: str
    title: str
    table: pd.DataFrame
    entries: Sequence[Record]
    finding: str
    caption: str
    plain: str = ""
    private: bool = False
    audience: str = "clinic"
    footnotes: Sequence[str] = ()
    settings: Mapping[str, str] = field(default_factory=dict)
    show: Mapping[str, Show] = field(default_factory=dict)
    summary: pd.DataFrame | None = None
    drawing: Callable[[Axes], None] | None = None
    alt: str = ""
    height: float = 3.2
    parts: Sequence[str] = ("figure", "table", "footnotes", "settings")

    def records(self) -> list[dict[str, Any]]:
        """Return the entries as plain dictionaries, as they stand in `results.json`."""
        return [entry.as_dict() for entry in self.entries]

    def plot(self, ax: Axes | None = None) -> Axes | None:
        """Draw the figure on `ax` (or on a new one) and return the Axes; None if there is none."""
        if self.drawing is None:
            return None
        with house_style():
            if ax is None:
                ax = Figure(figsize=(WIDTH_INCHES, self.height)).add_subplot()
            self.drawing(ax)
        return ax

    def shown(self) -> pd.DataFrame:
        """Return what is shown: the summary, else the table rounded for display."""
        if self.summary is not None:
            return self.summary.map(lambda value: _text(value, None))
        columns = self.show or {name: Show(str(name)) for name in self.table.columns}
        return pd.DataFrame(
            {
                spec.heading: [_text(value, spec.decimals) for value in self.table[name]]
                for name, spec in columns.items()
            }
        )

    def __repr__(self) -> str:
        notes = "".join(f"\n  {note}" for note in self.footnotes)
        return f"{self.title}\n{self.finding}\n\n{self.shown().to_string(index=False)}\n{notes}"

    def _repr_mimebundle_(self, **_: Any) -> dict[str, Any]:
        return {
            "text/plain": repr(self),
            "text/html": self._repr_html_(),
            RESULT_MIME: {
                "name": self.name,
                "audience": self.audience,
                "title": self.title,
                "finding": self.finding,
                "records": self.records(),
                "csv": csv_text(self.table),
            },
        }

    def _repr_html_(self) -> str:
        numbers = [spec.heading for spec in self.show.values() if spec.decimals is not None]
        parts = [f'<p class="finding">{html.escape(self.finding)}</p>']
        if self.drawing is not None and "figure" in self.parts:
            parts.append(self._figure_html())
        if "table" in self.parts and len(self.table.columns):
            shown = self.shown()
            parts.append(
                table_html(shown, caption=self.caption, numbers=numbers)
                if len(shown)
                else f'<p class="settings">{html.escape(self.caption)} No line to show.</p>'
            )
        if self.footnotes and "footnotes" in self.parts:
            items = "".join(f"<li>{html.escape(note)}</li>" for note in self.footnotes)
            parts.append(f'<ul class="footnotes">{items}</ul>')
        if self.settings and "settings" in self.parts:
            text = "; ".join(f"{name}: {value}" for name, value in self.settings.items())
            parts.append(f'<p class="settings">Settings: {html.escape(text)}.</p>')
        return f'<div class="result">{"".join(parts)}</div>'

    def _figure_html(self) -> str:
        ax = self.plot()
        figure = None if ax is None else ax.get_figure(root=True)
        if figure is None:
            return ""
        alt = self.alt or self.finding
        picture = svg_figure(figure, alt=alt, prefix=f"fig-{self.name}")
        # The finding stands above the figure already; its alternative text has it in full.
        drawn = alt.replace(self.finding, "").strip() if alt != self.finding else ""
        mark = "" if self.title.endswith(("?", ".")) else "."
        caption = f"{self.title}{mark} {drawn}".strip()
        label = html.escape(f"Figure: {self.title}", quote=True)
        return (
            f'<figure><div class="wide" role="group" tabindex="0" aria-label="{label}">{picture}'
            f"</div><figcaption>{html.escape(caption)}</figcaption></figure>"
        )


def csv_text(frame: pd.DataFrame) -> str:
    """Return a table as CSV text at full precision; "" for a table without columns.

    Text that a spreadsheet would take for a formula gets an apostrophe before it; numbers stay
    numbers, negative ones too.

    Examples
    --------
    >>> print(csv_text(pd.DataFrame({"note": ["=1+1", "a, b"], "change": [-0.5, 1.0]})), end="")
    note,change
    '=1+1,-0.5
    "a, b",1.0
    """
    if frame.columns.empty:
        return ""
    return str(frame.map(_neutral).to_csv(index=False, lineterminator="\n"))


def _neutral(value: Any) -> Any:
    if isinstance(value, str) and value[:1] in tuple("=+-@\t\r"):
        return "'" + value
    return value


def table_html(frame: pd.DataFrame, *, caption: str, numbers: Sequence[str] = ()) -> str:
    """Return a frame of texts as an accessible HTML table; every text is escaped.

    The first column is the row's heading, where it is not empty; columns named in `numbers` are
    aligned as figures.
    """
    classes = [' class="number"' if name in numbers else "" for name in frame.columns]
    head = "".join(
        f'<th scope="col"{css}>{html.escape(str(name))}</th>'
        for name, css in zip(frame.columns, classes, strict=True)
    )
    rows = []
    for row in frame.itertuples(index=False):
        first = html.escape(str(row[0])) if len(row) else ""
        cells = [f'<th scope="row">{first}</th>' if first else "<td></td>"] if len(row) else []
        cells += [
            f"<td{css}>{html.escape(str(value))}</td>"
            for value, css in zip(row[1:], classes[1:], strict=True)
        ]
        rows.append(f"<tr>{''.join(cells)}</tr>")
    label = html.escape(caption, quote=True)
    return (
        f'<div class="scroll" role="region" tabindex="0" aria-label="{label}"><table>'
        f"<caption>{html.escape(caption)}</caption><thead><tr>{head}</tr></thead>"
        f"<tbody>{''.join(rows)}</tbody></table></div>"
    )


def _text(value: Any, decimals: int | None) -> str:
    """Return one cell as text; an en dash for what does not exist.

    Halves of a displayed decimal follow Python's own rounding of the binary value.
    """
    value = _plain(value)
    if value is None:
        return DASH
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat()
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)) and decimals is not None:
        return number(value, decimals)
    return str(value)


def number(value: float | None, decimals: int = 1) -> str:
    """Return a number for a sentence: fixed decimals, a true minus sign, never "-0.0".

    Examples
    --------
    >>> number(-0.43, 2), number(-0.001, 1), number(None)
    ('−0.43', '0.0', '–')
    """
    if value is None or not math.isfinite(value):
        return DASH
    text = f"{value:.{decimals}f}"
    if re.fullmatch(r"-0(\.0+)?", text):
        text = text[1:]
    return text.replace("-", "−")


def interval(low: float | None, high: float | None, decimals: int = 1) -> str:
    """Return an interval for a sentence, "a to b"; words where a limit does not exist.

    Examples
    --------
    >>> interval(-0.561, -0.217, 2)
    '−0.56 to −0.22'
    """
    if low is None and high is None:
        return "no interval"
    if high is None or not math.isfinite(high):
        return f"{number(low, decimals)} or more"
    if low is None or not math.isfinite(low):
        return f"up to {number(high, decimals)}"
    return f"{number(low, decimals)} to {number(high, decimals)}"
