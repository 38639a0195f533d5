"""The floor of each frame, fitted to its returns."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.frames import level_from_body
from flatten.kernels import groups
from flatten.kernels.edges import allow, find_edges, join, spread
from flatten.kernels.groups import Edges, Grown, Listed, Rules
from flatten.kernels.grow import NONE, SURE, grow
from flatten.kernels.lines import TALLEST
from flatten.kernels.survey import RINGS, SECTORS, survey
from flatten.kernels.workroom import SINGLES

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
        cell = far / RINGS
        back, front = -0.5 * robot_length - x, 0.5 * robot_length - x
        right, left = -0.5 * robot_width - y, 0.5 * robot_width - y
        near = max(0.0, min(-back, front, -right, left))
        slope = math.tan(math.radians(slope_deg))
        self._rules = Rules(robot_step, slope, drop, cell, near, left, right, back, front)
        middles = first_turn + (np.arange(bins) + 0.5) * (span / bins) + 2.0
        self._places = ((middles * (SECTORS / 4.0) - 0.5) % SECTORS).astype(np.float32)
        self._grown = Grown(
            np.zeros((SECTORS, RINGS), np.float32), np.zeros((SECTORS, RINGS), np.float32),
            np.zeros((SECTORS, RINGS), np.uint8), np.zeros((SECTORS, RINGS), np.uint8),
            np.zeros((6, SECTORS), np.float32), np.zeros(TALLEST + 2, np.int32),
        )  # fmt: skip
        self._edges = Edges(
            np.zeros((SECTORS, RINGS), np.int32), np.zeros(SECTORS, np.float32), np.zeros(2, np.int32)
        )
        self._nodes = np.zeros((SECTORS, RINGS + 1), np.float32)
        self._allowed = self._nodes.copy()
        self._work = np.zeros(SINGLES, np.float32)
        self._head = np.zeros(SECTORS * RINGS, np.int32)
        self._make_room(1024)
        self._memory = memory
        self._last = self._nodes.copy()
        self._age = np.full((SECTORS, RINGS), np.inf, np.float32)
        self.drop_distances = np.full(bins, np.inf, np.float32)
        self.height, self.tilt, self.counts = 0.0, (0.0, 0.0), (0, 0)

    def _make_room(self, n: int) -> None:
        self._listed = Listed(
            self._head, np.zeros(n, np.int32), np.zeros(n, np.float32), np.zeros(n, np.float32)
        )

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
        if returns.n > len(self._listed.next_):
            self._make_room(2 * returns.n)
        rules, grown = self._rules, self._grown
        survey(returns, frame.matrix, rules, self._listed, self._work)
        grow(self._under(attitude), rules, self._listed, grown)
        find_edges(float(frame.level_from_sensor[2, 3]), rules, self._listed, grown, self._edges)
        join(rules, grown, self._nodes)
        self._remember(now_from_last, elapsed)
        self._describe()
        return self._hand_out()

    def _under(self, attitude: tuple[float, float] | None) -> npt.NDArray[np.float32]:
        """Plane that the tracks stand on: (2, SECTORS) its height at the fan's origin, its slope outward."""
        up = level_from_body(*(attitude or (0.0, 0.0)))[:3, 2]
        along_x, along_y = -up[0] / max(up[2], 0.1), -up[1] / max(up[2], 0.1)
        turn = (np.arange(SECTORS) + 0.5) * (2 * math.pi / SECTORS) - math.pi
        height = along_x * self._origin[0] + along_y * self._origin[1]
        slope = along_x * np.cos(turn) + along_y * np.sin(turn)
        return np.stack([np.full(SECTORS, height), slope]).astype(np.float32)

    def _remember(self, now_from_last: npt.NDArray[Any] | None, elapsed: float) -> None:
        """Where no floor is seen, keep what was seen of it in one of the last frames."""
        if now_from_last is None:
            self._age[:] = np.inf
        else:
            self._last, self._age = moved(self._last, self._age, self._rules.cell, now_from_last)
            self._age += elapsed
        state = self._grown.state
        kept = (state == NONE) & (self._age <= self._memory)
        self._age = np.where(state != NONE, 0.0, self._age).astype(np.float32)
        beside = np.zeros((SECTORS, RINGS + 1), bool)
        beside[:, :-1] |= kept
        beside[:, 1:] |= kept
        own = np.zeros_like(beside)
        own[:, :-1] |= state != NONE
        own[:, 1:] |= state != NONE
        np.copyto(self._nodes, self._last, where=beside & ~own)
        state[kept] = SURE
        self._last = self._nodes.copy()

    def _describe(self) -> None:
        """Fit a plane to the known floor about the robot, and tell what was counted."""
        rings = max(1, min(RINGS, int(NEAR / self._rules.cell)))
        turn = (np.arange(SECTORS) + 0.5) * (2 * math.pi / SECTORS) - math.pi
        r = (np.arange(rings) + 0.5) * self._rules.cell
        z = 0.5 * (self._nodes[:, :rings] + self._nodes[:, 1 : rings + 1])
        weight = (self._grown.state[:, :rings] != NONE) * r
        x, y = np.cos(turn)[:, None] * r, np.sin(turn)[:, None] * r
        a = np.stack([x, y, np.ones_like(x)], axis=-1).reshape(-1, 3)
        w = weight.reshape(-1, 1)
        normal = a.T @ (w * a) + 1e-9 * np.eye(3)  # nothing known: level
        along_x, along_y, self.height = np.linalg.solve(normal, (a.T @ (w[:, 0] * z.reshape(-1)))).tolist()
        # REP 103: roll > 0 left side up, pitch > 0 nose down
        self.tilt = (math.atan(along_y), -math.atan(along_x))
        on, below = self._edges.tally.tolist()
        self.counts = (on, below)

    def _hand_out(self) -> groups.Ground:
        allow(self._rules, self._grown.state, self._nodes, self._allowed)
        bins, scale = len(self._places), 1.0 / self._rules.cell
        heights = np.empty((bins, RINGS + 1), np.float32)
        known = np.empty((bins, RINGS), np.uint8)
        lowest, highest, steepest = spread(
            self._places, self._allowed, self._grown.state, scale, heights, known
        )
        nearest = np.floor(self._places + 0.5).astype(np.int64) % SECTORS
        self.drop_distances = self._edges.drops[nearest]
        return groups.Ground(heights, known, scale, lowest, highest, steepest)


