"""From pages to the file: drawing, bookmarks, language, title, and writing whole or not at all."""

from __future__ import annotations

import contextlib
import threading
from io import BytesIO
from typing import TYPE_CHECKING

import matplotlib as mpl
from matplotlib.backends.backend_pdf import PdfPages
from pypdf import PdfReader, PdfWriter
from pypdf.generic import BooleanObject, DictionaryObject, NameObject, TextStringObject

from healthtrack.errors import ReportError
from healthtrack.placing import place
from healthtrack.report import style

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from healthtrack.report.flow import Flow

PDF_VERSION = "%PDF-1.4"
"""The first with transparency, which faint points use, and with a language."""
LANGUAGE = "en-GB"

_drawing = threading.Lock()
# matplotlib reads a few of its settings (the font type among them) from one table per process


@contextlib.contextmanager
def look() -> Iterator[None]:
    """Draw with the reports' settings; one report at a time in a process."""
    style.typeface()
    with _drawing, mpl.rc_context(style.SETTINGS):
        yield


def to_pdf(compose: Callable[[], Flow], title: str, subject: str, keywords: str = "") -> bytes:
    """Draw pages and return the document's bytes, the same for the same content.

    Parameters
    ----------
    compose : callable
        Makes the pages; called while the reports' settings hold.
    title, subject : str
        The document's own title, shown by readers instead of the file's name, and what it says.
    keywords : str
        By which the index finds it again.
    """
    buffer = BytesIO()
    with look():
        flow = compose()
        flow.footers()
        with PdfPages(buffer, metadata=_metadata(title, subject, keywords)) as pages:
            for page in flow.pages:
                page.finish()
                pages.savefig(page.figure)
    return _finished(buffer.getvalue(), flow)


def _metadata(title: str, subject: str, keywords: str) -> dict[str, str | None]:
    return {
        "Title": title,
        "Subject": subject,
        "Keywords": keywords,
        "Author": "healthtrack",
        "Creator": "healthtrack",
        "Producer": f"matplotlib {mpl.__version__}",
        "CreationDate": None,
    }


def _finished(raw: bytes, flow: Flow) -> bytes:
    """Add what matplotlib does not write: outline, language, and the title in the window's bar."""
    writer = PdfWriter(clone_from=PdfReader(BytesIO(raw)))
    writer.pdf_header = PDF_VERSION
    for bookmark in flow.bookmarks:
        writer.add_outline_item(title=bookmark.words, page_number=bookmark.page)
    root = writer.root_object
    root[NameObject("/Lang")] = TextStringObject(LANGUAGE)
    root[NameObject("/ViewerPreferences")] = DictionaryObject(
        {NameObject("/DisplayDocTitle"): BooleanObject(value=True)}
    )
    writer.compress_identical_objects(remove_duplicates=True, remove_unreferenced=True)
    out = BytesIO()
    writer.write(out)
    return out.getvalue()


def write_whole(content: bytes, path: Path) -> None:
    """Write a file whole or not at all; what was there stays until the new one is complete.

    Raises
    ------
    ReportError
        Where the folder cannot be made or written to.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        place(path, content)
    except OSError as error:
        raise ReportError(_cannot(path, error)) from error


def _cannot(path: Path, error: OSError) -> str:
    return (
        f"The report {path} could not be written: {error.strerror or error}. What was there before "
        "is unchanged. Free the place or give another folder under `reports` in healthtrack.toml, "
        "then run `healthtrack report` again."
    )
