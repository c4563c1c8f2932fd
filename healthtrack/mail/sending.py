"""Handing a message to a server, and what its answers mean.

What is known for certain decides: a server that answered 250 after the message has it; one that cut
the line before the final dot was sent has not; after the dot and before the answer nobody can say,
and the result is ``uncertain``.
"""

from __future__ import annotations

import base64
import re
import smtplib
import ssl
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from email.parser import BytesHeaderParser
from typing import TYPE_CHECKING, Literal, Protocol

from healthtrack.placing import place

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

Outcome = Literal[
    "accepted", "written", "temporary", "permanent", "settings", "uncertain", "too_large"
]

ANSWER_TIMEOUT_S = 600.0
"""How long to wait for the answer after the final dot [s]; RFC 5321 4.5.3.2.6 asks for ten minutes,
because a shorter one makes duplicates."""

_SIZE_EXCEEDED = 552  # RFC 1870 6.1


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a message for one address.

    ``outcome`` is ``accepted`` (the server has it), ``written`` (to a folder, a dry run),
    ``temporary`` (later), ``permanent`` (never for this address), ``settings`` (a person must mend
    something; trying again may then help), ``uncertain`` (the answer was lost) or ``too_large``.
    """

    outcome: Outcome
    stage: str
    words: str


class Courier(Protocol):
    """Takes messages somewhere."""

    def deliver(self, raw: bytes, sender: str, addresses: Sequence[str]) -> dict[str, Answer]:
        """Hand over one message; the answer for each address. Never raises for what went wrong."""
        ...


class _Stop(Exception):  # noqa: N818 - the end of an attempt, not always an error
    def __init__(self, answer: Answer) -> None:
        super().__init__(answer.words)
        self.answer = answer


@dataclass(frozen=True, slots=True)
class SmtpCourier:
    """A mail server; certificates and names are always checked.

    Parameters
    ----------
    host, port
        Where it is.
    security : "starttls", "tls" or "none"
        There is no falling back from one to the other.
    user, password : str
        Not signed in where ``user`` is empty.
    timeout, answer_timeout : float
        For each answer, and for the one after the message. [s]
    ca_file : Path or None
        Certificates to trust instead of the system's.
    """

    host: str
    port: int
    security: str
    user: str = ""
    password: str = ""
    timeout: float = 60.0
    answer_timeout: float = ANSWER_TIMEOUT_S
    ca_file: Path | None = None

    def __repr__(self) -> str:
        """Return where it goes; never the password."""
        return f"SmtpCourier({self.host}:{self.port}, {self.security})"

    def deliver(self, raw: bytes, sender: str, addresses: Sequence[str]) -> dict[str, Answer]:
        """Hand over one message in one transaction."""
        answers: dict[str, Answer] = {}
        try:
            with self._session() as server:
                self._sender(server, sender, raw)
                willing = self._recipients(server, addresses, answers)
                if willing:
                    answer = self._content(server, raw)
                    answers.update(dict.fromkeys(willing, answer))
        except _Stop as stop:
            for address in addresses:
                answers.setdefault(address, stop.answer)
        return answers

    def look(self) -> Answer:
        """Connect and sign in, send nothing: is the server there and are the settings right."""
        try:
            with self._session():
                return Answer("accepted", "login", "the server answers and signs us in")
        except _Stop as stop:
            return stop.answer

    @contextmanager
    def _session(self) -> Iterator[smtplib.SMTP]:
        server = self._connected()
        try:
            self._login(server)
            yield server
            with suppress(smtplib.SMTPException, OSError):
                server.quit()
        finally:
            server.close()

    def _connected(self) -> smtplib.SMTP:
        try:
            context = self._context()
        except (OSError, ssl.SSLError) as error:
            words = f"the certificates in {self.ca_file} cannot be read: {error}"
            raise _Stop(Answer("settings", "certificates", words)) from None
        with self._translated("connect"):
            server: smtplib.SMTP
            if self.security == "tls":
                server = smtplib.SMTP_SSL(
                    self.host, self.port, timeout=self.timeout, context=context
                )
            else:
                server = smtplib.SMTP(self.host, self.port, timeout=self.timeout)
            try:
                server.ehlo_or_helo_if_needed()
                if self.security == "starttls":
                    # without a context smtplib takes any certificate
                    server.starttls(context=context)
                    server.ehlo_or_helo_if_needed()
            except BaseException:
                server.close()
                raise
        return server

    def _context(self) -> ssl.SSLContext:
        return ssl.create_default_context(cafile=str(self.ca_file) if self.ca_file else None)

    def _login(self, server: smtplib.SMTP) -> None:
        if not self.user:
            return
        with self._translated("login"):
            if (self.user + self.password).isascii():
                server.login(self.user, self.password)
                return
            # the library knows ASCII only; PLAIN is defined for UTF-8 (RFC 4616)
            if "PLAIN" not in server.esmtp_features.get("auth", "").split():
                raise smtplib.SMTPNotSupportedError(
                    "the server takes no name or password beyond ASCII"
                )
            plain = base64.b64encode(f"\0{self.user}\0{self.password}".encode()).decode()
            code, said = server.docmd("AUTH", f"PLAIN {plain}")
            if code != 235:
                raise smtplib.SMTPAuthenticationError(code, said)

    def _sender(self, server: smtplib.SMTP, sender: str, raw: bytes) -> None:
        options = []
        if server.has_extn("size"):
            largest = server.esmtp_features["size"]
            if largest.isdecimal() and 0 < int(largest) < len(raw):
                most = f"the server takes {int(largest) / 1e6:.1f} MB at most"
                raise _Stop(Answer("too_large", "mail", most))
            options.append(f"size={len(raw)}")
        with self._translated("mail"):
            code, words = server.mail(sender, options)
        if code == _SIZE_EXCEEDED:
            raise _Stop(self._answer("too_large", "mail", code, words))
        if code != 250:
            raise _Stop(
                self._answer("temporary" if _later(code) else "settings", "mail", code, words)
            )

    def _recipients(
        self, server: smtplib.SMTP, addresses: Sequence[str], answers: dict[str, Answer]
    ) -> list[str]:
        willing = []
        for address in addresses:
            with self._translated("rcpt"):
                code, words = server.rcpt(address)
            if code in (250, 251):
                willing.append(address)
            elif code == 421:  # the server is closing the line
                raise _Stop(self._answer("temporary", "rcpt", code, words))
            else:
                outcome: Outcome = "temporary" if _later(code) else "permanent"
                answers[address] = self._answer(outcome, "rcpt", code, words)
        return willing

    def _content(self, server: smtplib.SMTP, raw: bytes) -> Answer:
        with self._translated("data"):
            code, said = server.docmd("DATA")
            if code == 354:
                server.send(_dotted(raw))  # raises where not all of it left: not accepted
        if code != 354:
            return self._refused("data", code, said)
        try:
            assert server.sock is not None
            server.sock.settimeout(self.answer_timeout)
            code, words = server.getreply()
        except (OSError, smtplib.SMTPException) as error:
            return Answer(
                "uncertain", "answer", self._clean(f"the server's answer was lost: {error}")
            )
        if code == 250:
            return self._answer("accepted", "answer", code, words)
        if code == _SIZE_EXCEEDED:
            return self._answer("too_large", "answer", code, words)
        return self._refused("answer", code, words)

    def _refused(self, stage: str, code: int, words: bytes | str) -> Answer:
        return self._answer("temporary" if _later(code) else "permanent", stage, code, words)

    def _answer(self, outcome: Outcome, stage: str, code: int, words: bytes | str) -> Answer:
        said = words.decode("utf-8", "replace") if isinstance(words, bytes) else words
        return Answer(outcome, stage, self._clean(f"{code} {said}"))

    @contextmanager
    def _translated(self, stage: str) -> Iterator[None]:
        """Turn what the library raises into the answer that it means."""
        try:
            yield
        except smtplib.SMTPNotSupportedError as error:
            raise _Stop(Answer("settings", stage, self._clean(str(error)))) from None
        except smtplib.SMTPResponseException as error:
            outcome: Outcome = "temporary" if _later(error.smtp_code) else "settings"
            raise _Stop(self._answer(outcome, stage, error.smtp_code, error.smtp_error)) from None
        except ssl.SSLCertVerificationError as error:
            words = f"the certificate of {self.host} is not trusted: {error.verify_message}"
            raise _Stop(Answer("settings", "certificate", self._clean(words))) from None
        except (OSError, smtplib.SMTPException) as error:
            told = str(error) or type(error).__name__
            raise _Stop(Answer("temporary", stage, self._clean(told))) from None

    def _clean(self, text: str) -> str:
        """Return a text without the password, plain or as it travels, on one line."""
        secrets = set()
        if self.password:
            plain = f"\0{self.user}\0{self.password}"
            secrets = {
                self.password,
                base64.b64encode(self.password.encode()).decode(),
                base64.b64encode(plain.encode()).decode(),
            }
        for secret in sorted(secrets, key=len, reverse=True):
            text = text.replace(secret, "***")
        return re.sub(r"[\x00-\x1f\x7f]+", " ", text)[:500].strip()


def _later(code: int) -> bool:
    return not 500 <= code <= 599  # 4yz, and -1 for an answer that was none


def _dotted(raw: bytes) -> bytes:
    """Return the content as it travels: CRLF, leading dots doubled, the final dot (RFC 5321)."""
    lines = re.sub(rb"\r\n|\r|\n", b"\r\n", raw)
    lines = re.sub(rb"(?m)^\.", b"..", lines)
    return lines + (b"" if lines.endswith(b"\r\n") else b"\r\n") + b".\r\n"


@dataclass(frozen=True, slots=True)
class FolderCourier:
    """A dry run: each message becomes one .eml file, whole or not at all."""

    folder: Path

    def deliver(self, raw: bytes, sender: str, addresses: Sequence[str]) -> dict[str, Answer]:  # noqa: ARG002 - the courier's interface
        """Write one message; the same Message-ID is the same file."""
        header = BytesHeaderParser().parsebytes(raw)
        name = re.sub(r"[^A-Za-z0-9.-]+", "", str(header["Message-ID"])).partition(".")[0]
        target = self.folder / f"{name}.eml"
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            place(target, raw, mode=0o600)
        except OSError as error:
            words = f"{target} cannot be written: {error.strerror}"
            return dict.fromkeys(addresses, Answer("temporary", "write", words))
        return dict.fromkeys(addresses, Answer("written", "write", str(target)))
