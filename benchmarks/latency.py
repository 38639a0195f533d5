"""From the bytes of a cloud message to the bytes of a scan message: how long, and how long at worst."""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from benchmarks import clouds, profiles
from flatten import Flattener

RETURNS, FRAMES, STEP = 20_000, 2_000, 16
CLOUD, SCAN = "sensor_msgs/msg/PointCloud2", "sensor_msgs/msg/LaserScan"
HANDLING = "read and write the message"
"""The baseline: what is left where nothing is flattened."""
PARTS = ("read the message", "flatten", "write the message")


def measure(returns: int = RETURNS, frames: int = FRAMES) -> list[dict[str, Any]]:
    """A row for the whole and for each part: median, p95, p99 and worst over many frames, microseconds.

    CDR by rosbags, a Python library: its parts say what a node in Python pays, not what must be paid.
    Frames follow each other without a pause, the garbage collector on, as a node runs.
    """
    frame, wire, differ = node(returns)
    for _ in range(20):
        frame(wire)
    switched = resource.getrusage(resource.RUSAGE_SELF).ru_nivcsw
    marks = np.array([frame(wire) for _ in range(frames)], np.int64)
    switched = resource.getrusage(resource.RUSAGE_SELF).ru_nivcsw - switched
    took = np.diff(marks, axis=1) / 1e3
    columns = {"message to message": took.sum(axis=1), **dict(zip(PARTS, took.T, strict=True))}
    handled = float(np.median(took[:, 0] + took[:, 2]))
    return [
        {"group": "latency", "case": name, "returns": returns, "frames": frames, "differ": differ,
         "switched": switched, **summary(column), "ratios": {HANDLING: float(np.median(column)) / handled}}
        for name, column in columns.items()
    ]  # fmt: skip


def summary(microseconds: np.ndarray[Any, Any]) -> dict[str, float]:
    """What is told of many durations."""
    median, p95, p99 = np.percentile(microseconds, [50, 95, 99])
    return {
        "median": float(median), "p95": float(p95), "p99": float(p99), "worst": float(microseconds.max())
    }  # fmt: skip


def node(returns: int) -> tuple[Callable[[bytes], tuple[int, ...]], bytes, int]:
    """What a node does with a frame, giving the times between its parts; one frame; bins that differ.

    The scan that comes out of the bytes is compared with that of the array, before anything is timed.
    """
    from rosbags.typesys import Stores, get_typestore

    store = get_typestore(Stores.LATEST)
    flattener = Flattener(profiles.bare(), fields={"ranges", "intensities"})
    xyz = clouds.room(returns)
    wire = bytes(store.serialize_cdr(clouds.cloud_message(store.types, xyz, STEP), CLOUD))
    scan_type: Any = store.types[SCAN]

    def frame(wire: bytes) -> tuple[int, ...]:
        start = time.perf_counter_ns()
        message: Any = store.deserialize_cdr(wire, CLOUD)
        read = time.perf_counter_ns()
        scan = flattener.flatten(message)["drive"]
        flat = time.perf_counter_ns()
        frame.out = store.serialize_cdr(  # type: ignore[attr-defined]
            scan_type(header=message.header, **scan.message_fields(scan_time=0.1)), SCAN
        )
        return start, read, flat, time.perf_counter_ns()

    frame(wire)
    told: Any = store.deserialize_cdr(frame.out, SCAN)  # type: ignore[attr-defined]
    expected = flattener.flatten(xyz)["drive"].ranges
    assert expected is not None
    differ = int((~((told.ranges == expected) | (np.isnan(told.ranges) & np.isnan(expected)))).sum())
    return frame, wire, differ
