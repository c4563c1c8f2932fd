"""A small garage with a service whose clock, verdicts and mail are ours."""

from __future__ import annotations

import pytest

from healthtrack.service.runner import Runner
from tests.service_stand_ins import Clock, Pigeon, StandIn, make_garage

SETTINGS = """
[mail]
host = "127.0.0.1"
sender = "monitor@workshop.example"
[service]
settle_seconds = 0
[recipients.owner]
address = "owner@garage.example"
reports = "weekly"
quiet_from = "22:00"
quiet_to = "07:00"
[recipients.boss]
address = "boss@garage.example"
reports = "never"
digest = "monthly"
alerts = false
escalation = true
operator = true
[vehicles.otter]
[vehicles.stoat]
"""


class Garage:
    """A workspace, its service and what it is made of."""

    def __init__(self, root, settings=SETTINGS):
        self.root = make_garage(root, settings)
        self.clock, self.chain, self.pigeon = Clock(), StandIn(), Pigeon()
        self.stop = False
        self.start()

    def start(self):
        """Start the service anew, as after a power cut."""
        self.runner = Runner(
            self.root, self.clock, lambda _: self.pigeon, lambda: self.stop, self.chain
        )
        self.runner.tick()

    def run(self, hours, step_minutes=240):
        """Let time pass."""
        left = hours * 60
        while left > 0:
            self.clock.forward(minutes=min(step_minutes, left))
            left -= step_minutes
            self.runner.tick()

    def store(self):
        return self.runner.workspace.open_store()

    def subjects(self, address):
        import email
        from email import policy

        return [
            str(email.message_from_bytes(raw, policy=policy.SMTP)["Subject"])
            for to, raw in self.pigeon.kept
            if to == address
        ]


@pytest.fixture
def garage(tmp_path):
    return Garage(tmp_path / "garage")


@pytest.fixture
def make(tmp_path):
    return lambda settings: Garage(tmp_path / "garage", settings)