def moved(
    nodes: npt.NDArray[np.float32], age: npt.NDArray[Any], cell: float, now_from_last: npt.NDArray[Any]
) -> tuple[npt.NDArray[np.float32], npt.NDArray[Any]]:
    """Bring heights at whole cells (sectors, rings + 1) and the cells' ages to where the robot is now."""
    last_from_now = np.linalg.inv(now_from_last)
    turn = (np.arange(SECTORS) + 0.5) * (2 * math.pi / SECTORS) - math.pi

    def places(r: npt.NDArray[Any]) -> tuple[Any, Any]:
        xy = np.stack([np.cos(turn)[:, None] * r, np.sin(turn)[:, None] * r], axis=-1)
        x, y = np.moveaxis(xy @ last_from_now[:2, :2].T + last_from_now[:2, 3], -1, 0)
        sector = ((np.arctan2(y, x) + math.pi) * (SECTORS / (2 * math.pi))).astype(int) % SECTORS
        return sector, np.hypot(x, y) / cell

    s, u = places(np.arange(RINGS + 1) * cell)
    k = np.minimum(u.astype(int), RINGS - 1)
    w = np.minimum(u - k, 1.0)
    heights = nodes[s, k] + w * (nodes[s, k + 1] - nodes[s, k]) + now_from_last[2, 3]
    s, u = places((np.arange(RINGS) + 0.5) * cell)
    ages = np.where(u < RINGS, age[s, np.minimum(u.astype(int), RINGS - 1)], np.inf)
    return heights.astype(np.float32), ages.astype(np.float32)
