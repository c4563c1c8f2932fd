"""The board: every vehicle, what needs attention first, and what is to do in the weeks ahead."""

from __future__ import annotations

import hmac
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse, Response

from healthtrack.advice import calendar
from healthtrack.jobs.planning import plan_fleet
from healthtrack.records import STATES
from healthtrack.report.facts import is_silent
from healthtrack.report.fleet import attention, before_service, worst_indicator
from healthtrack.report.shown import in_units
from healthtrack.service import requests
from healthtrack.web import series
from healthtrack.web.site import form_of, site_of, text_of, vehicle_of, visitor_of

if TYPE_CHECKING:
    from starlette.requests import Request

    from healthtrack.jobs.planning import FleetPlan
    from healthtrack.web.glance import Glance
    from healthtrack.web.site import Shown, Site

AHEAD = timedelta(weeks=6)
"""How far the board's plan looks."""


def board(request: Request) -> Response:
    """Show the board."""
    site = site_of(request)
    seen = site.glance()
    shown = fleet(site, seen)
    today = site.clock().date()
    plan = planned(site, shown)
    soon = [item for item in plan.items if item.due <= today + AHEAD]
    return site.page(
        request,
        "board.html",
        {
            "seen": seen,
            "rows": [_row(site, seen, one) for one in shown],
            "plan": soon,
            "later": len(plan.items) - len(soon),
            "remarks": plan.remarks,
            "asked": _asked(site),
            "calendar": f"/calendar/{site.calendar}.ics",
            "counts": [
                (state, amount)
                for state in STATES
                if (amount := sum(_state(one) == state for one in shown))
            ],
        },
    )


def fleet(site: Site, seen: Glance) -> list[Shown]:
    """Return all vehicles, what needs attention first on top."""
    shown = [site.shown(vehicle, seen) for vehicle in site.workspace().settings.vehicles]
    known = [one for one in shown if one.finding is not None]
    known.sort(key=lambda one: attention(one.finding) if one.finding else ())
    return known + [one for one in shown if one.finding is None]


def planned(site: Site, shown: list[Shown]) -> FleetPlan:
    """Return what is to be done when."""
    findings = [one.finding for one in shown if one.finding is not None]
    full = [one.finding for one in shown if one.finding is not None and one.full]
    plan = plan_fleet(findings, site.workspace().settings.vehicles, site.clock().date())
    if len(full) == len(findings):
        return plan
    # a kept verdict does not know the next service: no remark that it is missing
    known = plan_fleet(full, site.workspace().settings.vehicles, site.clock().date())
    return type(plan)(plan.as_of, plan.items, known.remarks)


def _state(one: Shown) -> str:
    return one.finding.state if one.finding else "no_data"


def _row(site: Site, seen: Glance, one: Shown) -> dict[str, Any]:
    finding = in_units(one.finding, site.reader.units) if one.finding else None
    item = worst_indicator(finding) if finding else None
    chances = [before_service(indicator) for indicator in finding.indicators] if finding else []
    return {
        "shown": one,
        "state": _state(one),
        "finding": finding,
        "item": item,
        "spark": series.spark(item) if item else None,
        "chance": max(chances) if one.full and chances and max(chances) > 0 else None,
        "silent": bool(finding and finding.last_drive and is_silent(finding, site.clock().date())),
        "episodes": [e for e in seen.open_episodes(one.vehicle) if e.acknowledged is None],
        "known_by": [e for e in seen.open_episodes(one.vehicle) if e.acknowledged is not None],
        "last_log": max((entry.received for entry in seen.logs_of(one.vehicle)), default=None),
    }


def _asked(site: Site) -> set[str]:
    """Return the vehicles whose acknowledgement the service has not taken yet."""
    found = (requests.read(path) for path in requests.waiting(site.workspace().root))
    return {one.vehicle for one in found if isinstance(one, requests.Acknowledgement)}


async def acknowledge(request: Request) -> Response:
    """Note that someone knows of a vehicle's alerts."""
    site, vehicle = site_of(request), vehicle_of(request)
    form = await form_of(request)
    visitor = visitor_of(request)
    by = (visitor.name if visitor else "") or text_of(form, "by", 100) or "someone at the page"
    indicator = text_of(form, "indicator", 100) or None
    asked = requests.Acknowledgement(vehicle, indicator, by, site.clock())
    requests.ask(site.workspace().root, asked)
    return RedirectResponse("/", 303)


def calendar_feed(request: Request) -> Response:
    """Give the plan as iCalendar, to whoever knows the address."""
    site = site_of(request)
    if not hmac.compare_digest(str(request.path_params["token"]), site.calendar):
        raise HTTPException(404, "There is no such calendar.")
    plan = planned(site, fleet(site, site.glance()))
    return Response(
        calendar(plan.items, site.clock()),
        media_type="text/calendar; charset=utf-8",
        headers={"Content-Disposition": 'inline; filename="healthtrack.ics"'},
    )
