"""Chosen settings, written into ``healthtrack.toml`` with where they came from.

The file is a person's own: it is edited in place, line by line, and nothing else in it moves. What
results is read again before it replaces the file, and must say exactly what was wanted.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

from healthtrack import config, placing
from healthtrack.bench.settings import LIMIT, TABLES, changed, tunable
from healthtrack.errors import SettingsError, UsageError

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    from healthtrack.bench.results import Backtest
    from healthtrack.bench.settings import Variant

MARK = "# from back-test "
"""Begins the comment that says where a setting came from; a later one takes its place."""
_HEADER = re.compile(r"^\s*\[\[?\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")


def apply(
    root: Path, told: Backtest, name: str, today: date, why: str
) -> dict[str, tuple[Any, Any]]:
    """Write a variant's settings into the workspace's settings.

    Parameters
    ----------
    root : Path
        The workspace's folder.
    told : Backtest
        Where the variant was tried.
    name : str
        The variant.
    today : date
        For the comment.
    why : str
        Why it was chosen, for the comment.

    Returns
    -------
    dict
        Per setting what it was and what it is now; empty where nothing had to be changed.

    Raises
    ------
    UsageError
        There is no such variant, or limits stand in a form that cannot be edited.
    SettingsError
        The result would not say what is wanted; the file is as it was.
    """
    variant = next((one for one in told.variants if one.name == name), None)
    if variant is None:
        raise UsageError(
            f"the back-test {told.name!r} has no settings {name!r} (there: "
            f"{'; '.join(repr(one.name) for one in told.variants)})."
        )
    path = root / config.SETTINGS_FILE
    before = config.load(root)
    wanted = changed(before, variant)
    text = path.read_text(encoding="utf-8")
    differs: dict[str, tuple[Any, Any]] = {}
    note = f"{MARK}{told.name} ({told.plan['digest']}), {today}: {why}"
    for table, key, vehicles in _places(variant, tuple(before.vehicles)):
        for place in vehicles or (table,):
            old, new = _value(before, place, key), _value(wanted, place, key)
            if old != new:
                text = set_value(text, place, key, _toml(new), f"{note}; was {_toml(old)}")
                differs[f"{place}.{key}"] = (old, new)
    if differs:
        _replace(path, text, wanted)
    return differs


def use_map(root: Path, vehicle: str, name: str, today: date) -> None:
    """Write into the workspace's settings which compressor map a vehicle has.

    Parameters
    ----------
    root : Path
        The workspace's folder.
    vehicle : str
        Its id.
    name : str
        The map's file, as seen from the workspace.
    today : date
        For the comment.

    Raises
    ------
    SettingsError
        The result would not say what is wanted, or there is no such vehicle; the file is as it was.
    UsageError
        The vehicle's table stands inline.
    """
    path = root / config.SETTINGS_FILE
    before = config.load(root)
    if vehicle not in before.vehicles:
        raise SettingsError(f"there is no vehicle {vehicle} in {config.SETTINGS_FILE}.")
    settings = before.vehicles[vehicle].model_copy(update={"compressor_map": name})
    wanted = before.model_copy(update={"vehicles": {**before.vehicles, vehicle: settings}})
    text = path.read_text(encoding="utf-8")
    note = f"# chosen on {today}"
    text = set_value(text, f"vehicles.{vehicle}", "compressor_map", json.dumps(name), note)
    _replace(path, text, wanted)


def _places(variant: Variant, vehicles: tuple[str, ...]) -> list[tuple[str, str, tuple[str, ...]]]:
    """Return table, key and, for limits, the tables of all vehicles."""
    known = tunable()
    places = []
    for name, _ in variant.changes:
        if name.startswith(LIMIT):
            tables = tuple(f"vehicles.{vehicle}.limits" for vehicle in vehicles)
            places.append(("", name.removeprefix(LIMIT), tables))
        else:
            places.append((known[name], name, ()))
    return places


def _value(settings: config.WorkspaceSettings, place: str, key: str) -> Any:  # noqa: ANN401 - of any setting
    if place in TABLES:
        return getattr(getattr(settings, place), key)
    return settings.vehicles[place.split(".")[1]].limits.get(key)


def _toml(value: object) -> str:
    return "not set" if value is None else repr(value)


def set_value(text: str, table: str, key: str, value: str, note: str) -> str:
    """Return TOML text in which a table's key has a value, with a comment on the line above.

    Where the key stands, its line is replaced (a comment behind it stays); else it comes after a
    line that shows it as a comment, else at the head of the table; a missing table comes last.

    Raises
    ------
    UsageError
        The table stands inline, on one line of another one.
    """
    lines = text.splitlines()
    start, end = _span(lines, table)
    if start is None:
        _refuse_inline(lines, table)
        return "\n".join([*lines, "", f"[{table}]", note, f"{key} = {value}"]) + "\n"
    stands = re.compile(rf"^(\s*){re.escape(key)}\s*=\s*[^#]*?(\s*#.*)?$")
    for at in range(start + 1, end):
        found = stands.match(lines[at])
        if found:
            lines[at] = f"{found[1]}{key} = {value}{found[2] or ''}"
            if lines[at - 1].startswith(MARK):
                lines[at - 1] = note
            else:
                lines.insert(at, note)
            return "\n".join(lines) + "\n"
    shown = re.compile(rf"^\s*#\s*{re.escape(key)}\s*=")
    after = next((at for at in range(start + 1, end) if shown.match(lines[at])), start)
    lines[after + 1 : after + 1] = [note, f"{key} = {value}"]
    return "\n".join(lines) + "\n"


def _span(lines: list[str], table: str) -> tuple[int | None, int]:
    """Return the line of a table's header and the line after its last."""
    start = None
    for at, line in enumerate(lines):
        header = _HEADER.match(line)
        if header is None:
            continue
        if start is not None:
            return start, at
        if header[1].replace('"', "") == table:
            start = at
    return start, len(lines)


def _refuse_inline(lines: list[str], table: str) -> None:
    parent, _, name = table.rpartition(".")
    start, end = _span(lines, parent)
    inline = re.compile(rf"^\s*{re.escape(name)}\s*[.=]")
    if start is not None and any(inline.match(line) for line in lines[start + 1 : end]):
        raise UsageError(
            f"{config.SETTINGS_FILE} has {name} of [{parent}] on one line, which is not edited "
            f"here. Write it as a table of its own, [{table}], or change it by hand."
        )


def _replace(path: Path, text: str, wanted: config.WorkspaceSettings) -> None:
    if config.parse(text, str(path)) != wanted:
        raise SettingsError(
            f"{path} is written in a way that could not be edited safely, so it is unchanged. "
            "Change the settings by hand, as `healthtrack backtest show` names them."
        )
    placing.place(path, text.encode(), path.stat().st_mode & 0o777)
