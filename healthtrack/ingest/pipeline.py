"""Pipelines: how each kind of log is read, as settings in a TOML file that an owner can edit."""

from __future__ import annotations

import re
from contextlib import suppress
from typing import TYPE_CHECKING, Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from healthtrack import units
from healthtrack.channels import CHANNELS
from healthtrack.config import checked
from healthtrack.errors import SettingsError
from healthtrack.ingest.signals import SIGNALS

if TYPE_CHECKING:
    from pathlib import Path

FileForm = Literal["text", "json_lines", "parquet", "mdf"]
TimeForm = Literal["timestamp", "time_of_day", "elapsed", "epoch"]
Delimiter = Literal["comma", "semicolon", "tab", "pipe", "blanks"]

DELIMITERS: dict[str, str] = {
    "comma": ",",
    "semicolon": ";",
    "tab": "\t",
    "pipe": "|",
    "blanks": " ",
}
"""Names of the delimiters and the character; ``blanks`` stands for any run of blanks and tabs."""


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def _checked_search(search: str) -> str:
    try:
        groups = re.compile(search).groups
    except re.error as error:
        msg = f"not a regular expression: {error}"
        raise ValueError(msg) from None
    if groups < 1:
        msg = "put the part that is meant in parentheses"
        raise ValueError(msg)
    return search


class FileShape(_Part):
    """How the characters become cells."""

    form: FileForm = Field(
        "text", description="text (delimited), json_lines, parquet or mdf (ASAM MDF 4)"
    )
    delimiter: Delimiter = Field("comma", description="what stands between two cells")
    decimal: Literal[".", ","] = Field(".", description="decimal mark")
    thousands: Literal["", ".", ",", "'", " "] = Field(
        "", description="mark between thousands, none where empty"
    )
    encoding: Literal["auto", "utf-8", "utf-16", "latin-1", "cp1252"] = Field(
        "auto", description="auto: byte-order mark, else UTF-8, else Latin-1"
    )
    comment: str = Field("", description="lines that begin so are no data; empty for none")
    units_row: bool = Field(default=False, description="the line under the header holds the units")
    missing: list[str] = Field(
        default_factory=lambda: ["", "-", "--", "nan", "na", "n/a", "null", "none", "nil"],
        description="cells that mean `not measured`, in any case",
    )

    @model_validator(mode="after")
    def _marks_differ(self) -> FileShape:
        if self.decimal in {self.thousands, DELIMITERS[self.delimiter]}:
            msg = f"the decimal mark {self.decimal!r} is also the thousands mark or the delimiter"
            raise ValueError(msg)
        return self


class TimeBase(_Part):
    """Where the time comes from."""

    columns: Annotated[list[str], Field(min_length=1, max_length=2)] = Field(
        description="column of the time, or of date and time"
    )
    form: TimeForm = Field(
        description="timestamp (date and time), time_of_day, elapsed, or epoch (since 1970, UTC)"
    )
    pattern: str = Field(
        "",
        description="how a timestamp is written, as strftime codes (%d.%m.%Y %H:%M:%S%.f); "
        "ISO 8601 where empty",
    )
    unit: Literal["s", "ms", "us", "min", "h"] = Field(
        "s", description="unit of an elapsed or epoch time"
    )
    zone: str = Field("UTC", description="time zone of the written time, by its IANA name")
    start_from: Literal["", "name", "preamble"] = Field(
        "", description="where the date, or the start of an elapsed time, is written"
    )
    start_search: str = Field(
        "", description="regular expression whose first group is that date or start"
    )
    start_pattern: str = Field("%Y-%m-%d", description="how that date or start is written")
    split_gap_min: Annotated[float, Field(gt=0, le=1440)] = Field(
        10.0, description="a gap longer than this begins another drive [min]"
    )

    @field_validator("zone")
    @classmethod
    def _zone_exists(cls, zone: str) -> str:
        try:
            ZoneInfo(zone)
        except (KeyError, ValueError, OSError):
            msg = f"{zone!r} is no time zone; write it like Europe/Vienna or UTC"
            raise ValueError(msg) from None
        return zone

    @field_validator("start_search")
    @classmethod
    def _search_has_a_group(cls, search: str) -> str:
        return _checked_search(search) if search else search

    @model_validator(mode="after")
    def _start_is_found(self) -> TimeBase:
        if self.form in {"time_of_day", "elapsed"} and not (self.start_from and self.start_search):
            msg = f"a time of form {self.form} needs start_from and start_search"
            raise ValueError(msg)
        return self


class ChannelColumn(_Part):
    """Which column holds a channel."""

    column: str | list[str] = Field(description="header of the column, or several that may occur")
    unit: str = Field("", description="its unit; where empty, the unit that the log itself states")
    gauge: bool = Field(
        default=False, description="a pressure above ambient: the ambient pressure is added"
    )

    log_unit_is_wrong: bool = Field(
        default=False, description="take the unit given here although the log states another"
    )

    raw: str = Field(
        "",
        description="the column holds the raw number of this standard signal, like J1979:0C or "
        "J1939:190; scaling and unit are then those of the standard",
    )
    raw_digits: Literal["decimal", "hex"] = Field(
        "decimal", description="how a raw number is written"
    )

    @field_validator("raw")
    @classmethod
    def _raw_is_known(cls, raw: str) -> str:
        if raw and raw not in SIGNALS:
            msg = f"{raw!r} is no standard signal that is known here: {', '.join(SIGNALS)}"
            raise ValueError(msg)
        return raw

    @field_validator("unit")
    @classmethod
    def _unit_is_known(cls, unit: str) -> str:
        if unit and units.find(unit) is None:
            msg = f"{unit!r} is no unit that is known here"
            raise ValueError(msg)
        return unit

    @property
    def names(self) -> list[str]:
        """Every header under which the column may stand."""
        return [self.column] if isinstance(self.column, str) else self.column


