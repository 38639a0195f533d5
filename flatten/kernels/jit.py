"""How kernels are compiled."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numba

from flatten.kernels.cache import KernelCache
from flatten.kernels.drafts import DraftCompiler

Function = TypeVar("Function", bound=Callable[..., Any])

OPTIONS: dict[str, Any] = {"nogil": True, "error_model": "numpy", "_nrt": False}
"""No fastmath: its no-NaN promise makes a NaN in a cloud undefined behaviour. The numpy error model
drops the division checks that keep loops from being vectorised. Without numba's run-time (`_nrt`) no
reference is counted, which took an eighth of a frame, and no kernel can allocate."""


def kernel(function: Function) -> Function:
    """Compile what the library calls: on first use, and kept on disk."""
    compiled: Any = numba.njit(no_cfunc_wrapper=True, **OPTIONS)(function)
    if compiled is not function:  # with NUMBA_DISABLE_JIT=1 it is the plain function
        compiled._cache = KernelCache(function)
    return compiled


def part(function: Function) -> Function:
    """Compile what only kernels call: it becomes part of them and of what they keep.

    Inlined, so that its loops know what is constant where it is called; without a way in from
    Python, and a draft only (see `drafts`), as all else would take half of the compiler's time.
    """
    compiled: Function = numba.njit(
        forceinline=True, no_cpython_wrapper=True, no_cfunc_wrapper=True, pipeline_class=DraftCompiler,
        **OPTIONS,
    )(function)  # fmt: skip
    return compiled
