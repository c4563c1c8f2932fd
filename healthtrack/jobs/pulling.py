"""One log's pulls, read on the spot: nothing is stored."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack import ingest, units
from healthtrack.airpath.gas import KELVIN
from healthtrack.airpath.map_file import read_map
from healthtrack.airpath.power import SPECIFIC_CONSUMPTION, ambient_correction, engine_factor
from healthtrack.config import SETTINGS_FILE, VehicleSettings
from healthtrack.errors import UsageError
from healthtrack.jobs import ingesting
from healthtrack.jobs.logs import find_logs
from healthtrack.jobs.workspace import Workspace, unknown_vehicle
from healthtrack.operating.pull_figures import figures
from healthtrack.operating.pull_reading import read_pull
from healthtrack.operating.pull_track import track
from healthtrack.operating.pulls import candidates, pull_grid, why_not
from healthtrack.report.pull_page import PulledPage, write_pull_page
from healthtrack.report.shown import ShownUnits

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from pathlib import Path

    from healthtrack.airpath.compressor_map import CompressorMap
    from healthtrack.ingest import Pipeline
    from healthtrack.operating.pull_reading import PullReading
    from healthtrack.operating.pull_track import PullTrack

REASONS = {
    "gap": "a channel fell silent",
    "cold": "the engine was cold",
    "shifted": "the gear was changed before engine speed had risen by a quarter in 2.5 s or more",
    "lifted": "the pedal was lifted before engine speed had risen by a quarter in 2.5 s or more",
    "short": "engine speed rose by less than a quarter, in under 2.5 s, or was polled too slowly",
}
"""Why an acceleration was no pull, in words."""


DECIMALS = {"kPa": 0, "bar": 2, "psi": 1, "g/s": 1, "kg/s": 4, "kg/h": 0, "lb/min": 1}
"""Digits that are worth writing, by unit."""


@dataclass(frozen=True)
class FoundPull:
    """One pull of a log: when, its figures (``operating.PULL_SCHEMA``), its track and reading."""

    started: datetime
    figures: Mapping[str, float]
    track: PullTrack
    reading: PullReading


@dataclass(frozen=True)
class NearMiss:
    """An acceleration that was no pull, and why."""

    started: datetime
    seconds: float
    reason: str


@dataclass(frozen=True)
class PullRequest:
    """What was asked: the log and, where the workspace does not tell, whose it is and so on."""

    log: Path
    vehicle: str | None = None
    pipeline: str | None = None
    chart: Path | None = None
    page: Path | None = None
    refer_power: bool = False
    flow_unit: str = "g/s"
    pressure_unit: str = "kPa"


@dataclass(frozen=True)
class PullsOfLog:
    """All that one log says about pulls."""

    log: str
    vehicle: str | None
    settings: VehicleSettings
    chart: CompressorMap | None
    pulls: tuple[FoundPull, ...]
    near_misses: tuple[NearMiss, ...]
    page: Path
    asked: PullRequest


def read_pulls(root: Path, asked: PullRequest) -> PullsOfLog:
    """Find the pulls of one log and read them, on the vehicle's compressor map if it has one.

    A folder without ``healthtrack.toml`` will do: the shipped pipelines are tried then.

    Parameters
    ----------
    root : pathlib.Path
        The workspace, or any folder.
    asked : PullRequest
        The log and what else was said.

    Raises
    ------
    UsageError, SettingsError, LogError, MapError
        The vehicle or pipeline does not exist; the log or the map cannot be read.
    """
    workspace = Workspace.load(root) if (root / SETTINGS_FILE).is_file() else None
    vehicle, settings = _vehicle(workspace, asked)
    chart = _chart(workspace, settings, asked)
    samples = ingest.read_log(
        asked.log, list(_pipelines(workspace, asked).values()), vehicle or "vehicle", settings
    ).samples
    pulls: list[FoundPull] = []
    misses: list[NearMiss] = []
    for (drive,), rows in samples.group_by(["drive"], maintain_order=True):
        grid = pull_grid(str(drive), rows)
        for found in candidates(grid):
            started = grid.moment(found.first)
            reason = why_not(grid, found)
            if reason is not None:
                seconds = float(grid.times[found.last] - grid.times[found.first])
                misses.append(NearMiss(started, seconds, reason))
                continue
            followed = track(grid, found.first, found.last, settings, chart)
            numbers = figures(grid, found.first, found.last, settings)
            pulls.append(FoundPull(started, numbers, followed, read_pull(followed, chart)))
    shown = workspace.shown(asked.log) if workspace is not None else str(asked.log)
    page = asked.page or _page(workspace, root, asked.log)
    return PullsOfLog(shown, vehicle, settings, chart, tuple(pulls), tuple(misses), page, asked)


def heading(pull: FoundPull) -> str:
    """Name a pull: when, from what speed to what."""
    numbers = pull.figures
    return (
        f"{pull.started:%Y-%m-%d %H:%M:%S} UTC: {numbers['vehicle_speed_start']:.0f} to "
        f"{numbers['vehicle_speed_end']:.0f} km/h in {numbers['seconds']:.1f} s"
    )


def facts(pull: FoundPull, result: PullsOfLog) -> tuple[str, ...]:
    """Return a pull's figures as short phrases; those that are not known are left out."""
    numbers = pull.figures
    phrases = [
        (
            f"{numbers['engine_speed_start']:.0f} to {numbers['engine_speed_end']:.0f} rpm in the "
            f"gear of {numbers['gear_ratio']:.1f} rpm per km/h"
        )
    ]
    flow, pressure = result.asked.flow_unit, result.asked.pressure_unit
    templates = (
        ("slope", "slope {:.1f} %", 100.0),
        (
            "manifold_pressure_peak",
            f"peak manifold pressure {{:.{DECIMALS[pressure]}f}} {pressure}",
            units.convert(1.0, "kPa", pressure),
        ),
        ("engine_speed_at_peak", "reached at {:.0f} rpm", 1.0),
        (
            "airflow_peak",
            f"peak airflow {{:.{DECIMALS[flow]}f}} {flow}",
            units.convert(1.0, "g/s", flow),
        ),
        ("specific_power", "power at the wheels once boost had settled {:.1f} W/kg", 1.0),
        ("airflow_power", "from airflow {:.0f} kW (10 hp per lb/min)", 1.0),
        ("fuel_power", "from fuel {:.0f} kW", 1.0),
        ("air_fuel_ratio", "air-fuel ratio {:.1f}", 1.0),
        ("ambient_temperature", "outside {:.0f} °C", 1.0),
        ("polling", "each channel polled every {:.2f} s", 1.0),
    )
    for name, template, scale in templates:
        if known(numbers.get(name)):
            phrases.append(template.format(scale * numbers[name]))
    spool = [
        f"{numbers[name]:.1f} s to {name.rsplit('_', 1)[1]} kPa"
        for name in numbers
        if name.startswith("seconds_to_") and known(numbers[name])
    ]
    if spool:
        phrases.append(f"boost: {', '.join(spool)} (± {1.96 * numbers['spool_se']:.1f} s)")
    if result.asked.refer_power:
        phrases.append(ambient_words(pull, result.settings))
    return tuple(phrases)


