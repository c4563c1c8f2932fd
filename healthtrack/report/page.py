"""A sheet of paper measured in millimetres from its top left corner.

Text and rules are artists of the figure itself; panels are axes, placed in millimetres too.
matplotlib's ``Figure`` is used directly: nothing here is shared between reports.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache
from typing import TYPE_CHECKING, Literal, NamedTuple

from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.ft2font import FT2Font, LoadFlags
from matplotlib.lines import Line2D
from matplotlib.text import Text
from matplotlib.transforms import Affine2D, Bbox, TransformedBbox

from healthtrack.report import style
from healthtrack.report.marks import PLAIN, Marks

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.backend_bases import RendererBase
    from matplotlib.transforms import Transform

    from healthtrack.records import State
    from healthtrack.report.style import Paper, Type, Weight

MM_PER_INCH = 25.4
MM_PER_POINT = MM_PER_INCH / 72.0
ELLIPSIS = "\N{HORIZONTAL ELLIPSIS}"

Align = Literal["left", "center", "right"]


class _Line(NamedTuple):
    points: list[tuple[float, float]]
    colour: str
    width: float
    dashes: tuple[float, tuple[float, ...] | None]


class Page:
    """One sheet.

    Parameters
    ----------
    paper : Paper
        Its size and margins.
    marks : Marks
        What stands in the reader's numbers.
    """

    def __init__(self, paper: Paper, marks: Marks = PLAIN) -> None:
        self.paper = paper
        self._marks = marks
        self.figure = Figure(figsize=(paper.width / MM_PER_INCH, paper.height / MM_PER_INCH))
        self.fields: list[Field] = []
        self._lines: list[_Line] = []
        self._fills: list[tuple[list[tuple[float, float]], str]] = []
        inch = 1.0 / MM_PER_INCH
        self.millimetres = (
            Affine2D().scale(inch, -inch).translate(0.0, paper.height * inch)
            + self.figure.dpi_scale_trans
        )

    def text(  # noqa: PLR0913 - a line of type is its place, words, kind, colour and side
        self,
        x: float,
        y: float,
        words: str,
        kind: Type = style.BODY,
        *,
        colour: str = style.INK,
        align: Align = "left",
        own_words: bool = False,
    ) -> Text:
        """Write one line with its baseline at ``y`` [mm]; a user's own words as they are."""
        line = PageText(
            x,
            y,
            printable(words) if own_words else self._marks.written(printable(words)),
            fontproperties=_properties(kind),
            color=colour,
            horizontalalignment=align,
            verticalalignment="baseline",
            parse_math=False,
            transform=self.millimetres,
            zorder=10,  # words lie over what is drawn in the panels
        )
        self.figure.texts.append(line)
        line.set_figure(self.figure)
        return line

    def paragraph(  # noqa: PLR0913 - as for text
        self,
        x: float,
        y: float,
        words: str,
        width: float,
        kind: Type = style.BODY,
        *,
        colour: str = style.INK,
        most_lines: int = 99,
    ) -> float:
        """Write lines no wider than ``width`` from the baseline ``y``; return the next baseline."""
        for line in wrap(words, width, kind, most_lines):
            self.text(x, y, line, kind, colour=colour)
            y += kind.leading
        return y

    def rule(
        self, x0: float, x1: float, y: float, colour: str = style.HAIR, width: float = 0.5
    ) -> None:
        """Draw a level line [mm; width in points]."""
        self.line((x0, x1), (y, y), colour, width)

    def line(
        self,
        xs: Sequence[float],
        ys: Sequence[float],
        colour: str = style.INK,
        width: float = 0.8,
        dashes: tuple[float, ...] | None = None,
    ) -> None:
        """Draw a line through points [mm; width in points]."""
        self._lines.append(
            _Line(list(zip(xs, ys, strict=True)), colour, width, (0.0, dashes or None))
        )

    def box(self, x: float, y: float, width: float, height: float, colour: str) -> None:
        """Fill a rectangle whose top left corner is ``x, y`` [mm]."""
        corners = [(x, y), (x + width, y), (x + width, y + height), (x, y + height)]
        self._fills.append((corners, colour))

    def arrow(self, x: float, y: float, slope: Literal[-1, 0, 1], colour: str) -> None:
        """Draw the arrow of a trend, 4 mm long, centred on ``x, y`` [mm]."""
        rise = 1.15 * slope
        half = 1.9 if slope == 0 else 1.6
        tip, tail = (x + half, y - rise), (x - half, y + rise)
        self.line((tail[0], tip[0]), (tail[1], tip[1]), colour, 1.0)
        length = ((tip[0] - tail[0]) ** 2 + (tip[1] - tail[1]) ** 2) ** 0.5
        ux, uy = (tip[0] - tail[0]) / length, (tip[1] - tail[1]) / length
        back, wing = 1.35, 0.62
        corners = [
            (tip[0] + 0.25 * ux, tip[1] + 0.25 * uy),
            (tip[0] - back * ux - wing * uy, tip[1] - back * uy + wing * ux),
            (tip[0] - back * ux + wing * uy, tip[1] - back * uy - wing * ux),
        ]
        self._fills.append((corners, colour))

    def mark(self, x: float, y: float, state: State, size: float = 6.0) -> None:
        """Draw the mark of a state centred on ``x, y`` [mm; size in points]."""
        self.put(state_mark(x, y, state, size))

    def finish(self) -> None:
        """Put lines and fills on the sheet, each kind at once: that draws four times as fast."""
        fills = PolyCollection(
            [corners for corners, _ in self._fills],
            facecolors=[colour for _, colour in self._fills],
            edgecolors="none",
            zorder=-1,
        )
        lines = LineCollection(
            [line.points for line in self._lines],
            colors=[line.colour for line in self._lines],
            linewidths=[line.width for line in self._lines],
            linestyles=[line.dashes for line in self._lines] or "solid",
            capstyle="butt",
            zorder=2,
        )
        self.put(fills)
        self.put(lines)
        self._fills, self._lines = [], []

    def put(self, artist: Artist, transform: Transform | None = None) -> None:
        """Put an artist on the sheet, in millimetres where nothing else is said."""
        artist.set_transform(transform or self.millimetres)
        artist.set_figure(self.figure)
        self.figure.artists.append(artist)

    def field(self, place: Bbox, data: Bbox) -> Field:
        """Return a field for drawing: ``place`` on the sheet [mm], ``data`` its two axes' ends."""
        field = Field(self, place, data)
        self.fields.append(field)
        return field

    def panel(self, x: float, y: float, width: float, height: float) -> Axes:
        """Place an axes whose top left corner is ``x, y`` [mm]."""
        paper = self.paper
        return self.figure.add_axes(
            (
                x / paper.width,
                1.0 - (y + height) / paper.height,
                width / paper.width,
                height / paper.height,
            )
        )


