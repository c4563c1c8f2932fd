"""A mail server on loopback, and couriers that know it."""

from __future__ import annotations

import pytest

from healthtrack.mail import SmtpCourier
from tests.smtp_server import PASSWORD, USER, Server


@pytest.fixture(params=["starttls", "tls"])
def server(request, tmp_path):
    with Server(tmp_path, request.param) as running:
        yield running


@pytest.fixture
def starttls(tmp_path):
    with Server(tmp_path) as running:
        yield running


@pytest.fixture
def courier():
    def make(server, **changes):
        options = {
            "host": "127.0.0.1",
            "port": server.port,
            "security": server.security,
            "user": USER,
            "password": PASSWORD,
            "timeout": 5.0,
            "answer_timeout": 5.0,
            "ca_file": server.ca_file,
        }
        return SmtpCourier(**(options | changes))

    return make
