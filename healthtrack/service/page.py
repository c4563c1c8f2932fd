"""A letter's words, written once and shown as plain text and as HTML."""

from __future__ import annotations

import html
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection

_STYLE = (
    "body{font:15px/1.5 sans-serif;color:#1c1c1c;max-width:42em;margin:1.5em auto;padding:0 1em}"
    "h1{font-size:1.25em}h2{font-size:1em;margin:1.4em 0 .3em}"
    "table{border-collapse:collapse}td,th{padding:.25em .9em .25em 0;text-align:left;"
    "vertical-align:top;border-bottom:1px solid #ddd}ul{padding-left:1.2em}"
    ".small{color:#555;font-size:.9em}img{max-width:100%;height:auto}"
)


@dataclass(frozen=True, slots=True)
class Block:
    """A heading and what stands under it: sentences, a table, pictures; each may be missing.

    ``pictures`` are names, each with the words that stand for it where it is not shown. A list is
    ``numbered`` where the order matters.
    """

    heading: str = ""
    sentences: tuple[str, ...] = ()
    table: tuple[tuple[str, ...], ...] = ()
    listed: bool = False
    numbered: bool = False
    small: bool = False
    pictures: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Page:
    """A whole letter; the first row of a table is its head."""

    title: str
    blocks: tuple[Block, ...]

    def as_text(self) -> str:
        """Return the letter as plain text, at most 78 characters wide."""
        parts = [f"{self.title}\n{'=' * min(len(self.title), 78)}"]
        parts += [_text(block) for block in self.blocks if block.sentences or block.table]
        return "\n\n".join(parts) + "\n"

    def as_html(self, pictures: Collection[str] = ()) -> str:
        """Return the letter as an HTML document that loads nothing from anywhere.

        Shown are those ``pictures`` that travel with the letter.
        """
        inside = "".join(
            _html(block) + _pictures(block, pictures)
            for block in self.blocks
            if block.sentences or block.table
        )
        return (
            f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
            f'<meta name="viewport" content="width=device-width, initial-scale=1"><title>'
            f"{html.escape(self.title)}</title><style>{_STYLE}</style></head>\n"
            f"<body><h1>{html.escape(self.title)}</h1>\n{inside}</body></html>\n"
        )


def _text(block: Block) -> str:
    lines = [block.heading, "-" * min(len(block.heading), 78)] if block.heading else []
    for number, sentence in enumerate(block.sentences, start=1):
        first = f"{number}. " if block.numbered else "* " if block.listed else ""
        lines.append(
            textwrap.fill(sentence, 78, initial_indent=first, subsequent_indent=" " * len(first))
        )
    if block.table:
        widths = [max(map(len, column)) for column in zip(*block.table, strict=True)]
        for row in block.table:
            cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
            lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)


def _pictures(block: Block, known: Collection[str]) -> str:
    return "".join(
        f'<p><img src="cid:{html.escape(name)}" alt="{html.escape(words)}" width="520"></p>\n'
        for name, words in block.pictures
        if name in known
    )


def _html(block: Block) -> str:
    out = f"<h2>{html.escape(block.heading)}</h2>\n" if block.heading else ""
    kind = ' class="small"' if block.small else ""
    if block.listed or block.numbered:
        items = "".join(f"<li>{html.escape(sentence)}</li>" for sentence in block.sentences)
        tag = "ol" if block.numbered else "ul"
        out += f"<{tag}{kind}>{items}</{tag}>\n" if items else ""
    else:
        out += "".join(f"<p{kind}>{html.escape(words)}</p>\n" for words in block.sentences)
    if block.table:
        head, *rows = block.table
        out += "<table><tr>" + "".join(f"<th>{html.escape(cell)}</th>" for cell in head) + "</tr>\n"
        for row in rows:
            out += "<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>\n"
        out += "</table>\n"
    return out
