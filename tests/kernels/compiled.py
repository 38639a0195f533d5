"""A way into a part of the kernels from Python: parts have none of their own, to be compiled sooner."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba

from flatten.kernels.jit import OPTIONS


def compiled(part: Callable[..., Any]) -> Callable[..., Any]:
    """Wrap a part so that Python can call it, compiled as in the kernels."""

    @numba.njit(**OPTIONS)
    def call(*arguments):  # type: ignore[no-untyped-def]
        return part(*arguments)

    return call
