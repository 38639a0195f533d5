"""The whole way, through the library's face."""

from __future__ import annotations

import threading
import weakref
from typing import Any

import numpy as np
import pytest

import flatten
import flatten.flattener as house
from flatten import AttitudeError, Cloud, CloudError, Flattener, FlattenError, State, frames, plan
from flatten.scan import FIELDS
from tests.conftest import assert_scans_equal, level_profile, make_profile


def flat(points: object, attitude: tuple[float, float] | None = None, **sections: object) -> flatten.Scan:
    """Flatten points given about the fan's origin, heights above the floor, with the sensor 0.5 m up."""
    xyz = np.asarray(points, np.float64).reshape(-1, 3) - [0.0, 0.0, 0.5]
    return Flattener(level_profile(**sections)).flatten(xyz, attitude)["drive"]


def test_one_return_one_hit() -> None:
    scan = flat([[3.0, 4.0, 0.5]])
    k = int((np.degrees(np.arctan2(4, 3)) + 180) / 0.25)
    assert scan.states[k] == State.HIT and (scan.states == State.HIT).sum() == 1
    assert scan.ranges[k] == 5.0 and scan.hits[k] == 1 and scan.heights[k] == np.float32(0.5)
    assert abs(scan.bearings[k] - np.arctan2(4, 3)) <= np.radians(0.125) + 1e-6
    assert scan.counts[:4] == (1, 0, 0, 1)


@pytest.mark.parametrize(
    ("x", "y", "k"),
    [(1, 0, 2), (0, 1, 3), (-1, 0.0, 0), (-1, -0.0, 0), (0, -1, 1), (-1, 1e-9, 3), (-1, -1e-9, 0)],
)
def test_axes_and_both_sides_of_pi_fall_into_their_bins(x: float, y: float, k: int) -> None:
    scan = flat([[x, y, 0.5]], fan={"first": -180, "last": 180, "bins": 4})
    assert np.flatnonzero(scan.states == State.HIT).tolist() == [k]


@pytest.mark.parametrize(
    ("first", "last", "x", "y", "k"),
    [
        (90, 270, 0, 1, 0), (90, 270, -1, 0, 2), (90, 270, 0, -1, None), (90, 270, 1, 0, None),
        (-90, 90, 0, -1, 0), (-90, 90, 0, 1, None), (0, 360, 1, -1e-12, 3), (0, 360, 1, 0, 0),
        (-360, 0, 1, 0, 0), (-360, -180, 0, 1, 2), (270, 360, 1, -1, 2), (350, 360, 1, -0.01, 3),
    ],
)  # fmt: skip
def test_fans_of_any_span(first: float, last: float, x: float, y: float, k: int | None) -> None:
    scan = flat([[x, y, 0.5]], fan={"first": first, "last": last, "bins": 4})
    assert np.flatnonzero(scan.states == State.HIT).tolist() == ([] if k is None else [k])
    assert scan.bearings[0] == np.float32(np.radians(first + (last - first) / 8))


@pytest.mark.parametrize(
    ("height", "state"), [(0.08, 1), (np.nextafter(0.08, 0), 0), (1.03, 0), (np.nextafter(1.03, 0), 1)]
)
def test_a_slice_is_closed_below_and_open_above(height: float, state: int) -> None:
    profile = make_profile(mount={})  # the sensor's axes are the body's: no arithmetic on the height
    scan = Flattener(profile).flatten(np.array([[2.0, 0.0, height]]))["drive"]
    assert scan.states[720] == state


def test_rise_lifts_the_bottom_with_distance() -> None:
    slices = {"drive": {"bottom": 0.1, "top": 1.0, "rise": 0.02}}
    scan = flat([[5, 0, 0.19], [-5, 0.01, 0.21]], slices=slices)
    assert np.flatnonzero(scan.states == State.HIT).tolist() == [1439]


@pytest.mark.parametrize(
    ("r", "state"),
    [(0.3, 1), (np.nextafter(0.3, 0), 3), (25.0, 1), (np.nextafter(25.0, 30), 0), (1e6, 0), (0.01, 3)],
)
def test_reach_is_inclusive_at_both_ends(r: float, state: int) -> None:
    scan = flat([[r, 0, 0.5]])
    assert scan.states[720] == state
    assert not (scan.ranges > np.float32(25.0)).any(where=np.isfinite(scan.ranges))


