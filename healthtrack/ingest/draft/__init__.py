"""A first pipeline for a strange log: what can be told from it, why, and what cannot."""

from __future__ import annotations

from healthtrack.ingest.draft.compose import draft, preview

__all__ = ["draft", "preview"]
