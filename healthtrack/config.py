"""Workspace and vehicle settings: each default once, with its unit and its reason."""

from __future__ import annotations

import difflib
import tomllib
from datetime import date
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, Field, ValidationError, model_validator

from healthtrack.config_service import (
    MailSettings,
    PageSettings,
    RecipientSettings,
    ServiceSettings,
    SettingsModel,
)
from healthtrack.errors import SettingsError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

Model = TypeVar("Model", bound=BaseModel)

SETTINGS_FILE = "healthtrack.toml"

DEFAULT_STORE_MEMORY_MB = 125
"""One thread of the database's: the least that it takes, and no report, backup or restoring of
seven million samples was slower by more than a third than with eight times as much."""

VEHICLE_ID = r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$"
"""What a vehicle's id may be: it names folders, files and drives."""

SAMPLES = r"^(s3://[a-z0-9][a-z0-9.-]*/[^/]+.*|([A-Za-z]:)?[^:]*)$"
"""Where samples may be kept: a path, or a bucket with a prefix."""

MAINTENANCE_KINDS: dict[str, tuple[str, tuple[str, ...]]] = {
    # kind: (words, indicators whose healthy value may differ afterwards)
    "airflow_sensor_replaced": ("airflow sensor replaced", ("airflow", "breathing")),
    "airflow_sensor_cleaned": ("airflow sensor cleaned", ("airflow", "breathing")),
    "manifold_pressure_sensor_replaced": (
        "manifold pressure sensor replaced",
        ("boost", "breathing", "standing_pressure", "spool_time"),
    ),
    "turbocharger_replaced": (
        "turbocharger replaced",
        ("airflow", "boost", "spool_time", "pull_power"),
    ),
    "charge_air_leak_repaired": (
        "charge-air leak repaired",
        ("airflow", "boost", "breathing", "spool_time", "pull_power"),
    ),
    "charge_cooler_cleaned": ("charge cooler cleaned or replaced", ("charge_temperature",)),
    "air_filter_replaced": ("air filter replaced", ("intake_restriction",)),
    "recirculation_valve_serviced": ("recirculation valve serviced", ("airflow", "breathing")),
    "software_changed": (
        "engine software changed",
        ("airflow", "boost", "breathing", "charge_temperature", "spool_time", "pull_power"),
    ),
    "service": ("routine service", ()),
    "other": ("other work", ()),
}
"""Kinds of maintenance event, their words, and the indicators that they restart."""


class AlertSettings(SettingsModel):
    """How sure is sure enough."""

    false_alerts_per_vehicle_year: Annotated[float, Field(gt=0, le=12)] = Field(
        0.1,
        description="false alerts that you accept per vehicle and year, all indicators "
        "together; one in ten years keeps a monitor believed",
    )


class BaselineSettings(SettingsModel):
    """How much healthy history is enough."""

    minimum_drives: Annotated[int, Field(ge=5, le=1000)] = Field(
        20,
        description="drives with usable windows before anything is judged; with fewer, the "
        "scatter between drives is not known",
    )
    automatic_drives: Annotated[int, Field(ge=5, le=2000)] = Field(
        20,
        description="drives of the automatic healthy period: the first ones of the vehicle, and "
        "more where they cover too little of the speeds, loads and temperatures below",
    )
    longest_drives: Annotated[int, Field(ge=5, le=5000)] = Field(
        40,
        description="drives after which the automatic healthy period ends whatever it covers: "
        "what a vehicle has not done in so many it hardly ever does, and the band widens there",
    )
    borrowing_drives: Annotated[int, Field(ge=5, le=1000)] = Field(
        8,
        description="drives of its own after which a vehicle is judged by what vehicles of its "
        "`kind` lend it, with a wider band, until its own healthy period is complete; they "
        "settle its own level to a third of a drive's scatter",
    )
    speed_span_rpm: Annotated[float, Field(ge=0, le=4000)] = Field(
        800.0,
        description="span of engine speed under load that the automatic healthy period must cover "
        "(5 to 95 % of its windows) [rpm]; two fifths of what a diesel uses, lest one gear on "
        "one road be taken for the engine",
    )
    load_span_percent: Annotated[float, Field(ge=0, le=95)] = Field(
        30.0,
        description="span of load that it must cover, of the largest load in it [%]; a surface "
        "over less has no slope",
    )
    temperature_span_k: Annotated[float, Field(ge=0, le=60)] = Field(
        8.0,
        description="span of ambient temperature between its drives that it must cover [K]; halves "
        "the doubt about the answer to temperature. No winter is asked for: the band widens by "
        "itself outside what was seen",
    )

    @model_validator(mode="after")
    def _enough(self) -> BaselineSettings:
        if self.automatic_drives < self.minimum_drives:
            msg = "automatic_drives must not be under minimum_drives"
            raise ValueError(msg)
        return self


