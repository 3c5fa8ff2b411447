"""Batches of log files read and judged on many hosts, by Dask distributed; they come back in order.

Hosts are sent lists of files, never samples, and read from storage that all of them reach. The store has one writer,
the caller. A worker that dies has its batch done by another; a scheduler that is lost ends the run, and the next run
goes on from what was stored.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from importlib import import_module
from itertools import islice
from typing import Any, TypeVar

from blankoff.errors import ClusterError

_T = TypeVar("_T")

CONNECT_S = 15.0
WORKERS_S = 60.0
"""How long to wait for the scheduler, and for the first worker."""

_AHEAD = 2
"""Batches on their way per worker thread: enough that a slow host holds up nobody, few enough to be held."""
_RETRIES = 3


def in_order_on(scheduler: str, work: Callable[..., _T], calls: Iterator[tuple[Any, ...]]) -> Iterator[_T]:
    """Do work on the hosts of a scheduler and hand its results on in order.

    Parameters
    ----------
    scheduler
        Its address, such as ``tcp://10.0.0.5:8786``.
    work
        A function of a module that every host has.
    calls
        Arguments of each call.

    Raises
    ------
    ClusterError
        The extra is not installed, the scheduler does not answer or is lost, or it has no worker.
    """
    try:
        distributed = import_module("distributed")
    except ImportError:
        raise ClusterError("many hosts need what is not installed here; install blankoff[cluster]") from None
    first = list(islice(calls, 1))
    if not first:
        return
    try:
        client = distributed.Client(scheduler, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise ClusterError(
            f"no scheduler answers at {scheduler} ({error}); start one, or leave out --scheduler"
        ) from None
    lost = f"the scheduler at {scheduler} was lost; what was stored is safe: run again, and it goes on from there"
    waiting: list[Any] = []

    def submit(arguments: tuple[Any, ...]) -> None:
        waiting.append(client.submit(work, *arguments, pure=False, retries=_RETRIES))

    try:
        try:
            client.wait_for_workers(1, timeout=WORKERS_S)
            threads = sum(client.nthreads().values())
        except (TimeoutError, distributed.TimeoutError):
            raise ClusterError(f"the scheduler at {scheduler} has no worker; start some and run again") from None
        for arguments in [*first, *islice(calls, max(_AHEAD * threads, 2) - 1)]:
            submit(arguments)
        while waiting:
            done = waiting.pop(0)
            result = done.result()
            done.release()
            for arguments in islice(calls, 1):
                submit(arguments)
            yield result
    except distributed.KilledWorker as error:
        raise ClusterError(f"a batch ended every worker that took it ({error}); give workers more memory") from None
    except (distributed.CancelledError, distributed.comm.CommClosedError, OSError, TimeoutError) as error:
        raise ClusterError(f"{lost} ({type(error).__name__})") from None
    finally:
        _leave(client)


def _leave(client: Any) -> None:
    """Close the client without waiting for a scheduler that may be gone."""
    import logging

    quiet = logging.getLogger("distributed.client")
    level = quiet.level
    quiet.setLevel(logging.CRITICAL)
    try:
        client.close(timeout=2)
    except Exception:  # the run has its own end; a farewell that fails must not hide it
        pass
    finally:
        quiet.setLevel(level)
