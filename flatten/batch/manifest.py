"""What came of a recording, in plain values: inputs with digests, versions, counts, what was left out.

It knows nothing of when, where and by how many it was made, so that equal results have equal manifests; that
is in the log of the run beside it.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Sequence
from importlib import metadata
from pathlib import Path
from typing import Any

from flatten.batch.order import Order, Plan
from flatten.errors import OutputError
from flatten.version import __version__

LIBRARIES = ("numpy", "numba", "mcap", "lz4", "rosbags")
READ = 1 << 20


def input_files(order: Order, source: Path) -> list[Path]:
    """List all files that a result rests on, in one order."""
    found = [source]
    if source.is_dir():
        found = sorted(path for path in source.rglob("*") if path.is_file())
    return found + ([order.poses] if order.poses is not None else [])


def input_identity(order: Order, source: Path) -> list[list[Any]]:
    """Tell files from changed ones, quickly: name, size, time of the last change (ns)."""
    return [
        [str(path.resolve()), info.st_size, info.st_mtime_ns]
        for path in input_files(order, source)
        for info in (path.stat(),)
    ]


def digests(order: Order, source: Path) -> list[dict[str, Any]]:
    """Name, size and SHA-256 of all input files."""
    return [digest(path) for path in input_files(order, source)]


def digest(path: Path) -> dict[str, Any]:
    """Name, size and SHA-256 of a file; OutputError where it cannot be read any more."""
    found, size = hashlib.sha256(), 0
    try:
        with path.open("rb") as stream:
            while data := stream.read(READ):
                found.update(data)
                size += len(data)
    except OSError as error:
        raise OutputError(f"{path}: cannot be read ({error.strerror}): its digest is missing") from error
    return {"name": path.name, "bytes": size, "sha256": found.hexdigest()}


def order_told(order: Order) -> dict[str, Any]:
    """What was ordered, and by which versions it is made."""
    return {
        "flatten": __version__,
        "libraries": {name: _version(name) for name in LIBRARIES},
        "profile": order.profile.to_dict(),
        "format": order.format,
        "options": {
            "topic": order.topic, "poses": None if order.poses is None else order.poses.name,
            "poses_topic": order.poses_topic, "poses_of": order.poses_of, "corrected": order.corrected,
            "frame": order.frame, "parent": order.parent,
        },
    }  # fmt: skip


def plan_identity(order: Order, source: Path) -> dict[str, Any]:
    """What must be equal for parts of an older run to be of use, and for a result to be the one wanted."""
    return {**order_told(order), "input": input_identity(order, source)}


def make_manifest(
    order: Order, plan: Plan, accounts: Sequence[dict[str, Any]], inputs: list[dict[str, Any]],
    results: list[dict[str, Any]],
) -> dict[str, Any]:  # fmt: skip
    """Sum up the accounts of all pieces, in their order."""
    skipped, clouds = [], 0
    states: dict[str, Counter[str]] = {name: Counter() for name in order.profile.slices}
    poses: Counter[str] = Counter()
    for account in accounts:
        poses.update(account["poses"])
        skipped += [
            {"index": clouds + index, "time_ns": time, "why": why} for index, time, why in account["skipped"]
        ]
        clouds += account["clouds"]
        for name, found in account["states"].items():
            states[name].update(found)
    return {
        **order_told(order),
        "input": {
            **plan.told(), "files": inputs,
            "faults": [
                *sorted({fault for account in accounts for fault in account["faults"]}),
                *(f"{number} {what}" for what, number in sorted(poses.items())),
            ],
        },
        "result": results,
        "clouds": clouds,
        "flattened": sum(account["flattened"] for account in accounts),
        "passed": sum(account["passed"] for account in accounts),
        "skipped": skipped,
        "states": {name: dict(found) for name, found in states.items()},
    }  # fmt: skip


def read_json(path: Path) -> dict[str, Any]:
    """Read plain values; {} where there are none."""
    try:
        told = json.loads(path.read_text())
    except (OSError, ValueError):
        return {}
    return told if isinstance(told, dict) else {}


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "none"
