"""The one way this package compiles a numeric kernel.

``@kernel`` is ``numba.njit`` with the compiled code cached on disk and the interpreter
lock released, typed so that the strict type checker still sees the function's own
signature. Kernels may call one another, also across modules.

The cache knows a kernel by its own file. A change in another module, of a constant or of a kernel that it calls, does
not reach what is already compiled: after such an edit, touch the calling file or delete its ``__pycache__``.
"""

from collections.abc import Callable
from typing import TypeVar, cast

import numba

__all__ = ["kernel"]

_Function = TypeVar("_Function", bound=Callable[..., object])


def kernel(function: _Function) -> _Function:
    """Compile `function` on first call, without the interpreter lock, cached on disk."""
    return cast(_Function, numba.njit(cache=True, nogil=True)(function))
