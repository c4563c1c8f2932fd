"""From a letter to the bytes of a message: the same letter gives the same bytes.

Whatever a vehicle or a file is called, a header holds one line: control characters become blanks
before anything is built, and the mail library refuses line ends on top of that.
"""

from __future__ import annotations

import email
import hashlib
import re
from dataclasses import dataclass
from email import policy
from email.message import EmailMessage
from email.utils import format_datetime
from typing import TYPE_CHECKING

from healthtrack.errors import MailError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

LONGEST_SUBJECT = 150
"""Characters; longer ones are cut, most programs show fewer."""

_POLICY = policy.SMTP.clone(max_line_length=78, utf8=False)
_HEADER_NAME = re.compile(r"[A-Za-z][A-Za-z0-9-]{0,60}")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+")


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file that goes with a letter, and where it also lies, for when it is too large to send."""

    name: str
    content: bytes
    place: str
    kind: str = "application/pdf"


@dataclass(frozen=True, slots=True)
class Picture:
    """A PNG that the HTML shows as ``<img src="cid:NAME">``; it travels inside the letter."""

    name: str
    content: bytes


@dataclass(frozen=True, slots=True)
class Letter:
    """What is to be said to one recipient.

    Parameters
    ----------
    key : str
        What the letter is, for example ``report/owner/otter/2026-11-30``: the same key is the same
        letter, however often it is made.
    addresses : tuple of str
        Where it goes; checked when the settings were read.
    subject, text, html : str
        Its words. ``html`` is a whole document and may be empty.
    moment : datetime
        Its date.
    attachments : tuple of Attachment
        In order.
    headers : tuple of (str, str)
        Further headers.
    pictures : tuple of Picture
        What ``html`` shows.
    """

    key: str
    addresses: tuple[str, ...]
    subject: str
    text: str
    html: str
    moment: datetime
    attachments: tuple[Attachment, ...] = ()
    headers: tuple[tuple[str, str], ...] = ()
    pictures: tuple[Picture, ...] = ()


def message_id(key: str, sender: str) -> str:
    """Return the Message-ID of a letter: the same for the same key and sender (RFC 5322 3.6.4)."""
    digest = hashlib.sha256(key.encode()).hexdigest()[:32]
    return f"<{digest}.healthtrack@{sender.rpartition('@')[2]}>"


def one_line(text: str, longest: int = LONGEST_SUBJECT) -> str:
    """Return a text fit for a header: one line, no control characters, not too long."""
    flat = " ".join(_CONTROL.sub(" ", text).split())
    return flat if len(flat) <= longest else f"{flat[: longest - 1]}…"


def build(letter: Letter, sender: str, size_limit: int) -> bytes:
    """Return a letter's message as it goes to the server.

    Parameters
    ----------
    letter : Letter
        What is said.
    sender : str
        Address that it comes from.
    size_limit : int
        Largest message. [bytes] One that would be larger goes without its attachments, and says
        where they are.

    Raises
    ------
    MailError
        A header cannot be written, or the words alone are too large.
    """
    raw = _build(letter, sender)
    if len(raw) <= size_limit:
        return raw
    raw = without_attachments(raw, f"larger than the {size_limit / 1e6:.1f} MB that may be mailed")
    if len(raw) > size_limit:
        raise MailError(
            f"the mail {letter.subject!r} has {len(raw) / 1e6:.2f} MB without its attachments, "
            f"more than size_limit_mb = {size_limit / 1e6:g}. Set a larger one under [mail]."
        )
    return raw


def _build(letter: Letter, sender: str) -> bytes:
    message = EmailMessage(policy=_POLICY)
    try:
        message["From"] = sender
        message["To"] = ", ".join(letter.addresses)
        message["Subject"] = one_line(letter.subject)
        message["Date"] = format_datetime(letter.moment)
        message["Message-ID"] = message_id(letter.key, sender)
        message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no answers from other machines
        for name, value in letter.headers:
            if not _HEADER_NAME.fullmatch(name):  # the library takes any
                raise ValueError(f"{name!r} is no name of a header")  # noqa: TRY301
            message[name] = one_line(value)
        places = [one_line(item.place, 400) for item in letter.attachments]
        for place in places:
            message["X-Healthtrack-Attachment"] = place
        _set_content(message, letter.text, letter.html, letter.pictures)
        for item in letter.attachments:
            main, _, sub = item.kind.partition("/")
            message.add_attachment(
                item.content, maintype=main, subtype=sub, filename=_file_name(item.name)
            )
    except (ValueError, TypeError, UnicodeError) as error:
        raise MailError(f"the mail {letter.key!r} cannot be made: {error}.") from None
    _steady_boundaries(message, letter.key)
    return message.as_bytes()


def _set_content(
    message: EmailMessage, text: str, html: str, pictures: Sequence[Picture] = ()
) -> None:
    message.set_content(text, cte="quoted-printable")
    if not html:
        return
    message.add_alternative(html, subtype="html", cte="quoted-printable")
    page = message.get_body(("html",))
    if page is None:
        return
    for picture in pictures:
        page.add_related(
            picture.content,
            maintype="image",
            subtype="png",
            cid=f"<{picture.name}>",
            disposition="inline",
            filename=f"{picture.name}.png",
        )


def _file_name(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9._-]+", "_", name).strip("._") or "attachment"


def _steady_boundaries(message: EmailMessage, key: str) -> None:
    # the library draws them at random; ours must not occur in a part: base64 and quoted-printable
    # parts cannot hold "=_", as RFC 2045 6.7 notes
    digest = hashlib.sha256(key.encode()).hexdigest()[:24]
    for number, part in enumerate(part for part in message.walk() if part.is_multipart()):
        part.set_boundary(f"=_{digest}_{number}")


def without_attachments(raw: bytes, reason: str) -> bytes:
    """Return a message without its attachments, with a note that says why and where they are.

    All headers stay, the Message-ID among them: it is the same letter.
    """
    message = email.message_from_bytes(raw, policy=_POLICY)
    assert isinstance(message, EmailMessage)
    places = [str(place) for place in message.get_all("X-Healthtrack-Attachment", [])]
    note = f"The report is not attached: it is {reason}. It lies in {', '.join(places)}."
    body, page = message.get_body(("plain",)), message.get_body(("html",))
    text = str(body.get_content()) if body else ""
    html = str(page.get_content()) if page else ""
    for name in ("Content-Type", "Content-Transfer-Encoding", "MIME-Version"):
        del message[name]
    _set_content(message, f"{text.rstrip()}\n\n{note}\n", _with_note(html, note))
    _steady_boundaries(message, str(message["Message-ID"]))
    return message.as_bytes()


def _with_note(html: str, note: str) -> str:
    if not html:
        return ""
    html = re.sub(r'<p><img src="cid:[^>]*></p>\n?', "", html)  # pictures went with the attachments
    paragraph = f"<p><strong>{_escaped(note)}</strong></p>"
    if "</body>" in html:
        return html.replace("</body>", f"{paragraph}</body>", 1)
    return html + paragraph


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def marked_as_repeat(raw: bytes, attempts: Sequence[str]) -> bytes:
    """Return a message with a header that says it may have arrived before, and when it was tried.

    Used after an attempt whose answer was lost; the Message-ID is the same, so that a mail program
    can tell that it is the same letter.
    """
    head, separator, body = raw.partition(b"\r\n\r\n")
    line = f"X-Healthtrack-Repeat: may have arrived before; tried {one_line(', '.join(attempts))}"
    return head + b"\r\n" + line.encode("ascii", "replace") + separator + body
