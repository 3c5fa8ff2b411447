"""For all tests: no network, save this machine's own loopback, which the browser and the notebooks' kernels need; no deadline
for one drawn example, which a busy machine would miss."""

from __future__ import annotations

import ipaddress
import socket
import subprocess
import sys
from typing import Any

import pytest
from hypothesis import settings

settings.register_profile("any machine", settings.default, deadline=None)
settings.load_profile("any machine")


class NetworkRefusedError(AssertionError):
    """A test, or what it runs, reached for the network."""


def _is_local(host: object) -> bool:
    if host in (None, "", b"", "localhost", b"localhost"):
        return True
    try:
        return ipaddress.ip_address(host.decode() if isinstance(host, bytes) else str(host)).is_loopback
    except ValueError:
        return False


def _refuse(what: object) -> None:
    raise NetworkRefusedError(f"tests run without a network, and this one reached for {what!r}")


def pytest_configure(config: pytest.Config) -> None:
    """Refuse connections and look-ups that would leave this machine, in every process of the test run."""
    patch = pytest.MonkeyPatch()
    config.add_cleanup(patch.undo)
    for name in ("connect", "connect_ex", "sendto"):
        original = getattr(socket.socket, name)

        def guarded(self: socket.socket, *words: Any, _original: Any = original) -> Any:
            if self.family in (socket.AF_INET, socket.AF_INET6) and not _is_local(words[-1][0]):
                _refuse(words[-1])
            return _original(self, *words)

        patch.setattr(socket.socket, name, guarded)
    for name in ("getaddrinfo", "gethostbyname"):
        look_up = getattr(socket, name)

        def asked(host: Any, *words: Any, _original: Any = look_up, **named: Any) -> Any:
            if not _is_local(host):
                _refuse(host)
            return _original(host, *words, **named)

        patch.setattr(socket, name, asked)


_PHASES = """
import numpy as np
from blankoff.pipeline.first_use import compile_phases
from blankoff_synthetic import draw_case
draw_case(np.random.default_rng(1), "held")
compile_phases()

# the fleet's kernels, which both workers would otherwise compile at the same time
from blankoff.fleet.assets import assess_assets
from blankoff.fleet.attribution import attribute
from blankoff.settings import Settings
from tests.fleet.frames import Plan, draw_fleet
fleet, settings = draw_fleet(Plan(seed=12, evacuations=600, months=9)), Settings()
known = attribute(fleet.work, fleet.services, settings, fleet.plan.ends_on)
assess_assets(fleet.work, {"services": fleet.services}, known, settings, fleet.plan.ends_on)
"""


@pytest.hookimpl(tryfirst=True)
def pytest_sessionstart(session: pytest.Session) -> None:
    """Compile the kernels once, in two processes, and not all of them in each of the workers at the same time."""
    several = session.config.getoption("numprocesses", None)
    if not several or hasattr(session.config, "workerinput"):
        return
    from blankoff.pipeline.first_use import in_another_process

    other = in_another_process()
    subprocess.run([sys.executable, "-c", _PHASES], check=True, cwd=session.config.rootpath)
    if other is not None:
        other.wait()
