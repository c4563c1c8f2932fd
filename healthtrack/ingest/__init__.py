"""Logs to samples: pipelines, readers, units, freshness, time base, plausibility."""

from __future__ import annotations

from healthtrack.ingest.draft import draft
from healthtrack.ingest.losses import REASONS, Waterfall, in_words, waterfall
from healthtrack.ingest.pipeline import (
    Pipeline,
    load_pipelines,
    parse_pipeline,
    usable_pipelines,
)
from healthtrack.ingest.reader import read_log
from healthtrack.ingest.templates import template_folder

__all__ = [
    "REASONS",
    "Pipeline",
    "Waterfall",
    "draft",
    "in_words",
    "load_pipelines",
    "parse_pipeline",
    "read_log",
    "template_folder",
    "usable_pipelines",
    "waterfall",
]
