"""A profile held against drives that are known to the digit: what is told, and what is not.

Forty unmoved drives and forty of each other kind: `python -m benchmarks recheck`.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmarks import recheck as drives
from flatten import Motion, TuningError, frames
from flatten.motion import Stamped
from flatten.scene import drive
from flatten.tuning import recheck_words
from flatten.tuning.recheck import Allowed, Rechecked, Rechecker

EVERY = 20
"""15 frames of a drive."""
SEED = 7


def found(case: str) -> tuple[drives.SetUp, Rechecked]:
    made = drives.set_up(case, SEED)
    return made, drives.rechecked(made, EVERY)


@pytest.fixture(scope="module")
def unmoved() -> tuple[drives.SetUp, Rechecked]:
    return found("unmoved")


@pytest.fixture(scope="module")
def remount() -> tuple[drives.SetUp, Rechecked]:
    return found("remount")


def by_name(told: Rechecked) -> dict[str, float]:
    return {part.name: part.by for part in told.moved}


def test_what_has_not_moved_passes(unmoved: tuple[drives.SetUp, Rechecked]) -> None:
    """To 0.06° and 6 mm: five times the errors that 15 frames of this drive have."""
    _, told = unmoved
    assert told.passes and told.mount_passes and told.zones_pass
    assert set(by_name(told)) == {"roll", "pitch", "z", "yaw"}
    assert all(abs(by) < math.radians(0.06) for name, by in by_name(told).items() if name != "z")
    assert abs(by_name(told)["z"]) < 0.006
    assert all(part.declared.leak < 0.002 for part in told.slices)
    assert told.bare.own > 3000 and told.bare.per_cloud < 0.2 and not told.bare.parts
    assert recheck_words.report(told).endswith("PASSES: the profile still holds")
    assert "FAILS" not in recheck_words.report(told)


def test_half_a_degree_is_told(remount: tuple[drives.SetUp, Rechecked]) -> None:
    made, told = remount
    assert not told.passes and not told.mount_passes and told.zones_pass
    known = {name: getattr(made.mount, name) for name in ("roll", "pitch", "yaw", "z")}
    for part in told.moved:
        off = part.now - known[part.name]
        assert abs(math.remainder(off, math.tau)) < (0.006 if part.name == "z" else math.radians(0.06))
    words = recheck_words.report(told)
    assert "the sensor has moved; next: `flatten mount`" in words.splitlines()[-1]
    assert "level floor gets in from" in words or "are missed from" in words


def test_from_where_it_matters_is_where_the_plane_says(remount: tuple[drives.SetUp, Rechecked]) -> None:
    """0.5°: the floor rises by tan 0.5° to one side, known to 0.06°."""
    _, told = remount
    assert math.degrees(math.atan(told.seeming.slope)) == pytest.approx(0.5, abs=0.06)


def test_a_hair_passes() -> None:
    _, told = found("hair")
    assert told.passes


def test_what_was_bolted_on_is_told_where_it_is() -> None:
    made, told = found("bolted on")
    assert told.mount_passes and not told.zones_pass and not told.passes
    box = made.robot[-1]
    low, high = box.mesh.vertices.min(axis=0), box.mesh.vertices.max(axis=0)
    (part, *_rest) = told.bare.parts
    assert (part.low > low - 0.05).all() and (part.high < high + 0.05).all()  # five sigma of noise
    assert "`flatten blind`" in recheck_words.verdict(told)
    values = recheck_words.plain(told)
    assert values["passes"] is False and values["zones"]["parts"][0]["returns"] == part.returns
    assert values["mount"]["roll"]["passes"] is True


def look(case: str, allowed: Allowed, frames_taken: range, poses: bool, **how: object) -> Rechecked:
    made = drives.set_up(case, SEED)
    rechecker = Rechecker(made.profile, allowed, **how)
    motion = Motion(*drive.drive_poses(drives._course(), SEED))
    shots = drive.drive_frames(
        made.mount, robot=made.robot, seed=SEED, frames=frames_taken, place=drives._place(SEED),
        course=drives._course(),
    )  # fmt: skip
    for shot in shots:
        taken = motion.for_frame(Stamped(1.0, shot.stamp), shot.stamp + drives.HALF) if poses else None
        rechecker.look(shot.cloud, f"{shot.index}", taken)
    return rechecker.find()


def test_a_stand_without_poses_tells_all_but_yaw() -> None:
    """The three seconds before the rover sets off."""
    told = look("unmoved", Allowed(), range(0, 28, 7), poses=False)
    assert told.passes and "yaw" not in by_name(told) and not told.bare.moved
    assert "yaw is not told: only a drive with poses tells it" in recheck_words.report(told)


def test_what_cannot_be_known_so_well_is_refused() -> None:
    with pytest.raises(TuningError, match=r"roll is known to .* ° only, and 0.001 ° are allowed"):
        look("unmoved", Allowed(tilt=math.radians(0.001)), range(0, 28, 14), poses=False)


def test_a_pose_without_times_of_returns_is_enough() -> None:
    """A robot that leans by 2° as it stands: the attitude of the pose is taken out."""
    made = drives.set_up("unmoved", SEED)
    shots = list(drive.drive_frames(
        made.mount, robot=made.robot, seed=SEED, frames=range(0, 28, 7), place=drives._place(SEED),
        course=drives._course(),
    ))  # fmt: skip
    leaning = frames.transform(frames.rotation(0.0, math.radians(2.0), 0.0), (0.0, 0.0, 0.0))
    rechecker = Rechecker(made.profile)
    for shot in shots:
        rechecker.look(shot.cloud, "", pose=leaning)
    told = rechecker.find()
    assert math.degrees(by_name(told)["pitch"]) == pytest.approx(-2.0, abs=0.06)


def test_clouds_that_tell_nothing_are_refused() -> None:
    rechecker = Rechecker(drives.set_up("unmoved", SEED).profile)
    with pytest.raises(TuningError, match="no clouds given"):
        rechecker.find()


def test_angles_are_compared_the_shorter_way(unmoved: tuple[drives.SetUp, Rechecked]) -> None:
    _, told = unmoved
    (roll, *_) = told.moved
    over = roll._replace(declared=math.pi - 0.001, now=-math.pi + 0.001)
    assert over.by == pytest.approx(0.002)
    assert "-179.943°" in recheck_words._row(over) and "+0.115°" in recheck_words._row(over)
    assert np.isfinite(told.seeming.bearing)
