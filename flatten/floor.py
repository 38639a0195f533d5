"""The floor of each frame, fitted to its returns."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.frames import level_from_body
from flatten.kernels import groups
from flatten.kernels.groups import Cells, Edges, Listed, Rings, Rules, Surface
from flatten.kernels.outward import FLOOR
from flatten.kernels.settling import fit_floor
from flatten.kernels.survey import PART, SECTORS
from flatten.kernels.workroom import SINGLES

CELLS = 64
"""Cells of what is handed out, over the reach."""
NEAR = 3.0
"""Metres of floor about the robot that `height` and `tilt` tell of."""


class Floor:
    """Fits the floor, frame after frame; where nothing is seen of it, it is remembered or continued.

    Parameters
    ----------
    robot_step, robot_length, robot_width, drop:
        What it climbs, its outline, and how far down is a way down; metres.
    slope_deg:
        The steepest floor, degrees.
    far:
        The reach, metres.
    bins, first_turn, span:
        The fan, first edge and width in quarter turns.
    fan_origin:
        x and y of the fan's origin in the body frame, metres.
    memory:
        How long floor that is not seen any more is remembered, seconds.

    After `fit`: `drop_distances` (bins,) float32 distance to the nearest way down from the fan's origin, inf
    without one; `height` (m, level frame) and `tilt` (roll, pitch in radians, REP 103) of the floor about the
    robot, over what is known of it; `counts` of returns on the floor and below it.
    """

    def __init__(
        self,
        robot_step: float,
        robot_length: float,
        robot_width: float,
        drop: float,
        slope_deg: float,
        far: float,
        bins: int,
        first_turn: float,
        span: float,
        fan_origin: tuple[float, float] = (0.0, 0.0),
        memory: float = 1.0,
    ) -> None:
        self._origin = x, y = fan_origin
        back, front = -0.5 * robot_length - x, 0.5 * robot_length - x
        right, left = -0.5 * robot_width - y, 0.5 * robot_width - y
        self._rules = Rules(
            robot_step, math.tan(math.radians(slope_deg)), drop, far, left, right, back, front
        )
        self._rings = rings_to(far)
        k = len(self._rings.middles)
        self._cells, self._surface, self._edges = cells_of(k), surface_of(k), edges_of(k)
        middles = first_turn + (np.arange(bins) + 0.5) * (span / bins) + 2.0
        self._places = ((middles * (SECTORS / 4.0) - 0.5) % SECTORS).astype(np.float32)
        self._nodes = np.zeros((SECTORS + 3, CELLS + 1), np.float32)
        self._heights = np.zeros((bins, CELLS + 1), np.float32)
        self._known = np.zeros((bins, CELLS), np.uint8)
        self._work = np.zeros(SINGLES, np.float32)
        self._memory = memory
        turn = (np.arange(SECTORS) + 0.5) * (2 * math.pi / SECTORS) - math.pi
        self._ways = np.cos(turn), np.sin(turn)
        near = int(np.searchsorted(self._rings.middles, NEAR))
        self._near = r = self._rings.middles[:near, None]
        x, y = np.cos(turn) * r, np.sin(turn) * r
        self._near_places = np.stack([x, y, np.ones_like(x)], axis=-1).reshape(-1, 3)
        self._listed = listed_of(1024)
        self.drop_distances = np.full(bins, np.inf, np.float32)
        self.height, self.tilt, self.counts = 0.0, (0.0, 0.0), (0, 0)

    def fit(
        self,
        returns: groups.Returns,
        frame: groups.Frame,
        now_from_last: npt.NDArray[Any] | None = None,
        elapsed: float = 0.0,
        attitude: tuple[float, float] | None = None,
    ) -> groups.Ground:
        """Fit the floor to one cloud (see `flatten.returns.lay_out`), whose memory must be held alive.

        `now_from_last` (4, 4) float64 brings what was in the level frame of the last call to that of this
        one; None if that is not known: then nothing is remembered. `elapsed` is the time between, seconds.
        `attitude` is the (roll, pitch) in radians that the frame was made with: the tracks stand on a plane
        that leans as the body does; None where that is level.
        """
        if returns.n > len(self._listed.r):
            self._listed = listed_of(2 * returns.n)
        surface, top = self._surface, float(frame.level_from_sensor[2, 3])
        known = now_from_last is not None and elapsed <= self._memory
        moved = np.asarray(now_from_last, np.float64) if known else np.eye(4)
        keep = 0.5 ** (elapsed / self._memory) if known and self._memory > 0.0 else 0.0
        lowest, highest, steepest = fit_floor(
            returns, frame.matrix, self._under(attitude), moved, np.asarray(np.linalg.inv(moved), np.float64),
            elapsed if known else math.inf, self._memory, keep, top, self._rules, self._rings, self._listed,
            self._cells, surface, self._edges, self._work, self._places, self._nodes, self._heights,
            self._known,
        )  # fmt: skip
        self._describe()
        nearest = np.floor(self._places + 0.5).astype(np.int64) % SECTORS
        self.drop_distances = self._edges.drops[nearest]
        scale = CELLS / self._rules.far
        return groups.Ground(self._heights, self._known, scale, lowest, highest, steepest)

    def _under(self, attitude: tuple[float, float] | None) -> npt.NDArray[np.float64]:
        """Plane that the tracks stand on: (2, SECTORS) its height at the fan's origin, its slope outward."""
        up = level_from_body(*(attitude or (0.0, 0.0)))[:3, 2]
        along_x, along_y = -up[0] / max(up[2], 0.1), -up[1] / max(up[2], 0.1)
        height = along_x * self._origin[0] + along_y * self._origin[1]
        slope = along_x * self._ways[0] + along_y * self._ways[1]
        return np.stack([np.full(SECTORS, height), slope])

    def _describe(self) -> None:
        """Fit a plane to the known floor about the robot, and tell what was counted."""
        a, r = self._near_places, self._near
        z = self._surface.height[: len(r)]
        weight = (self._surface.state[: len(r)] == FLOOR) * r
        w = weight.reshape(-1, 1)
        normal = a.T @ (w * a) + 1e-9 * np.eye(3)  # nothing known: level
        along_x, along_y, self.height = np.linalg.solve(normal, (a.T @ (w[:, 0] * z.reshape(-1)))).tolist()
        # REP 103: roll > 0 left side up, pitch > 0 nose down
        self.tilt = (math.atan(along_y), -math.atan(along_x))
        on, below = self._surface.tally.tolist()
        self.counts = (on, below)