class Polling(_Part):
    """How the logger asks for its signals."""

    mode: Literal["every_row", "round_robin", "changes"] = Field(
        "every_row",
        description="every_row: each cell is a new reading (an empty one is none); round_robin: "
        "one signal in turn is new per row and the rest repeat; changes: only a changed value is "
        "known to be new",
    )
    order: list[str] = Field(
        default_factory=list,
        description="headers in the order in which they are asked; all but the time where empty",
    )


class LongLayout(_Part):
    """A row per reading: which column names the signal and which holds its value."""

    signal: str = Field(description="header of the column that names the signal")
    value: str = Field(description="header of the column that holds the reading")
    unit: str = Field("", description="header of the column that states the unit, if there is one")


class NamedOdometer(_Part):
    """An odometer reading in the file's name, as it stood at the start of the drive."""

    name_search: str = Field(description="regular expression whose first group is the reading")
    unit: str = Field("km", description="km or miles")

    @field_validator("name_search")
    @classmethod
    def _search_has_a_group(cls, search: str) -> str:
        return _checked_search(search)

    @field_validator("unit")
    @classmethod
    def _unit_is_a_length(cls, text: str) -> str:
        unit = units.find(text)
        if unit is None or unit.dimension != "length":
            msg = f"{text!r} is no length; write km or miles"
            raise ValueError(msg)
        return text


class Pipeline(_Part):
    """How one kind of log is read."""

    name: str = Field("", description="the file's stem where empty")
    about: str = Field("", description="one line for a person")
    identify: Annotated[list[str], Field(min_length=1)] = Field(
        description="headers that must all stand in a log of this kind"
    )
    fuel_density: Annotated[float, Field(gt=0.6, lt=1.1)] = Field(
        0.835,
        description="of the fuel [kg/L], where fuel is logged as a volume; 0.82–0.845 for diesel "
        "(EN 590 at 15 °C)",
    )
    file: FileShape = FileShape()
    time: TimeBase
    poll: Polling = Polling()
    odometer: NamedOdometer | None = None
    long: LongLayout | None = None
    channels: Annotated[dict[str, ChannelColumn], Field(min_length=1)]

    @field_validator("channels")
    @classmethod
    def _channels_exist(cls, channels: dict[str, ChannelColumn]) -> dict[str, ChannelColumn]:
        for name in channels:
            if name not in CHANNELS:
                msg = f"{name!r} is no channel; the channels are {', '.join(CHANNELS)}"
                raise ValueError(msg)
        return channels


def parse_pipeline(text: str, name: str) -> Pipeline:
    """Check a pipeline given as TOML text; ``name`` is what messages call the file.

    Raises
    ------
    SettingsError
        Naming every key that cannot be used, its value and the file.
    """
    return checked(Pipeline, text, name, _fault)


def _fault(item: Any) -> str:  # noqa: ANN401 - pydantic's own error record
    place = ".".join(str(part) for part in item["loc"]) or "the file"
    if item["type"] == "extra_forbidden":
        return f"{place}: no such setting. Remove it or mend its spelling."
    if item["type"] == "missing":
        return f"{place}: this setting is needed and not there."
    return f"{place} = {str(item['input'])[:200]!r}: {item['msg']}."


def load_pipelines(folder: Path) -> dict[str, Pipeline]:
    """Read every ``*.toml`` of a folder; the key is the file's stem.

    Raises
    ------
    SettingsError
        Where the folder is missing or holds none, or where one cannot be used.
    """
    paths = sorted(folder.glob("*.toml"))
    if not paths:
        raise SettingsError(
            f"{folder} holds no pipeline (*.toml), so no log can be read. Copy one of the examples "
            f"there and edit it, or run `healthtrack init` to get them all."
        )
    return {path.stem: _loaded(path) for path in paths}


def usable_pipelines(folder: Path) -> dict[str, Pipeline]:
    """Read those ``*.toml`` of a folder that can be used; the key is the file's stem.

    For what does not rest on them: a draft is often written over a pipeline that is not right, or
    into a file that the shell has just made empty.
    """
    found = {}
    for path in sorted(folder.glob("*.toml")):
        with suppress(SettingsError):
            found[path.stem] = _loaded(path)
    return found


def _loaded(path: Path) -> Pipeline:
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{path} cannot be read: {error}.") from None
    if not text.strip():
        raise SettingsError(
            f"{path} is empty. Delete it, or write a pipeline into it: `healthtrack ingest --draft "
            f"LOG > {path}`."
        )
    pipeline = parse_pipeline(text, str(path))
    return pipeline.model_copy(update={"name": pipeline.name or path.stem})
