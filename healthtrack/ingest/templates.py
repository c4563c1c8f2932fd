"""Where the example pipelines lie that come with healthtrack."""

from __future__ import annotations

from pathlib import Path


def template_folder() -> Path:
    """Return the folder of the example pipelines: in the package, else in the checkout."""
    package = Path(__file__).resolve().parent.parent
    packed = package / "_data" / "pipelines"
    return packed if packed.is_dir() else package.parent / "pipelines"
