"""Plots as SVG text: no script, no network, legible in grey, the same bytes for the same data."""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from vaultplan.styles import OUTLINE

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PAPER: Final = "#FBFAF6"
SOFT: Final = "#57524A"
#: matplotlib's letters for our glyphs.
MARKS: Final = {"circle": "o", "square": "s", "triangle": "^", "diamond": "D"}
_STYLE: Final[dict[Any, Any]] = {
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 11,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": OUTLINE,
    "axes.facecolor": PAPER,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "figure.facecolor": PAPER,
    "hatch.linewidth": 0.8,
    "svg.fonttype": "path",
    "svg.hashsalt": "vaultplan",
    "text.color": OUTLINE,
    "xtick.color": OUTLINE,
    "ytick.color": OUTLINE,
}


@contextmanager
def drawing(width_in: float, height_in: float) -> Iterator[tuple[Figure, io.StringIO]]:
    """Yield a figure to draw on; when all went well its SVG is in the buffer.

    The same drawing has the same bytes: no date, no random ids.
    """
    # Slow to load: only who draws waits for it.
    import matplotlib as mpl
    from matplotlib.figure import Figure

    buffer = io.StringIO()
    with mpl.rc_context(_STYLE):
        figure = Figure(figsize=(width_in, height_in), layout="constrained")
        yield figure, buffer
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