def ambient_words(pull: FoundPull, settings: VehicleSettings) -> str:
    """Refer a pull's power to the standard's surroundings, or say why that cannot be done.

    Parameters
    ----------
    pull : FoundPull
        Its fuel, boost, speed and surroundings are needed.
    settings : VehicleSettings
        The displacement is needed.
    """
    numbers = pull.figures
    needed = ("fuel_power", "ambient_temperature", "settled_engine_speed")
    ambient = next(
        (numbers[n] for n in ("ambient_pressure", "standing_pressure") if known(numbers.get(n))),
        None,
    )
    if settings.displacement_l is None or ambient is None:
        return "ISO 1585: not referred; needs the displacement and the ambient pressure"
    if not all(known(numbers.get(name)) for name in needed):
        return "ISO 1585: not referred; needs the fuel and the ambient temperature"
    factor = engine_factor(
        numbers["fuel_power"] * 1e3 * SPECIFIC_CONSUMPTION,
        settings.displacement_l / 1e3,
        numbers["settled_engine_speed"],
        numbers["settled_manifold_pressure"] / ambient,
    )
    alpha = float(
        ambient_correction(ambient * 1e3, numbers["ambient_temperature"] + KELVIN, factor)
    )
    if not known(alpha):
        return "ISO 1585: not referred; the surroundings are outside its range (factor 0.9 to 1.1)"
    return (
        f"ISO 1585 would refer power to 99 kPa and 298 K with a factor of {alpha:.3f} (air taken "
        "as dry); modern control makes up for the surroundings itself, so the answer to the "
        "weather that is learned from the vehicle is the better correction"
    )


