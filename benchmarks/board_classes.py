"""Classes of on-board computers, read from boards/*.yaml: by core, never by brand."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from benchmarks.record import HERE
from benchmarks.retarget import Target

FOLDER = HERE / "boards"
KEYS = {
    "core", "in_order", "target", "model", "width", "cores", "clock_ghz", "memory_gb_s", "sources",
}  # fmt: skip
SOURCED = {"clock_ghz", "memory_gb_s", "width", "cores"}


@dataclass(frozen=True)
class Board:
    """A class of boards; figures are for one core, at the slowest clock and the narrowest memory."""

    core: str
    in_order: bool
    target: Target
    model: str
    """The core whose scheduling model LLVM is asked for."""
    own_model: bool
    why_model: str
    width: int
    cores: int
    clock_ghz: tuple[float, float]
    memory_gb_s: tuple[float, float]
    sources: dict[str, str]


def boards() -> list[Board]:
    """All classes, by their files' names."""
    return [read(path) for path in sorted(FOLDER.glob("*.yaml"))]


def read(path: Path) -> Board:
    """Read one class; raises ValueError where something is missing, unknown or has no source."""
    told: dict[str, Any] = yaml.safe_load(path.read_text())
    unlike = KEYS ^ set(told)
    if unlike:
        raise ValueError(f"{path.name}: missing or unknown: {', '.join(sorted(unlike))}")
    bare = SOURCED - {key for key, source in told["sources"].items() if source.strip()}
    if bare:
        raise ValueError(f"{path.name}: no source for {', '.join(sorted(bare))}")
    if told["model"]["own"] != (told["model"]["cpu"] == told["target"]["cpu"]):
        raise ValueError(f"{path.name}: a core's own model has its name, and no other")
    return Board(
        core=told["core"], in_order=told["in_order"], target=Target(**told["target"]),
        model=told["model"]["cpu"], own_model=told["model"]["own"], why_model=told["model"]["why"],
        width=told["width"], cores=told["cores"], clock_ghz=interval(path, "clock_ghz", told),
        memory_gb_s=interval(path, "memory_gb_s", told), sources=told["sources"],
    )  # fmt: skip


def interval(path: Path, key: str, told: dict[str, Any]) -> tuple[float, float]:
    """Two ends of a range, both above 0."""
    low, high = float(told[key]["low"]), float(told[key]["high"])
    if not 0 < low <= high:
        raise ValueError(f"{path.name}: {key}: wanted 0 < low ≤ high, not {low} … {high}")
    return low, high