class VehicleSettings(SettingsModel):
    """One vehicle: the few facts that no log tells."""

    displacement_l: Annotated[float, Field(gt=0.3, lt=30)] | None = Field(
        None,
        description="engine displacement [L]; bounds the airflow and scales the breathing",
        examples=[2.5],
    )
    cylinders: Annotated[int, Field(ge=1, le=24)] = Field(4, description="number of cylinders")
    name: str = Field("", description="words for the report's title; the id where empty")
    kind: str = Field(
        "",
        description="type of vehicle, in words of your own; a vehicle with little history borrows "
        "from others with the very same words (engine, turbocharger and sensors alike), and an "
        "alert says whether they moved too; it stands alone where empty",
    )
    pipeline: str = Field("", description="pipeline that reads its logs; tried in turn where empty")
    altitude_m: Annotated[float, Field(ge=-500, le=5000)] | None = Field(
        None,
        description="usual altitude [m]; gives ambient pressure where nothing logs it",
        examples=[600.0],
    )
    mass_kg: Annotated[float, Field(gt=300, lt=60_000)] = Field(
        1700.0, description="mass with driver and load [kg]; scales the power of a pull"
    )
    drag_area_m2: Annotated[float, Field(gt=0.1, lt=20)] = Field(
        0.75, description="drag coefficient times frontal area [m²]; 0.6 to 0.8 for a car"
    )
    compressor_map: str = Field(
        "", description="compressor map, a file in the workspace; none where empty"
    )
    intake_temperature_sensor: Literal["unknown", "ahead_of_compressor", "behind_cooler"] = Field(
        "unknown", description="where the intake temperature sensor sits"
    )
    gearing_check: bool = Field(
        default=True,
        description="refuse logs whose road speed over engine speed fits none of its gears",
    )
    baseline_from: date | None = Field(
        None,
        description="first day of the healthy period; without a last one it is found from there on",
        examples=[date(2025, 1, 1)],
    )
    baseline_to: date | None = Field(
        None, description="last day of the healthy period", examples=[date(2025, 6, 30)]
    )
    service_every_km: Annotated[float, Field(gt=500, lt=200_000)] | None = Field(
        None,
        description="distance between routine services [km], counted from the last one recorded",
        examples=[20_000.0],
    )
    service_every_months: Annotated[int, Field(ge=1, le=60)] | None = Field(
        None,
        description="time between routine services [months]; what comes first counts",
        examples=[12],
    )
    limits: dict[str, float] = Field(
        default_factory=dict,
        description="own limit per indicator, in its unit",
        examples=[{"airflow": -6.0}],
    )


class ReportSettings(SettingsModel):
    """How reports look."""

    paper: Literal["A4", "Letter"] = Field("A4", description="size of the sheets")
    decimal_mark: Literal["point", "comma"] = Field(
        "point", description="what stands before the decimals of a number"
    )
    thousands_mark: Literal["space", "comma", "point", "apostrophe", "none"] = Field(
        "space", description="what stands between thousands; another than the decimal mark"
    )
    distance: Literal["km", "mi"] = Field(
        "km", description="unit of distances; speeds go with it (km/h, mph)"
    )
    pressure: Literal["kPa", "hPa", "mbar", "bar", "psi", "inHg"] = Field(
        "kPa", description="unit of pressures"
    )
    temperature: Literal["°C", "°F"] = Field(
        "°C", description="unit of temperatures; differences are in K or in °F"
    )
    airflow: Literal["g/s", "kg/h", "lb/min"] = Field("g/s", description="unit of air mass flows")
    power: Literal["kW", "hp", "PS"] = Field("kW", description="unit of power")
    appendix: bool = Field(
        default=False,
        description="add the analyst's appendix: the learned surfaces, residuals against season "
        "and conditions, their correlation, coverage, settings, versions and digests",
    )

    @model_validator(mode="after")
    def _marks_differ(self) -> ReportSettings:
        if self.decimal_mark == self.thousands_mark:
            msg = (
                f"decimal_mark and thousands_mark are both {self.decimal_mark!r}: 1 234 and 1.234 "
                'could not be told apart. Set another thousands_mark, for example "space"'
            )
            raise ValueError(msg)
        return self


