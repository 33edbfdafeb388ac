"""What needs attention in a figure: accent, a shape of its own, and words beside it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from matplotlib.axes import Axes

from outcomes.figures.style import ACCENT

SIGNAL_MARKER: Final = "D"


_BESIDE: Final[dict[str, dict[str, Any]]] = {
    "above": {"xytext": (0, 9), "ha": "center", "va": "bottom"},
    "below": {"xytext": (0, -9), "ha": "center", "va": "top"},
    "left": {"xytext": (-9, 4), "ha": "right", "va": "bottom"},
}


def draw_signals(
    ax: Axes, *, x: Sequence[Any], y: Sequence[float], words: Sequence[str], beside: str = "above"
) -> None:
    """Draw each point that broke a rule as a large accent diamond with words beside it.

    Colour is never the only cue: in grey print shape, size and words remain.

    Parameters
    ----------
    ax : Axes
    x, y, words : sequences of one length
    beside : {"above", "below", "left"}
        Where the words stand.
    """
    paper = {"facecolor": "white", "edgecolor": "none", "pad": 0.8}
    for place, value, text in zip(x, y, words, strict=True):
        ax.plot(place, value, SIGNAL_MARKER, color=ACCENT, markersize=8, clip_on=False, zorder=4)
        ax.annotate(
            text, (place, value), textcoords="offset points", fontsize="small", fontweight="bold",
            annotation_clip=False, bbox=paper, zorder=3, **_BESIDE[beside],
        )  # fmt: skip
