"""What all pages share: the workspace, who asks, templates and forms."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import jinja2
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse

from healthtrack import __version__
from healthtrack.chain import with_others
from healthtrack.config import VehicleSettings
from healthtrack.report.reader import Reader
from healthtrack.web.kept import read_kept
from healthtrack.web.writing import constants, filters

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import date, datetime

    from starlette.datastructures import FormData
    from starlette.requests import Request
    from starlette.responses import Response

    from healthtrack.jobs.workspace import Workspace
    from healthtrack.records import VehicleFinding
    from healthtrack.service.state import Status
    from healthtrack.web.accounts import Doorkeeper
    from healthtrack.web.desk import Desk
    from healthtrack.web.glance import Glance, Window
    from healthtrack.web.guard import Gate, Visitor

HERE = Path(__file__).resolve().parent
MOST_FILES = 1000


@dataclass(frozen=True)
class Shown:
    """A vehicle as pages show it.

    ``full`` says that the finding has its courses; else it is the kept verdict. ``since`` says
    since when it stands so, with the word for it: the alert's day, else when this was first said.
    """

    vehicle: str
    title: str
    finding: VehicleFinding | None
    full: bool
    since: tuple[str, date] | None


@dataclass(frozen=True)
class Site:
    """Everything that a page may ask."""

    workspace: Callable[[], Workspace]
    clock: Callable[[], datetime]
    status: Callable[[], Status | None]
    look_soon: Callable[[], None]
    gate: Gate
    doorkeeper: Doorkeeper
    window: Window
    desk: Desk
    calendar: str

    def glance(self) -> Glance:
        """Return what there is to see of the store."""
        return self.window.look(self.workspace())

    def shown(self, vehicle: str, seen: Glance) -> Shown:
        """Return a vehicle with the best verdict that there is."""
        settings = self.workspace().settings.vehicles.get(vehicle, VehicleSettings())
        title = settings.name.strip() or vehicle
        full = self.desk.finding(vehicle)
        kept = seen.latest(vehicle)
        finding = full
        if kept is not None and (full is None or full.state in {"alert", "alarm"}):
            finding = _beside(full, read_kept(kept))
        since = _since(finding, seen.since(vehicle))
        return Shown(vehicle, title, finding, full=full is not None, since=since)

    @property
    def reader(self) -> Reader:
        """Return who reads: units and number marks, as of the reports."""
        return Reader.of(self.workspace().settings.report)

    def page(
        self, request: Request, template: str, told: Mapping[str, Any], code: int = 200
    ) -> Response:
        """Return a page."""
        common: dict[str, Any] = {
            "visitor": visitor_of(request),
            "path": request.url.path,
            "needs_login": self.gate.settings.needs_login,
            "workspace_name": self.workspace().root.resolve().name,
            "version": __version__,
            "service": self.status(),
            "now": self.clock(),
            "reader": self.reader,
        }
        templates = make_templates(common["reader"])
        body = templates.get_template(template).render(common | dict(told))
        return HTMLResponse(body, code)


def _beside(full: VehicleFinding | None, kept: VehicleFinding) -> VehicleFinding:
    """Put into a verdict what the kept one says of others of its kind: they are asked at night."""
    if full is None:
        return kept
    raised = {item.indicator: item.raised_on for item in full.indicators}
    heard = {
        item.indicator: item.together
        for item in kept.indicators
        if item.together is not None and item.raised_on == raised.get(item.indicator)
    }
    return with_others(full, heard)


def _since(finding: VehicleFinding | None, said: datetime | None) -> tuple[str, date] | None:
    concerned = [
        item.raised_on
        for item in (finding.indicators if finding is not None else ())
        if item.raised_on is not None and item.state in {"alert", "alarm"}
    ]
    if concerned:
        return "raised", min(concerned)
    return ("since", said.date()) if said is not None else None


def site_of(request: Request) -> Site:
    """Return the site of a request."""
    return cast("Site", request.app.state.site)


def visitor_of(request: Request) -> Visitor | None:
    """Return who asks."""
    return cast("Visitor | None", request.state.visitor)


def vehicle_of(request: Request) -> str:
    """Return the vehicle that an address names, if there is one; else the page is not found."""
    vehicle = str(request.path_params["vehicle"])
    if vehicle not in site_of(request).workspace().settings.vehicles:
        raise HTTPException(404, f"There is no vehicle {vehicle}.")
    return vehicle


async def form_of(request: Request) -> FormData:
    """Return a form, once it has been shown to come from a page of ours."""
    header = request.headers.get("x-token")
    if header is not None:
        check_token(request, header)
    form = await request.form(max_files=MOST_FILES, max_fields=400)
    if header is None:
        try:
            check_token(request, str(form.get("token", "")))
        except HTTPException:
            await form.close()
            raise
    return form


def check_token(request: Request, token: str) -> None:
    """Refuse a form that was made elsewhere.

    Raises
    ------
    HTTPException
        The token is not the visitor's.
    """
    if not site_of(request).gate.tokens.fits(request.state.cookie, token):
        raise HTTPException(403, "This form is too old, or came from another page. Load it anew.")


def text_of(form: FormData, name: str, most: int = 200) -> str:
    """Return a field's text without control characters, cut to a length."""
    value = form.get(name)
    if not isinstance(value, str):
        return ""
    return "".join(letter for letter in value if letter.isprintable())[:most].strip()


@lru_cache(maxsize=4)
def make_templates(reader: Reader) -> jinja2.Environment:
    """Return a reader's templates with their filters; all is escaped that says nothing else."""
    made = jinja2.Environment(
        loader=jinja2.FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= filters(reader)
    made.globals |= constants()
    return made
