"""Content that flows down a page and on to the next, with headings, footers and bookmarks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack.report import style
from healthtrack.report.page import Page, shorten, text_width, wrap
from healthtrack.report.reader import PLAIN_READER, Reader

if TYPE_CHECKING:
    from collections.abc import Iterable

    from healthtrack.report.shown import ShownUnits
    from healthtrack.report.style import Paper, Type


@dataclass(frozen=True, slots=True)
class Bookmark:
    """A place in the document that the reader's outline names."""

    words: str
    page: int


class Flow:
    """Pages under construction, and the place where the next content goes.

    Parameters
    ----------
    paper : Paper
        Size and margins of every page.
    running_head : str
        Stands on top of every page but the first, and in the footer.
    reader : Reader
        The reader's units, and the marks in the reader's numbers.
    """

    def __init__(self, paper: Paper, running_head: str, reader: Reader = PLAIN_READER) -> None:
        self.paper = paper
        self.reader = reader
        self.running_head = running_head
        self.pages: list[Page] = []
        self.bookmarks: list[Bookmark] = []
        self.y = 0.0
        self.new_page()

    @property
    def units(self) -> ShownUnits:
        """The reader's units."""
        return self.reader.units

    @property
    def page(self) -> Page:
        """The page that is being filled."""
        return self.pages[-1]

    @property
    def room(self) -> float:
        """Height that is left on the page [mm]."""
        return self.paper.floor - self.y

    def new_page(self) -> None:
        """Begin a page; all but the first carry the running head."""
        self.pages.append(Page(self.paper, self.reader.marks))
        self.y = self.paper.top
        if len(self.pages) > 1:
            words = shorten(self.running_head, self.paper.inner_width, style.SMALL)
            self.page.text(
                self.paper.left, self.y, words, style.SMALL, colour=style.SOFT, own_words=True
            )
            self.y += 2.6
            self.page.rule(self.paper.left, self.paper.right_edge, self.y)
            self.y += 3.0

    def need(self, height: float) -> bool:
        """Begin a new page unless ``height`` [mm] is left; return whether it was begun."""
        if height <= self.room:
            return False
        self.new_page()
        return True

    def space(self, height: float) -> None:
        """Leave room [mm]."""
        self.y += height

    def bookmark(self, words: str) -> None:
        """Name this page in the document's outline."""
        self.bookmarks.append(Bookmark(words, len(self.pages) - 1))

    def heading(self, words: str, *, with_next: float = 12.0, aside: str = "") -> None:
        """Write a heading, kept together with ``with_next`` [mm] of what follows it."""
        self.need(style.HEADING.leading + 2.0 + with_next)
        self.y += style.HEADING.leading
        self.page.text(self.paper.left, self.y, words, style.HEADING)
        if aside:
            x = self.paper.left + text_width(words, style.HEADING) + 3.0
            self.page.text(x, self.y, aside, style.SMALL, colour=style.SOFT)
        self.y += 2.0

    def paragraph(
        self,
        words: str,
        kind: Type = style.BODY,
        *,
        indent: float = 0.0,
        colour: str = style.INK,
        most_lines: int = 99,
    ) -> None:
        """Write a paragraph; it may break over pages between lines."""
        width = self.paper.inner_width - indent
        for line in wrap(words, width, kind, most_lines):
            self.need(kind.leading)
            self.y += kind.leading
            self.page.text(self.paper.left + indent, self.y, line, kind, colour=colour)

    def items(self, items: Iterable[str], kind: Type = style.BODY, *, numbered: bool) -> None:
        """Write a list; numbers or dashes hang in the margin of the text."""
        indent = 5.5
        for index, words in enumerate(items, start=1):
            lines = wrap(words, self.paper.inner_width - indent, kind)
            self.need(min(len(lines), 2) * kind.leading + 1.0)
            top = self.y + kind.leading
            sign = f"{index}." if numbered else "\N{EN DASH}"
            self.page.text(self.paper.left, top, sign, kind, colour=style.SOFT)
            for line in lines:
                self.need(kind.leading)
                self.y += kind.leading
                self.page.text(self.paper.left + indent, self.y, line, kind)
            self.y += 0.8

    def footers(self) -> None:
        """Write every page's footer, once all pages are there."""
        paper = self.paper
        y = paper.height - 9.0
        for index, page in enumerate(self.pages, start=1):
            place = f"page {index} of {len(self.pages)}"
            left_room = paper.inner_width - text_width(place, style.TINY) - 6.0
            words = shorten(self.running_head, left_room, style.TINY)
            page.rule(paper.left, paper.right_edge, y - 4.0)
            page.text(paper.left, y, words, style.TINY, colour=style.SOFT, own_words=True)
            page.text(paper.right_edge, y, place, style.TINY, colour=style.SOFT, align="right")
