"""Settings of the service, the mail server and the recipients; part of ``healthtrack.toml``."""

from __future__ import annotations

from datetime import time
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from healthtrack import schedule

ADDRESS = r"^[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9]([A-Za-z0-9.-]{0,250}[A-Za-z0-9])?$"
"""What a mail address may be: the unquoted ASCII form of RFC 5321, so nothing can be slipped in."""

SCHEDULES = {"daily": "* * *", "weekly": "* * mon", "monthly": "1 * *"}
"""The last three fields of the calendars that have a name."""

LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})


class SettingsModel(BaseModel):
    """What all tables of the settings share: unknown keys and loose types are errors."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def _calendar_line(line: str) -> str:
    if line != "never" and line not in SCHEDULES:
        schedule.parse(line)
    return line


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        msg = f"there is no time zone {name!r}; write it like Europe/Berlin or UTC"
        raise ValueError(msg) from None
    return name


Clock = Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")]
Zone = Annotated[str, AfterValidator(_zone)]
CalendarLine = Annotated[str, AfterValidator(_calendar_line)]
Address = Annotated[str, Field(pattern=ADDRESS, max_length=254)]


class MailSettings(SettingsModel):
    """How mail leaves; nothing is sent where ``host`` is empty."""

    host: str = Field("", description="name of the mail server; nothing is mailed where empty")
    port: Annotated[int, Field(ge=1, le=65_535)] = Field(
        587, description="its port; 587 is that of STARTTLS, 465 that of TLS"
    )
    security: Literal["starttls", "tls", "none"] = Field(
        "starttls",
        description="how the connection is secured, the server's certificate always being "
        "checked; `none` only for a server on this machine",
    )
    ca_file: str = Field(
        "",
        description="certificates to trust instead of the system's, a PEM file in the workspace",
    )
    sender: str = Field(
        "",
        pattern=f"^$|{ADDRESS}",
        description="address that the mail comes from",
        examples=["monitor@workshop.example"],
    )
    user: str = Field("", description="name for signing in; not signed in where empty")
    password_from: Literal["environment", "file", "keyring"] = Field(
        "environment",
        description="where the password is: the environment variable "
        "HEALTHTRACK_MAIL_PASSWORD, the file `password_file`, or the system's keyring "
        "(service healthtrack, needs the extra `keyring`); never in this file",
    )
    password_file: str = Field(
        "", description="file with the password; only its owner may read it (chmod 600)"
    )
    timeout_s: Annotated[int, Field(ge=2, le=600)] = Field(
        60, description="how long to wait for each answer of the server [s]"
    )
    size_limit_mb: Annotated[float, Field(ge=0.05, le=100)] = Field(
        8.0,
        description="largest message, as sent [MB]; a larger report stays in the reports folder "
        "and the mail says so; many servers refuse more than 10",
    )
    first_retry_minutes: Annotated[int, Field(ge=1, le=1440)] = Field(
        5,
        description="pause after the first failure [min]; each further one is three times as "
        "long, at most six hours",
    )
    give_up_hours: Annotated[int, Field(ge=1, le=720)] = Field(
        120,
        description="how long an undelivered message is tried [h]; five days, as RFC 5321 4.5.4.1 "
        "asks for",
    )
    dry_run: bool = Field(
        False,  # noqa: FBT003 - pydantic's default
        description="write messages as .eml files into outbox/ instead of sending them",
    )

    @model_validator(mode="after")
    def _goes_together(self) -> MailSettings:
        if self.security == "none" and self.host and self.host not in LOOPBACK:
            msg = (
                f"security = 'none' would send passwords and reports in the clear to {self.host}; "
                "use 'starttls' or 'tls'"
            )
            raise ValueError(msg)
        if (self.host or self.dry_run) and not self.sender:
            msg = "sender is missing: the address that the mail comes from"
            raise ValueError(msg)
        from_file = self.password_from == "file"  # noqa: S105 - no password
        if from_file and self.user and not self.password_file:
            msg = "password_from = 'file' needs password_file"
            raise ValueError(msg)
        return self

    @property
    def works(self) -> bool:
        """Whether mail goes anywhere at all."""
        return bool(self.host) or self.dry_run


class ServiceSettings(SettingsModel):
    """When the service does what."""

    time_zone: Zone = Field(
        "UTC", description="whose local time the hours below are", examples=["Europe/Berlin"]
    )
    scan_seconds: Annotated[int, Field(ge=1, le=86_400)] = Field(
        30, description="pause between two looks into the inbox [s]"
    )
    scan_files: Annotated[int, Field(ge=1, le=100_000)] = Field(
        400, description="most logs taken in before other jobs get their turn"
    )
    settle_seconds: Annotated[int, Field(ge=0, le=3600)] = Field(
        5, description="how long a log must have been left alone before it is read [s]"
    )
    assess_at: Clock = Field("04:30", description="when all vehicles are assessed, every day")
    housekeeping_at: Clock = Field(
        "03:30", description="when the store is backed up and old logs are put away, every day"
    )
    backups: str = Field("backups", description="where backups land, one folder per day")
    backup_keep: Annotated[int, Field(ge=1, le=3650)] = Field(
        7, description="how many daily backups are kept"
    )
    backup_keep_months: Annotated[int, Field(ge=0, le=600)] = Field(
        12, description="how many first backups of a month are kept beyond those"
    )
    keep_sent_days: Annotated[int, Field(ge=1, le=3650)] = Field(
        30, description="how long the content of sent mail is kept [days]; that it was sent stays"
    )
    log_mb: Annotated[float, Field(ge=0.1, le=1000)] = Field(
        10.0, description="size at which the service's own log is put away [MB]"
    )
    log_keep: Annotated[int, Field(ge=1, le=1000)] = Field(
        10, description="how many of those are kept"
    )
    health_port: Annotated[int, Field(ge=0, le=65_535)] = Field(
        0, description="port on 127.0.0.1 for /health and /metrics; 0 for none", examples=[9188]
    )
    stop_seconds: Annotated[int, Field(ge=1, le=600)] = Field(
        20,
        description="how long the step under way may take to end when the service is told to "
        "stop [s]; after that it is broken off, and done again at the next start",
    )
    escalate_after_hours: Annotated[float, Field(gt=0, le=8760)] = Field(
        48.0,
        description="how long an alarm may wait for `healthtrack acknowledge` before it goes to "
        "the recipients with `escalation` [h]",
    )

    @property
    def zone(self) -> ZoneInfo:
        """The time zone itself."""
        return ZoneInfo(self.time_zone)


class PageSettings(SettingsModel):
    """Where the live page is served, and to whom."""

    port: Annotated[int, Field(ge=0, le=65_535)] = Field(
        8470, description="port of the page that `healthtrack serve` serves; 0 for none"
    )
    address: str = Field(
        "127.0.0.1",
        pattern=r"^[0-9A-Fa-f:.]+$|^localhost$",
        description="address that it listens on; anything but this machine itself asks for a "
        "login (`healthtrack page-password`)",
    )
    name: str = Field(
        "",
        pattern=r"^[A-Za-z0-9.-]{0,253}$",
        description="name under which others reach it, where a server in front adds TLS; asks for "
        "a login",
        examples=["monitor.workshop.example"],
    )
    certificate: str = Field("", description="TLS certificate, a PEM file in the workspace")
    key: str = Field("", description="its private key, a PEM file in the workspace")
    unencrypted: bool = Field(
        False,  # noqa: FBT003
        description="serve others without TLS: passwords then cross the network in the clear",
    )
    upload_mb: Annotated[int, Field(ge=25, le=4000)] = Field(
        256,
        description="largest upload in one request [MB]; a single log is bound by what can be read",
    )
    session_hours: Annotated[float, Field(gt=0, le=720)] = Field(
        12.0, description="how long a login lasts [h]"
    )

    @property
    def needs_login(self) -> bool:
        """Whether others than this machine's users can reach it."""
        return self.address not in LOOPBACK or bool(self.name)

    @model_validator(mode="after")
    def _goes_together(self) -> PageSettings:
        if bool(self.certificate) != bool(self.key):
            msg = "certificate and key belong together; give both or neither"
            raise ValueError(msg)
        if self.address not in LOOPBACK and not self.certificate and not self.unencrypted:
            msg = (
                f"address = {self.address!r} would send passwords in the clear; give certificate "
                "and key, or say unencrypted = true where the network is your own"
            )
            raise ValueError(msg)
        return self


