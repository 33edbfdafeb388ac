"""The one figure style: cohort looks, sizes, and turning a figure into text for a page."""

from __future__ import annotations

import html
import io
import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final

import matplotlib as mpl
import seaborn as sns
from matplotlib.figure import Figure

ACCENT: Final = "#a82c17"  # what needs attention, and nothing else
INK: Final = "#22262b"
FAINT: Final = "#8a9099"
WIDTH_INCHES: Final = 6.6


@dataclass(frozen=True)
class Look:
    """How one cohort is drawn everywhere: colour, and a second cue for grey print."""

    colour: str
    line: str
    marker: str


# Blue-green dark against ochre light: apart in hue for every common colour blindness and by
# lightness in grey print (`tests/unit/test_figure_colours.py` states by how much); the line style
# and the marker are the second cue.
LOOKS: Final[dict[str, Look]] = {
    "implanted": Look("#0b5563", "-", "o"),
    "adhesive": Look("#c98a1b", "--", "s"),
    "not recorded": Look("#8a9099", ":", "D"),
}
# Parts of one whole (end states, glucose ranges): a single hue by lightness, always labelled.
SHADES: Final = ("#0b5563", "#4f8a94", "#8fb8bd", "#cfe0e0", "#e8d9b8", "#c98a1b", "#8a5a10")


def cohort_order(names: Iterable[str]) -> list[str]:
    """Return the cohorts present in the fixed order: known ones first, others by name.

    Examples
    --------
    >>> cohort_order(["adhesive", "not recorded", "implanted"])
    ['implanted', 'adhesive', 'not recorded']
    """
    present = set(names)
    return [name for name in LOOKS if name in present] + sorted(present - set(LOOKS))


def look(name: str) -> Look:
    """Return how the cohort called `name` is drawn; unknown names get the neutral look."""
    return LOOKS.get(name, LOOKS["not recorded"])


@contextmanager
def house_style() -> Iterator[None]:
    """Draw inside this context to get the house style; nothing global is changed."""
    settings = {
        **sns.axes_style("ticks"),
        **sns.plotting_context("paper", font_scale=1.05),
        "font.family": "DejaVu Sans",  # ships with matplotlib, so every machine draws the same
        "axes.edgecolor": FAINT,
        "axes.labelcolor": INK,
        "text.color": INK,
        "xtick.color": INK,
        "ytick.color": INK,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.titlelocation": "left",
        "axes.titlesize": "medium",
        "figure.constrained_layout.use": True,
        "svg.fonttype": "none",
        "svg.hashsalt": "outcomes",
        "savefig.dpi": 150,
    }
    with mpl.rc_context(settings):
        yield


def svg_figure(figure: Figure, *, alt: str, prefix: str) -> str:
    """Return the figure as inline SVG with `alt` as its text; the same bytes for the same input.

    `prefix` makes the ids inside unique on a page. Marks in the thousands should be rasterized
    by the drawing function.
    """
    buffer = io.StringIO()
    with house_style():
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    body = text[text.index("<svg") :]
    body = re.sub(r'\bid="([^"]+)"', rf'id="{prefix}-\1"', body)
    body = re.sub(r'(xlink:href|href)="#([^"]+)"', rf'href="#{prefix}-\2"', body)
    body = re.sub(r"url\(#([^)]+)\)", rf"url(#{prefix}-\1)", body)
    body = re.sub(r"<metadata>.*?</metadata>", "", body, flags=re.DOTALL)
    title_id = f"{prefix}-text"
    opening = re.compile(r"<svg ")
    body = opening.sub(f'<svg role="img" aria-labelledby="{title_id}" ', body, count=1)
    end = body.index(">") + 1
    return f'{body[:end]}<title id="{title_id}">{html.escape(alt)}</title>{body[end:]}'
