"""What goes in and what comes out of the workshop: no network while testing, the same bytes from the same source."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import socket
import subprocess
import sys
import tomllib
import urllib.request
from pathlib import Path

import pytest

from tests.conftest import NetworkRefusedError

ROOT = Path(__file__).resolve().parents[1]


@pytest.mark.parametrize("address", [("192.0.2.1", 80), ("2001:db8::1", 443)])
def test_connections_are_refused(address: tuple[str, int]) -> None:
    """Addresses kept for documentation: RFC 5737, RFC 3849 (MEM)."""
    family = socket.AF_INET6 if ":" in address[0] else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as s, pytest.raises(NetworkRefusedError):
        s.connect(address)


def test_look_ups_are_refused_and_this_machine_is_not() -> None:
    with pytest.raises(NetworkRefusedError):
        urllib.request.urlopen("http://blankoff.invalid/")
    with socket.socket() as server, socket.socket() as client:
        server.bind(("127.0.0.1", 0))
        server.listen()
        client.connect(server.getsockname())


def test_no_module_of_ours_opens_a_connection() -> None:
    """The package reads folders and writes files; nothing in it knows how to fetch."""
    fetching = re.compile(
        r"^\s*(?:import|from)\s+(?:socket|ssl|http|urllib\.request|ftplib|requests|httpx|aiohttp)\b", re.M
    )
    modules = [
        *(ROOT / "src").rglob("*.py"),
        *(ROOT / "synthetic_data").rglob("*.py"),
        *(ROOT / "pipelines").rglob("*.py"),
    ]
    assert len(modules) > 100
    assert [str(m) for m in modules if fetching.search(m.read_text(encoding="utf-8"))] == []


def test_every_dependency_has_a_lower_end() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert len(project["dependencies"]) <= 21, "few dependencies: each new one wants a reason"
    for line in project["dependencies"]:
        assert re.fullmatch(r"[A-Za-z0-9_.-]+>=\d[\d.]*(,<\d[\d.]*)?", line), line


def build(source: Path, out: Path, *, epoch: int) -> dict[str, str]:
    """Build sdist and wheel in a copy of the source; return each file's hash."""
    code = (
        "import sys\nfrom hatchling.build import build_sdist, build_wheel\n"
        "print(build_sdist(sys.argv[1]))\nprint(build_wheel(sys.argv[1]))"
    )
    out.mkdir()
    env = {**os.environ, "SOURCE_DATE_EPOCH": str(epoch)}
    subprocess.run([sys.executable, "-c", code, str(out)], cwd=source, env=env, check=True, capture_output=True)
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(out.iterdir())}


@pytest.mark.scheduled
def test_the_same_source_builds_to_the_same_bytes(tmp_path: Path) -> None:
    """Twice, in folders of other names, with other times on the files and another umask."""
    pytest.importorskip("hatchling", reason="needs the build backend: pip install hatchling")
    made = []
    for k, umask in enumerate((0o022, 0o077)):
        source = tmp_path / f"copy{k}"
        before = os.umask(umask)
        try:
            wanted = subprocess.run(
                ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True, text=True
            ).stdout.split("\0")
            for name in filter(None, wanted):
                if (ROOT / name).is_file():
                    (source / name).parent.mkdir(parents=True, exist_ok=True)
                    shutil.copyfile(ROOT / name, source / name)
                    os.utime(source / name, (1.6e9 + k, 1.6e9 + k))
            made.append(build(source, tmp_path / f"dist{k}", epoch=1_764_000_000))
        finally:
            os.umask(before)
    assert len(made[0]) == 2
    assert made[0] == made[1]
