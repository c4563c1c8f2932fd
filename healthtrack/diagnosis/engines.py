"""Many plausible engines: what is not known of the vehicle, drawn from what engines are like.

A signature that holds for one engine only is no signature. Displacement drops out (flows are per
litre); turbocharger, control, recirculation and mixture do not, and the diagnosis averages over
them. Ranges: volumetric efficiency 0.80–0.92, compressor 0.68–0.78 at its best, cooler 0.60–0.85
with 5–15 kPa loss, filter 1–3 kPa, excess air of full load 1.2–1.5 (Heywood 1988, ch. 2, 6, 10 and
common practice).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import qmc

from healthtrack.airpath.engine_parts import Engine, Point

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

KINDS = 4
"""Kinds of control, equally many and in this order: recirculation mapped or holding the measured
airflow, and within each, boost mapped or on a spring, or held."""
NUMBER = 64
"""Engines averaged over, a multiple of :data:`KINDS`: with fewer than 10 of a kind the answer hangs
on the draw, more cost time."""
SEED = 20
DRAWN = 36
"""Properties drawn, some to spare: how many there are decides the draw of each."""


@dataclass(frozen=True, slots=True)
class Engines:
    """Plausible engines as a column (n, 1), with what else is not known of each, also (n, 1).

    ``excess_air`` and ``recirculated`` give the bounds' position (0–1) of each engine, so that an
    engine that recirculates much does so in every region. ``pressure_error`` is what the two
    pressure readings differ by with nothing wrong, in the pressure ratio; ``spool_seconds`` the
    time a pull takes to build boost, ``low_control`` the boost control under little boost,
    ``share_falls`` how recirculation is taken back as boost rises, of a straight line to where it
    ends.
    """

    engine: Engine
    excess_air: FloatArray
    recirculated: FloatArray
    pressure_error: FloatArray
    spool_seconds: FloatArray
    low_control: FloatArray
    share_falls: FloatArray


@dataclass(frozen=True, slots=True)
class Place:
    """What a region is like where nothing was logged that tells. Ranges over engines."""

    engine_speed: float
    pressure_ratio: float
    excess_air: tuple[float, float]
    recirculated: tuple[float, float]
    full_load: float


PLACES: dict[str, Place] = {
    "standstill": Place(800.0, 1.0, (4.0, 7.0), (0.0, 0.0), 0.0),
    "idle": Place(800.0, 1.0, (3.5, 7.0), (-0.1, 0.45), 0.0),
    "part_load": Place(1900.0, 1.3, (1.7, 3.2), (-0.1, 0.35), 0.0),
    "part_load_recirculation": Place(1800.0, 1.2, (1.7, 3.0), (0.08, 0.4), 0.0),
    "part_load_closed": Place(2000.0, 1.4, (1.5, 3.0), (-0.15, 0.25), 0.0),
    "full_load": Place(2400.0, 1.9, (1.25, 2.0), (0.0, 0.0), 1.0),
    "pull": Place(2600.0, 2.1, (1.2, 1.5), (0.0, 0.0), 1.0),
}
"""Regions by name; a negative lower bound of recirculation leaves some engines without."""

LITTLE_BOOST = 1.6
"""Manifold over ambient pressure under which wastegate or vanes often stand closed already."""
RECIRCULATION_ENDS = 1.8
"""Manifold over ambient pressure above which part load no longer recirculates (common practice)."""


def plausible(number: int = NUMBER, seed: int = SEED) -> Engines:
    """Draw engines, evenly spread over what engines are like (a Latin hypercube).

    Parameters
    ----------
    number, seed : int
        How many, and which draw; the same seed gives the same engines.
    """
    draw = qmc.LatinHypercube(d=DRAWN, rng=np.random.default_rng(seed)).random(number)
    column = iter(draw.T[:, :, np.newaxis])

    def between(low: float, high: float) -> FloatArray:
        return np.asarray(low + (high - low) * next(column))

    order = np.arange(number)[:, np.newaxis]
    holds_airflow = (order >= number // 2).astype(np.float64)
    holds_boost = order % (number // 2) >= number // 4
    # of those that do not hold their boost, half are mapped and half have a spring
    spring = next(column)
    control = np.where(spring > 0.5, 1.2 * spring - 0.3, 0.0)
    # one that holds it may still have windows at its stop among those at full load
    held = np.minimum(between(0.4, 1.6), 1.0)
    # and at part load half of all stand at their stop: nothing left to close
    low = np.clip(between(-1.0, 1.5), 0.0, 1.0)
    engine = Engine(
        volumetric_efficiency=between(0.80, 0.93),
        compressor_efficiency=between(0.68, 0.78),
        compressor_slope=between(0.0, 0.3),
        compressor_width=between(0.6, 1.2),
        full_pressure_ratio=between(1.9, 2.8),
        full_speed=between(2400.0, 3600.0),
        turbine_efficiency=between(0.58, 0.78),
        exhaust_heat=between(0.31, 0.41),
        back_pressure=between(1.0, 1.12),
        cooler_effectiveness=between(0.55, 0.85),
        cooler_loss=between(4.0, 15.0),
        restriction=between(0.8, 3.5),
        recirculation_temperature=between(370.0, 450.0),
        boost_control=np.where(holds_boost, held, control),
        boost_reserve=between(0.0, 0.3),
        airflow_control=holds_airflow,
        valve_adds=(next(column) > 0.5).astype(np.float64),
        passage=between(0.0, 1.0) ** 2,
        fouling_blocks=0.0,
        smoke_limit=(next(column) > 0.4).astype(np.float64),
        mixture_effect=between(0.05, 0.30),
        # the vehicle's own full flow is the 98th percentile of what it was driven at
        flow_scale=between(0.75, 1.0),
        # half of the leaks are holes, half open under pressure
        leak_opening=np.maximum(between(-0.8, 0.8), 0.0),
        reading_law=between(-0.05, 0.05),
        # as √T where all heat comes from the walls, nothing where the charge is as warm as they
        filling_warmth=between(0.0, 0.5),
        filling_residual=between(0.0, 0.046),
        # between turbulent charge air and what lies beyond it as the greater resistance
        cooler_law=between(0.2, 0.7),
        # a third cools by a liquid circuit, some 5 to 25 K over ambient (common practice)
        cooler_sink=np.maximum(between(-50.0, 25.0), 0.0),
    )
    return Engines(
        engine=engine,
        excess_air=next(column),
        recirculated=next(column),
        pressure_error=between(-0.02, 0.02),
        spool_seconds=between(1.0, 3.0),
        low_control=np.minimum(low, np.where(holds_boost, held, control)),
        share_falls=between(0.0, 1.5),
    )


def place(
    engines: Engines,
    regions: tuple[str, ...],
    engine_speed: FloatArray,
    pressure_ratio: FloatArray,
    ambient_pressure: FloatArray,
) -> tuple[Engine, Point]:
    """Return the engines at the operating points of the regions, one column each (n, regions).

    The measured means enter where they are known (above zero), else the place's typical value.
    """
    places = [PLACES[region] for region in regions]
    speed = np.where(engine_speed > 0.0, engine_speed, [place.engine_speed for place in places])
    ratio = np.where(
        pressure_ratio > 0.0, pressure_ratio, [place.pressure_ratio for place in places]
    )
    low, high = np.array([place.excess_air for place in places]).T
    least, most = np.array([place.recirculated for place in places]).T
    share = np.clip(least + (most - least) * engines.recirculated, 0.0, None)
    ends = (ratio > RECIRCULATION_ENDS) & (least < 0.0)
    full = np.array([place.full_load for place in places])
    little = (ratio < LITTLE_BOOST) & (full < 0.5)
    control = np.where(little, engines.low_control, engines.engine.boost_control)
    point = Point(
        engine_speed=speed,
        pressure_ratio=ratio + engines.pressure_error,
        excess_air=low + (high - low) * engines.excess_air,
        recirculated=np.where(ends, 0.0, share),
        full_load=full,
        ambient_pressure=np.where(ambient_pressure > 0.0, ambient_pressure, 99.0),
    )
    return replace(engines.engine, boost_control=control), point
