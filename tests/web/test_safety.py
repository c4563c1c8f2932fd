"""What was tried against the page, and how each attempt ended."""

from __future__ import annotations

import asyncio
import io
import os
import stat

import pytest
from click.testing import CliRunner

from healthtrack.cli import main
from healthtrack.config_service import PageSettings
from healthtrack.errors import SettingsError, UsageError
from healthtrack.ingest.source import MAXIMUM_BYTES
from healthtrack.web import guard
from healthtrack.web.accounts import keep_account, load_accounts
from healthtrack.web.logs import safe_name
from healthtrack.web.server import check_may_serve
from tests.web.conftest import Visit

CHANGING = (
    *("/vehicle/otter/acknowledge", "/vehicle/otter/work", "/vehicle/otter/report"),
    *("/logs", "/map", "/map/trace", "/tune"),
)


# ---------------------------------------------------------------- forged requests


@pytest.mark.parametrize("path", CHANGING)
def test_a_form_without_its_token_changes_nothing(visit, path):
    answer = visit.client.post(path, data={"vehicle": "otter", "by": "x"})
    assert answer.status_code == 403
    assert not list((visit.root / "service").glob("requests/*"))


@pytest.mark.parametrize("path", CHANGING)
def test_a_form_of_another_page_is_refused_even_with_a_token(visit, path):
    other = {"origin": "http://evil.example"}
    assert visit.post(path, {"vehicle": "otter"}, headers=other).status_code == 403
    assert visit.post(path, {}, headers={"sec-fetch-site": "cross-site"}).status_code == 403


def test_a_token_of_another_cookie_is_refused(visit):
    stranger = visit.browser()
    token = visit.token("/", stranger)
    answer = visit.client.post("/vehicle/otter/acknowledge", data={"token": token})
    assert answer.status_code == 403


def test_a_name_that_is_made_to_point_here_is_refused(visit):
    for host in ("evil.example", "127.0.0.1.evil.example", "monitor"):
        assert visit.get("/", headers={"host": host}).status_code == 421
    for host in ("localhost:8470", "127.0.0.1:8470", "[::1]:8470"):
        assert visit.get("/", headers={"host": host}).status_code == 200


# ---------------------------------------------------------------- logins


def test_others_must_sign_in_and_see_nothing_before(guarded):
    stranger = guarded.visit.browser("https://monitor.workshop.example")
    for path in ("/", "/vehicle/otter", "/logs", "/map", "/tune", "/vehicle/otter/courses.json"):
        answer = stranger.get(path)
        assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
        assert "otter" not in answer.text
    assert stranger.post("/vehicle/otter/acknowledge").status_code == 401


def test_a_right_password_opens_a_session_with_a_new_cookie_that_scripts_cannot_read(guarded):
    client, answer = guarded.sign_in("anna", "a long password")
    assert answer.status_code == 303
    rules = answer.headers["set-cookie"].lower()
    assert all(rule in rules for rule in ("httponly", "samesite=strict", "secure", "path=/"))
    assert client.get("/").status_code == 200
    token = guarded.visit.token("/", client)
    assert client.post("/sign-out", data={"token": token}).status_code == 303
    assert client.get("/").status_code == 303


def test_a_wrong_password_and_a_wrong_name_get_the_same_answer(guarded):
    _, wrong = guarded.sign_in("anna", "a wrong password")
    _, nobody = guarded.sign_in("nobody", "a wrong password")
    assert wrong.status_code == nobody.status_code == 403
    cut = slice(wrong.text.index("<main"), wrong.text.index('name="token"'))
    assert wrong.text[cut] == nobody.text[cut]


def test_guessing_is_slowed_down_even_for_who_knows_the_password(guarded):
    codes = [guarded.sign_in("anna", f"guess number {n}")[1].status_code for n in range(6)]
    assert codes == [403] * 5 + [429]
    assert guarded.sign_in("anna", "a long password")[1].status_code == 429
    from datetime import timedelta

    guarded.visit.clock.now += timedelta(minutes=6)
    assert guarded.sign_in("anna", "a long password")[1].status_code == 303


def test_a_copied_cookie_is_worth_nothing_in_another_browser_and_ends_the_session(guarded):
    client, _ = guarded.sign_in("anna", "a long password")
    thief = guarded.visit.browser("https://monitor.workshop.example", "another browser")
    thief.cookies = client.cookies
    assert thief.get("/").status_code == 303
    assert client.get("/").status_code == 303  # the owner must sign in anew, and so notices