class Field:
    """A part of a sheet with axes of its own; what is drawn on it ends at its edges.

    matplotlib's Axes does far more, and making and drawing one costs as much as what a trend draws
    on it.

    Parameters
    ----------
    page : Page
        The sheet.
    place : Bbox
        Left, top, right and bottom on the sheet. [mm]
    data : Bbox
        Ends of the axis across and of the axis up.
    """

    def __init__(self, page: Page, place: Bbox, data: Bbox) -> None:
        self.page, self.place, self.data = page, place, data
        across, up = place.width / data.width, place.height / data.height
        self.transform = (
            Affine2D()
            .translate(-data.x0, -data.y1)
            .scale(across, -up)
            .translate(place.x0, place.y0)
            + page.millimetres
        )
        self._edges = TransformedBbox(place, page.millimetres)

    def add(self, artist: Artist, *, clipped: bool = True) -> None:
        """Draw an artist whose places are in the field's own units."""
        self.page.put(artist, self.transform)
        if clipped:
            artist.set_clip_box(self._edges)


class PageText(Text):
    """One line of words, drawn without the layout that lines of several words need.

    matplotlib lays every text out before it draws it, which costs as much as drawing it. A line
    that begins at its place needs no layout; one that ends or centres there needs its width only.
    """

    def draw(self, renderer: RendererBase) -> None:
        """Draw at the baseline."""
        words, properties = self.get_text(), self.get_fontproperties()
        if not words.strip():
            return
        x, y = self.get_transform().transform(self.get_position())
        share = {"left": 0.0, "center": 0.5, "right": 1.0}[self.get_horizontalalignment()]
        if share:
            width, _, _ = renderer.get_text_width_height_descent(words, properties, ismath=False)
            x -= share * width
        if renderer.flipy():
            y = renderer.get_canvas_width_height()[1] - y
        context = renderer.new_gc()
        context.set_foreground(self.get_color())
        renderer.draw_text(context, x, y, words, properties, 0.0, ismath=False, mtext=self)
        context.restore()
        self.stale = False


