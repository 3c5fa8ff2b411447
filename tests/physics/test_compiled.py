"""A long compilation says what the wait is for; a short one, or none, says nothing."""

from __future__ import annotations

import time

from numba.core import event

from blankoff.physics.compiled import tell_when_compiling


def _compile(seconds: float) -> None:
    with event.trigger_event("numba:compile", data={}):
        time.sleep(seconds)


def test_only_a_long_wait_is_explained_and_only_once() -> None:
    said: list[str] = []
    before = {kind: list(listeners) for kind, listeners in event._registered.items()}
    try:
        tell_when_compiling(lambda: said.append("compiling"), after_s=0.2)
        _compile(0.01)
        time.sleep(0.4)
        assert said == []
        _compile(0.6)
        _compile(0.6)
        assert said == ["compiling"]
    finally:
        event._registered.clear()
        event._registered.update(before)
