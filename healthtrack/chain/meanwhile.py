"""A verdict beside others of its kind: what all of them did is told from what one does alone.

An alert stands whatever the others did: wear that a fleet has in common looks like a fuel that it
has in common. But the verdict says so, and the advice then begins with what they share.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from healthtrack import drift
from healthtrack.advice import of_all
from healthtrack.chain.verdict import CONCERNS, concern

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from healthtrack.drift import Neighbour
    from healthtrack.records import Together, VehicleFinding


def beside_others(
    finding: VehicleFinding, mine: Sequence[Neighbour], others: Sequence[Neighbour]
) -> VehicleFinding:
    """Say of each indicator at alert or alarm what others of its kind did meanwhile.

    Parameters
    ----------
    finding : VehicleFinding
        A verdict.
    mine, others : sequence of Neighbour
        Of the vehicle itself, and of vehicles of the same kind, as of the same day
        (:func:`healthtrack.chain.neighbours`).

    Returns
    -------
    VehicleFinding
        The very same where fewer than three others can be heard, or nothing is wrong.
    """
    own = {one.indicator: one for one in mine}
    told = {}
    for item in finding.indicators:
        if item.state not in CONCERNS or item.indicator not in own:
            continue
        same = [one for one in others if one.indicator == item.indicator]
        found = drift.together(item, own[item.indicator], same)
        if found is not None:
            told[item.indicator] = found
    return with_others(finding, told)


def with_others(finding: VehicleFinding, told: Mapping[str, Together]) -> VehicleFinding:
    """Put into a verdict what is known of others, by indicator; only those at alert or alarm."""
    judged = tuple(
        replace(item, together=told.get(item.indicator)) if item.state in CONCERNS else item
        for item in finding.indicators
    )
    if all(item.together is None for item in judged):
        return finding
    return replace(
        finding,
        indicators=judged,
        reason=concern(judged, finding.causes),
        advice=(*of_all(judged), *finding.advice),
    )
