"""Carrying letters from the outbox to the server: states on disk before and after each step."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from healthtrack.mail.message import marked_as_repeat, without_attachments
from healthtrack.service.due import pause
from healthtrack.service.journal import LOGGER
from healthtrack.store import Settled

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from healthtrack.config_service import MailSettings
    from healthtrack.mail import Answer, Courier
    from healthtrack.store import Delivery, Outbox

_log = logging.getLogger(f"{LOGGER}.mail")

_FINAL = {"accepted": "sent", "written": "written", "permanent": "failed"}


@dataclass(frozen=True, slots=True)
class Round:
    """What one round of sending came to."""

    sent: int = 0
    waiting: int = 0
    failed: int = 0
    trouble: str = ""


@dataclass(frozen=True, slots=True)
class Postman:
    """Sends what is due.

    Parameters
    ----------
    outbox : Outbox
        Where the letters are.
    courier : Courier
        Who takes them.
    settings : MailSettings
        For how long and how often they are tried.
    """

    outbox: Outbox
    courier: Courier
    settings: MailSettings

    def send_due(self, now: Callable[[], datetime], stopping: Callable[[], bool] = bool) -> Round:
        """Send every letter that is due, until told to stop.

        Parameters
        ----------
        now : callable
            The time.
        stopping : callable
            Asked between two letters.
        """
        sent = waiting = failed = 0
        trouble = ""
        for key, deliveries in self.outbox.due(now()).items():
            if stopping():
                break
            if trouble:  # the server takes nothing at the moment: the others wait with it
                settled = {one.address: self._put_off(one, trouble, now()) for one in deliveries}
                self.outbox.settle(key, settled)
            else:
                settled, trouble = self._send(key, deliveries, now())
            sent += sum(one.state in {"sent", "written"} for one in settled.values())
            waiting += sum(one.state == "waiting" for one in settled.values())
            failed += sum(one.state in {"failed", "given_up"} for one in settled.values())
        return Round(sent, waiting, failed, trouble)

    def _send(
        self, key: str, deliveries: Sequence[Delivery], now: datetime
    ) -> tuple[dict[str, Settled], str]:
        raw = self.outbox.raw(key)
        if raw is None:
            settled = {one.address: Settled("given_up", "content lost") for one in deliveries}
            self.outbox.settle(key, settled)
            return settled, ""
        addresses = [one.address for one in deliveries]
        self.outbox.sending(key, addresses, now)
        _log.debug("step", extra={"step": "mail sending", "key": key})
        answers = self.courier.deliver(_repeat(raw, deliveries), self.settings.sender, addresses)
        _log.debug("step", extra={"step": "mail answered", "key": key})
        if any(answer.outcome == "too_large" for answer in answers.values()):
            settled = self._smaller(key, raw, deliveries, answers, now)
        else:
            settled = {
                one.address: self._settled(one, answers[one.address], now) for one in deliveries
            }
        self.outbox.settle(key, settled)
        _log.debug("step", extra={"step": "mail settled", "key": key})
        for one in deliveries:
            _tell(one, settled[one.address], answers[one.address])
        broken = [answer.words for answer in answers.values() if _stops_all(answer)]
        return settled, broken[0] if broken else ""

    def _settled(self, delivery: Delivery, answer: Answer, now: datetime) -> Settled:
        if answer.outcome in _FINAL:
            return Settled(_FINAL[answer.outcome], answer.words)
        uncertain = answer.outcome == "uncertain"
        again = next_attempt(delivery.attempts + 1, delivery.created, now, self.settings)
        if again is None:
            return Settled("given_up", answer.words, uncertain=uncertain)
        return Settled("waiting", answer.words, again, uncertain)

    def _put_off(self, delivery: Delivery, trouble: str, now: datetime) -> Settled:
        again = next_attempt(max(delivery.attempts, 1), delivery.created, now, self.settings)
        return Settled("given_up" if again is None else "waiting", trouble, again)

    def _smaller(
        self,
        key: str,
        raw: bytes,
        deliveries: Sequence[Delivery],
        answers: dict[str, Answer],
        now: datetime,
    ) -> dict[str, Settled]:
        smaller = without_attachments(raw, "larger than the mail server takes")
        settled = {}
        for one in deliveries:
            answer = answers[one.address]
            if answer.outcome != "too_large":
                settled[one.address] = self._settled(one, answer, now)
            elif len(smaller) < len(raw):
                settled[one.address] = Settled("waiting", answer.words, now)
            else:
                settled[one.address] = Settled("failed", answer.words)
        if len(smaller) < len(raw):
            self.outbox.replace_raw(key, smaller)
        return settled


def next_attempt(
    attempts: int, created: datetime, now: datetime, settings: MailSettings
) -> datetime | None:
    """Return when a letter is tried again; None where its time is over.

    Parameters
    ----------
    attempts : int
        How often it was tried.
    created, now : datetime
        When it was written, and the moment.
    settings : MailSettings
        The first pause, and when to give up.
    """
    again = now + pause(attempts, timedelta(minutes=settings.first_retry_minutes))
    end = created + timedelta(hours=settings.give_up_hours)
    if created > now:  # the clock was wrong when it was written
        return again
    if now >= end:
        return None
    return min(again, end)


def _stops_all(answer: Answer) -> bool:
    """Whether the next letter would fare no better."""
    return answer.outcome == "settings" or (
        answer.outcome == "temporary" and answer.stage in {"connect", "login"}
    )


def _repeat(raw: bytes, deliveries: Sequence[Delivery]) -> bytes:
    tried = [one.last_attempt for one in deliveries if one.uncertain and one.last_attempt]
    if not tried:
        return raw
    return marked_as_repeat(raw, [f"{max(tried):%Y-%m-%d %H:%M} UTC"])


def _tell(delivery: Delivery, settled: Settled, answer: Answer) -> None:
    level = logging.INFO if settled.state in {"sent", "written"} else logging.WARNING
    extra = {
        "key": delivery.key,
        "address": delivery.address,
        "state": settled.state,
        "stage": answer.stage,
        "answer": answer.words,
        "attempt": delivery.attempts + 1,
        "next_attempt": settled.next_attempt,
    }
    _log.log(level, "letter %s", settled.state, extra=extra)