def test_a_session_ends_when_nobody_uses_it_and_at_the_latest_when_its_time_is_up(guarded):
    from datetime import timedelta

    client, _ = guarded.sign_in("anna", "a long password")
    guarded.visit.clock.now += timedelta(hours=1, minutes=59)
    assert client.get("/").status_code == 200
    guarded.visit.clock.now += timedelta(hours=2, minutes=1)
    assert client.get("/").status_code == 303
    client, _ = guarded.sign_in("anna", "a long password")
    for _ in range(7):
        guarded.visit.clock.now += timedelta(hours=1, minutes=50)
        last = client.get("/").status_code
    assert last == 303


def test_a_cookie_that_someone_chose_is_not_taken_for_a_session(guarded):
    chosen = "A" * 43
    client = guarded.visit.browser("https://monitor.workshop.example")
    client.cookies.set("healthtrack", chosen)
    token = guarded.visit.token("/sign-in", client)
    sent = {"token": token, "name": "anna", "password": "a long password"}
    answer = client.post("/sign-in", data=sent)
    assert chosen not in answer.headers["set-cookie"]


@pytest.mark.parametrize("path", CHANGING)
def test_an_account_for_reading_changes_nothing(guarded, path):
    client, _ = guarded.sign_in("ben", "another password")
    assert client.get("/").status_code == 200
    token = guarded.visit.token("/", client)
    assert client.post(path, data={"token": token}).status_code == 403
    assert "<form" not in client.get("/").text.split("<main")[1]


def test_nothing_is_served_to_others_without_an_account_or_in_the_clear(visit):
    with (visit.root / "healthtrack.toml").open("a") as settings:
        settings.write('[page]\naddress = "0.0.0.0"\nunencrypted = true\n')
    with pytest.raises(SettingsError, match="page-password"):
        check_may_serve(visit.site.workspace())
    keep_account(visit.root, "anna", "a long password", "full")
    check_may_serve(visit.site.workspace())
    with pytest.raises(ValueError, match="in the clear"):
        PageSettings(address="0.0.0.0")


def test_a_password_is_kept_as_a_hash_that_its_owner_alone_can_read(workspace):
    arguments = ["--workspace", str(workspace), "page-password", "anna"]
    run = CliRunner().invoke(main, arguments, input="a long password\n")
    assert run.exit_code == 0
    path = workspace / "service" / "page-accounts.json"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert "a long password" not in path.read_text()
    assert load_accounts(workspace)["anna"].digest.startswith("$argon2id$")
    assert CliRunner().invoke(main, arguments, input="short\n").exit_code == 2
    assert CliRunner().invoke(main, [*arguments, "--remove"]).exit_code == 0
    assert not load_accounts(workspace)


@pytest.mark.skipif(os.name != "posix", reason="rights of files as POSIX knows them")
def test_accounts_that_others_can_read_are_not_used(workspace):
    keep_account(workspace, "anna", "a long password", "full")
    (workspace / "service" / "page-accounts.json").chmod(0o644)
    with pytest.raises(SettingsError, match="chmod 600"):
        load_accounts(workspace)


def test_a_name_with_a_slash_gets_no_account(workspace):
    with pytest.raises(UsageError):
        keep_account(workspace, "../anna", "a long password", "full")


# ---------------------------------------------------------------- uploads


def bring(visit, name, content, vehicle="otter"):
    token = visit.token("/logs")
    return visit.client.post(
        "/logs",
        data={"vehicle": vehicle},
        files={"files": (name, io.BytesIO(content))},
        headers={"x-token": token, "accept": "application/json"},
    )


@pytest.mark.parametrize(
    ("name", "safe"),
    [
        ("../../healthtrack.toml", "healthtrack.toml"),
        ("/etc/passwd", "passwd"),
        ("..\\..\\a.csv", "a.csv"),
        (".bashrc", "bashrc"),
        ("..", "log"),
        ("a\x00\n.csv", "a__.csv"),
        ("<img src=x>.csv", "_img src=x_.csv"),
        ("drive.part", "drive.part.log"),
        ("x" * 400 + ".csv", "x" * 146 + ".csv"),
    ],
)
def test_a_file_cannot_choose_its_folder(visit, name, safe):
    assert safe_name(name) == safe
    before = (visit.root / "healthtrack.toml").read_bytes()
    bring(visit, name, b"time,x\n1,2\n")
    assert (visit.root / "healthtrack.toml").read_bytes() == before
    found = [path.name for path in (visit.root / "inbox" / "otter").iterdir()]
    assert len(found) == 2  # the log that was there, and this one
    assert all(path.parent == visit.root / "inbox" / "otter" for path in visit.root.rglob("*.log"))


