"""Do what the container file says without a container, and see the service run there.

For machines without a container engine: each instruction is carried out with what every Linux has
(a fresh virtual environment for RUN pip, a mount namespace with everything read-only but the
workspace and /tmp, an unprivileged user by number). An instruction that this does not know ends it.
Needs root, util-linux and a Python that any user can read.

    python tests/benchmarks/container_steps.py /usr/bin/python3 FOLDER

FOLDER must not exist, lie outside /tmp and be readable by everybody; it is deleted afterwards.
"""

from __future__ import annotations

import json
import os
import shlex
import shutil
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(REPOSITORY))

SETTINGS = """
workers = 2
[service]
scan_seconds = 1
settle_seconds = 0
health_port = 0
[vehicles.otter]
"""


def say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


def instructions(text: str) -> list[tuple[str, str]]:
    """Return a container file's instructions with what follows them, in order."""
    whole = text.replace("\\\n", " ")
    lines = [line for line in whole.splitlines() if line.strip() and not line.startswith("#")]
    return [(line.split(None, 1)[0], line.split(None, 1)[1]) for line in lines]


class Container:
    """What the instructions have made so far."""

    def __init__(self, python: str, folder: Path) -> None:
        self.python, self.folder = python, folder
        self.wheels, self.workspace = folder / "build", folder / "workspace"
        self.environment = {
            "PATH": f"{folder / 'venv' / 'bin'}:/usr/bin:/bin",
            "HOME": "/nonexistent",
        }
        self.user, self.command = "", []
        self.health: list[str] = []

    def do(self, name: str, rest: str) -> None:
        """Carry out one instruction."""
        if name == "FROM":
            self._from(rest)
        elif name == "RUN" and rest.startswith("pip install"):
            self._pip(rest)
        elif name == "ENV":
            self.environment |= dict(word.split("=", 1) for word in shlex.split(rest))
        elif name == "USER":
            self.user = rest.strip()
        elif name in {"ENTRYPOINT", "CMD"}:
            self.command += json.loads(rest)
        elif name == "HEALTHCHECK":
            self.health = json.loads(rest.split("CMD", 1)[1])
        elif name == "STOPSIGNAL":
            assert rest.strip() == "SIGTERM"
        elif name in {"WORKDIR", "VOLUME"}:
            assert rest.strip() == "/workspace"
        else:  # a user by number needs no entry, and the wheel is where it was built
            words = f"{name} {rest}"
            assert words.startswith(("RUN useradd ", "COPY healthtrack-*.whl ")), words

    def _from(self, image: str) -> None:
        asked = image.removeprefix("python:").removesuffix("-slim")
        told = subprocess.run(
            [self.python, "--version"], capture_output=True, text=True, check=True
        )
        assert told.stdout.split()[1].startswith(f"{asked}."), (image, told.stdout)
        subprocess.run([self.python, "-m", "venv", str(self.folder / "venv")], check=True)

    def _pip(self, rest: str) -> None:
        (wheel,) = self.wheels.glob("healthtrack-*.whl")
        words = shlex.split(rest.split("&&", maxsplit=1)[0])
        words = [str(wheel) if word.endswith(".whl") else word for word in words]
        pip = str(self.folder / "venv" / "bin" / words[0])
        subprocess.run([pip, "--quiet", "--disable-pip-version-check", *words[1:]], check=True)

    def start(self, words: list[str], **options) -> subprocess.Popen:
        """Run a command there: everything read-only but the workspace and /tmp, no rights."""
        inner = (
            "mount --make-rprivate / && mount -t tmpfs tmpfs /tmp && "
            f"mount --bind {self.workspace} {self.workspace} && "
            "mount -o remount,bind,ro / && cd " + str(self.workspace) + " && "
            f"exec setpriv --reuid={self.user} --regid={self.user} --clear-groups --no-new-privs "
            f"--bounding-set=-all --inh-caps=-all {shlex.join(words)}"
        )
        return subprocess.Popen(
            ["unshare", "--mount", "sh", "-c", inner], env=self.environment, **options
        )

    def run(self, words: list[str]) -> subprocess.CompletedProcess:
        """Run a command there to its end."""
        process = self.start(words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
        output, _ = process.communicate(timeout=120)
        return subprocess.CompletedProcess(words, process.returncode, output)


def try_service(container: Container) -> None:
    """See the service take a log in, answer the health check, write nowhere else, and end."""
    from tests.conftest import _write_log

    workspace = container.workspace
    subprocess.run([container.folder / "venv/bin/healthtrack", "init", workspace], check=True)
    (workspace / "healthtrack.toml").write_text(SETTINGS)
    for number in range(10):
        started = datetime(2025, 3, 1 + number, 7, tzinfo=UTC)
        _write_log(workspace / "inbox" / "otter" / f"{number}.csv", started, 1.0 + number)
    subprocess.run(
        ["chown", "-R", f"{container.user}:{container.user}", str(workspace)], check=True
    )
    refused = container.run(["touch", str(container.folder / "venv" / "new")])
    assert refused.returncode, "it could write outside of its workspace"
    service = container.start(container.command)
    for _ in range(120):
        time.sleep(1)
        seen = container.run(container.health)
        if seen.returncode == 0 and "10 stored" in seen.stdout and " 0 files" in seen.stdout:
            break
    assert seen.returncode == 0, seen.stdout
    assert "10 stored" in seen.stdout, seen.stdout
    say(f"the health check says:\n{seen.stdout}")
    owner = (workspace / "healthtrack.duckdb").stat().st_uid
    assert str(owner) == container.user, owner
    began = time.monotonic()
    service.send_signal(signal.SIGTERM)
    assert service.wait(timeout=30) == 0
    say(f"it ended {time.monotonic() - began:.1f} s after SIGTERM")


def main(python: str, folder: Path) -> None:
    from healthtrack.service.installing import container_file

    folder.mkdir(mode=0o755)
    try:
        container = Container(python, folder)
        container.wheels.mkdir()
        build = [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "-w"]
        subprocess.run([*build, container.wheels, REPOSITORY], check=True)
        for name, rest in instructions(container_file("watch")):
            began = time.monotonic()
            container.do(name, rest)
            say(f"{name} {rest[:70]} ({time.monotonic() - began:.0f} s)")
        try_service(container)
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    os.umask(0o022)
    main(sys.argv[1], Path(sys.argv[2]).absolute())