class RecipientSettings(SettingsModel):
    """Who gets what, when."""

    address: Address | tuple[Address, ...] = Field(
        description="mail address, or a list of them", examples=["owner@garage.example"]
    )
    vehicles: tuple[str, ...] = Field(
        (), description="whose reports; all vehicles where empty", examples=[["otter"]]
    )
    reports: CalendarLine = Field(
        "monthly",
        description="a report on each vehicle: never, daily, weekly (Monday), monthly (the 1st), "
        "or five crontab fields such as `0 7 * * fri`",
    )
    digest: CalendarLine = Field(
        "never",
        description="one mail on all vehicles together: as for `reports`",
    )
    at: Clock = Field("06:00", description="when, for the calendars that have a name")
    time_zone: Zone | None = Field(
        None,
        description="whose local time; the service's where it is not set",
        examples=["Europe/Berlin"],
    )
    alerts: bool = Field(True, description="an alert at once, with the report")  # noqa: FBT003
    quiet_from: Clock = Field("22:00", description="from when alerts wait")
    quiet_to: Clock = Field(
        "07:00", description="until when alerts wait; the same as `quiet_from` for never"
    )
    escalation: bool = Field(
        False,  # noqa: FBT003
        description="alarms that nobody acknowledged",
    )
    operator: bool = Field(
        False,  # noqa: FBT003
        description="trouble of the service itself: a job that failed three times, mail given up",
    )

    @model_validator(mode="before")
    @classmethod
    def _lists(cls, raw: object) -> object:
        # TOML has lists, frozen settings have tuples
        if isinstance(raw, dict):
            return {
                key: tuple(value) if isinstance(value, list) else value
                for key, value in raw.items()
            }
        return raw

    @property
    def addresses(self) -> tuple[str, ...]:
        """All addresses, each once."""
        given = (self.address,) if isinstance(self.address, str) else self.address
        return tuple(dict.fromkeys(given))

    @property
    def zone(self) -> ZoneInfo:
        """Its own time zone; UTC where it has none."""
        return ZoneInfo(self.time_zone or "UTC")

    @property
    def quiet(self) -> tuple[time, time]:
        """From when to when alerts wait."""
        return time.fromisoformat(self.quiet_from), time.fromisoformat(self.quiet_to)

    def calendar(self, line: str) -> schedule.Calendar | None:
        """Return the calendar of ``reports`` or ``digest``; None for never."""
        return named_calendar(line, self.at)


def named_calendar(line: str, at: str) -> schedule.Calendar | None:
    """Return the calendar of a setting: never, a name with a time of day, or five fields."""
    if line == "never":
        return None
    if line in SCHEDULES:
        hour, minute = at.split(":")
        return schedule.parse(f"{int(minute)} {int(hour)} {SCHEDULES[line]}")
    return schedule.parse(line)
