"""What was measured, as JSON that a program or a later self can read."""

from __future__ import annotations

import io
import json
from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime, timezone
from typing import Any

import numpy as np

from flatten.budget.board import machine, versions
from flatten.budget.measuring import Budget
from flatten.budget.startup import Start
from flatten.budget.timing import Round, Seconds, Spread
from flatten.budget.verdict import Limits, judge, share_of
from flatten.files.source import PathLike
from flatten.files.writing import CAUTION, target, write_all
from flatten.version import __version__


def to_dict(found: Budget) -> dict[str, Any]:
    """Give a budget as plain values: seconds, bytes, shares of 1; every frame's times included."""
    return {
        **_head(),
        "machine": found.machine,
        "versions": found.versions,
        "profile": found.profile.to_dict(),
        "fields": sorted(found.fields),
        "clouds": [{"name": name, "returns": count} for name, count in found.clouds],
        "messages_coded": found.wire,
        "moving": found.moving,
        "limits": {"rate_hz": found.limits.rate, "share": found.limits.share},
        "verdict": found.verdict,
        "rounds": {name: _round(one, found.limits) for name, one in found.rounds.items()},
        "leaner": [asdict(gain) for gain in found.gains],
    }


def startup_to_dict(starts: Sequence[Start]) -> dict[str, Any]:
    """Give measured starts as plain values: seconds and bytes."""
    return {
        **_head(),
        "machine": machine(),
        "versions": versions(),
        "starts": [asdict(start) for start in starts],
    }


def write_json(path: PathLike, told: dict[str, Any], *, overwrite: bool = False) -> None:
    """Write plain values as JSON; OutputError, with nothing left behind, where that cannot be."""
    text = json.dumps(told, indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    def fill(stream: io.BufferedIOBase) -> None:
        stream.write(text.encode())

    write_all([(target(path), fill)], overwrite)


def _head() -> dict[str, Any]:
    when = datetime.now(timezone.utc).isoformat(timespec="seconds")
    return {"flatten": __version__, "when": when, "caution": CAUTION}


def _round(one: Round, limits: Limits) -> dict[str, Any]:
    return {
        "frames": one.frames,
        "verdict": judge(one, limits),
        "share_of_a_core": share_of(Spread.of(one.busy).mean, limits),
        "cores_taken_by_load": round(one.cores_taken, 2),
        "seconds": asdict(Spread.of(one.whole)),
        "processor_seconds": asdict(Spread.of(one.busy)),
        "stages_seconds": {name: asdict(Spread.of(times)) for name, times in one.stages.items()},
        "resident_bytes": {
            "before": one.before.resident,
            "after": one.after.resident,
            "peak": one.after.peak,
        },
        "each_frame_seconds": _listed(one.whole),
        "each_frame_processor_seconds": _listed(one.busy),
    }


def _listed(times: Seconds) -> list[float]:
    """Give times to the microsecond."""
    rounded: list[float] = np.round(times, 6).tolist()
    return rounded
