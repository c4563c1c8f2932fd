"""The fault campaign: thousands of damaged logs whose truth is known, and what became of each.

Run it by hand: ``python tests/benchmarks/fault_campaign.py 10000``. It prints one line per kind of
damage: how many logs were read whole, read in part with the loss counted, refused with a reason,
read with a wrong value that nothing gave away (silent), or brought the reader down (crash).

A digit that became another digit in a text file, the sensor still plausible, cannot be told by any
reader without a checksum: those show up as silent under "byte flipped" and are counted, not hidden.
"""

from __future__ import annotations

import gzip
import io
import json
import re
import sys
import tempfile
import zipfile
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack import ingest, units
from healthtrack.config import VehicleSettings
from healthtrack.errors import LogError

if TYPE_CHECKING:
    from collections.abc import Callable

START = datetime(2024, 3, 1, 6, 12, 30, tzinfo=UTC)
STORE = {
    "engine_speed": "rpm",
    "vehicle_speed": "km/h",
    "airflow": "g/s",
    "manifold_pressure": "kPa",
    "intake_temperature": "°C",
    "coolant_temperature": "°C",
}
NAMES = tuple(STORE)
VEHICLE = VehicleSettings(displacement_l=2.0)
STEP_S = 0.5


@dataclass(frozen=True)
class Log:
    """A log as its logger wrote it: name, head, rows of cells, and how they are joined."""

    layout: str
    name: str
    head: list[str]
    rows: list[list[str]]
    join: Callable[[list[str]], str]
    line_end: str = "\n"
    encoding: str = "utf-8"
    pack: Callable[[bytes], bytes] = bytes

    def content(self) -> bytes:
        """Return the file's bytes."""
        lines = [*self.head, *(self.join(row) for row in self.rows)]
        text = self.line_end.join(lines) + self.line_end
        return self.pack(text.encode(self.encoding, errors="replace"))


@dataclass
class Outcome:
    """What became of the logs with one kind of damage."""

    whole: int = 0
    part: int = 0
    refused: int = 0
    silent: int = 0
    crash: int = 0
    reasons: Counter[str] = field(default_factory=Counter)
    examples: list[str] = field(default_factory=list)


def truth(rng: np.random.Generator, rows: int) -> dict[str, np.ndarray]:
    """A drive of a 2-litre engine with the noise that sensors have."""
    at = np.arange(rows) * STEP_S
    phase = rng.uniform(0, 6)
    speed = 1700 + 600 * np.sin(at / 11 + phase) + rng.normal(0, 8, rows)
    pressure = 150 + 45 * np.sin(at / 11 + phase + 0.2) + rng.normal(0, 0.7, rows)
    temperature = 28 + 4 * np.sin(at / 60)
    density = pressure * 1000 / (287.05 * (temperature + 273.15))
    breathing = 0.86 + 0.05 * np.sin(speed / 300) + rng.normal(0, 0.02, rows)
    return {
        "engine_speed": np.round(speed),
        "vehicle_speed": np.round(70 + 25 * np.sin(at / 11 + phase), 1),
        "airflow": np.round(breathing * 2.0 * speed / 120 * density, 2),
        "manifold_pressure": np.round(pressure, 1),
        "intake_temperature": np.round(temperature, 1),
        "coolant_temperature": np.round(88 + np.sin(at / 30), 1),
    }


def moments(rows: int) -> list[datetime]:
    """The time of every row."""
    return [START + timedelta(seconds=row * STEP_S) for row in range(rows)]


def comma(values: dict[str, np.ndarray]) -> Log:
    """Comma, point, ISO 8601, units in brackets."""
    rows = [
        [f"{moment:%Y-%m-%dT%H:%M:%S}.{moment.microsecond // 1000:03d}Z"]
        + [f"{values[name][row]:g}" for name in NAMES]
        for row, moment in enumerate(moments(len(values["airflow"])))
    ]
    head = [",".join(["time", *(f"{name} [{unit}]" for name, unit in STORE.items())])]
    return Log("comma", "otter.csv", head, rows, ",".join)


