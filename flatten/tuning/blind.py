"""Blind zones from recorded clouds: own returns, a few bodies around them, and what these cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from flatten.cloud import Cloud
from flatten.errors import TuningError
from flatten.motion import Motion
from flatten.profile import BlindZone, Profile
from flatten.tuning.bodies import Body, around, bodies, contains, free_name, zone_volume
from flatten.tuning.hidden import Effect, Trial
from flatten.tuning.near import Numbers
from flatten.tuning.own import Own, Part, Watch

REACH = 0.3
"""Metres beyond the declared hull in which own parts are looked for."""
MARGIN = 0.03
"""Metres around own returns: three times the range noise of the class, 10 mm (common practice)."""
MOST_HIDDEN = 0.4
"""Share of the bins of a slice that one zone may silence; decks close under a sensor take a third."""
TRIED = 12
"""Clouds of the recording that are flattened to see what zones hide."""
FEWEST_OWN = 20
"""Own returns in all clouds, fewer are nothing to propose by."""
DRIVEN, TURNED = 0.5, np.radians(30.0)
"""Metres, or radians, from which on poses say that the robot moved."""


@dataclass(frozen=True)
class Proposal:
    """A zone that is proposed, or was left out."""

    body: Body
    effect: Effect
    others: int
    """Returns of anything else, at the robot, that it swallows; of all clouds."""
    moving: bool = False
    refused: str = ""
    """Why it is not proposed; empty where it is."""


@dataclass(frozen=True)
class Blind:
    """What was found, and what is proposed."""

    own: Own
    proposals: tuple[Proposal, ...]
    kept: tuple[BlindZone, ...]
    """Zones of the profile that stay."""
    covered: float
    """Share of all own returns that lie in kept or proposed zones."""
    effect: Effect
    """Of all proposed zones together, beside the kept ones."""
    tried: int
    """Clouds that were flattened for it."""
    reach: float
    margin: float

    @property
    def zones(self) -> tuple[BlindZone, ...]:
        """All zones of the new profile."""
        return (*self.kept, *(part.body.zone for part in self.proposals if not part.refused))


class BlindFinder:
    """Looks at the clouds of one recording, then proposes blind zones.

    Parameters
    ----------
    profile:
        Robot, mount, slices and fan; its own zones stay unless `replace`.
    reach:
        Metres beyond the declared hull in which own parts are looked for: what lies farther never counts.
    poses:
        Poses of the recording, if there are some: they settle whether the robot moved.
    replace:
        Leave the profile's zones out, and propose anew.
    clouds:
        How many clouds will be looked at: a few of them are kept for trying zones out.

    """

    def __init__(
        self, profile: Profile, *, reach: float = REACH, poses: Motion | None = None,
        replace: bool = False, clouds: int = TRIED,
    ) -> None:  # fmt: skip
        self._profile, self._reach = profile, reach
        self._watch = Watch(profile, reach, None if poses is None else has_moved(poses))
        self._kept = () if replace else profile.blind_zones
        self._wanted = {int(k) for k in np.linspace(0, clouds - 1, min(TRIED, clouds))}
        self._looked = 0
        self._clouds: list[Cloud] = []

    def look(self, cloud: Cloud, name: str = "") -> None:
        """Take the next cloud; TuningError for one in millimetres or with hardly any returns."""
        self._watch.look(cloud, name)
        if self._looked in self._wanted:
            self._clouds.append(cloud)
        self._looked += 1

    def find(
        self, *, margin: float = MARGIN, most_hidden: float = MOST_HIDDEN, with_moving: bool = False
    ) -> Blind:
        """Propose zones, none of which silences more than `most_hidden` of a slice's bins.

        Silenced is a bin that told something (HIT, CLEAR, TOO_NEAR) without the zone and is BLOCKED with it.

        With `with_moving` parts that move get zones, too, around all that they were seen to sweep.
        Raises TuningError where nothing is the robot's own, and where every zone hides too much.
        """
        own = self._watch.find()
        if len(own.returns) < FEWEST_OWN and not (own.parts and with_moving):
            raise TuningError(nothing_own(own, self._reach))
        trial = Trial(self._profile, self._clouds, self._kept)
        made = self._bodies(own, margin, with_moving)
        zones = [body.zone for body, _ in made]
        proposals = [
            self._judged(
                body,
                moving,
                own,
                trial.of([body.zone], [z for z in zones if z is not body.zone]),
                most_hidden,
            )
            for body, moving in made
        ]
        good = [part.body.zone for part in proposals if not part.refused]
        if proposals and not good:
            raise TuningError(f"nothing is proposed: {proposals[0].refused}")
        return Blind(
            own, tuple(proposals), self._kept, self._covered(own.returns, good), trial.of(good),
            len(self._clouds), self._reach, margin,
        )  # fmt: skip

    def _bodies(self, own: Own, margin: float, with_moving: bool) -> list[tuple[Body, bool]]:
        """Bodies around what no kept zone holds, then around parts that move, where asked."""
        robot, mount = self._profile.robot, self._profile.mount
        names = [zone.name for zone in self._kept]
        left = ~self._held(own.returns)
        made: list[tuple[Body, bool]] = []
        if left.any():
            voxels = own.space.voxels(own.returns[left])
            low, high = _corners_of(own.returns[left], voxels)
            hull = robot.length, robot.width, robot.height
            made += [
                (body, False) for body in bodies(own.returns[left], low, high, mount, hull, margin, names)
            ]
        names += [body.zone.name for body, _ in made]
        for part in own.parts if with_moving else ():
            zone = around(part.returns, mount, margin, free_name("moving", set(names)))
            names.append(zone.name)
            made.append((Body(zone, int(contains(zone, part.returns, mount).sum()), zone_volume(zone)), True))
        return made

    def _judged(self, body: Body, moving: bool, own: Own, effect: Effect, most_hidden: float) -> Proposal:
        others = int(contains(body.zone, own.others, self._profile.mount).sum())
        refused = ""
        if effect.worst.lost > most_hidden:
            refused = (
                f"zone {body.zone.name!r} silences {100 * effect.worst.lost:.0f} % of the bins of slice "
                f"{effect.worst.slice}, at most {100 * most_hidden:.0f} % are allowed (--most-hidden)"
            )
        return Proposal(body, effect, others, moving, refused)

    def _held(self, points: Numbers) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        held = np.zeros(len(points), bool)
        for zone in self._kept:
            held |= contains(zone, points, self._profile.mount)
        return held

    def _covered(self, points: Numbers, zones: Sequence[BlindZone]) -> float:
        held = self._held(points)
        for zone in zones:
            held |= contains(zone, points, self._profile.mount)
        return float(held.mean()) if len(held) else 1.0


def _corners_of(
    points: Numbers, voxels: np.ndarray[tuple[int], np.dtype[np.int64]]
) -> tuple[Numbers, Numbers]:
    """Corners (K, 3) of the points in each voxel that holds some."""
    kinds, number = np.unique(voxels, return_inverse=True)
    low = np.full((len(kinds), 3), np.inf)
    high = -low
    np.minimum.at(low, number, points)
    np.maximum.at(high, number, points)
    return low, high


def has_moved(poses: Motion) -> bool:
    """Tell by poses whether a robot drove or turned far enough for its surroundings to change."""
    driven, turned = way_of(poses)
    return bool(driven > DRIVEN or turned > TURNED)


def way_of(poses: Motion) -> tuple[float, float]:
    """Greatest distance (m) and angle (rad) of any pose from the first."""
    matrices = poses.matrices(poses.seconds)
    driven = np.linalg.norm(matrices[:, :3, 3] - matrices[0, :3, 3], axis=1)
    cosines = (np.einsum("kij,ij->k", matrices[:, :3, :3], matrices[0, :3, :3]) - 1.0) / 2.0
    return float(driven.max()), float(np.arccos(np.clip(cosines, -1.0, 1.0)).max())


def nothing_own(own: Own, reach: float) -> str:
    """Why nothing can be proposed."""
    if own.moved:
        return (
            f"nothing is the robot's own: over {own.places} places no return within {reach:g} m of the "
            "declared hull stayed put: the sensor does not see its robot, or robot and mount in the profile "
            "are wrong"
        )
    return (
        "nothing to go by: the robot did not move (its surroundings stay the same) and no return lies in "
        "the declared hull: drive and turn while recording, or correct robot and mount in the profile"
    )


def find_zones(
    clouds: Sequence[Cloud], profile: Profile, *, reach: float = REACH, margin: float = MARGIN,
    most_hidden: float = MOST_HIDDEN, replace: bool = False, with_moving: bool = False,
) -> Blind:  # fmt: skip
    """Propose blind zones by the clouds of one recording; see `BlindFinder`."""
    finder = BlindFinder(profile, reach=reach, replace=replace, clouds=len(clouds))
    for cloud in clouds:
        finder.look(cloud)
    return finder.find(margin=margin, most_hidden=most_hidden, with_moving=with_moving)


__all__ = ["Blind", "BlindFinder", "Part", "Proposal", "find_zones"]
