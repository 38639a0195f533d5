"""Compiling the kernels ahead, so that the first frame on a robot does not wait for the compiler."""

from __future__ import annotations

import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from flatten.carrying import carry_cloud
from flatten.cloud import Cloud, as_cloud
from flatten.flattener import Flattener
from flatten.floor import Floor
from flatten.kernels import (
    accept,
    answer,
    beams,
    cache,
    candidates,
    carry,
    cells,
    groups,
    instants,
    newest,
    settling,
    sweep,
    zones,
)
from flatten.motion import Motion
from flatten.profile import Profile
from flatten.returns import lay_out
from flatten.scan import Scan

KERNELS: dict[str, Any] = {
    "sweep": sweep.sweep,
    "follow_beams": beams.follow_beams,
    "accept": accept.accept,
    "answer": answer.answer,
    "find_span": instants.find_span,
    "carry": carry.carry,
    "keep_returns": newest.keep_returns,
    "bring": newest.bring,
    "fit_floor": settling.fit_floor,
    "enter": candidates.enter,
    "join_candidates": candidates.join,
    "count": candidates.count,
    "entering_slopes": candidates.entering_slopes,
    "mark_own": candidates.mark_own,
    "mark": cells.mark,
    "add": cells.add,
}
"""What is compiled as a whole; all else in the kernels becomes part of these."""

EVERY_WAY: dict[str, Any] = {
    "slices": {
        "drive": {"bottom": 0.08, "top": 0.95},
        "walls": {"bottom": 1.2, "top": 1.8, "pick": "farthest", "min_hits": 2},
    },
    "fan": {"bins": 8},
    "blind_zones": [{"name": "hull", "box": {"x": [-0.5, 0.5], "y": [-0.4, 0.4], "z": [0.0, 0.9]}}],
}
"""A profile that takes every way through the kernels: both picks, min_hits, clear and a zone."""


@dataclass(frozen=True)
class Readiness:
    """How the kernels got ready in this process."""

    seconds: float
    compiled: tuple[str, ...]
    """Kernels that were compiled now."""
    loaded: tuple[str, ...]
    """Kernels whose compiled code was there already."""
    place: Path | None
    """Folder in which newly compiled code is kept; None where none can be written."""
    notes: tuple[str, ...]
    """Words about a cache that does not work as it should."""


def warm_up(profile: Profile | None = None, *, moving: bool = False) -> float:
    """Make kernels ready in this process and give the seconds it took.

    Compiled code is kept on disk, so that only the first call on a machine takes long. Call it before a
    node says that it is up.

    Parameters
    ----------
    profile:
        None for every kernel: afterwards no `Flattener` compiles anything, whatever its profile and clouds.
        With a profile only what its frames need: a third of the time where no floor is fitted.
    moving:
        Whether frames of that profile will come with poses (`motion=…`); with a window they always do.
    """
    start = time.perf_counter()
    if profile is None:
        flattener = Flattener(Profile.from_dict(EVERY_WAY))
        flattener.flatten(np.ones((3, 4), np.float32), attitude=(0.0, 0.0))
        flattener.flatten(np.ones((3, 3), np.float64))
        fit_a_floor()
        weigh_candidates()
        enter_a_scan()
    else:
        flattener = Flattener(profile.model_copy(update={"window": None}))
        flattener.flatten(np.ones((3, 4), np.float32))
    if profile is None or profile.window is not None:
        gather_a_frame(flattener)
    if profile is None or profile.window is not None or moving:
        carry_a_cloud()
    return time.perf_counter() - start


def get_ready(profile: Profile | None = None, *, moving: bool = False) -> Readiness:
    """Do `warm_up` and tell what was compiled, what was there, and where it is kept."""
    seconds = warm_up(profile, moving=moving)
    compiled = tuple(name for name, kernel in KERNELS.items() if _count(kernel, "cache_misses"))
    loaded = tuple(name for name, kernel in KERNELS.items() if _count(kernel, "cache_hits"))
    return Readiness(seconds, compiled, loaded, cache.writable_place(), cache.cache_notes())