@pytest.mark.parametrize("far", [0.7, 8.1, 9.3, 19.9, 25.3])
def test_no_range_above_far_after_rounding(far: float) -> None:
    scan = flat([[far, 0, 0.5]], reach={"near": 0.1, "far": far}, clear=False)
    assert scan.states[720] == State.HIT
    assert float(scan.ranges[720]) <= far


def test_nearest_too_near_wins_and_farthest_keeps_the_wall() -> None:
    slices = {
        "drive": {"bottom": 0.1, "top": 1.0},
        "walls": {"bottom": 0.1, "top": 1.0, "pick": "farthest"},
    }
    xyz = np.array([[0.1, 0, 0], [2, 0, 0], [7, 0, 0], [30, 0, 0]])
    out = Flattener(level_profile(slices=slices)).flatten(xyz)
    assert out["drive"].states[720] == State.TOO_NEAR and out["drive"].ranges[720] == -np.inf
    assert out["walls"].ranges[720] == 7 and out["walls"].hits[720] == 2
    only_near = Flattener(level_profile(slices=slices)).flatten(xyz[:1])["walls"]
    assert only_near.states[720] == State.TOO_NEAR


def test_min_hits_wants_company_in_depth_and_beside() -> None:
    slices = {"drive": {"bottom": 0.1, "top": 1.0, "min_hits": 3, "within": 0.5}}
    beside = np.radians(0.25)
    lone, trio = [2.0, 0.0, 0.5], [[4.0, 0.001, 0.5], [4.2, 4.2 * beside + 0.001, 0.5], [4.5, -0.001, 0.5]]
    scan = flat([lone, *trio], slices=slices)
    assert scan.ranges[720] == pytest.approx(4.0) and (scan.states == State.HIT).sum() == 1
    apart = flat([lone, *trio[:2], [4.51, -0.001, 0.5]], slices=slices)
    assert (apart.states == State.HIT).sum() == 0


def test_min_hits_counts_before_the_reach() -> None:
    slices = {"drive": {"bottom": 0.1, "top": 1.0, "min_hits": 2, "within": 0.5}}
    scan = flat([[24.9, 0.01, 0.5], [25.1, 0.01, 0.5]], slices=slices)
    assert scan.states[720] == State.HIT and scan.hits[720] == 1


def test_blind_zones_have_inclusive_borders_and_say_blocked() -> None:
    zones = [
        {"name": "hull", "box": {"x": [-0.5, 0.5], "y": [-0.25, 0.25], "z": [0.0, 0.5]}},
        {"name": "mast", "sector": {"first": 90, "last": 180, "far": 2.0, "z": [0.25, 0.5]}},
        {"name": "lamp", "cylinder": {"x": 4.0, "y": 0.0, "radius": 0.5, "z": [0.0, 1.0]}},
    ]
    points = [
        [0.5, 0.25, 0.5], [0.0, 2.0, 0.25], [-2.0, 0.0, 0.5], [3.5, 0.0, 0.5],
        [0.0, 2.0, 0.24], [-2.0, -0.01, 0.5], [3.4999, 0.0, 0.5],
    ]  # fmt: skip
    scan = flat(points, blind_zones=zones)
    assert scan.counts.swallowed == 4
    assert scan.ranges[720] == np.float32(3.4999)
    assert sorted(scan.states[scan.states > 0].tolist()) == [1, 1, 1, 4, 4]


def test_attitude_turns_the_world_level_and_leaves_the_fan_where_it_is() -> None:
    profile = make_profile()
    wall = np.array([[6.0, y, z] for y in np.linspace(-1, 1, 41) for z in np.linspace(0.1, 1.0, 10)])
    roll, pitch = 0.06, -0.09
    body = wall @ frames.level_from_body(roll, pitch)[:3, :3]
    sensor = (body - [0.34, -0.09, 0.61]) @ plan.mount_transform(profile.mount)[:3, :3]
    scan = Flattener(profile).flatten(sensor, (roll, pitch))["drive"]
    hit = scan.states == State.HIT
    np.testing.assert_allclose(scan.ranges[hit] * np.cos(scan.bearings[hit]), 6.0 - 0.34, atol=0.003)
    assert hit.sum() >= 41
    ignored = Flattener(make_profile(level="body"))
    assert_scans_equal(ignored.flatten(sensor, (roll, pitch)), ignored.flatten(sensor))