def test_a_vehicle_that_does_not_exist_gets_no_folder(visit):
    assert bring(visit, "a.csv", b"x", "../../otter").status_code == 422
    assert [path.name for path in (visit.root / "inbox").iterdir()] == ["otter"]


def test_a_file_of_the_same_name_does_not_take_the_place_of_another(visit):
    kept = (visit.root / "inbox" / "otter" / "first.csv").read_bytes()
    bring(visit, "first.csv", b"another content")
    assert (visit.root / "inbox" / "otter" / "first.csv").read_bytes() == kept
    assert len(list((visit.root / "inbox" / "otter").glob("first-*.csv"))) == 1
    bring(visit, "first.csv", kept)
    assert len(list((visit.root / "inbox" / "otter").iterdir())) == 2


def test_a_link_in_the_inbox_is_not_followed_to_be_overwritten(visit, tmp_path):
    target = tmp_path / "precious"
    target.write_bytes(b"precious")
    (visit.root / "inbox" / "otter" / "a.csv").symlink_to(target)
    bring(visit, "a.csv", b"other")
    assert target.read_bytes() == b"precious"


def test_a_log_that_is_too_large_is_refused_and_leaves_nothing(visit):
    answer = bring(visit, "large.csv", b"x" * (MAXIMUM_BYTES + 1))
    assert "more than 24 MiB" in answer.json()["files"][0]["refused"]
    assert len(list((visit.root / "inbox" / "otter").iterdir())) == 1


def test_a_request_that_is_too_large_is_refused_before_it_is_read(visit):
    token = visit.token("/logs")
    headers = {"x-token": token, "content-length": str(10**10)}
    assert visit.client.post("/logs", content=b"x", headers=headers).status_code == 413
    large = b"x" * (guard.FORM_MB * 1_000_000 + 1)
    assert visit.client.post("/map", content=large, headers={"x-token": token}).status_code == 413


def asked(visit, messages, path=b"/logs"):
    """Send a request piece by piece; ``None`` is silence."""
    sent = []
    token = visit.token("/logs")
    cookie = visit.client.cookies["healthtrack"]
    scope = {
        "type": "http",
        "method": "POST",
        "path": path.decode(),
        "raw_path": path,
        "query_string": b"",
        "http_version": "1.1",
        "scheme": "http",
        "root_path": "",
        "client": ("127.0.0.1", 1),
        "server": ("127.0.0.1", 8470),
        "headers": [
            (b"host", b"127.0.0.1:8470"),
            (b"user-agent", b"a browser"),
            (b"x-token", token.encode()),
            (b"cookie", f"healthtrack={cookie}".encode()),
            (b"content-type", b"multipart/form-data; boundary=b"),
        ],
    }

    async def receive():
        if not messages:
            await asyncio.sleep(60)
        return {"type": "http.request", "body": messages.pop(0), "more_body": True}

    async def send(message):
        sent.append(message)

    asyncio.run(asyncio.wait_for(visit.app(scope, receive, send), 30))
    return sent[0]["status"]


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_body_without_an_end_is_cut_off_at_its_limit(visit):
    head = b'--b\r\nContent-Disposition: form-data; name="files"; filename="a"\r\n\r\n'
    pieces = [head, *[b"x" * 4_000_000 for _ in range(70)]]
    assert asked(visit, pieces) == 413
    assert len(list((visit.root / "inbox" / "otter").iterdir())) == 1


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_sender_that_falls_silent_is_cut_off(visit, monkeypatch):
    monkeypatch.setattr(guard, "SILENCE_S", 0.2)
    assert asked(visit, [b"--b\r\n"]) == 408


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_sender_that_drips_is_cut_off(visit, monkeypatch):
    monkeypatch.setattr(guard, "GRACE_S", -1.0)
    assert asked(visit, [b"--b\r\n"] * 5) == 408


