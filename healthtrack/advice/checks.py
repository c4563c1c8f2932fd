"""The checks per cause, from the data file beside this module."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Any, Literal

Effort = Literal["look", "listen", "clean", "measure", "swap"]


@dataclass(frozen=True, slots=True)
class Check:
    """Something to do, what it tells, and what to mind.

    ``minutes`` is what it takes a practised hand; ``cautions`` are keys of :attr:`Checks.cautions`.
    """

    effort: Effort
    minutes: int
    do: str
    tells: str
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class Checks:
    """All checks by cause in the order of their effort, and what to do once they confirm it."""

    by_cause: dict[str, tuple[Check, ...]]
    replace: dict[str, str]
    cautions: dict[str, str]


@lru_cache(maxsize=1)
def load() -> Checks:
    """Read the data file that is part of the package."""
    text = files("healthtrack.advice").joinpath("checks.toml").read_text(encoding="utf-8")
    raw = tomllib.loads(text)
    causes = raw["causes"]
    return Checks(
        by_cause={
            name: tuple(_check(item) for item in told["check"]) for name, told in causes.items()
        },
        replace={name: told["replace"] for name, told in causes.items()},
        cautions=raw["cautions"],
    )


def _check(item: dict[str, Any]) -> Check:
    return Check(item["effort"], item["minutes"], item["do"], item["tells"], tuple(item["caution"]))