@pytest.mark.parametrize(
    "attitude", [(0.0,), (0.0, 0.0, 0.0), ("a", 0.0), (np.nan, 0.0), (0.0, np.inf), 5, (2.0, 12.0)]
)
def test_bad_attitudes_are_one_clear_line(attitude: object) -> None:
    with pytest.raises(AttitudeError, match="radians") as caught:
        Flattener(level_profile()).flatten(np.zeros((0, 3)), attitude)  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)


def test_empty_cloud_is_a_frame_in_which_nothing_is_known() -> None:
    scan = Flattener(level_profile()).flatten(np.zeros((0, 3)))["drive"]
    assert (scan.states == State.UNSEEN).all() and np.isnan(scan.ranges).all()
    assert scan.counts[:4] == (0, 0, 0, 0)


def test_nan_inf_and_zero_returns_are_skipped_and_counted() -> None:
    xyz = np.array([[np.nan, 1, 0], [1, np.inf, 0], [0, 0, -np.inf], [0, 0, 0], [-0.0, 0.0, 0.0], [2, 0, 0]])
    for dtype in (np.float32, np.float64):
        scan = Flattener(level_profile()).flatten(xyz.astype(dtype))["drive"]
        assert scan.counts[:4] == (6, 5, 0, 1)


def test_fields_not_asked_for_are_none_and_change_nothing() -> None:
    xyz = np.random.default_rng(3).normal(size=(3000, 4)) * [5, 5, 0.5, 9]
    profile = level_profile()
    whole = Flattener(profile).flatten(xyz)["drive"]
    for field in FIELDS:
        part = Flattener(profile, fields={field}).flatten(xyz)["drive"]
        np.testing.assert_array_equal(getattr(part, field), getattr(whole, field))
        assert all(getattr(part, other) is None for other in FIELDS if other != field)
        assert part.counts == whole.counts
    with pytest.raises(FlattenError, match="ranges"):
        Flattener(profile, fields={"rangs"})


def test_intensity_of_the_hit() -> None:
    xyz = np.array([[5, 0, 0, 7.5], [4, 0, 0, 3.5], [0, 5, 0, 1.0]], np.float32)
    scan = Flattener(level_profile()).flatten(xyz)["drive"]
    assert scan.intensities[720] == 3.5 and np.isnan(scan.intensities[0])
    assert np.isnan(Flattener(level_profile()).flatten(xyz[:, :3])["drive"].intensities).all()


def variants(xyz: np.ndarray) -> dict[str, object]:
    """The same returns laid out in memory in many ways."""
    wide = np.zeros((len(xyz) * 2, 7), xyz.dtype)
    wide[::2, 1:4] = xyz
    records = np.zeros(
        len(xyz), np.dtype([("pad", "u1"), ("z", "<f4"), ("x", "<f4"), ("tag", "u2"), ("y", "<f4")])
    )
    for k, axis in enumerate("xyz"):
        records[axis] = xyz[:, k]
    return {
        "columns first": np.asfortranarray(xyz),
        "strided": wide[::2, 1:4],
        "backwards": np.ascontiguousarray(xyz[::-1])[::-1],
        "swapped": xyz.astype(xyz.dtype.newbyteorder()),
        "float64": xyz.astype(np.float64),
        "swapped float64": xyz.astype(np.dtype(np.float64).newbyteorder()),
        "unaligned records": records,
        "organised": Cloud(*(xyz[:, k].reshape(-1, 4) for k in range(3))),
        "apart": Cloud(*(xyz[:, k].copy() for k in range(3))),
        "half and whole": Cloud(xyz[:, 0].astype(np.float64), xyz[:, 1], xyz[:, 2]),
        "read-only": Cloud.from_array(np.frombuffer(xyz.tobytes(), xyz.dtype).reshape(-1, 3)),
    }


