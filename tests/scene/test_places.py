"""The nursery and the random places: sizes as published, outward normals, room for the robot."""

from __future__ import annotations

import math
import re
import subprocess
import sys

import numpy as np
import pytest
import trimesh

from flatten import scene
from flatten.scene import solids
from flatten.scene.nursery import AISLE, DOCK, KERB, PALLETS, RAMP_TOE, SHADE, YARD, nursery

NURSERY = nursery(4)


def named(pattern: str) -> list[solids.Solid]:
    found = [solid for solid in NURSERY.solids if re.fullmatch(pattern, solid.name)]
    assert found, pattern
    return found


def test_published_sizes() -> None:
    for board in named("bench .* board"):
        assert 0.71 <= board.extent[1] <= 0.865  # ADA/ABA 902.3
    for leg in named("bench .* leg .*"):
        assert 0.02 <= leg.length <= 0.04 and leg.extent[0] == 0.0  # common practice, no source
    for pipe in named(".* pipe .*"):
        assert 1.9 - 1e-3 <= pipe.extent[0] <= 2.1  # flats: the lowest edge may be a sagitta high
    (ramp,) = named("loading ramp")
    assert ramp.height / ramp.length == pytest.approx(1 / 12)  # ADA 4.8.2
    assert named("kerb")[0].extent == (0.0, 0.10)  # Hampshire kerbing guide
    assert (named("pallet 1")[0].length, named("pallet 1")[0].width, named("pallet 1")[0].top) == (
        1.2,
        0.8,
        0.144,
    )
    assert named("dock pit")[0].extent[1] <= -0.5
    for gravel in named("gravel"):
        assert -0.01 <= gravel.extent[0] < -0.0099 and 0.0099 < gravel.extent[1] <= 0.01


@pytest.mark.parametrize("distance", [2, 5, 10])
def test_test_bodies_stand_where_they_are_said_to(distance: int) -> None:
    # ISO 3691-4, from memory: upright Ø70 × 400 mm, lying Ø200 × 600 mm
    upright, lying = named(f"upright body at {distance} m")[0], named(f"lying body at {distance} m")[0]
    assert (upright.radius, upright.extent) == (0.035, (0.0, pytest.approx(0.4)))
    assert (lying.radius, math.dist(lying.start, lying.end)) == (0.1, pytest.approx(0.6))
    for body in (upright, lying):
        middle = np.mean([body.start, body.end], axis=0)[:2]
        assert math.dist(middle, YARD[:2]) == pytest.approx(distance)


def test_solids_are_closed_and_wound_outwards() -> None:
    # trimesh measures volume by the divergence theorem: positive for outward normals
    for solid in (*NURSERY.solids, *scene.random_place(5).solids):
        if isinstance(solid, (solids.Floor, solids.Sheet)):
            continue
        mesh = trimesh.Trimesh(solid.mesh.vertices, solid.mesh.triangles, process=False)
        assert mesh.is_watertight and mesh.volume > 0.0, solid.name
        if isinstance(solid, solids.Cylinder):
            # area of the regular polygon: n/2·sin(2π/n)·r²
            area = 48 * math.sin(2 * math.pi / 96) * solid.radius**2
            assert mesh.volume == pytest.approx(area * math.dist(solid.start, solid.end), rel=1e-9)


@pytest.mark.parametrize("pose", [AISLE, DOCK, KERB, PALLETS, RAMP_TOE, SHADE, YARD])
def test_the_rover_has_room_where_it_stands(pose: tuple[float, float, float]) -> None:
    known = scene.truth(NURSERY, pose, (0, 0, 0.5, 0, 0, 0), (0.05, 1.0), scene.Fan(bins=360))
    assert known.nearest.min() > math.hypot(0.52, 0.405)  # half length and width with its blind zone


@pytest.mark.parametrize("seed", range(20))
def test_random_places_leave_room_for_the_robot(seed: int) -> None:
    place = scene.random_place(seed)
    for solid in place.solids[1:]:
        assert np.hypot(*solid.mesh.vertices[:, :2].T).min() >= 1.2
    known = scene.truth(place, (0, 0, 0), (0, 0, 0.5, 0, 0, 0), (0.01, 3.0), scene.Fan(bins=360), heights=4)
    assert known.nearest.min() >= 1.2
    assert np.isfinite(known.nearest).any()


def test_places_follow_from_their_seed() -> None:
    for build in (scene.random_place, nursery):
        one, again, other = build(3), build(3), build(8)
        for a, b in zip(one.solids, again.solids, strict=True):
            assert a.name == b.name
            np.testing.assert_array_equal(a.mesh.vertices, b.mesh.vertices)
        differ = [
            a.name
            for a, b in zip(one.solids, other.solids, strict=False)
            if a.mesh.vertices.shape != b.mesh.vertices.shape or np.any(a.mesh.vertices != b.mesh.vertices)
        ]
        assert len(differ) > 10


def test_names_are_different() -> None:
    with pytest.raises(ValueError, match="name of its own"):
        scene.Place([solids.post("post", 1, 0, 0.1, 1), solids.post("post", 2, 0, 0.1, 1)])


def test_missing_open3d_is_told_in_one_line() -> None:
    # a fresh interpreter in which the import of open3d fails as if it were not installed
    code = (
        "import sys; sys.modules['open3d'] = None\n"
        "from flatten import scene\n"
        "from flatten.errors import MissingPartError\n"
        "try: scene.random_place(1).raycaster()\n"
        "except MissingPartError as error: print(error)"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert told.count("\n") == 1
    for word in ("pip install 'flatten[desk]'", "libusb-1.0-0", "libgl1", "libegl1", "libx11-6", "libgomp1"):
        assert word in told


def test_import_is_light() -> None:
    heavy = "('open3d', 'matplotlib', 'pypcd4')"
    code = f"import sys; from flatten import scene; print([m for m in {heavy} if m in sys.modules])"
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert told.strip() == "[]"