def german(values: dict[str, np.ndarray]) -> Log:
    """Semicolon, decimal comma, units row, day-first local time, Latin-1, CR LF."""
    rows = []
    for row, moment in enumerate(moments(len(values["airflow"]))):
        local = moment + timedelta(hours=1)
        cells = [f"{values[name][row] * (10 if 'pressure' in name else 1):g}" for name in NAMES]
        stamp = f"{local:%d.%m.%Y %H:%M:%S},{local.microsecond // 1000:03d}"
        rows.append([stamp, *(cell.replace(".", ",") for cell in cells)])
    names = "Drehzahl;Geschwindigkeit;Luftmasse;Saugrohrdruck;Ansauglufttemperatur"
    head = [
        f"Zeit;{names};Kühlmitteltemperatur",
        "tt.mm.jjjj hh:mm:ss;1/min;km/h;g/s;hPa;°C;°C",
    ]
    return Log("german", "Fahrt.csv", head, rows, ";".join, "\r\n", "latin-1")


def blanks(values: dict[str, np.ndarray]) -> Log:
    """Runs of blanks, preamble, elapsed seconds, kg/h and mbar."""
    factors = {"airflow": 3.6, "manifold_pressure": 10.0}
    rows = [
        [f"{row * STEP_S:.1f}"]
        + [f"{values[name][row] * factors.get(name, 1.0):.2f}" for name in NAMES]
        for row in range(len(values["airflow"]))
    ]
    head = ["# road recorder", f"# start: {START:%Y-%m-%d %H:%M:%S} UTC", "#",
            "t n v air map intake coolant"]  # fmt: skip
    return Log("blanks", "otter.log", head, rows, lambda row: " ".join(c.rjust(9) for c in row))


def long(values: dict[str, np.ndarray]) -> Log:
    """A row per reading."""
    rows = [
        [f"{moment:%Y-%m-%dT%H:%M:%S}.{moment.microsecond // 1000:03d}Z", name,
         f"{values[name][row]:g}", unit]
        for row, moment in enumerate(moments(len(values["airflow"])))
        for name, unit in STORE.items()
    ]  # fmt: skip
    return Log("long", "otter.csv", ["time,signal,value,unit"], rows, ",".join)


def _json_row(row: list[str]) -> str:
    cells: dict[str, object] = {"time": row[0]}
    for name, cell in zip(NAMES, row[1:], strict=False):
        if re.fullmatch(r"-?[0-9]+(\.[0-9]+)?", cell, re.ASCII):
            cells[name] = float(cell)
        elif cell:
            cells[name] = cell
    return json.dumps(cells)


def json_lines(values: dict[str, np.ndarray]) -> Log:
    """One object per line."""
    log = comma(values)
    return Log("json_lines", "otter.jsonl", [], log.rows, _json_row)


def packed(values: dict[str, np.ndarray]) -> Log:
    """The comma layout, compressed."""
    log = comma(values)
    return Log("gzip", "otter.csv.gz", log.head, log.rows, log.join,
               pack=lambda data: gzip.compress(data, mtime=0))  # fmt: skip


def zipped(values: dict[str, np.ndarray]) -> Log:
    """The comma layout in an archive."""

    def pack(data: bytes) -> bytes:
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("otter.csv", data)
        return buffer.getvalue()

    log = comma(values)
    return Log("zip", "otter.zip", log.head, log.rows, log.join, pack=pack)


def parquet(values: dict[str, np.ndarray]) -> Log:
    """Parquet with a column of moments."""
    frame = pl.DataFrame({"time": moments(len(values["airflow"])), **values})

    def pack(_: bytes) -> bytes:
        buffer = io.BytesIO()
        frame.write_parquet(buffer)
        return buffer.getvalue()

    log = comma(values)
    return Log("parquet", "otter.parquet", log.head, log.rows, log.join, pack=pack)


LAYOUTS = (comma, german, blanks, long, json_lines, packed, zipped, parquet)

Rng = np.random.Generator


def _replace(log: Log, **more: object) -> Log:
    return Log(**{**{k: getattr(log, k) for k in log.__dataclass_fields__}, **more})


def sound(log: Log, rng: Rng) -> bytes:
    """No damage at all: must be read whole."""
    return log.content()


def byte_flipped(log: Log, rng: Rng) -> bytes:
    """One to four bytes have another value."""
    data = bytearray(log.content())
    for at in rng.integers(0, len(data), rng.integers(1, 5)):
        data[at] = rng.integers(0, 256)
    return bytes(data)


def cut_off(log: Log, rng: Rng) -> bytes:
    """The file ends early, anywhere."""
    data = log.content()
    return data[: rng.integers(0, len(data))]


def hole(log: Log, rng: Rng) -> bytes:
    """A stretch of bytes is missing."""
    data = log.content()
    start = int(rng.integers(0, len(data)))
    return data[:start] + data[start + int(rng.integers(1, 400)) :]