def test_what_was_converted_is_held_until_the_heights_are_read(monkeypatch: pytest.MonkeyPatch) -> None:
    # int32 returns are copied to float64; heights are made from the copy, after the sweep
    xyz, seen = np.full((5, 3), 1, np.int32), []
    owners: list[Any] = []

    def lay_out(cloud: Cloud) -> Any:
        returns, axes = returns_of(cloud)
        owners.extend(weakref.ref(axis) for axis in axes)
        return returns, axes

    def answer(words: Any) -> None:
        seen.extend(owner() is not None for owner in owners)
        answer_of(words)

    flattener = Flattener(level_profile())
    returns_of, answer_of = house.lay_out, house.answer
    monkeypatch.setattr(house, "lay_out", lay_out)
    monkeypatch.setattr(house, "answer", answer)
    flattener.flatten(xyz)
    assert seen == [True] * 3 and all(owner() is None for owner in owners)


XYZ = (np.random.default_rng(5).normal(size=(4000, 3)) * [6, 6, 0.6]).astype(np.float32)


@pytest.mark.parametrize("how", list(variants(XYZ)))
def test_layout_in_memory_changes_nothing(how: str) -> None:
    flattener = Flattener(level_profile())
    assert_scans_equal(flattener.flatten(variants(XYZ)[how]), flattener.flatten(XYZ))


def test_float16_and_integers_are_converted() -> None:
    flattener = Flattener(level_profile())
    whole = np.array([[3, 4, 0], [0, -2, 0]])
    assert_scans_equal(flattener.flatten(whole), flattener.flatten(whole.astype(np.float64)))
    assert_scans_equal(
        flattener.flatten(whole.astype(np.float16)), flattener.flatten(whole.astype(np.float64))
    )


@pytest.mark.parametrize(
    "bad", [np.zeros((3, 2)), np.zeros(3), np.zeros((2, 3), complex), "cloud.pcd", None, 5]
)
def test_what_is_no_cloud_is_refused(bad: object) -> None:
    with pytest.raises(CloudError) as caught:
        Flattener(level_profile()).flatten(bad)
    assert "\n" not in str(caught.value)


def test_scans_of_one_frame_are_not_touched_by_the_next() -> None:
    flattener = Flattener(level_profile())
    first = flattener.flatten(XYZ)
    again = flattener.flatten(XYZ)
    flattener.flatten(XYZ[:10] * 2)
    assert_scans_equal(first, again)


def test_a_busy_flattener_says_so_and_two_are_independent() -> None:
    flattener, failures = Flattener(level_profile()), []
    big = np.tile(XYZ, (500, 1))

    def many() -> None:
        for _ in range(20):
            try:
                flattener.flatten(big)
            except FlattenError as error:
                failures.append(str(error))

    threads = [threading.Thread(target=many) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures and "own" in failures[0]
    results: dict[int, object] = {}
    own = [Flattener(level_profile()) for _ in range(2)]
    side_by_side = [
        threading.Thread(target=lambda i=i: results.update({i: own[i].flatten(big)})) for i in range(2)
    ]
    for thread in side_by_side:
        thread.start()
    for thread in side_by_side:
        thread.join()
    assert_scans_equal(results[0], results[1])  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("profile", "fields", "words"), [("rover.yaml", None, "Profile"), (level_profile(), "ranges", "several")]
)
def test_what_is_no_profile_and_no_set_of_fields_is_refused(
    profile: object, fields: object, words: str
) -> None:
    with pytest.raises(FlattenError, match=words):
        Flattener(profile, fields=fields)  # type: ignore[arg-type]


def test_words_as_intensity_are_refused() -> None:
    with pytest.raises(CloudError, match="numbers"):
        Cloud(XYZ[:3, 0], XYZ[:3, 1], XYZ[:3, 2], intensity=np.array(["a", "b", "c"]))


def test_an_ignored_attitude_is_not_judged() -> None:
    Flattener(level_profile(level="body")).flatten(XYZ, (0.0, 5.0))


def test_a_profile_changed_behind_its_back_changes_nothing() -> None:
    profile = level_profile()
    flattener = Flattener(profile)
    before = flattener.flatten(XYZ)
    profile.slices["more"] = profile.slices["drive"]
    assert_scans_equal(before, flattener.flatten(XYZ))
