"""What the report says in its own words: states, causes, reasons, method, cautions.

An indicator's label and meaning come from its declaration; nothing about indicators is written
here twice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from healthtrack import indicators
from healthtrack.channels import CHANNELS
from healthtrack.diagnosis.causes import CAUSES

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings
    from healthtrack.indicators.declaration import Indicator
    from healthtrack.records import State, VehicleFinding

NEXT_STEPS: dict[State, tuple[str, ...]] = {
    "normal": (
        "Nothing needs doing. Keep logging, and note in the maintenance list what is done.",
    ),
    "alert": (
        (
            "Plan a check of the air path at the next opportunity; the trend on the next page "
            "shows which symptom moved and since when."
        ),
        "Until then keep logging as before: more drives narrow the band.",
    ),
    "alarm": (
        (
            "Have the air path checked before long journeys and heavy loads; the trend on the next "
            "page shows which symptom moved and since when."
        ),
        "Write down in the maintenance list what was done, so that the report can show its effect.",
    ),
    "learning": (
        (
            "Keep logging ordinary drives with a warm engine. The first verdict comes on its own "
            "as soon as there is enough."
        ),
    ),
    "no_data": (
        "See below what is missing, and look into the logger and its settings.",
        "Run healthtrack check on the command line: it says which logs could not be read and why.",
    ),
}
"""What to do next where the chain gives no advice of its own."""

NO_CAUSE: dict[str, str] = {"none": "no fault", "unknown": "none of the known causes"}
"""What is said where the diagnosis names no cause of its list."""

RUNNING_LOSSES = frozenset({"engine_off", "missing_channel", "gap", "cold", "overrun", "unsteady"})
"""Reasons that count running time, in lengths of a window."""

REASONS: dict[str, str] = {
    "engine_off": "engine off",
    "missing_channel": "not logged",
    "gap": "a gap in the log",
    "cold": "engine still cold",
    "overrun": "overrun (no fuel)",
    "unsteady": "speed or load not steady",
    "pull_lifted": "pedal lifted",
    "pull_shifted": "gear changed",
    "pull_cold": "engine still cold",
    "pull_gap": "a gap in the log",
    "pull_short": "too short",
    "out_of_range": "outside the physical range",
    "not_a_number": "not a number",
    "repeat": "repeat of an older reading",
    "ragged_row": "row with missing or surplus fields",
    "repeated_header": "repeated header",
    "truncated": "last row cut off",
    "unreadable_time": "unreadable time",
    "clock_step": "the logger's clock was set",
}
"""Reason codes in words; a code that is not here is shown with blanks for its underscores."""


REGIONS: dict[str, str] = {
    "key_on": "key on, engine off",
    "standstill": "standing",
    "idle": "idle",
    "part_load": "part load",
    "part_load_recirculation": "part load, recirculating",
    "part_load_closed": "part load, valve closed",
    "full_load": "full load",
    "pull": "full-load pull",
}
"""Regions of operation in words."""


class Paragraph(NamedTuple):
    """A heading and what stands under it."""

    heading: str
    text: str


METHOD = (
    Paragraph(
        "What is measured",
        "From each drive only steady stretches of a warm engine are used. In each of them the "
        "measured air flow, pressures and temperatures are set against what this very vehicle "
        "showed at the same engine speed and load while it was healthy, with the weather allowed "
        "for. A drive gives one figure per indicator, with its own uncertainty: thousands of "
        "samples of one drive are one witness, not thousands.",
    ),
    Paragraph(
        "What is compared",
        "The healthy expectation was learned from the period marked in the figures. Outside the "
        "conditions it has seen (speed, load, temperature, height) the band gets wider instead of "
        "an alert being raised. After work that may change what is healthy, such as a new airflow "
        "sensor, learning starts again.",
    ),
    Paragraph(
        "How the trend is drawn",
        "Faint points are single drives with their standard error. The line is the level that "
        "explains them best, seen from today; the tinted band around it holds the true level with "
        "a probability of 95 %. Drives that follow each other resemble each other, and that "
        "is counted: the band does not shrink merely because there are many drives.",
    ),
    Paragraph(
        "When there is an alert, when an alarm",
        "An alert says that the level has left the healthy value by more than chance explains; how "
        "often a sound vehicle may do so is a setting (false alerts per vehicle and year). An "
        "alarm says that it has passed the limit at which it does harm. Significant and harmful "
        "are two questions: the band answers one, the limit the other.",
    ),
)

GLOSSARY = (
    Paragraph("indicator", "one figure per drive for one symptom, measured against healthy"),
    Paragraph("level", "the indicator's value now, freed from the scatter of single drives"),
    Paragraph("95 % band", "the range that holds the true value with a probability of 95 %"),
    Paragraph("limit", "the value at which the symptom does harm"),
    Paragraph("trend", "how fast the level moves; “steady” where the band of the slope holds zero"),
    Paragraph("window", "a few seconds of near-constant engine speed and load"),
)

CAUTIONS = (
    "This report is no certificate of roadworthiness and replaces no inspection.",
    (
        "Test drives at full load need a safe, legal road and a second person at the logger; the "
        "driver only drives."
    ),
    (
        "A running engine is hot, turns belts and fans, and holds pressure and fuel under "
        "pressure: let it cool and stop before anything is opened."
    ),
    "Exhaust recirculation is emissions equipment: it is to be repaired, never to be disabled.",
)


def declaration(indicator: str) -> Indicator | None:
    """Return the declaration of an indicator, None where the name is no longer declared."""
    return indicators.ALL.get(indicator)


def label(indicator: str) -> str:
    """Return an indicator's words with a capital; its name in words where it is not declared."""
    known = declaration(indicator)
    words = known.label if known else indicator.replace("_", " ")
    return words[:1].upper() + words[1:]


def unit(indicator: str) -> str:
    """Return the declaration's unit; nothing where it is not declared."""
    known = declaration(indicator)
    return known.unit if known else ""


def channel_unit(name: str) -> str:
    """Return the store's unit of a channel, or of the demand; nothing where it is neither."""
    known = CHANNELS.get(name)
    return known.unit if known else "%" if name == "demand" else ""


def meaning(indicator: str) -> str:
    """Return the declaration's one plain sentence, or nothing."""
    known = declaration(indicator)
    return known.meaning if known else ""


def cause(name: str) -> str:
    """Return a cause's words with a capital; its name in words where it is not declared."""
    known = CAUSES.get(name)
    words = known.words if known else NO_CAUSE.get(name, name.replace("_", " "))
    return words[:1].upper() + words[1:]


def reason(code: str) -> str:
    """Return a loss's reason code, or a channel's name, in words."""
    return REASONS.get(code, code.replace("_", " "))


def vehicle_title(finding: VehicleFinding, vehicle: VehicleSettings) -> str:
    """Return the vehicle's name, or its id where it has none."""
    return vehicle.name.strip() or finding.vehicle


def next_steps(finding: VehicleFinding) -> tuple[str, ...]:
    """Return the chain's advice, or what always holds for the state."""
    return finding.advice or NEXT_STEPS[finding.state]


def without_state(reason: str) -> str:
    """Return a reason that stands under the word of its state without that word."""
    return reason[len("learning: ") :] if reason.lower().startswith("learning: ") else reason


def cause_size(name: str) -> str:
    """Return what the size of a cause means, or nothing."""
    known = CAUSES.get(name)
    return known.size_means if known else ""
