"""How numbers, quantities and days are written: true minus signs, thin spaces, honest digits.

The typeface's digits all have one width, so columns of numbers align on their own.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

MINUS = "\N{MINUS SIGN}"
THIN = "\N{NO-BREAK SPACE}"
"""A fifth of an em in the reports' typeface, which is what printers call a thin space."""
NOTHING = "\N{EN DASH}"
"""Stands where there is no number."""

UNITS = (
    "%|km/h|mph|km|mi|kPa|hPa|mbar|bar|psi|inHg|K|°C|°F|s|g/s|kg/h|lb/min|kW|hp|PS|rpm|drives"
    "|windows"
)
"""What stays on one line with the number before it."""

MONTHS = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


def decimals_for(low: float | None, high: float | None, *, fewest: int = -3, most: int = 3) -> int:
    """Return how many decimals a figure deserves whose 95 % band is given.

    The half width keeps one significant digit, or two where the first is 1 or 2 (so that rounding
    never moves an end of the band by more than a sixth of its half width); level and band then
    share the digits. Negative answers round before the decimal mark (−2: hundreds).

    Examples
    --------
    >>> decimals_for(-5.0, -3.2), decimals_for(-4.22, -3.98), decimals_for(199_500, 206_000)
    (1, 2, -3)
    """
    if low is None or high is None or not high > low or not math.isfinite(high - low):
        return min(most, 1)
    half = (high - low) / 2
    power = math.floor(math.log10(half))
    leading = half / 10.0**power
    digits = -power + (1 if leading < 2.95 else 0)
    return max(fewest, min(most, digits))


def two_digits(value: float) -> int:
    """Return the decimals that keep two digits of a figure that has no band; one at most over 1.

    Examples
    --------
    >>> two_digits(-1.93), two_digits(12.3), two_digits(0.102)
    (1, 0, 2)
    """
    if not value or not math.isfinite(value):
        return 1
    return max(0, 1 - math.floor(math.log10(abs(value))))


def number(value: float | None, decimals: int = 1, *, sign: bool = False) -> str:
    """Write a number with a true minus sign and thin spaces between thousands.

    Parameters
    ----------
    value : float or None
        None and not-a-number give an en dash.
    decimals : int
        Digits after the decimal point; negative rounds before it.
    sign : bool
        Whether a plus sign is written too.

    Examples
    --------
    >>> print(number(-4.06, 1), number(214_312, -2), number(0.04, 1, sign=True), sep=" | ")
    −4.1 | 214 300 | 0.0
    """
    if value is None or not math.isfinite(value):
        return NOTHING
    rounded = round(value, decimals)
    plain = f"{abs(rounded):,.{max(decimals, 0)}f}".replace(",", THIN)
    if rounded < 0:
        return MINUS + plain
    return f"+{plain}" if sign and rounded > 0 else plain


def quantity(value: float | None, unit: str, decimals: int = 1, *, sign: bool = False) -> str:
    """Write a number with its unit behind a thin space; an en dash alone where there is none."""
    words = number(value, decimals, sign=sign)
    return words if words == NOTHING or not unit else f"{words}{THIN}{unit}"


def span(low: float | None, high: float | None, decimals: int = 1) -> str:
    """Write a range; the word *to* cannot be mistaken for a minus sign.

    Examples
    --------
    >>> span(-5.0, -3.2), span(None, -3.2)
    ('−5.0 to −3.2', '–')
    """
    if low is None or high is None:
        return NOTHING
    return f"{number(low, decimals)} to {number(high, decimals)}"


def typeset(sentence: str) -> str:
    """Give a plain sentence true minus signs and thin spaces, a capital and a full stop.

    Examples
    --------
    >>> print(typeset("airflow is -4.1 % from healthy (-5.0 to -3.2 %) since 203 000 km"))
    Airflow is −4.1 % from healthy (−5.0 to −3.2 %) since 203 000 km.
    """
    text = re.sub(r"(?<![\w.])[-+](?=0(?:\.0+)?(?![\d.]*[1-9]))", "", sentence.strip())
    text = re.sub(r"(?<![\w-])-(?=\d)", MINUS, text)
    text = re.sub(r"(?<=\d) (?=\d{3}(?!\d))", THIN, text)
    text = re.sub(rf"(?<=\d) (?=(?:{UNITS})(?!\w))", THIN, text)
    if not text:
        return text
    stop = "" if text[-1] in ".!?:" else "."
    return text[0].upper() + text[1:] + stop


def percent(share: float) -> str:
    """Write a probability as percent; never 0 % or 100 % of what is neither.

    Examples
    --------
    >>> print(percent(0.914), percent(0.999), percent(0.001), percent(1.0), sep=", ")
    91 %, over 99 %, under 1 %, 100 %
    """
    if 0.995 <= share < 1.0:
        return f"over 99{THIN}%"
    if 0.0 < share < 0.005:
        return f"under 1{THIN}%"
    return f"{number(100 * share, 0)}{THIN}%"


def day(value: date | None) -> str:
    """Write a day in full, the same on every machine whatever its language settings.

    Examples
    --------
    >>> from datetime import date
    >>> day(date(2026, 3, 31))
    '31 March 2026'
    """
    return NOTHING if value is None else f"{value.day} {MONTHS[value.month - 1]} {value.year}"


def short_day(value: date | None) -> str:
    """Write a day short, as in a table: ``31 Mar 2026``."""
    return NOTHING if value is None else f"{value.day} {MONTHS[value.month - 1][:3]} {value.year}"


def count(amount: int, one: str, many: str | None = None) -> str:
    """Write an amount of things: ``1 drive``, ``312 drives``."""
    return f"{number(amount, 0)} {one if amount == 1 else (many or one + 's')}"