class WorkspaceSettings(SettingsModel):
    """Everything in healthtrack.toml."""

    store: str = Field("healthtrack.duckdb", description="the store's file, in the workspace")
    inbox: str = Field("inbox", description="where logs are dropped: inbox/VEHICLE/…")
    quarantine: str = Field("quarantine", description="where unreadable logs wait, unchanged")
    pipelines: str = Field("pipelines", description="how each kind of log is read")
    reports: str = Field("reports", description="where reports land")
    workers: Annotated[int, Field(ge=0, le=256)] = Field(
        0, description="worker processes; 0 for one per processor"
    )
    store_memory_mb: Annotated[int, Field(ge=100, le=1_000_000)] = Field(
        DEFAULT_STORE_MEMORY_MB,
        description="memory that the store may use before it spills into a folder beside it, and "
        "a thread for each 125 of it [MB]",
    )
    samples: Annotated[str, Field(pattern=SAMPLES)] = Field(
        "",
        description="where samples are kept: in the store where empty; else a folder of the "
        "workspace such as `samples`, or `s3://BUCKET/PREFIX` on S3-compatible storage, as Parquet "
        "by vehicle and month. After a change, `healthtrack samples move` brings those that are "
        "there already",
    )
    keep_samples_days: Annotated[int, Field(ge=0, le=36_500)] = Field(
        0,
        description="age at which a drive's samples are let go, what was derived from them stays "
        "[days]; 0 keeps them for ever",
    )
    cluster: str = Field(
        "",
        description="address of a Dask scheduler such as `tcp://host:8786`, whose workers then do "
        "the work; worker processes on this machine where empty",
    )
    alerts: AlertSettings = AlertSettings()
    baseline: BaselineSettings = BaselineSettings()
    report: ReportSettings = ReportSettings()
    mail: MailSettings = MailSettings()
    service: ServiceSettings = ServiceSettings()
    page: PageSettings = PageSettings()
    recipients: dict[Annotated[str, Field(pattern=VEHICLE_ID)], RecipientSettings] = Field(
        default_factory=dict
    )
    vehicles: dict[Annotated[str, Field(pattern=VEHICLE_ID)], VehicleSettings] = Field(
        default_factory=dict
    )

    @model_validator(mode="after")
    def _recipients_know_their_vehicles(self) -> WorkspaceSettings:
        for name, recipient in self.recipients.items():
            for vehicle in recipient.vehicles:
                if vehicle not in self.vehicles:
                    there = ", ".join(self.vehicles) or "none"
                    msg = (
                        f"recipients.{name}.vehicles names {vehicle!r}, but there is no "
                        f"[vehicles.{vehicle}] (there: {there}); add it or correct the name"
                    )
                    raise ValueError(msg)
        return self

    def without_vehicles(self) -> WorkspaceSettings:
        """Return what holds for the whole fleet, small enough to go with each vehicle's task."""
        return self.model_copy(update={"vehicles": {}})


def load(workspace: Path) -> WorkspaceSettings:
    """Read and check ``healthtrack.toml`` of a workspace.

    Raises
    ------
    SettingsError
        Naming the key, its value, the file and the remedy; all faults at once.
    """
    path = workspace / SETTINGS_FILE
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise SettingsError(
            f"{path} does not exist, so this folder is no workspace. Run `healthtrack init "
            f"{workspace}` to make one, or give the right folder with --workspace."
        ) from None
    return parse(text, str(path))


def parse(text: str, name: str) -> WorkspaceSettings:
    """Check settings given as TOML text; ``name`` is what messages call the file."""
    return checked(WorkspaceSettings, text, name, _fault)


def checked(model: type[Model], text: str, name: str, fault: Callable[[Any], str]) -> Model:
    """Read TOML text into a settings model.

    Parameters
    ----------
    model : type
        The pydantic model.
    text, name : str
        The TOML text, and what messages call the file that it stands in.
    fault : callable
        Turns one of pydantic's error records into a sentence.

    Raises
    ------
    SettingsError
        With all faults at once.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{name} is not valid TOML: {error}. Mend that line.") from None
    try:
        return model.model_validate(raw)
    except ValidationError as error:
        faults = "\n".join(f"  {fault(item)}" for item in error.errors())
        raise SettingsError(f"{name} cannot be used:\n{faults}") from None


def _fault(item: Any) -> str:  # noqa: ANN401 - pydantic's own error record
    place = ".".join(str(part) for part in item["loc"])
    if item["type"] == "extra_forbidden":
        near = difflib.get_close_matches(str(item["loc"][-1]), _known_keys(), n=1)
        hint = f" Did you mean `{near[0]}`?" if near else " Remove it."
        return f"{place}: no such setting.{hint}"
    told = item["msg"].removeprefix("Value error, ")
    if isinstance(item["input"], dict):  # a fault between several keys of one table
        return f"{place}: {told}." if place else f"{told}."
    return f"{place} = {item['input']!r}: {told}."


def _known_keys() -> list[str]:
    models: tuple[type[SettingsModel], ...] = (
        WorkspaceSettings,
        AlertSettings,
        BaselineSettings,
        VehicleSettings,
        MailSettings,
        ServiceSettings,
        PageSettings,
        RecipientSettings,
    )
    return sorted({key for model in models for key in model.model_fields})
