"""A new workspace: settings that explain themselves, example pipelines, an inbox."""

from __future__ import annotations

import json
import re
import shutil
import textwrap
from typing import TYPE_CHECKING, Any, get_args, get_origin

from pydantic import BaseModel
from pydantic_core import PydanticUndefined

from healthtrack import ingest
from healthtrack.config import (
    SETTINGS_FILE,
    AlertSettings,
    BaselineSettings,
    ReportSettings,
    VehicleSettings,
    WorkspaceSettings,
)
from healthtrack.config_service import (
    MailSettings,
    PageSettings,
    RecipientSettings,
    ServiceSettings,
)
from healthtrack.errors import SettingsError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pydantic.fields import FieldInfo

EXAMPLE_VEHICLE = "otter"
"""Id of the vehicle in a new workspace, to be renamed."""

_HEAD = """\
Settings of this healthtrack workspace (TOML). Every setting is shown with its default, or with an
example where it has none: take away the # in front of its name to set it. `healthtrack check` says
what is wrong and what to do next. Only the vehicle below must be edited."""

_VEHICLE_HEAD = """\
One section per vehicle. Its name in the brackets is its id: logs in inbox/ID/ are its logs, so
rename both. Letters, digits, - and _ may stand in an id."""

_SERVICE_HEAD = """\
What follows is only for `healthtrack serve`, the service that works and mails on its own."""

_RECIPIENT_HEAD = """\
One section per recipient of reports and alerts; its name in the brackets is yours to choose. Take
away the # in front of the brackets too."""

_BOUNDS = {"gt": "more than", "ge": "at least", "lt": "less than", "le": "at most"}


def make_workspace(folder: Path) -> None:
    """Make a workspace that is ready to be edited; a folder that holds one is left alone.

    Raises
    ------
    SettingsError
        There is a workspace already, or the folder cannot be written.
    """
    settings = folder / SETTINGS_FILE
    if settings.exists():
        raise SettingsError(
            f"{settings} exists already, and was left as it is. Run `healthtrack check` there, or "
            "give another folder."
        )
    defaults = WorkspaceSettings()
    try:
        (folder / defaults.inbox / EXAMPLE_VEHICLE).mkdir(parents=True, exist_ok=True)
        copy_pipelines(folder / defaults.pipelines)
        settings.write_text(settings_text(), encoding="utf-8")
    except OSError as error:
        raise SettingsError(f"{folder} cannot be made a workspace: {error.strerror}.") from None


def copy_pipelines(folder: Path) -> None:
    """Copy the pipelines that healthtrack comes with; one of the same name is left as it is."""
    folder.mkdir(parents=True, exist_ok=True)
    for template in sorted(ingest.template_folder().glob("*.toml")):
        if not (folder / template.name).exists():
            shutil.copyfile(template, folder / template.name)


def settings_text() -> str:
    """Return a ``healthtrack.toml`` with every setting, its default and its reason.

    It is written from the settings' own declarations, so it cannot differ from them.
    """
    # keys without a table come first in TOML; then what a newcomer must edit; the service last
    lines = [*_comment(_HEAD), *_settings(WorkspaceSettings)]
    lines += ["", *_comment(_VEHICLE_HEAD), f"[vehicles.{EXAMPLE_VEHICLE}]"]
    lines += _settings(VehicleSettings)
    lines += _tables(
        ("alerts", AlertSettings), ("baseline", BaselineSettings), ("report", ReportSettings)
    )
    lines += ["", *_comment(_SERVICE_HEAD)]
    lines += _tables(("mail", MailSettings), ("service", ServiceSettings), ("page", PageSettings))
    lines += ["", *_comment(_RECIPIENT_HEAD), "#[recipients.owner]"]
    # a section with nothing in it would be a fault, so all of it waits behind a tight mark
    lines += [re.sub(r"^# (\w+ = )", r"#\1", line) for line in _settings(RecipientSettings)]
    return "\n".join(lines) + "\n"


def settings_table() -> str:
    """Return every setting as a Markdown table, from the same declarations: for the README."""
    sections: tuple[tuple[str, type[BaseModel]], ...] = (
        ("", WorkspaceSettings),
        ("vehicles.ID.", VehicleSettings),
        ("alerts.", AlertSettings),
        ("baseline.", BaselineSettings),
        ("report.", ReportSettings),
        ("mail.", MailSettings),
        ("service.", ServiceSettings),
        ("page.", PageSettings),
        ("recipients.NAME.", RecipientSettings),
    )
    lines = ["| setting | default | meaning |", "|---|---|---|"]
    for prefix, model in sections:
        for name, field in model.model_fields.items():
            if not _is_table(field):
                words = f"{field.description}{_limits(field)}".replace("|", "\\|")
                default = field.get_default(call_default_factory=True)
                shown = "" if default in (None, {}, PydanticUndefined) else f"`{_example(field)}`"
                lines.append(f"| `{prefix}{name}` | {shown} | {words} |")
    return "\n".join(lines) + "\n"


def _tables(*tables: tuple[str, type[BaseModel]]) -> Iterator[str]:
    for name, model in tables:
        yield from ("", f"[{name}]", *_settings(model))


def _settings(model: type[BaseModel]) -> Iterator[str]:
    for name, field in model.model_fields.items():
        if _is_table(field):
            continue
        yield ""
        yield from _comment(f"{field.description}{_limits(field)}")
        yield f"# {name} = {_example(field)}"


def _is_table(field: FieldInfo) -> bool:
    kind = field.annotation
    if get_origin(kind) is dict:
        kind = get_args(kind)[-1]
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _limits(field: FieldInfo) -> str:
    choices = [choice for part in _parts(field.annotation) for choice in _literals(part)]
    if choices:
        return f" (one of: {', '.join(choices)})"
    bounds = [
        f"{words} {getattr(mark, key)}"
        for mark in [*field.metadata, *_marks(field.annotation)]
        for key, words in _BOUNDS.items()
        if getattr(mark, key, None) is not None
    ]
    return f" ({', '.join(bounds)})" if bounds else ""


def _parts(annotation: Any) -> tuple[Any, ...]:  # noqa: ANN401 - any annotation
    return (annotation, *get_args(annotation))


def _literals(annotation: Any) -> list[str]:  # noqa: ANN401 - any annotation
    return [choice for choice in get_args(annotation) if isinstance(choice, str)]


def _marks(annotation: Any) -> list[Any]:  # noqa: ANN401 - any annotation
    """Bounds that stand inside an optional type."""
    found: list[Any] = []
    for part in get_args(annotation):
        for mark in getattr(part, "__metadata__", ()):
            found += getattr(mark, "metadata", [mark])
    return found


def _example(field: FieldInfo) -> str:
    default = field.get_default(call_default_factory=True)
    if default in (None, {}, (), PydanticUndefined):
        default = field.examples[0] if field.examples else None
    if isinstance(default, dict):
        return "{ " + ", ".join(f"{key} = {value}" for key, value in default.items()) + " }"
    if isinstance(default, (bool, str, list)):
        return json.dumps(default, ensure_ascii=False)
    return str(default)


def _comment(text: str) -> Iterator[str]:
    for line in textwrap.wrap(" ".join(text.split()), 96, break_on_hyphens=False):
        yield f"# {line}"
