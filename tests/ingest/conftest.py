"""A place to write invented logs to."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

Write = Callable[[str, str | bytes], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Write a log of that name under a fleet folder's ``logs/`` and return its path."""

    def _write(name: str, content: str | bytes) -> Path:
        path = tmp_path / "logs" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return _write
