"""The one place that knows how the library is called."""

from __future__ import annotations

from typing import Any

from benchmarks.contest import Run
from flatten import Flattener


def whole_call(flattener: Flattener, cloud: Any, attitude: tuple[float, float] | None = None) -> Run:
    """The whole way: look at the cloud, flatten it, hand out scans."""
    return lambda: flattener.flatten(cloud, attitude)


def has_kernel_call(flattener: Flattener) -> bool:
    """Whether the pass over the returns can be called alone."""
    return callable(getattr(flattener, "_sweep", None))


def kernel_call(flattener: Flattener, cloud: Any) -> Run:
    """The pass over the returns alone where it can be called, else the whole way.

    Assumed is `Flattener._sweep(cloud, attitude)` for a cloud without motion: this function is all there is
    to change for another.
    """
    if not has_kernel_call(flattener):
        return whole_call(flattener, cloud)
    from flatten.cloud import as_cloud

    sweep: Any = getattr(flattener, "_sweep")  # noqa: B009 # not everybody's business, and not always there
    looked_at = as_cloud(cloud)
    return lambda: sweep(looked_at, None)
