"""The one way this package compiles a numeric kernel.

``@kernel`` is ``numba.njit`` with the compiled code cached on disk and the interpreter
lock released, typed so that the strict type checker still sees the function's own
signature. Kernels may call one another, also across modules.

The cache knows a kernel by its own file. A change in another module, of a constant or of a kernel that it calls, does
not reach what is already compiled: after such an edit, touch the calling file or delete its ``__pycache__``.
"""

import threading
from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
from numba.core import event, types
from numpy.typing import NDArray

__all__ = [
    "before_the_first_compiles",
    "copy_into",
    "inlined_kernel",
    "kernel",
    "rough_sum_kernel",
    "tell_when_compiling",
    "vector_kernel",
]

_Function = TypeVar("_Function", bound=Callable[..., object])


def _compiled(function: _Function, **options: Any) -> _Function:
    """Compile `function` without the interpreter lock, cached on disk, once for all values of an argument.

    numba would compile a kernel anew for each constant that another kernel hands it, a fifth of all compiling here.
    """
    dispatcher: Any = numba.njit(cache=True, nogil=True, **options)(function)
    asked = getattr(dispatcher, "get_call_template", None)
    if asked is not None:  # none where compiling is switched off

        def of_any_value(args: tuple[Any, ...], kws: dict[str, Any]) -> Any:
            return asked(tuple(map(types.unliteral, args)), {k: types.unliteral(v) for k, v in kws.items()})

        dispatcher.get_call_template = of_any_value
    return cast(_Function, dispatcher)


def kernel(function: _Function) -> _Function:
    """Compile `function` on first call, without the interpreter lock, cached on disk."""
    return _compiled(function)


def vector_kernel(function: _Function) -> _Function:
    """Compile like `kernel`, for loops that shall run in vectors: a check for division by zero is a branch, so none is made."""
    return _compiled(function, error_model="numpy")


def inlined_kernel(function: _Function) -> _Function:
    """Compile like `vector_kernel`, into every loop that calls it: what is too long for that to happen by itself."""
    return _compiled(function, error_model="numpy", forceinline=True)


def rough_sum_kernel(function: _Function) -> _Function:
    """Compile like `vector_kernel`, with sums taken in any order: for what is taken again in the plain order where it counts."""
    return _compiled(function, error_model="numpy", fastmath={"reassoc", "nsz"})


@kernel
def copy_into(target: NDArray[Any], values: NDArray[Any]) -> None:
    """Set the first elements of `target` to those of `values`, both one-dimensional and not overlapping.

    Assigning one slice to another compiles a check of shapes with its message, half a second for each pair of types.
    """
    for i in range(values.size):
        target[i] = values[i]


class _Patience(event.Listener):
    """Says once, after some seconds of compiling, what the wait is for."""

    def __init__(self, say: Callable[[], None], after_s: float) -> None:
        self._say, self._after_s = say, after_s
        self._depth = 0
        self._timer: threading.Timer | None = None

    def on_start(self, event: Any) -> None:
        self._depth += 1
        if self._timer is None:
            self._timer = threading.Timer(self._after_s, self._still_waiting)
            self._timer.daemon = True
            self._timer.start()

    def on_end(self, event: Any) -> None:
        self._depth -= 1

    def _still_waiting(self) -> None:
        if self._depth > 0:
            self._say()
        else:
            self._timer = None


def tell_when_compiling(say: Callable[[], None], after_s: float = 2.0) -> None:
    """Call `say` once if kernels are still being compiled some seconds after the first one began.

    Nothing is compiled once the cache on disk holds everything.
    """
    event.register("numba:compile", _Patience(say, after_s))


class _Once(event.Listener):
    """Does something when the first kernel is about to be compiled."""

    def __init__(self, do: Callable[[], None]) -> None:
        self._do: Callable[[], None] | None = do

    def on_start(self, event: Any) -> None:
        do, self._do = self._do, None
        if do is not None:
            do()

    def on_end(self, event: Any) -> None:
        pass


_asked: list[_Once] = []


def before_the_first_compiles(do: Callable[[], None]) -> None:
    """Call `do` once in this process, when a kernel is not found in the cache on disk; later calls add nothing."""
    if not _asked:
        _asked.append(_Once(do))
        event.register("numba:compile", _asked[0])