def zeros(log: Log, rng: Rng) -> bytes:
    """A stretch is overwritten with null bytes, as after a power cut."""
    data = bytearray(log.content())
    start = int(rng.integers(0, len(data)))
    end = min(len(data), start + int(rng.integers(1, 600)))
    data[start:end] = bytes(end - start)
    return bytes(data)


def lines_lost(log: Log, rng: Rng) -> bytes:
    """Some rows are missing."""
    keep = rng.random(len(log.rows)) > 0.1
    return _replace(log, rows=[r for r, k in zip(log.rows, keep, strict=True) if k]).content()


def lines_doubled(log: Log, rng: Rng) -> bytes:
    """Some rows stand twice."""
    rows = [row for row in log.rows for _ in range(1 + (rng.random() < 0.05))]
    return _replace(log, rows=rows).content()


def lines_swapped(log: Log, rng: Rng) -> bytes:
    """A few rows stand elsewhere."""
    rows = list(log.rows)
    for _ in range(3):
        a, b = rng.integers(0, len(rows), 2)
        rows[a], rows[b] = rows[b], rows[a]
    return _replace(log, rows=rows).content()


def cells_lost(log: Log, rng: Rng) -> bytes:
    """Some rows lack a cell, so that the rest moves to the left."""
    rows = [list(row) for row in log.rows]
    for at in rng.integers(0, len(rows), 5):
        if log.layout == "json_lines":  # a key goes with its value
            rows[at][int(rng.integers(1, len(rows[at])))] = ""
        elif len(rows[at]) > 2:
            rows[at].pop(int(rng.integers(1, len(rows[at]))))
    return _replace(log, rows=rows).content()


def cells_of_junk(log: Log, rng: Rng) -> bytes:
    """Some cells hold what no sensor says."""
    junk = ["=1+1", "NaN", "inf", "-1e308", "", "ERR", "0x1F", "1.2.3", "９", "\x00", "🚗", "1e400"]
    rows = [list(row) for row in log.rows]
    for at in rng.integers(0, len(rows), 8):
        rows[at][int(rng.integers(0, len(rows[at])))] = str(rng.choice(junk))
    return _replace(log, rows=rows).content()


def columns_shuffled(log: Log, rng: Rng) -> bytes:
    """Header and cells in another order: the same log."""
    if log.layout not in {"comma", "gzip", "zip", "blanks"}:
        return sound(log, rng)
    mark = " " if log.layout == "blanks" else ","
    order = rng.permutation(len(NAMES) + 1)
    head = log.head[-1].split(mark)
    rows = [[row[at] for at in order] for row in log.rows]
    return _replace(
        log, head=[*log.head[:-1], mark.join(head[at] for at in order)], rows=rows
    ).content()


def columns_mislabelled(log: Log, rng: Rng) -> bytes:
    """Two columns carry each other's header."""
    if log.layout in {"long", "parquet"}:
        return sound(log, rng)
    a, b = 1 + rng.permutation(len(NAMES))[:2]
    rows = [list(row) for row in log.rows]
    for row in rows:
        row[a], row[b] = row[b], row[a]
    return _replace(log, rows=rows).content()


def column_missing(log: Log, rng: Rng) -> bytes:
    """A column is not in the log."""
    if log.layout not in {"comma", "gzip", "zip", "blanks"}:
        return sound(log, rng)
    mark = " " if log.layout == "blanks" else ","
    gone = int(rng.integers(0, len(NAMES) + 1))
    head = log.head[-1].split(mark)
    head.pop(gone)
    rows = [row[:gone] + row[gone + 1 :] for row in log.rows]
    return _replace(log, head=[*log.head[:-1], mark.join(head)], rows=rows).content()


WRITTEN = {
    ("german", "manifold_pressure"): 10.0,
    ("blanks", "manifold_pressure"): 10.0,
    ("blanks", "airflow"): 3.6,
}
"""Factors from the store's unit to the layout's own."""

OTHER_UNITS = {
    "airflow": ("kg/h", "lb/min", "g/h", "mg/stroke"),
    "manifold_pressure": ("hPa", "bar", "psi", "Pa"),
    "intake_temperature": ("°F", "K"),
    "coolant_temperature": ("°F", "K"),
}


