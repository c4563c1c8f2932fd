"""A systemd unit and a container file, made for a workspace."""

from __future__ import annotations

import shutil
import sys
from typing import TYPE_CHECKING

from healthtrack.config import load

if TYPE_CHECKING:
    from pathlib import Path

_UNIT = """\
# Put this into /etc/systemd/system/healthtrack.service, then:
#   useradd --system --home-dir {root} --shell /usr/sbin/nologin {user}
#   chown -R {user}: {root}
#   systemctl daemon-reload && systemctl enable --now healthtrack
# The mail password, where it is a file, is best handed over by systemd: uncomment LoadCredential,
# and set password_file = "/run/credentials/healthtrack.service/mail" under [mail].
[Unit]
Description=healthtrack: condition monitoring of vehicle air paths
After=network-online.target time-sync.target
Wants=network-online.target

[Service]
Type=exec
User={user}
WorkingDirectory={root}
Environment=OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1
#LoadCredential=mail:/etc/healthtrack/mail-password
ExecStart={program} serve
Restart=on-failure
RestartSec=30
# only the main process is told to stop; it ends its workers itself
KillMode=mixed
TimeoutStopSec={stop}
# it writes in its workspace and nowhere else
ProtectSystem=strict
ReadWritePaths={root}
ProtectHome=read-only
PrivateTmp=yes
PrivateDevices=yes
NoNewPrivileges=yes
CapabilityBoundingSet=
RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX
RestrictNamespaces=yes
RestrictSUIDSGID=yes
LockPersonality=yes
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectControlGroups=yes
ProtectClock=yes
ProtectHostname=yes
SystemCallArchitectures=native
UMask=0027

[Install]
WantedBy=multi-user.target
"""

_CONTAINER = """\
# Build in a folder that holds the wheel (healthtrack-*.whl), then run with the workspace mounted:
#   docker build -t healthtrack . && docker run -d --name healthtrack --restart unless-stopped \\
#     --stop-timeout 30 --read-only --tmpfs /tmp -v /srv/healthtrack:/workspace healthtrack
# The folder that is mounted must belong to user {uid}: chown -R {uid}: /srv/healthtrack
FROM python:{python}-slim
RUN useradd --system --uid {uid} --no-create-home {user}
COPY healthtrack-*.whl /tmp/
RUN pip install --no-cache-dir /tmp/healthtrack-*.whl && rm /tmp/healthtrack-*.whl
ENV OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1 MPLCONFIGDIR=/tmp PYTHONDONTWRITEBYTECODE=1
USER {uid}
WORKDIR /workspace
VOLUME /workspace
STOPSIGNAL SIGTERM
HEALTHCHECK --interval=60s --timeout=10s --start-period=60s CMD ["healthtrack", "status"]
ENTRYPOINT ["healthtrack"]
CMD ["serve"]
"""

_MARGIN_S = 10


def systemd_unit(root: Path, user: str) -> str:
    """Return a systemd unit that runs the service of a workspace as an unprivileged user."""
    stop = load(root).service.stop_seconds + _MARGIN_S
    program = shutil.which("healthtrack") or f"{sys.executable} -m healthtrack.cli"
    return _UNIT.format(root=root, user=user, program=program, stop=stop)


def container_file(user: str, uid: int = 10_001) -> str:
    """Return a container file that runs the service as an unprivileged user."""
    python = f"{sys.version_info.major}.{sys.version_info.minor}"
    return _CONTAINER.format(user=user, uid=uid, python=python)
