"""Invented findings, made from arithmetic, for every kind of report."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from healthtrack.config import VehicleSettings
from healthtrack.records import (
    BaselineSummary,
    CauseFinding,
    Diagnosis,
    Evidence,
    ExpectedLevels,
    FanPoint,
    Forecast,
    IndicatorFinding,
    Loss,
    MaintenanceEvent,
    NextObservation,
    NotObservable,
    RegionEvidence,
    Together,
    Trend,
    VehicleFinding,
)
from healthtrack.report import write_vehicle_report

FIRST_DAY = datetime(2023, 1, 3, 7, 30, tzinfo=UTC)
AS_OF = date(2026, 3, 31)


def make_trend(level, *, drives=240, scatter=1.1, half=0.5, odometer=True, learned=61, states=None):
    """A trend whose level is ``level(share of the life passed)``."""
    i = np.arange(drives)
    passed = i / max(drives - 1, 1)
    truth = np.array([level(p) for p in passed], dtype=float)
    wobble = scatter * (np.sin(2.4 * i) + 0.6 * np.sin(0.37 * i + 1.0)) / 1.2
    started = [FIRST_DAY + timedelta(days=4.9 * int(n), hours=int(n) % 9) for n in i]
    band = half * (1.0 + 0.8 * np.abs(2 * passed - 1) ** 3)
    frame = pl.DataFrame(
        {
            "drive": [f"otter/{at:%Y-%m-%dT%H:%M:%S}" for at in started],
            "started": started,
            "odometer_km": 152_000.0 + 260.0 * i if odometer else [None] * drives,
            "value": truth + wobble,
            "se": 0.4 + 0.15 * np.cos(i) ** 2,
            "windows": 12 + i % 17,
            "inside": np.full(drives, 0.97),
            "filtered": truth,
            "filtered_low": truth - 1.3 * band,
            "filtered_high": truth + 1.3 * band,
            "smoothed": truth,
            "smoothed_low": truth - band,
            "smoothed_high": truth + band,
            "state": [states(p) if states else "normal" for p in passed],
            "learned": i < learned,
        },
        schema_overrides={"started": pl.Datetime("us", "UTC"), "odometer_km": pl.Float64},
    )
    return Trend(frame)


def make_indicator(name="airflow", unit="%", level=lambda p: 0.2 * np.sin(7 * p), **changes):
    """A sound indicator; ``changes`` override its fields."""
    trend_words = {
        key: changes.pop(key)
        for key in ("drives", "scatter", "half", "odometer", "learned", "states")
        if key in changes
    }
    trend = make_trend(level, **trend_words)
    last = trend.frame.row(-1, named=True)
    fields = {
        "state": "normal",
        "reason": "the level is where it was while the vehicle was healthy",
        "level": last["smoothed"],
        "low": last["smoothed_low"],
        "high": last["smoothed_high"],
        "slope_per_10000_km": 0.05,
        "slope_low": -0.21,
        "slope_high": 0.31,
        "limit": -6.0,
        "threshold": -1.9,
        "baseline": BASELINE,
        "trend": trend,
    }
    return IndicatorFinding(name, unit, **{**fields, **changes})


BASELINE = BaselineSummary(date(2023, 1, 3), date(2023, 10, 27), 61)

LOSSES = (
    Loss("cold", 2_025),
    Loss("unsteady", 9_018),
    Loss("overrun", 1_724),
    Loss("missing_channel", 96, "airflow"),
    Loss("pull_shifted", 14),
    Loss("ragged_row", 3),
    Loss("repeat", 88_120, "manifold_pressure"),
    Loss("out_of_range", 312, "airflow"),
    Loss("not_a_number", 7, "intake_temperature"),
)

MAINTENANCE = (
    MaintenanceEvent("e1", "otter", date(2023, 5, 12), "service", 159_400.0, "oil and filters"),
    MaintenanceEvent("e2", "otter", date(2024, 6, 3), "air_filter_replaced", 179_800.0),
)


def make_fan(level, slope):
    """How a level may go on: its middle is straight, its width grows."""
    points = []
    for n in range(7):
        middle, sd = level + slope * n / 4, 0.25 + 0.2 * n
        on = AS_OF + timedelta(days=30 * n)
        edges = (middle + share * sd for share in (-1.96, -0.6745, 0.0, 0.6745, 1.96))
        points.append(FanPoint(214_140.0 + 2_500.0 * n, on, *edges))
    return tuple(points)


def sound():
    return VehicleFinding(
        vehicle="otter",
        as_of=AS_OF,
        state="normal",
        reason="The air path is sound: all four indicators lie within their bands of healthy.",
        odometer_km=214_140.0,
        drives=240,
        baseline=BASELINE,
        indicators=(
            make_indicator(),
            make_indicator("boost", level=lambda p: 0.3 * np.cos(5 * p), limit=-5.0),
            make_indicator("breathing", level=lambda p: 0.4 * p, limit=-5.0),
            make_indicator(
                "charge_temperature",
                unit="K",
                level=lambda p: 1.1 + 0.3 * np.sin(9 * p),
                limit=12.0,
                threshold=4.0,
                scatter=2.2,
            ),
        ),
        not_observable=(NotObservable("intake_restriction", "ambient pressure in the air box"),),
        maintenance=MAINTENANCE,
        losses=LOSSES,
        windows=4_812,
        first_drive=FIRST_DAY,
        last_drive=datetime(2026, 3, 29, 16, 2, tzinfo=UTC),
        logs_stored=231,
        logs_quarantined=2,
    )


def _falling(p):
    return -7.4 * max(0.0, p - 0.45) / 0.55


def _falling_state(p):
    return "alarm" if _falling(p) < -6.2 else "alert" if _falling(p) < -2.0 else "normal"


def alarm():
    airflow = make_indicator(
        level=_falling,
        states=_falling_state,
        state="alarm",
        reason="the level is 7.4 % under healthy and past the limit; 95 % band wholly outside",
        slope_per_10000_km=-2.2,
        slope_low=-2.7,
        slope_high=-1.7,
        kind="drift",
        since_km=181_200.0,
        since_km_low=177_900.0,
        since_km_high=185_300.0,
        raised_on=date(2025, 10, 30),
        raised_at_km=207_000.0,
        together=Together(8, -7.1, -2.2, -2.9, -1.5, -4.9, -5.9, -3.9, "partly"),
    )
    breathing = make_indicator(
        "breathing",
        level=lambda p: 0.6 * _falling(p),
        states=lambda p: "alert" if p > 0.7 else "normal",
        state="alert",
        reason="the level is 4.4 % under healthy, more than chance explains",
        limit=-5.0,
        slope_per_10000_km=-1.3,
        slope_low=-1.8,
        slope_high=-0.8,
        kind="drift",
        since_km=182_000.0,
        since_km_low=176_000.0,
        since_km_high=190_000.0,
        forecast=Forecast(
            218_400.0, 215_900.0, 223_700.0, date(2026, 6, 21), fan=make_fan(-4.44, -1.3)
        ),
    )
    base = sound()
    return replace(
        base,
        state="alarm",
        reason="The airflow reads 7.4 % low and still falls; it has been drifting since about "
        "181 000 km and passed its limit at 207 000 km.",
        indicators=(airflow, base.indicators[1], breathing, base.indicators[3]),
        causes=(
            CauseFinding("airflow_sensor_reads_low", 0.91, -7.3, -8.2, -6.4, "%"),
            CauseFinding("charge_air_leak", 0.06, 5.1, 2.0, 8.4, "%"),
            CauseFinding("unknown", 0.026),
            CauseFinding("none", 0.004),
        ),
        evidence=Evidence(
            (
                RegionEvidence("airflow", "idle", -6.8, 0.9, 210, 820.0),
                RegionEvidence("airflow", "part_load", -7.6, 0.6, 880, 1_900.0),
                RegionEvidence("airflow", "full_load", -7.2, 0.5, 140, 2_700.0),
                RegionEvidence("boost", "full_load", 0.1, 0.4, 140, 2_700.0),
                RegionEvidence("breathing", "part_load", -4.1, 0.7, 910, 1_950.0),
                RegionEvidence("breathing", "idle", 0.8, 0.7, 200, 820.0),
            )
        ),
        diagnosis=Diagnosis(
            (),
            alike=(("airflow_sensor_reads_low", "egr_stuck_open"),),
            next_observations=(
                NextObservation("standing", "compare the sensors with the engine standing", 0.42),
            ),
            expected=(
                ExpectedLevels("airflow_sensor_reads_low", (-7.3, -7.3, -7.3, 0.0, -7.3, -7.3)),
            ),
        ),
        advice=(
            (
                "Compare the airflow sensor with the engine standing: engine off, key on, it must "
                "read no flow (ten minutes, no tools)."
            ),
            (
                "Clean or replace the airflow sensor and note it in the maintenance list (half an "
                "hour; engine off and cool)."
            ),
        ),
    )


def learning():
    return replace(
        sound(),
        state="learning",
        reason="Learning: have 9 drives, need 20; 31 windows were lost because the engine was "
        "cold.",
        drives=9,
        windows=96,
        baseline=None,
        odometer_km=154_080.0,
        indicators=tuple(
            IndicatorFinding(name, "%", "learning", "have 9 drives, need 20")
            for name in ("airflow", "boost", "breathing")
        ),
        maintenance=(),
        first_drive=FIRST_DAY,
        last_drive=datetime(2023, 2, 11, 9, 0, tzinfo=UTC),
        logs_stored=9,
        logs_quarantined=0,
    )


def no_data():
    return VehicleFinding(
        vehicle="heron",
        as_of=AS_OF,
        state="no_data",
        reason="No usable log has come since 12 January 2026.",
        odometer_km=None,
        drives=0,
        baseline=None,
        logs_quarantined=3,
        not_observable=(
            NotObservable("airflow", "air mass flow"),
            NotObservable("boost", "manifold pressure"),
        ),
    )


def no_odometer():
    base = alarm()
    indicators = tuple(
        replace(
            item,
            trend=Trend(item.trend.frame.with_columns(odometer_km=pl.lit(None, dtype=pl.Float64))),
            slope_per_10000_km=None,
            slope_low=None,
            slope_high=None,
            slope_per_year=-2.9 if item.kind == "drift" else 0.1,
            slope_per_year_low=-3.6 if item.kind == "drift" else -0.4,
            slope_per_year_high=-2.2 if item.kind == "drift" else 0.6,
            since_km=None,
            since_km_low=None,
            since_km_high=None,
            since_on=date(2024, 6, 2) if item.kind == "drift" else None,
            since_on_low=date(2024, 4, 11) if item.kind == "drift" else None,
            since_on_high=date(2024, 8, 3) if item.kind == "drift" else None,
            forecast=Forecast(limit_on=date(2026, 6, 21), fan=item.forecast.fan)
            if item.forecast
            else None,
        )
        for item in base.indicators
    )
    return replace(base, odometer_km=None, indicators=indicators)


def single_drive():
    one = make_indicator(drives=1, learned=1, half=2.0)
    return replace(
        learning(),
        drives=1,
        windows=11,
        reason="Learning: have 1 drive, need 20.",
        last_drive=FIRST_DAY,
        indicators=(
            replace(
                one,
                state="learning",
                reason="have 1 drive, need 20",
                level=None,
                low=None,
                high=None,
                slope_per_10000_km=None,
                slope_low=None,
                slope_high=None,
                threshold=None,
            ),
        ),
    )


def forty_events():
    kinds = ("service", "air_filter_replaced", "other", "airflow_sensor_cleaned")
    events = tuple(
        MaintenanceEvent(
            f"e{n}",
            "otter",
            FIRST_DAY.date() + timedelta(days=29 * n),
            kinds[n % 4] if n != 20 else "airflow_sensor_replaced",
            152_000.0 + 1_540.0 * n if n % 3 else None,
            "brake pads, wiper blades, and whatever else was due in that month" if n % 5 else "",
        )
        for n in range(40)
    )
    return replace(sound(), maintenance=events)


def long_name():
    return replace(
        alarm(), vehicle="the-vehicle-of-the-mountain-rescue-post-at-the-upper-end-of-the-valley-7"
    )


def missing_trend():
    base = sound()
    gone = replace(base.indicators[1], trend=None)
    empty = replace(base.indicators[2], trend=Trend(base.indicators[2].trend.frame.head(0)))
    return replace(base, indicators=(base.indicators[0], gone, empty))


def eight_indicators():
    base = alarm()
    more = tuple(
        make_indicator(name, unit=unit, limit=limit, threshold=limit / 3)
        for name, unit, limit in (
            ("intake_restriction", "kPa", 3.0),
            ("standing_pressure", "kPa", 2.0),
            ("spool_time", "s", 0.8),
            ("pull_power", "%", -8.0),
        )
    )
    return replace(base, indicators=base.indicators + more, not_observable=())


CASES = {
    "sound": sound,
    "alarm": alarm,
    "learning": learning,
    "no_data": no_data,
    "no_odometer": no_odometer,
    "single_drive": single_drive,
    "forty_events": forty_events,
    "long_name": long_name,
    "missing_trend": missing_trend,
    "eight_indicators": eight_indicators,
}


def make_fleet(size):
    """As many vehicles, of all kinds; most are sound."""
    kinds = (sound, sound, alarm, sound, learning, sound, no_data, sound, sound, no_odometer)
    made = {kind: kind() for kind in kinds}
    return tuple(
        replace(made[kinds[n % 10 if n < 20 else 0]], vehicle=f"vehicle-{n:03}")
        for n in range(size)
    )


NAMES = {
    "long_name": "Rescue vehicle of the post at the upper end of the valley, the one with the "
    "winch, formerly of the forestry office ($7 & <co>) Überführungsfahrzeug",
    "no_data": "Heron",
}


def settings_of(case):
    return VehicleSettings(displacement_l=2.5, name=NAMES.get(case, "Otter"))


@pytest.fixture(params=CASES, scope="session")
def case(request):
    """The name of a case, its finding and its vehicle's settings."""
    return request.param, CASES[request.param](), settings_of(request.param)


@pytest.fixture(scope="session")
def written(case, tmp_path_factory):
    """A case's finding, its settings, and the report that was written of it, once."""
    name, finding, vehicle = case
    path = tmp_path_factory.mktemp("reports") / "deep" / f"{name}.pdf"
    write_vehicle_report(finding, vehicle, path)
    return finding, vehicle, path


@pytest.fixture(scope="session")
def findings():
    """The functions that make a finding, by the name of the case."""
    return CASES


@pytest.fixture(scope="session")
def fleet():
    """The function that makes a fleet of a size."""
    return make_fleet


@pytest.fixture(scope="session")
def settings():
    """The function that gives a case's vehicle settings."""
    return settings_of
