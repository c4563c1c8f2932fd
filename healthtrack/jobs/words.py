"""Small help for sentences."""

from __future__ import annotations


def counted(number: int, thing: str) -> str:
    """Return a number with its thing, in the plural where it is not one.

    Examples
    --------
    >>> counted(1, "log"), counted(3, "log")
    ('1 log', '3 logs')
    """
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
