"""Print the calibration table: coverage of the 95 % band and false alerts, per kind of history.

A kind keeps its promise where its coverage lies in 93–97 % and its false alerts within the promise,
each to within two standard errors; the last column says by how many it lies outside.
Run as ``python -m tests.benchmarks.drift_calibration [HISTORIES] [SEED] [KIND…]``.
"""

# ruff: noqa: T201 - a script that prints a table
from __future__ import annotations

import sys

import numpy as np

from healthtrack.drift import follow_many
from tests.calibration.histories import KINDS, LEARNED, life

BAR_YEARS = 80.0
"""As with the default promise: 0.1 a vehicle-year, shared out over eight indicators."""


def main(histories: int, seed: int, *chosen: str) -> None:
    """Simulate, follow and count."""
    print(f"{histories} histories a kind, bar {BAR_YEARS:.0f} years, seed {seed}")
    print("kind                       coverage %    half-width   false alerts/year (promise "
          f"{1 / BAR_YEARS:.4f})   found   outside")  # fmt: skip
    for place, kind in enumerate(KINDS):
        if chosen and kind.name not in chosen:
            continue
        rng = np.random.default_rng([seed, place])
        lives = [life(kind, rng) for _ in range(histories)]
        courses = follow_many([one.segment for one in lives], [np.log(BAR_YEARS)] * histories)
        covered, width, false, years, found = [], [], 0, 0.0, 0
        for one, course in zip(lives, courses, strict=True):
            after = slice(LEARNED, None)
            inside = (course.low <= one.level) & (one.level <= course.high)
            covered.append(inside[after].mean())
            width.append(0.5 * (course.high - course.low)[after].mean())
            faulty = bool(kind.step or kind.ramp)
            before = [r for r in course.episodes.raised if not faulty or r < one.fault_at]
            false += len(before)
            days = one.segment.days
            end = days[one.fault_at] if faulty else days[-1]
            years += (end - days[LEARNED]) / 365.25
            found += any(r >= one.fault_at for r in course.episodes.raised) if faulty else 0
        error = np.std(covered) / np.sqrt(histories)
        rate, doubt = false / years, np.sqrt(max(false, 1)) / years
        middle, promised = float(np.mean(covered)), years / BAR_YEARS
        outside = max(0.93 - middle, middle - 0.97, 0.0) / max(error, 1e-6)
        outside = max(outside, (false - promised) / np.sqrt(promised))
        print(
            f"{kind.name:26s} {100 * np.mean(covered):5.1f} ± {100 * error:3.1f}   "
            f"{np.mean(width):5.2f}        {rate:.4f} ± {doubt:.4f} ({false})          {found:3d}"
            f"     {'' if outside <= 0 else f'{outside:.1f}'}",
            flush=True,
        )


if __name__ == "__main__":
    given = sys.argv[1:]
    asked = given + ["200", "1"][len(given) :]
    main(int(asked[0]), int(asked[1]), *asked[2:])
