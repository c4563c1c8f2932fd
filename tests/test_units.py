from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from healthtrack import units
from healthtrack.channels import CHANNELS

PINT_NAMES = {
    # our spelling: how pint calls the same unit (pint itself misreads kPa(a), U/min and Nm)
    "°C": "degC", "°F": "degF", "K": "kelvin", "kPa": "kPa", "hPa": "hPa", "mbar": "mbar",
    "bar": "bar", "Pa": "Pa", "psi": "psi", "inHg": "inHg", "mmHg": "mmHg", "inH2O": "inH2O",
    "g/s": "g/s", "kg/h": "kg/h", "g/h": "g/h", "kg/min": "kg/min", "lb/min": "lb/min",
    "lb/h": "lb/h", "L/h": "L/h", "gal/h": "gal/h", "rpm": "rpm", "rad/s": "rad/s",
    "km/h": "km/h", "mph": "mph", "m/s": "m/s", "kn": "knot", "km": "km", "miles": "mile",
    "m": "m", "ft": "ft", "N·m": "N*m", "ft·lb": "ft*lbf", "ms": "ms", "min": "min",
    "s": "s",
}  # fmt: skip


@pytest.fixture(scope="module")
def registry():
    import pint

    return pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


@pytest.mark.parametrize("spelling", sorted(PINT_NAMES))
def test_every_unit_converts_as_pint_does(spelling, registry):
    unit = units.named(spelling)
    base = units.BASES[unit.dimension]
    expected = registry.Quantity(37.25, PINT_NAMES[spelling]).to(PINT_NAMES[base]).magnitude
    # 2e-5: inHg and inH2O stand at 32 °F here (NIST SP 811) and pint differs in the sixth digit
    assert units.convert(37.25, spelling, base) == pytest.approx(expected, rel=2e-5)


def test_one_kilogram_per_second_is_132_277_pounds_per_minute():
    assert units.convert(1.0, "kg/s", "lb/min") == pytest.approx(132.27736, rel=1e-7)


def test_twenty_five_inches_of_water_are_6_227_kilopascal():
    assert units.convert(25.0, "inH2O", "kPa") == pytest.approx(6.227, abs=5e-4)


@pytest.mark.parametrize(
    ("spelling", "same_as"),
    [
        ("Â°C", "°C"), ("[°C]", "°C"), ("º C", "°C"), ("deg C", "°C"),
        ("U/min", "rpm"), ("1/min", "rpm"), ("min⁻¹", "rpm"), ("min^-1", "rpm"), ("RPM", "rpm"),
        ("kg/std", "kg/h"), ("mg/Hub", "mg/stroke"), ("Nm", "N·m"), ("N*m", "N·m"),
        ("mBar", "hPa"), ("psia", "psi"), ("kPa(a)", "kPa"), ("bar abs", "bar"),
        ("mm³/Hub", "mm3/stroke"), ("MPH", "mph"), ("(km/h)", "km/h"),
    ],
)  # fmt: skip
def test_a_spelling_of_the_trade_is_understood(spelling, same_as):
    assert units.find(spelling) == units.find(same_as) is not None


@pytest.mark.parametrize("text", ["°C", "µs", "Kühlmitteltemperatur °C", "débit d'air", "N·m"])
@pytest.mark.parametrize("times", [0, 1, 2, 3])
def test_an_encoding_done_over_again_is_undone(text, times):
    encoded = text
    for _ in range(times):
        encoded = encoded.encode().decode("latin-1")
    assert units.repair(encoded) == text


def test_a_text_read_as_windows_1252_is_repaired_too():
    assert units.repair("Â°C") == "°C"
    assert units.repair("kgâ‚‚") == "kg₂"


@pytest.mark.parametrize(
    "spelling", ["psig", "bar(g)", "kPa gauge", "barg", "mbar rel", "barü", "kPag", "bar rel."]
)
def test_a_gauge_pressure_stays_gauge(spelling):
    unit = units.find(spelling)
    assert unit is not None
    assert unit.dimension == "pressure"
    assert unit.gauge


@pytest.mark.parametrize("spelling", ["furlong", "", "°", "g(g)", "/", "kPa/s", "x" * 5000])
def test_an_unknown_spelling_is_not_guessed(spelling):
    assert units.find(spelling) is None


def test_a_pressure_does_not_become_a_temperature():
    with pytest.raises(ValueError, match="pressure cannot become a temperature"):
        units.convert(1.0, "kPa", "°C")
    with pytest.raises(ValueError, match="furlong"):
        units.named("furlong")


@given(st.sampled_from(sorted(units.UNITS)), st.floats(-1e6, 1e6))
def test_a_value_comes_back_from_any_unit(spelling, value):
    base = units.BASES[units.named(spelling).dimension]
    there = units.convert(value, base, spelling)
    assert math.isclose(units.convert(there, spelling, base), value, rel_tol=1e-9, abs_tol=1e-6)


@given(st.text())
def test_no_text_breaks_the_table(text):
    unit = units.find(text)
    assert unit is None or unit.dimension in units.BASES


def test_the_store_keeps_every_channel_in_a_known_unit():
    for channel in CHANNELS.values():
        assert units.find(channel.unit) is not None, channel.name


def test_every_spelling_that_is_offered_to_a_person_is_known():
    for dimension in units.BASES:
        for spelling in units.spellings(dimension):
            assert units.named(spelling).dimension == dimension