def rings_to(far: float) -> Rings:
    """Cut the reach into rings that grow with the distance, of whole PARTs."""
    edges = [0.0]
    while edges[-1] < far:
        width = min(1.0, max(0.2, 0.012 * edges[-1] ** 2))
        edges.append(edges[-1] + PART * round(width / PART))
    cut = np.array(edges)
    places = (np.arange(round(cut[-1] / PART) + 1) + 0.5) * PART
    ring_at: npt.NDArray[np.int32] = np.minimum(
        np.searchsorted(cut, places, side="right") - 1, len(cut) - 2, dtype=np.int32, casting="unsafe"
    )
    return Rings(cut, 0.5 * (cut[1:] + cut[:-1]), ring_at)


def listed_of(n: int) -> Listed:
    """Room for n returns."""
    return Listed(np.zeros(n, np.int32), *(np.zeros(n, np.float32) for _ in range(3)))


def cells_of(k: int) -> Cells:
    """Room for k rings of cells."""

    def room() -> npt.NDArray[np.float32]:
        return np.zeros((k, SECTORS), np.float32)

    flat = k * SECTORS
    return Cells(
        n=np.zeros((k, SECTORS), np.int32), low=room(), low_r=room(), low_aside=room(), high=room(),
        high_r=room(), next_=room(), next_r=room(), next_aside=room(), on=np.zeros(flat, np.int32),
        off=np.zeros(flat, np.int32),
    )  # fmt: skip


def surface_of(k: int) -> Surface:
    """Room for a surface of k rings."""
    shape = (k, SECTORS)
    return Surface(
        height=np.zeros(shape), outward=np.zeros(shape), across=np.zeros(shape),
        state=np.zeros(shape, np.uint8), broken=np.zeros(shape, np.uint8),
        target=np.zeros(shape), weight=np.zeros(shape), room=np.zeros((5, *shape)),
        planes=np.zeros((4, k * SECTORS), np.float32),
        past=np.full((4, *shape), np.inf, np.float32), recalled=np.full(shape, np.inf, np.float32),
        highest=np.zeros(shape), ring=np.zeros((2, SECTORS + 2)), tally=np.zeros(2, np.int32),
    )  # fmt: skip


def edges_of(k: int) -> Edges:
    """Room for the edges of k rings."""
    shape = (k, SECTORS)
    return Edges(
        np.zeros(shape, np.int32), np.zeros(shape), np.zeros(shape), np.zeros(shape, np.float32),
        np.zeros(shape, np.float32), np.zeros((4, SECTORS), np.float32), np.full(SECTORS, np.inf, np.float32),
    )  # fmt: skip