# ---------------------------------------------------------------- paths


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/%2e%2e/healthtrack.toml",
        "/static/page.css%00.js",
        "/vehicle/otter/report/..%2f..%2fhealthtrack.toml",
        "/vehicle/otter/report/../../healthtrack.toml",
        "/vehicle/..%2f..%2f/report/x.pdf",
        "/vehicle/otter/figure/..%2f..%2fx.svg",
        "/vehicle/otter/drive/..%2f..%2fetc",
        "/vehicle/otter/pull/' OR 1=1 --",
        "/logs/..%2f..%2fhealthtrack.toml",
        "/logs/progress/..%2f..%2fx",
        "/tune?backtest=../../healthtrack",
    ],
)
def test_a_path_leads_to_no_file(visit, path):
    answer = visit.get(path)
    assert "[vehicles" not in answer.text
    assert answer.status_code in {200, 303, 404}
    if "progress" not in path and "tune" not in path:
        assert answer.status_code == 404


def test_a_report_is_found_by_its_name_in_the_vehicles_own_folder_only(visit):
    folder = visit.root / "reports" / "otter"
    folder.mkdir(parents=True)
    (folder / "a.pdf").write_bytes(b"%PDF-1.4")
    (visit.root / "reports" / "secret.pdf").write_bytes(b"%PDF-1.4")
    assert visit.get("/vehicle/otter/report/a.pdf").status_code == 200
    assert visit.get("/vehicle/otter/report/..%2fsecret.pdf").status_code == 404
    assert visit.get("/vehicle/stoat/report/a.pdf").status_code == 404


def test_errors_of_ours_show_no_traceback(workspace, monkeypatch):
    from starlette.testclient import TestClient

    visit = Visit(workspace)
    monkeypatch.setattr(visit.site.window, "look", lambda _: 1 / 0)
    client = TestClient(visit.app, "http://127.0.0.1:8470", raise_server_exceptions=False)
    answer = client.get("/")
    assert answer.status_code == 500
    assert "Traceback" not in answer.text
    assert answer.headers["content-security-policy"] == guard.POLICY


def test_what_a_person_must_mend_is_said_on_a_page(visit, monkeypatch):
    from healthtrack.errors import StoreError

    def held(_):
        raise StoreError("the store is held by another process")

    monkeypatch.setattr(visit.site.window, "look", held)
    answer = visit.get("/vehicle/otter")
    assert answer.status_code == 503
    assert "held by another process" in answer.text


# ---------------------------------------------------------------- at the socket itself


def ask(address, text):
    """Send text over a connection of our own, and return what comes until it is closed."""
    import socket
    from urllib.parse import urlsplit

    place = urlsplit(address)
    with socket.create_connection((place.hostname, place.port), timeout=10) as line:
        line.sendall(text.encode())
        got = b""
        while piece := line.recv(65536):
            got += piece
    return got.decode()


def test_connections_that_say_nothing_or_stop_in_the_middle_are_closed(workspace, monkeypatch):
    from healthtrack.web import server
    from tests.web.conftest import NOW
    from tests.web.serving import served

    monkeypatch.setattr(server, "HEAD_S", 0.3)
    monkeypatch.setattr(guard, "SILENCE_S", 0.3)
    with served(workspace, lambda: NOW, desk=False) as page:
        assert ask(page.address, "") == ""
        assert ask(page.address, "POST /logs HT") == ""
        host = f"Host: {page.address.removeprefix('http://')}\r\n"
        shown = ask(page.address, f"GET /logs HTTP/1.1\r\n{host}Connection: close\r\n\r\n")
        token = shown.split('name="token" content="')[1].split('"')[0]
        cookie = shown.split("set-cookie: ")[1].split(";")[0]
        begun = (
            f"POST /logs HTTP/1.1\r\n{host}Connection: close\r\nCookie: {cookie}\r\n"
            f"X-Token: {token}\r\nContent-Length: 9000\r\n"
            "Content-Type: multipart/form-data; boundary=b\r\n\r\n"
            '--b\r\nContent-Disposition: form-data; name="files"; filename="half.csv"\r\n\r\nhalf'
        )
        assert ask(page.address, begun).startswith("HTTP/1.1 408")
        whole = f"GET / HTTP/1.1\r\n{host}Connection: close\r\n\r\n"
        assert ask(page.address, whole).startswith("HTTP/1.1 200")  # others go on
    assert not list((workspace / "inbox" / "otter").glob("half*"))
