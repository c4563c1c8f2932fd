"""Unit spellings and what they mean: one table, one way to convert.

A unit is a dimension, a factor and an offset: ``base = factor · value + offset``, where the base
of each dimension is the unit in which the store keeps it (see :data:`BASES`). A gauge pressure is
measured against the surroundings; it stays marked as gauge, and whoever reads it must add the
ambient pressure.

Sources of the factors: BIPM, *The International System of Units*, 9th ed. 2019, and NIST SP 811
(2008), appendix B.8: 1 lb = 0.453 592 37 kg, 1 mile = 1 609.344 m, 1 ft = 0.3048 m (exact),
1 psi = 6.894 757 kPa, 1 hp = 550 ft·lbf/s = 0.745 699 9 kW,
1 metric horsepower = 75 kgf·m/s = 0.735 498 75 kW (exact), 1 inHg = 3.386 389 kPa (32 °F),
1 mmHg = 133.3224 Pa, and 1 inH2O = 0.249 082 kPa (60 °F: 0.248 84; conventional:
0.249 088 9, used here).
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, replace
from functools import lru_cache


@dataclass(frozen=True, slots=True)
class Unit:
    """What a spelling means: ``base = factor · value + offset`` in the dimension's base unit.

    ``gauge`` marks a pressure measured against the surroundings.
    """

    dimension: str
    factor: float
    offset: float = 0.0
    gauge: bool = False


BASES: dict[str, str] = {
    "temperature": "°C",
    "pressure": "kPa",
    "mass_flow": "g/s",
    "volume_flow": "L/h",
    "mass_per_stroke": "mg/stroke",
    "volume_per_stroke": "mm³/stroke",
    "rotation": "rpm",
    "speed": "km/h",
    "length": "m",
    "ratio": "%",
    "torque": "N·m",
    "time": "s",
    "voltage": "V",
    "power": "kW",
}
"""The base unit of every dimension."""

_PSI = 6.894757293168361
_INCH_MERCURY = 3.386389
_MILE_KM = 1.609344
_POUND_G = 453.59237
_GALLON_L = 3.785411784
_HORSEPOWER_KW = 0.7456998715822702
_METRIC_HORSEPOWER_KW = 0.73549875

# spellings are compared after `_plain`: lower case, no blanks, brackets or exponent signs
_SPELLINGS: dict[str, dict[str, Unit]] = {
    "temperature": {
        "°C|c|degc|celsius|deg.c|gradc|grad": Unit("temperature", 1.0),
        "°F|f|degf|fahrenheit|deg.f": Unit("temperature", 5 / 9, -160 / 9),
        "K|kelvin": Unit("temperature", 1.0, -273.15),
    },
    "pressure": {
        "kPa": Unit("pressure", 1.0),
        "hPa|mbar|millibar|mb": Unit("pressure", 0.1),
        "bar": Unit("pressure", 100.0),
        "Pa": Unit("pressure", 1e-3),
        "MPa": Unit("pressure", 1e3),
        "psi|lbf/in2|lb/in2": Unit("pressure", _PSI),
        'inHg|in.hg|"hg': Unit("pressure", _INCH_MERCURY),
        "mmHg|torr": Unit("pressure", 0.1333224),
        'inH2O|"h2o': Unit("pressure", 0.2490889),
        "atm": Unit("pressure", 101.325),
        "kgf/cm2|at": Unit("pressure", 98.0665),
    },
    "mass_flow": {
        "g/s|g/sec|gs-1|gps|gm/s|gramm/s|grams/s|grams/sec": Unit("mass_flow", 1.0),
        "kg/s": Unit("mass_flow", 1000.0),
        "kg/h|kg/hr|kgh-1|kg/std|kg/hour": Unit("mass_flow", 1000 / 3600),
        "g/h|g/hr": Unit("mass_flow", 1 / 3600),
        "kg/min": Unit("mass_flow", 1000 / 60),
        "g/min": Unit("mass_flow", 1 / 60),
        "lb/min|lbs/min|lbm/min|lb/m": Unit("mass_flow", _POUND_G / 60),
        "lb/h|lb/hr|lbs/h|lbs/hr": Unit("mass_flow", _POUND_G / 3600),
        "lb/s|lbs/s": Unit("mass_flow", _POUND_G),
        "mg/s": Unit("mass_flow", 1e-3),
    },
    "volume_flow": {
        "L/h|l/hr|lph|ltr/h|liter/h|litre/h": Unit("volume_flow", 1.0),
        "L/min": Unit("volume_flow", 60.0),
        "mL/s|cm3/s|cc/s": Unit("volume_flow", 3.6),
        "mL/min|cm3/min|cc/min": Unit("volume_flow", 0.06),
        "gal/h|gph|gal/hr": Unit("volume_flow", _GALLON_L),
        "m3/h": Unit("volume_flow", 1000.0),
    },
    "mass_per_stroke": {
        "mg/stroke|mg/hub|mg/str|mg/stk|mg/h.|mg/hb|mg/cyl|mg/inj|mg/i|mg/cycle|mg/asp|mg/cp"
        "|mg/st": Unit("mass_per_stroke", 1.0),
        "g/stroke|g/hub|g/cyl|g/rev/cyl": Unit("mass_per_stroke", 1000.0),
    },
    "volume_per_stroke": {
        "mm3/stroke|mm3/hub|mm3/str|mm3/inj|mm3/st|mm3/cycle|mm3": Unit("volume_per_stroke", 1.0),
    },
    "rotation": {
        "rpm|1/min|u/min|/min|min-1|r/min|rev/min|umin|u/m|rev/m|tr/min|ot/min|obr/min|giri/min"
        "|r.p.m.|upm|rpm/min": Unit("rotation", 1.0),
        "1/s|hz|rps|rev/s|s-1|u/s|r/s": Unit("rotation", 60.0),
        "rad/s": Unit("rotation", 9.549296585513721),
        "krpm|x1000rpm|1000/min|rpmx1000": Unit("rotation", 1000.0),
    },
    "speed": {
        "km/h|kmh|kph|km/hr|kmph|kmh-1|km/std": Unit("speed", 1.0),
        "mph|mi/h|mile/h|miles/h": Unit("speed", _MILE_KM),
        "m/s|ms-1|mps|m/sec": Unit("speed", 3.6),
        "kn|kt|kts|knot|knots": Unit("speed", 1.852),
    },
    "length": {
        "km|kilometer|kilometre|kilometers": Unit("length", 1000.0),
        "mi|mile|miles": Unit("length", 1609.344),
        "m|meter|metre|meters|metres|mnn|masl|mü.nn": Unit("length", 1.0),
        "ft|feet|foot": Unit("length", 0.3048),
    },
    "ratio": {
        "%|percent|pct|prozent|%open": Unit("ratio", 1.0),
        "ratio|0-1|0..1|fraction|anteil": Unit("ratio", 100.0),
        "‰|permille|promille": Unit("ratio", 0.1),
    },
    "torque": {
        "N·m|nm|n*m|n.m|n-m|newtonmeter": Unit("torque", 1.0),
        "ft·lb|ftlb|lb·ft|lbft|ft-lb|lb-ft|ft.lb|ft*lb|lbf·ft|lbf-ft|ft-lbf|ftlbf": Unit(
            "torque", 1.3558179483314004
        ),
    },
    "time": {
        "s|sec|sek|second|seconds|sekunden": Unit("time", 1.0),
        "ms|msec|millis": Unit("time", 1e-3),
        "us|µs|usec": Unit("time", 1e-6),
        "min|minute|minutes": Unit("time", 60.0),
        "h|hr|hour|hours|std": Unit("time", 3600.0),
    },
    "voltage": {"V|volt|volts": Unit("voltage", 1.0), "mV": Unit("voltage", 1e-3)},
    "power": {
        "kW": Unit("power", 1.0),
        "W|watt|watts": Unit("power", 1e-3),
        "hp|bhp|horsepower": Unit("power", _HORSEPOWER_KW),
        "PS|cv|ch": Unit("power", _METRIC_HORSEPOWER_KW),
    },
}

_GAUGE = re.compile(
    r"(?:\(g\)|gauge|gage|rel\.?|relativ|relative|(?<=r)ü|über|(?<=psi)g|"
    r"(?<=bar)g|(?<=kpa)g|(?<=hpa)g|(?<=inhg)g)$"
)
_ABSOLUTE = re.compile(
    r"(?:\(a\)|abs\.?|absolut|absolute|(?<=psi)a|(?<=bar)a|(?<=kpa)a|"
    r"(?<=hpa)a)$"
)
_SUPERSCRIPTS = str.maketrans(
    {"⁻": "-", "−": "-", "¹": "1", "²": "2", "³": "3", "º": "°", "˚": "°"}
)


def repair(text: str) -> str:
    """Undo doubly encoded UTF-8, as often as it was done (``Â°C`` becomes ``°C``).

    Text that was not doubly encoded comes back as it is.
    """
    for _ in range(3):
        for encoding in ("latin-1", "cp1252"):
            try:
                undone = text.encode(encoding).decode("utf-8")
            except (UnicodeEncodeError, UnicodeDecodeError):
                continue
            break
        else:
            return text
        if undone == text:
            return text
        text = undone
    return text


def _plain(text: str) -> str:
    text = repair(text).translate(_SUPERSCRIPTS)
    text = unicodedata.normalize("NFKC", text).translate(_SUPERSCRIPTS).strip()
    while len(text) > 2 and text[0] + text[-1] in {"[]", "()", "{}"}:
        text = text[1:-1].strip()
    return re.sub(r"[\s^_]", "", text).lower().replace("•", "·").replace("⋅", "·")


def _table() -> dict[str, Unit]:
    table: dict[str, Unit] = {}
    for spellings in _SPELLINGS.values():
        for alternatives, unit in spellings.items():
            for spelling in map(_plain, alternatives.split("|")):
                if spelling in table:
                    msg = f"the unit spelling {spelling!r} stands twice in the table"
                    raise ValueError(msg)
                table[spelling] = unit
    return table


UNITS: dict[str, Unit] = _table()
"""Every spelling, reduced to lower case without blanks, and what it means."""


@lru_cache(maxsize=1024)
def find(text: str) -> Unit | None:
    """Return what a unit's spelling means, or None where it is not known.

    Brackets around it, case, blanks, superscripts and doubly encoded signs do not matter;
    ``(g)``, ``gauge``, ``rel`` or ``ü`` behind a pressure unit mark it as gauge.

    >>> find("[Â°C]").dimension, find("U/min").dimension, find("psig").gauge
    ('temperature', 'rotation', True)
    """
    plain = _plain(text)
    if plain in UNITS:
        return UNITS[plain]
    for pattern, gauge in ((_GAUGE, True), (_ABSOLUTE, False)):
        stem = pattern.sub("", plain).rstrip("-,;/")
        if stem != plain and stem in UNITS and UNITS[stem].dimension == "pressure":
            return replace(UNITS[stem], gauge=gauge)
    return None


def named(text: str) -> Unit:
    """Return what a known unit means.

    Raises
    ------
    ValueError
        Where the spelling is not in the table.
    """
    unit = find(text)
    if unit is None:
        msg = f"{text!r} is no unit that is known here"
        raise ValueError(msg)
    return unit


def coefficients(source: Unit, target: Unit) -> tuple[float, float]:
    """Return factor and offset that turn a value in ``source`` into ``target``.

    Gauge or absolute is not looked at: the ambient pressure must be added by whoever knows it.

    Raises
    ------
    ValueError
        Where the two are of different dimensions.
    """
    if source.dimension != target.dimension:
        msg = f"a {source.dimension} cannot become a {target.dimension}"
        raise ValueError(msg)
    return source.factor / target.factor, (source.offset - target.offset) / target.factor


def convert(value: float, source: str, target: str) -> float:
    """Return a value in another unit of the same dimension.

    >>> round(convert(5.4, "lb/min", "g/s"), 2)
    40.82
    """
    factor, offset = coefficients(named(source), named(target))
    return factor * value + offset


def convert_difference(value: float, source: str, target: str) -> float:
    """Return a difference of two values in another unit: offsets do not count.

    >>> round(convert_difference(10.0, "K", "°F"), 2)
    18.0
    """
    return coefficients(named(source), named(target))[0] * value


def spellings(dimension: str) -> tuple[str, ...]:
    """Return one spelling per different unit of a dimension, the commonest first."""
    return tuple(key.split("|")[0] for key in _SPELLINGS[dimension])