def state_mark(x: float, y: float, state: State, size: float) -> Line2D:
    """Return the mark of a state at ``x, y``; its size is in points."""
    mark = style.MARKS[state]
    return Line2D(
        [x],
        [y],
        marker=mark.marker,
        markersize=size,
        markerfacecolor=mark.colour if mark.filled else style.PAPER,
        markeredgecolor=mark.colour,
        markeredgewidth=1.3,
        linestyle="none",
        zorder=6,
        clip_on=False,
    )


@lru_cache(maxsize=64)
def _properties(kind: Type) -> FontProperties:
    return FontProperties(family=list(style.FAMILY), size=kind.size, weight=kind.weight)


@lru_cache(maxsize=16)
def _fonts(weight: Weight) -> tuple[FT2Font, ...]:
    style.typeface()
    return tuple(
        get_font(findfont(FontProperties(family=[family], weight=weight)))
        for family in style.FAMILY
    )


@lru_cache(maxsize=4096)
def _advance(letter: str, weight: Weight) -> float:
    """Width of a letter as a share of the size of the type."""
    for font in _fonts(weight):
        if font.get_char_index(ord(letter)):
            glyph = font.load_char(ord(letter), flags=LoadFlags.NO_SCALE)
            return float(glyph.horiAdvance) / float(font.units_per_EM)
    return 0.6


@lru_cache(maxsize=4096)
def _shown(letter: str) -> str:
    if unicodedata.category(letter) in {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}:
        return " "
    if any(font.get_char_index(ord(letter)) for font in _fonts(400)):
        return letter
    return "\N{REPLACEMENT CHARACTER}"


def printable(words: str) -> str:
    """Return ``words`` on one line, with a visible stand-in for what no typeface at hand holds."""
    return "".join(map(_shown, words))


def text_width(words: str, kind: Type) -> float:
    """Return the width of one line of type [mm]."""
    return sum(_advance(letter, kind.weight) for letter in words) * kind.size * MM_PER_POINT


def shorten(words: str, width: float, kind: Type) -> str:
    """Return ``words``, or as much of them as ``width`` [mm] holds and an ellipsis."""
    words = printable(words)
    if text_width(words, kind) <= width:
        return words
    while words and text_width(words + ELLIPSIS, kind) > width:
        words = words[:-1]
    return words.rstrip() + ELLIPSIS


def wrap(words: str, width: float, kind: Type, most_lines: int = 99) -> list[str]:
    """Break words into lines no wider than ``width`` [mm]; the last may end in an ellipsis.

    A single word that is wider than the line is broken within.
    """
    lines: list[str] = []
    line = ""
    for word in _pieces(printable(words), width, kind):
        longer = f"{line} {word}" if line else word
        if line and text_width(longer, kind) > width:
            lines.append(line)
            line = word
        else:
            line = longer
    if line:
        lines.append(line)
    if len(lines) > most_lines:
        lines = [*lines[: most_lines - 1], shorten(" ".join(lines[most_lines - 1 :]), width, kind)]
    return lines


def _pieces(words: str, width: float, kind: Type) -> list[str]:
    pieces: list[str] = []
    for word in words.split(" "):
        rest = word
        while text_width(rest, kind) > width:
            fits = next(
                (n for n in range(len(rest) - 1, 0, -1) if text_width(rest[:n], kind) <= width), 1
            )
            pieces.append(rest[:fits])
            rest = rest[fits:]
        if rest:
            pieces.append(rest)
    return pieces
