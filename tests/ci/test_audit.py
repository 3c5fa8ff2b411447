"""What an audit of dependencies says: nothing asked is no pass."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("audit", Path(__file__).parents[2] / ".ci" / "audit.py")
assert _spec is not None
assert _spec.loader is not None
audit = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(audit)

GOOD = {"name": "a", "version": "1.0", "vulns": []}
FAULTY = {"name": "b", "version": "2.0", "vulns": [{"id": "X-1", "fix_versions": ["2.1"], "aliases": []}]}
UNKNOWN = {"name": "c", "skip_reason": "not found"}
OURS = {"name": "blankoff", "skip_reason": "not found"}


@pytest.mark.parametrize(
    ("packages", "status", "says"),
    [
        ([GOOD, OURS], 0, "1 packages: 0 with known faults, 1 without, no verdict on 0"),
        ([GOOD, UNKNOWN], 3, "no verdict on 1"),
        ([UNKNOWN, UNKNOWN, OURS], 3, "2 packages: 0 with known faults, 0 without, no verdict on 2"),
        ([GOOD, FAULTY, UNKNOWN], 1, "b 2.0: X-1, mended in 2.1"),
        ([OURS], 3, "0 packages"),
    ],
)
def test_only_what_was_asked_about_is_a_verdict(packages: list[dict[str, object]], status: int, says: str) -> None:
    got, lines = audit.verdict({"dependencies": packages})
    assert got == status
    assert says in "\n".join(lines)