def unit_changed(log: Log, rng: Rng) -> bytes:
    """The logger writes one channel in another unit and still claims the old one."""
    name = str(rng.choice(list(OTHER_UNITS)))
    unit = str(rng.choice(OTHER_UNITS[name]))
    at = 1 + NAMES.index(name)
    rows = [list(row) for row in log.rows]
    if log.layout in {"long", "parquet"}:
        return sound(log, rng)
    decimal = "," if log.layout == "german" else "."
    factor = {
        "german": {"manifold_pressure": 10.0},
        "blanks": {"manifold_pressure": 10.0, "airflow": 3.6},
    }
    written = factor.get(log.layout, {}).get(name, 1.0)
    for row in rows:
        value = float(row[at].replace(",", ".")) / written
        if unit == "mg/stroke":
            value = value * 1000 / (4 * float(row[1].replace(",", ".")) / 120)
        else:
            value = units.convert(value, STORE[name], unit)
        row[at] = f"{value:.3f}".replace(".", decimal)
    return _replace(log, rows=rows).content()


def unit_jumps(log: Log, rng: Rng) -> bytes:
    """A channel jumps by a power of ten and stays there."""
    if log.layout in {"long", "parquet"}:
        return sound(log, rng)
    at = 1 + NAMES.index(str(rng.choice(["airflow", "manifold_pressure"])))
    decimal = "," if log.layout == "german" else "."
    factor = float(rng.choice([0.1, 10.0, 100.0]))
    rows = [list(row) for row in log.rows]
    for row in rows[int(rng.integers(len(rows) // 4, 3 * len(rows) // 4)) :]:
        row[at] = f"{float(row[at].replace(',', '.')) * factor:.3f}".replace(".", decimal)
    return _replace(log, rows=rows).content()


def encodings_mixed(log: Log, rng: Rng) -> bytes:
    """Half of the file is in another encoding, or it was encoded twice."""
    if log.pack is not bytes:
        return sound(log, rng)
    data = log.content()
    text = data.decode(log.encoding)
    kind = int(rng.integers(0, 5))
    if kind == 0:
        half = len(text) // 2
        return text[:half].encode(log.encoding) + text[half:].encode("utf-16-le")
    return (
        text.encode("utf-16"),
        text.encode("utf-8-sig"),
        text.encode().decode("latin-1").encode(),
        text.encode("utf-16-be"),
    )[kind - 1]


def line_ends_mixed(log: Log, rng: Rng) -> bytes:
    """CR, LF and CR LF in one file."""
    if log.pack is not bytes:
        return sound(log, rng)
    lines = [*log.head, *(log.join(row) for row in log.rows)]
    return "".join(line + str(rng.choice(["\n", "\r\n", "\r"])) for line in lines).encode(
        log.encoding
    )


def delimiter_changed(log: Log, rng: Rng) -> bytes:
    """Another delimiter, or the other decimal mark."""
    if log.layout not in {"comma", "german"}:
        return sound(log, rng)
    text = log.content().decode(log.encoding)
    if rng.random() < 0.5:
        text = text.replace(log.join(["", ""]), str(rng.choice(["\t", "|", " "])))
    else:
        text = text.replace(",", ".") if log.layout == "german" else text.replace(".", ",")
    return text.encode(log.encoding)


def appended(log: Log, rng: Rng) -> bytes:
    """The file was written twice, one after the other, or got a foreign tail."""
    data = log.content()
    return data + (data if rng.random() < 0.5 else rng.bytes(int(rng.integers(1, 2000))))


def stuck_sensor(log: Log, rng: Rng) -> bytes:
    """A sensor freezes for the second half."""
    if log.layout in {"long", "parquet"}:
        return sound(log, rng)
    at = 1 + NAMES.index(str(rng.choice(["airflow", "engine_speed"])))
    rows = [list(row) for row in log.rows]
    half = len(rows) // 2
    for row in rows[half:]:
        row[at] = rows[half][at]
    return _replace(log, rows=rows).content()


def clock_fell_back(log: Log, rng: Rng) -> bytes:
    """The logger lost its time on the way and went on from its epoch."""
    if log.layout in {"parquet", "blanks", "german"}:
        return sound(log, rng)
    half = len(log.rows) // 2
    rows = [
        [row[0].replace("2024-03-01", "1970-01-01"), *row[1:]] if at >= half else row
        for at, row in enumerate(log.rows)
    ]
    return _replace(log, rows=rows).content()


DAMAGES = (
    sound, byte_flipped, cut_off, hole, zeros, lines_lost, lines_doubled, lines_swapped, cells_lost,
    cells_of_junk, columns_shuffled, columns_mislabelled, column_missing, unit_changed, unit_jumps,
    encodings_mixed, line_ends_mixed, delimiter_changed, appended, stuck_sensor, clock_fell_back,
)  # fmt: skip

TOLERANCE = {
    "engine_speed": 0.51, "vehicle_speed": 0.06, "airflow": 0.02, "manifold_pressure": 0.06,
    "intake_temperature": 0.06, "coolant_temperature": 0.06,
}  # fmt: skip
"""Half a step of what is written, and a little for the conversions."""


def wrong_values(samples: pl.DataFrame, values: dict[str, np.ndarray]) -> str:
    """Return the first value that is not the truth, in words, or nothing."""
    seconds = (samples["t"].dt.epoch("us").to_numpy() - int(START.timestamp() * 1e6)) / 1e6
    row = np.round(seconds / STEP_S).astype(np.int64)
    inside = (row >= 0) & (row < len(values["airflow"]))
    if not np.all(inside) or np.abs(seconds - row * STEP_S).max() > 2e-3:
        bad = int(np.argmax(~inside | (np.abs(seconds - row * STEP_S) > 2e-3)))
        return f"time {samples['t'][bad]}"
    for name in NAMES:
        if name not in samples.columns:
            continue
        got = samples[name].to_numpy()
        off = np.abs(got - values[name][row]) > TOLERANCE[name]
        if np.any(off):
            at = int(np.argmax(off))
            return f"{name} {got[at]:g} instead of {values[name][row[at]]:g} ({int(off.sum())} so)"
    return ""


def judge(content: bytes, log: Log, values: dict[str, np.ndarray], folder: Path,
          pipelines: list[ingest.Pipeline]) -> tuple[str, str]:  # fmt: skip
    """Return what became of a log, and why."""
    path = folder / log.name
    path.write_bytes(content)
    try:
        read = ingest.read_log(path, pipelines, "otter", VEHICLE)
    except LogError as error:
        return ("refused", error.reason) if error.message else ("crash", "no message")
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt):
            raise
        return "crash", repr(error)[:200]
    wrong = wrong_values(read.samples, values)
    if wrong:
        return "silent", wrong
    complete = all(
        name in read.samples.columns
        and read.samples[name].count() >= len(values["airflow"]) for name in NAMES
    )  # fmt: skip
    if complete:
        return "whole", ""
    reasons = [f"{loss.reason}" for loss in read.losses] or ["rows or columns not in the file"]
    return "part", reasons[0]


def run(files: int, seed: int = 20240301) -> dict[str, Outcome]:
    """Damage so many logs, every kind on every layout in turn, and say what became of them."""
    rng = np.random.default_rng(seed)
    pipelines = list(ingest.load_pipelines(ingest.template_folder()).values())
    table = {damage.__name__.replace("_", " "): Outcome() for damage in DAMAGES}
    with tempfile.TemporaryDirectory() as name:
        for number in range(files):
            layout = LAYOUTS[number % len(LAYOUTS)]
            damage = DAMAGES[(number // len(LAYOUTS)) % len(DAMAGES)]
            values = truth(rng, 240)
            log = layout(values)
            content = damage(log, rng)
            if content == log.content():
                damage = sound  # this kind of damage does not exist in this layout
            what, why = judge(content, log, values, Path(name), pipelines)
            outcome = table[damage.__name__.replace("_", " ")]
            setattr(outcome, what, getattr(outcome, what) + 1)
            outcome.reasons[why] += what in {"refused", "part"}
            if what in {"silent", "crash"}:
                outcome.examples.append(f"{log.layout}: {why}")
    return table


def printed(table: dict[str, Outcome]) -> str:
    """Return the table as text."""
    kinds = ("whole", "part", "refused", "silent", "crash")
    lines = [f"{'damage':22}" + "".join(f"{kind:>9}" for kind in kinds) + "  reasons"]
    for name, one in table.items():
        common = [(reason, count) for reason, count in one.reasons.most_common(4) if count]
        reasons = ", ".join(f"{reason} {count}" for reason, count in common)
        counts = "".join(f"{getattr(one, kind):9}" for kind in kinds)
        lines.append(f"{name:22}{counts}  {reasons}")
    totals = [sum(getattr(one, kind) for one in table.values()) for kind in kinds]
    lines.append(f"{'all':22}" + "".join(f"{total:9}" for total in totals))
    return "\n".join(lines)


def main() -> None:
    """Run the campaign and write its table."""
    result = run(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
    sys.stdout.write(printed(result) + "\n")
    for kind, outcome in result.items():
        for example in outcome.examples[:12]:
            sys.stdout.write(f"  {kind}: {example}\n")


if __name__ == "__main__":
    main()
