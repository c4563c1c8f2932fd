"""The marks in the reader's numbers: before decimals, and between thousands."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack.report.numbers import THIN

if TYPE_CHECKING:
    from healthtrack.config import ReportSettings

MARKS = {"point": ".", "comma": ",", "space": THIN, "apostrophe": "\N{RIGHT SINGLE QUOTATION MARK}"}

_DECIMAL = re.compile(r"(?<![\d.])(\d+)\.(\d+)(?!\.?\d)")
"""A number with decimals; 3.11.7 is a version and none."""

_THOUSANDS = re.compile(rf"(?<=\d){THIN}(?=\d{{3}}(?!\d))")


@dataclass(frozen=True, slots=True)
class Marks:
    """What stands before the decimals of a number, and between its thousands."""

    decimal: str = "."
    thousands: str = THIN

    @classmethod
    def of(cls, settings: ReportSettings) -> Marks:
        """Return what the settings of reports say."""
        return cls(MARKS[settings.decimal_mark], MARKS.get(settings.thousands_mark, ""))

    def written(self, words: str) -> str:
        """Write the numbers in words as the reader writes them; sentences of other blocks too.

        Examples
        --------
        >>> Marks(",", ".").written(f"at 126{THIN}100 mi, 4.1 %")
        'at 126.100 mi, 4,1 %'
        """
        if self.decimal != ".":
            words = _DECIMAL.sub(rf"\1{self.decimal}\2", words)
        return words if self.thousands == THIN else _THOUSANDS.sub(self.thousands, words)


PLAIN = Marks()
"""A point, and thin spaces."""
