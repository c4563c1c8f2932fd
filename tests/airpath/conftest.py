"""An analytic compressor, so that a map can be resampled and every answer is known."""

import numpy as np
import pytest

from healthtrack.airpath.compressor import Reference
from healthtrack.airpath.compressor_map import CompressorMap, Line, SpeedLine

REFERENCE = Reference(298.15, 100e3)
FULL_SPEED = 180e3  # rpm
SURGE, CHOKE = 0.35, 1.0  # of the speed's own choke flow


class AnalyticCompressor:
    """Work falls with the square of the flow coefficient; efficiency is a smooth hill."""

    choke = 0.16  # kg/s at full speed

    def ratio(self, flow, speed):
        u = speed / FULL_SPEED
        share = flow / (self.choke * u)
        work = 0.36 * u**2 * (1.05 - 0.55 * (share - 0.25) ** 2)
        return (1.0 + work) ** 3.5

    def efficiency(self, flow, speed):
        u = speed / FULL_SPEED
        share = flow / (self.choke * u)
        return 0.76 - 0.35 * (share - 0.62) ** 2 - 0.12 * (u - 0.72) ** 2

    def map(self, lines=7, points=9):
        speeds = np.linspace(0.4, 1.0, lines) * FULL_SPEED
        made = []
        for speed in speeds:
            flow = np.linspace(SURGE, CHOKE, points) * self.choke * speed / FULL_SPEED
            made.append(
                SpeedLine(speed, flow, self.ratio(flow, speed), self.efficiency(flow, speed))
            )
        return CompressorMap(
            name="analytic",
            source="tests",
            reference=REFERENCE,
            speed_lines=tuple(made),
            surge=Line(
                np.array([line.flow[0] for line in made]),
                np.array([line.ratio[0] for line in made]),
            ),
            choke=Line(
                np.array([line.flow[-1] for line in made]),
                np.array([line.ratio[-1] for line in made]),
            ),
        )

    def random_points(self, count, seed=1):
        """Points inside the map, between 42 and 98 % of full speed."""
        rng = np.random.default_rng(seed)
        speed = rng.uniform(0.42, 0.98, count) * FULL_SPEED
        share = rng.uniform(SURGE + 0.02, CHOKE - 0.02, count)
        flow = share * self.choke * speed / FULL_SPEED
        return flow, self.ratio(flow, speed), speed


@pytest.fixture
def compressor():
    return AnalyticCompressor()
