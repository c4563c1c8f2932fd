"""Make the reports' letters anew: ``python -m healthtrack.report.typeface.make``.

They are cut down from Source Sans Pro (SIL Open Font License 1.1, see OFL.txt), which the package
``font-source-sans-pro`` holds as TrueType, to the letters and the kerning that reports need. What
is left out (ligatures, alternates, hints, some 1 300 glyphs) is what made embedding them slow: a
report was 0.4 s of processor time slower with the whole typeface. The license reserves the name
"Source" for the original, so the cut carries a name of its own.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from fontTools import subset  # type: ignore[import-untyped]

FAMILY = "Gauge Sans"

LETTERS = (
    *range(0x20, 0x7F),  # basic Latin
    *range(0xA0, 0x180),  # Latin-1, Latin Extended-A
    *range(0x218, 0x21C),
    *range(0x370, 0x400),  # Greek
    *range(0x400, 0x460),  # Cyrillic
    *range(0x2010, 0x2023),  # dashes, quotation marks, bullets
    *(0x2026, 0x202F, 0x2030, 0x2032, 0x2033, 0x2039, 0x203A, 0x2044, 0x20AC, 0x2122, 0x2126),
    *range(0x2190, 0x2194),
    *(0x2206, 0x2212, 0x221A, 0x221E, 0x2248, 0x2260, 0x2264, 0x2265, 0xFFFD),
)


def make(folder: Path) -> None:
    """Write the two cuts into a folder."""
    source = files("font_source_sans_pro") / "files"
    for cut, words in (("Regular", "Regular"), ("Semibold", "Semibold")):
        options = subset.Options(
            layout_features=["kern", "mark", "ccmp"],
            hinting=False,
            glyph_names=False,
            name_IDs=[0, 1, 2, 4, 5, 6, 13, 14, 16, 17],
            notdef_outline=True,
        )
        options.drop_tables += ["DSIG", "GSUB", "BASE", "meta"]
        font = subset.load_font(str(source / f"SourceSansPro-{cut}.ttf"), options)
        subsetter = subset.Subsetter(options)
        subsetter.populate(unicodes=LETTERS)
        subsetter.subset(font)
        names = {1: FAMILY, 2: words, 4: f"{FAMILY} {words}", 16: FAMILY, 17: words}
        names[6] = f"{FAMILY.replace(' ', '')}-{cut}"
        for record in list(font["name"].names):
            if record.nameID in names:
                font["name"].setName(names[record.nameID], *_key(record))
        font.recalcTimestamp = False
        font.save(str(folder / f"GaugeSans-{cut}.ttf"))


def _key(record: subset.ttLib.tables._n_a_m_e.NameRecord) -> tuple[int, int, int, int]:
    return record.nameID, record.platformID, record.platEncID, record.langID


if __name__ == "__main__":
    make(Path(__file__).resolve().parent)
