"""The one look of all reports: paper, palette, typeface, sizes and the marks of the states.

Every state has its own mark and its own word; colour only supports them, so that a page printed in
grey says the same. The palette is blue, ochre and dark red, which differ in lightness as well as in
hue for every common form of colour blindness.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from matplotlib import font_manager

if TYPE_CHECKING:
    from healthtrack.records import State

INK = "#1c2530"
SOFT = "#56626e"
FAINT = "#9aa5af"
HAIR = "#d3d9de"
WASH = "#eff2f4"
PAPER = "#ffffff"
DATA = "#22577a"
DATA_BAND = "#cbdbe6"
OCHRE = "#b06c00"
RED = "#9b1b30"

FAMILY = ("Gauge Sans", "DejaVu Sans")
"""The reports' typeface, and where a letter is taken from that it lacks."""

TYPEFACE = Path(__file__).resolve().parent / "typeface"

Weight = Literal[400, 600]


@dataclass(frozen=True, slots=True)
class Paper:
    """A sheet and its margins [mm]."""

    width: float
    height: float
    left: float = 18.0
    right: float = 18.0
    top: float = 16.0
    bottom: float = 18.0

    @property
    def inner_width(self) -> float:
        """Width between the margins [mm]."""
        return self.width - self.left - self.right

    @property
    def right_edge(self) -> float:
        """Where the right margin begins [mm]."""
        return self.width - self.right

    @property
    def floor(self) -> float:
        """Lowest place of content, measured from the top [mm]."""
        return self.height - self.bottom


A4 = Paper(210.0, 297.0)
LETTER = Paper(215.9, 279.4)
PAPERS = {"A4": A4, "Letter": LETTER}


@dataclass(frozen=True, slots=True)
class Type:
    """A size of type: points, weight, and the distance from line to line [mm]."""

    size: float
    weight: Weight = 400
    leading: float = 4.6


TITLE = Type(23.0, 600, 9.0)
LONG_TITLE = Type(14.0, 600, 6.0)
WORD = Type(15.0, 600, 6.6)
LEAD = Type(12.5, 400, 5.6)
HEADING = Type(11.5, 600, 5.4)
BODY = Type(9.8, 400, 4.6)
STRONG = Type(9.8, 600, 4.6)
SMALL = Type(8.4, 400, 3.9)
SMALL_STRONG = Type(8.4, 600, 3.9)
TINY = Type(7.4, 400, 3.4)
TINY_STRONG = Type(7.4, 600, 3.4)


@dataclass(frozen=True, slots=True)
class Mark:
    """How a state is shown: its word, its mark (a matplotlib marker), its colour."""

    word: str
    marker: str
    colour: str
    filled: bool


MARKS: dict[State, Mark] = {
    "normal": Mark("normal", "o", DATA, filled=False),
    "alert": Mark("alert", "^", OCHRE, filled=True),
    "alarm": Mark("alarm", "D", RED, filled=True),
    "learning": Mark("learning", "s", SOFT, filled=False),
    "no_data": Mark("not enough data", "_", SOFT, filled=False),
}

SETTINGS: Any = {  # rc_context wants a key for every setting there is, by name
    "pdf.fonttype": 42,
    "pdf.compression": 9,
    "svg.fonttype": "path",
    "svg.hashsalt": "healthtrack",
    "font.family": list(FAMILY),
    "text.usetex": False,
    "text.parse_math": False,
    "axes.unicode_minus": True,
    "axes.edgecolor": FAINT,
    "axes.linewidth": 0.5,
    "path.simplify": True,
    "figure.dpi": 100.0,
    "savefig.dpi": 150.0,
    "savefig.bbox": None,
}
"""What differs from matplotlib's own defaults while a report is drawn."""


@cache
def typeface() -> None:
    """Make the reports' letters known to matplotlib, once per process.

    They lie beside this file (see :mod:`healthtrack.report.typeface.make`), so every machine draws
    the same ones.
    """
    manager = font_manager.fontManager
    fallback = font_manager.findfont(
        font_manager.FontProperties(family=[FAMILY[1]], weight=700), fallback_to_default=False
    )
    manager.ttflist.append(  # the fallback has no semibold cut: its bold stands in without a remark
        font_manager.FontEntry(fname=fallback, name=FAMILY[1], weight=600, size="scalable")
    )
    for cut in ("Regular", "Semibold"):
        manager.addfont(str(TYPEFACE / f"GaugeSans-{cut}.ttf"))
