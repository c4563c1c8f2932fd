"""The live page, served by the service's own process; it computes nothing of its own."""

from __future__ import annotations

from healthtrack.web.server import page_beside

__all__ = ["page_beside"]