def near_miss_words(miss: NearMiss) -> str:
    """Say of an acceleration why it was not counted."""
    return f"{miss.started:%Y-%m-%d %H:%M:%S} UTC, {miss.seconds:.1f} s: {REASONS[miss.reason]}"


def write_page(result: PullsOfLog) -> None:
    """Write the pulls' page as PDF.

    Raises
    ------
    ReportError
        Where it cannot be written.
    """
    title = f"Pulls in {result.log.rsplit('/', 1)[-1]}"
    if result.vehicle is not None:
        title += f" \N{MIDDLE DOT} {result.settings.name or result.vehicle}"
    write_pull_page(
        title,
        [PulledPage(heading(p), facts(p, result), p.track, p.reading) for p in result.pulls],
        [near_miss_words(miss) for miss in result.near_misses],
        result.chart,
        result.page,
        ShownUnits(result.asked.flow_unit, result.asked.pressure_unit),
    )


def known(value: float | None) -> bool:
    """Tell whether a figure is a number."""
    return value is not None and value == value  # noqa: PLR0124 - not NaN


def _vehicle(workspace: Workspace | None, asked: PullRequest) -> tuple[str | None, VehicleSettings]:
    known_vehicles = workspace.settings.vehicles if workspace is not None else {}
    name = asked.vehicle
    if name is None and workspace is not None:
        (file,) = find_logs(workspace, (asked.log,))
        name = file.vehicle
        if name is None and len(known_vehicles) == 1:
            name = next(iter(known_vehicles))
    if name is None:
        return None, VehicleSettings()
    if name not in known_vehicles:
        raise UsageError(unknown_vehicle(name, known_vehicles))
    return name, known_vehicles[name]


def _pipelines(workspace: Workspace | None, asked: PullRequest) -> Mapping[str, Pipeline]:
    if workspace is not None and workspace.pipelines.is_dir():
        return ingesting.load_pipelines(workspace, asked.pipeline)
    shipped = ingest.load_pipelines(ingest.template_folder())
    if asked.pipeline is None:
        return shipped
    if asked.pipeline not in shipped:
        raise UsageError(
            f"there is no pipeline {asked.pipeline!r} (there: {', '.join(sorted(shipped))})."
        )
    return {asked.pipeline: shipped[asked.pipeline]}


def _chart(
    workspace: Workspace | None, settings: VehicleSettings, asked: PullRequest
) -> CompressorMap | None:
    if asked.chart is not None:
        return read_map(asked.chart)
    if workspace is not None and settings.compressor_map:
        return read_map(workspace.root / settings.compressor_map)
    return None


def _page(workspace: Workspace | None, root: Path, log: Path) -> Path:
    name = f"{log.name.split('.')[0]}_pulls.pdf"
    if workspace is None:
        return root / name
    return workspace.root / workspace.settings.reports / "pulls" / name