def warm_up_after_sweep() -> None:
    """Make the kernels that follow the sweep, or move returns, ready: in a second process.

    That is half of the work: meanwhile the first process does `fit_a_floor` and the sweep, and then finds on
    disk what was compiled here.
    """
    gather_a_frame(_AfterSweep(Profile.from_dict(EVERY_WAY)))
    carry_a_cloud()
    weigh_candidates()
    enter_a_scan()


def gather_a_frame(flattener: Flattener) -> None:
    """Make the kernels ready that gather frames: with no returns."""
    words, nothing = flattener._tables.words.copy(), np.zeros(0, np.float32)
    groups_at = groups.PLACES[groups.Newest]
    words[groups_at] = 0
    newest.keep_returns(words, nothing, np.zeros(0, np.int64))
    newest.bring(0, 6, np.eye(4)[:3].copy(), nothing, nothing)


def fit_a_floor() -> None:
    """Make the kernels ready that fit the floor."""
    floor = Floor(0.06, 0.9, 0.7, 0.06, 20.0, 16.0, 8, -2.0, 4.0)
    frame = groups.Frame(np.eye(4)[:3].copy(), np.zeros(13, np.float32), 1.0)
    returns, owners = lay_out(as_cloud(np.ones((3, 3), np.float32)))
    floor.fit(returns, frame)
    del owners  # until here their memory was read


def weigh_candidates() -> None:
    """Make the kernels ready that judge candidate slices."""
    one, bins, none = np.ones(1), np.zeros(1, np.int64), np.ones(1, np.float32)
    least = np.full((1, 1, 1, 1), np.inf, np.float32)
    candidates.enter(bins, none, one, one, one, 2.0 * one, one, least)
    candidates.join(least)
    candidates.count(least, least, 0.2, none, bins, none, 0.05, np.zeros((1, 1, 1, 5), np.int64))
    candidates.entering_slopes(bins, one, one, one, none.reshape(1, 1))
    candidates.mark_own(np.ones((1, 3)), np.zeros((0, zones.COLUMNS)), np.zeros(1, np.uint8))


def enter_a_scan() -> None:
    """Make the kernels ready that enter scans into maps."""
    one, odds = np.ones(1), np.zeros(6, np.float32)
    sheet = np.zeros((cells.TILE, cells.TILE), np.uint8)
    cells.mark(sheet.reshape(-1), cells.TILE, 1.5, 1.5, one, 0.0 * one, one, 0.0 * one, one)
    values = np.zeros(sheet.shape, np.float32)
    eights, slots = sheet.view(np.uint64), np.zeros((1, 1), np.int32)
    cells.add(sheet, eights, odds, slots, values, sheet.copy(), np.zeros(4, np.int64))


def carry_a_cloud() -> None:
    """Make the kernels ready that carry returns of a body that moves."""
    still, ones = Motion([0.0, 1.0], [np.eye(4)] * 2), np.ones(2, np.float32)
    carry_cloud(Cloud(ones, ones, ones, time=ones), still, np.eye(4))


class _AfterSweep(Flattener):
    """A flattener that leaves the sweep out; its scans are never handed out."""

    def _run(
        self,
        cloud: Cloud,
        attitude: tuple[float, float] | None,
        motion: Motion | None = None,
        at: float = 0.0,
    ) -> dict[str, Scan]:
        words = self._tables.words  # of no returns
        for kernel in (beams.follow_beams, accept.accept, answer.answer):
            kernel(words)
        return {}


def _count(kernel: Any, which: str) -> int:
    stats = getattr(kernel, "stats", None)  # None with NUMBA_DISABLE_JIT=1
    return sum(getattr(stats, which).values()) if stats is not None else 0
