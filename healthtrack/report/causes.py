"""Which part it probably is, what speaks for it and against it, and what would tell."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from healthtrack.report import style, words
from healthtrack.report.numbers import decimals_for, number, percent, quantity, span, typeset
from healthtrack.report.page import shorten

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from healthtrack.records import (
        CauseFinding,
        Diagnosis,
        ExpectedLevels,
        RegionEvidence,
        VehicleFinding,
    )
    from healthtrack.report.flow import Flow

ROW = 5.4
EVIDENCE_ROW = 4.1
WORTH_A_BAR = 0.01
"""Causes less probable than this share a line."""
MOST_BARS = 6
WORTH_A_WORD = 0.03
MOST_LOOKS = 2
NATS_FOR_A_WORD = 1.0
"""Evidence (ln of the ratio of likelihoods) from which a region speaks for or against a cause."""


def draw_causes(flow: Flow, finding: VehicleFinding) -> None:
    """Write the causes with their probabilities as bars of one scale, and what would tell more."""
    if not finding.causes:
        return
    flow.space(3.0)
    ordered = sorted(finding.causes, key=lambda cause: -cause.probability)
    flow.bookmark("Causes")
    if ordered[0].cause == "none":
        flow.heading("Probable causes")
        flow.paragraph(f"Most probably nothing is wrong ({percent(ordered[0].probability)}).")
        if finding.state not in ("alert", "alarm"):
            return
    else:
        flow.heading(
            "Probable causes", with_next=16.0, aside="probability, and the size of the fault"
        )
    shown = [item for item in ordered if item.probability >= WORTH_A_BAR][:MOST_BARS]
    for item in shown:
        _bar(flow, item)
    rest = ordered[len(shown) :]
    if rest:
        most = percent(max(item.probability for item in rest))
        text = (
            f"{words.cause(rest[0].cause)}: {most}."
            if len(rest) == 1
            else f"Each of {len(rest)} others: {most}{'' if most[0] == 'u' else ' or less'}."
        )
        flow.paragraph(text, style.SMALL, colour=style.SOFT)
    if finding.diagnosis is not None:
        _more(flow, finding.diagnosis)


def _bar(flow: Flow, item: CauseFinding) -> None:
    paper = flow.paper
    label, bar, reach = 72.0, paper.left + 75.0, 40.0
    meaning = words.cause_size(item.cause) if item.size is not None else ""
    flow.need(ROW + (2.6 if meaning else 0.0))
    y = flow.y + 4.2
    flow.page.text(paper.left, y, shorten(words.cause(item.cause), label, style.BODY), style.BODY)
    flow.page.box(bar, y - 2.9, reach, 3.2, style.WASH)
    flow.page.box(bar, y - 2.9, max(reach * min(item.probability, 1.0), 0.2), 3.2, style.DATA)
    x = bar + reach + 18.0
    flow.page.text(x, y, percent(item.probability), style.STRONG, align="right")
    flow.page.text(paper.right_edge, y, size_words(item), style.SMALL, align="right")
    flow.space(ROW)
    if meaning:
        flow.page.text(
            paper.right_edge, y + 3.2, meaning, style.TINY, colour=style.SOFT, align="right"
        )
        flow.space(2.6)


def size_words(item: CauseFinding) -> str:
    """Write the size of a fault with its 95 % band."""
    if item.size is None:
        return ""
    decimals = decimals_for(item.size_low, item.size_high)
    text = quantity(item.size, item.unit or "", decimals)
    if item.size_low is not None and item.size_high is not None:
        text += f" ({span(item.size_low, item.size_high, decimals)})"
    return text


def _more(flow: Flow, diagnosis: Diagnosis) -> None:
    """Write what happens together, what cannot be told apart, and what would tell most."""
    for pair in diagnosis.pairs:
        if pair.probability >= WORTH_A_WORD:
            both = " and ".join(words.cause(name).lower() for name in pair.causes)
            flow.paragraph(f"Both at once: {both}, {percent(pair.probability)}.", style.SMALL)
    for alike in diagnosis.alike:
        names = "; ".join(words.cause(name).lower() for name in alike)
        flow.paragraph(
            f"What this vehicle logs cannot tell these apart, however long: {names}.", style.SMALL
        )
    looks = sorted(diagnosis.next_observations, key=lambda look: -look.settles)
    looks = [look for look in looks if look.settles >= WORTH_A_WORD][:MOST_LOOKS]
    if looks:
        flow.space(1.6)
        flow.paragraph("What would tell most", style.STRONG)
        flow.space(0.8)
        flow.items(
            (
                f"{typeset(look.words)} It would settle {_about(look.settles)} of the doubt."
                for look in looks
            ),
            style.SMALL,
            numbered=False,
        )


def _about(share: float) -> str:
    words_of_share = percent(share)
    return words_of_share if words_of_share[0] in "ou" else f"about {words_of_share}"


class Spoken(NamedTuple):
    """What a region says of a cause."""

    region: RegionEvidence
    expected: float | None
    nats: float | None

    @property
    def word(self) -> str:
        """For, against, or neither."""
        if self.nats is None:
            return ""
        if self.nats >= NATS_FOR_A_WORD:
            return "for"
        return "against" if self.nats <= -NATS_FOR_A_WORD else "neither"


def spoken(regions: Sequence[RegionEvidence], expected: ExpectedLevels | None) -> list[Spoken]:
    """Weigh a cause against no fault, region by region, as if their errors were independent.

    ``nats`` is the ln of the ratio of likelihoods of the measured level under the level that the
    cause predicts and under zero; the diagnosis itself counts the correlation of the errors.
    """
    said = []
    for index, region in enumerate(regions):
        level = expected.levels[index] if expected and index < len(expected.levels) else None
        nats = None
        if level is not None and region.sd > 0:
            miss, zero = (region.level - level) / region.sd, region.level / region.sd
            nats = (zero**2 - miss**2) / 2
        said.append(Spoken(region, level, nats))
    return said


def draw_evidence(flow: Flow, finding: VehicleFinding) -> None:
    """Write what each indicator says of late in each region of operation."""
    evidence, diagnosis = finding.evidence, finding.diagnosis
    if evidence is None or not evidence.regions:
        return
    suspected = finding.state in ("alert", "alarm") and diagnosis is not None
    expected = diagnosis.expected[0] if suspected and diagnosis and diagnosis.expected else None
    top = words.cause(expected.cause).lower() if expected else ""
    flow.space(3.0)
    flow.heading(
        "What each region of operation says",
        with_next=22.0,
        aside="levels of late, with their 95 % bands",
    )
    flow.bookmark("Evidence")
    said = spoken(evidence.regions, expected)
    by_unit: dict[str, float] = {}
    for item in said:
        unit = words.unit(item.region.indicator)
        reach = max(abs(item.region.level) + 1.96 * item.region.sd, abs(item.expected or 0.0))
        by_unit[unit] = max(by_unit.get(unit, 0.0), reach)
    if expected:
        flow.paragraph(
            f"The short upright line is what “{top}” predicts; the last column says whether the "
            "region speaks for it or against it, compared with no fault.",
            style.SMALL,
            colour=style.SOFT,
        )
        flow.space(1.2)
    before = ""
    for item in said:
        _evidence_row(flow, item, by_unit[words.unit(item.region.indicator)], before)
        before = item.region.indicator


def _evidence_row(flow: Flow, item: Spoken, reach: float, before: str) -> None:
    paper, region = flow.paper, item.region
    middle, half = paper.left + 97.0, 18.0
    flow.need(EVIDENCE_ROW)
    y = flow.y + 3.4
    if region.indicator != before:
        flow.page.rule(paper.left, paper.right_edge, flow.y + 0.2)
        flow.page.text(paper.left, y, words.label(region.indicator), style.SMALL_STRONG)
    name = shorten(_region_words(region), 46.0, style.SMALL)
    flow.page.text(paper.left + 31.0, y, name, style.SMALL)

    def place(value: float) -> float:
        return middle + half * value / (reach or 1.0)

    _evidence_mark(flow, item, y - 1.1, (middle, half), place)
    low, high = region.level - 1.96 * region.sd, region.level + 1.96 * region.sd
    decimals = decimals_for(low, high)
    unit = flow.units.unit(words.unit(region.indicator))
    x = paper.left + 131.0
    flow.page.text(x, y, quantity(region.level, unit, decimals), style.SMALL_STRONG, align="right")
    x = paper.left + 157.0
    flow.page.text(x, y, span(low, high, decimals), style.SMALL, align="right")
    flow.page.text(paper.right_edge, y, item.word, style.SMALL, align="right")
    flow.space(EVIDENCE_ROW)


def _evidence_mark(
    flow: Flow,
    item: Spoken,
    y: float,
    across: tuple[float, float],
    place: Callable[[float], float],
) -> None:
    middle, half = across
    region = item.region
    flow.page.rule(middle - half, middle + half, y, style.HAIR, 0.5)
    flow.page.line((middle, middle), (y - 1.5, y + 1.5), style.FAINT, 0.7)
    x0, x1 = place(region.level - 1.96 * region.sd), place(region.level + 1.96 * region.sd)
    flow.page.box(x0, y - 0.9, max(x1 - x0, 0.3), 1.8, style.DATA_BAND)
    x = place(region.level)
    flow.page.line((x, x), (y - 0.9, y + 0.9), style.DATA, 1.6)
    if item.expected is not None:
        x = place(item.expected)
        flow.page.line((x, x), (y - 1.9, y + 1.9), style.INK, 0.9)


def _region_words(region: RegionEvidence) -> str:
    text = words.REGIONS.get(region.region, region.region.replace("_", " "))
    if region.engine_speed is not None and region.engine_speed >= 100.0:
        text += f", {number(region.engine_speed, -2)} rpm"
    return text
