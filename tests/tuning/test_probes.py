"""Test bodies in recorded frames: against the scene's ray caster, and against visible widths."""

from __future__ import annotations

import math

import numpy as np
import pytest

from flatten import scene
from flatten.scene import solids
from flatten.tuning.probes import BEARINGS, KINDS, along, check_bodies, circle, shows, with_bodies
from flatten.tuning.seen import Watcher
from tests.tuning.yard import HEIGHT, frame, profile

ORIGIN = np.array([0.0, 0.0, HEIGHT])


def beams(n: int = 4000, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    turn, down = rng.uniform(-0.3, 0.3, n), rng.uniform(math.radians(-35.0), math.radians(2.0), n)
    flat = np.stack([np.cos(down) * np.cos(turn), np.cos(down) * np.sin(turn), np.sin(down)], axis=1)
    return 12.0 * flat


def solid(kind: str, away: float, bearing: float) -> solids.Solid:
    x, y = away * math.cos(bearing), away * math.sin(bearing)
    if kind == "upright":
        return solids.upright_body("body", x, y)
    return solids.lying_body("body", x, y, bearing + (math.pi / 2 if kind == "lying across" else 0.0))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("away", "bearing"), [(1.5, 0.0), (3.0, 0.1), (6.0, -0.15)])
def test_beams_end_where_the_ray_caster_says(kind: str, away: float, bearing: float) -> None:
    directions = beams()
    middle = away * np.array([math.cos(bearing), math.sin(bearing)])
    found = along(kind, ORIGIN, directions, middle, bearing)
    caster = scene.Place([solid(kind, away, bearing)]).raycaster()
    expected = caster.cast(ORIGIN, directions).distances
    met = np.isfinite(expected) & (expected <= 1.0)
    # the scene's bodies have 96 flats (0.05 mm) and upright ones a lid: beams at the rim may differ
    rim = np.isfinite(found) != np.isfinite(expected)
    assert met.sum() > 5 and rim.sum() <= 0.05 * met.sum() + 2 + 3 * (kind == "upright" and away < 2.0)
    both = met & np.isfinite(found)
    np.testing.assert_allclose(found[both] * 12.0, expected[both] * 12.0, atol=0.004)


def test_lines_and_circles() -> None:
    """f = O − C, a = d·d, b = 2 f·d, c = f·f − r²: Δ < 0 a miss, 0 a tangent, > 0 two hits: the first."""
    lines = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [1.0, 0.1]])
    found = circle(np.array([-5.0, 0.0]), lines, 1.0)
    assert found[0] == pytest.approx(4.0) and np.isinf(found[1:3]).all()
    assert circle(np.array([-5.0, 1.0]), lines[:1], 1.0)[0] == pytest.approx(5.0, abs=1e-6)


def test_a_frame_with_bodies_is_the_frame_but_for_them() -> None:
    seen = Watcher(profile()).look(frame(()))
    bearings = -math.pi + (np.arange(BEARINGS) + 0.5) * (2.0 * math.pi / BEARINGS)
    cloud, hit = with_bodies(profile(), seen, "upright", 2.0, bearings)
    np.testing.assert_allclose(cloud.xyz[hit < 0], seen.cloud.xyz[hit < 0], rtol=1e-6)
    assert {*hit.tolist()} == {-1, *range(BEARINGS)}
    away = np.hypot(cloud.x[hit >= 0], cloud.y[hit >= 0])
    assert np.abs(away - 2.0).max() <= 0.036
    # Ø70 mm at 2 m is 2.0° wide: of 1° columns two or three meet each
    columns = np.degrees(np.arctan2(cloud.y, cloud.x))[hit == 3]
    assert np.ptp(columns) <= 2.1


def test_near_bodies_are_shown_and_low_slices_need_a_low_bottom() -> None:
    frames = [Watcher(profile()).look(frame((), seed=seed)) for seed in range(2)]
    rows = {
        (row.kind, row.distance): row
        for row in check_bodies(profile(slices__drive__bottom=0.08), frames, (1.0, 2.0, 14.0, 99.0))
    }
    assert {distance for _, distance in rows} == {1.0, 2.0, 14.0}  # 99 m is out of reach
    for kind in KINDS:
        assert rows[kind, 2.0].returned == rows[kind, 2.0].shown["drive"] == 1.0
    high = check_bodies(profile(slices__drive__bottom=0.3), frames, (2.0,))
    assert [row.shown["drive"] for row in high] == [1.0, 0.0, 0.0]


def test_a_hit_elsewhere_shows_nothing() -> None:
    from flatten import Flattener

    scan = Flattener(profile(slices__drive__bottom=0.08)).flatten(frame())["drive"]
    assert shows(scan, 0.0, "upright", 3.0)  # the kerb, 3 m ahead
    assert not shows(scan, 0.0, "upright", 5.0) and not shows(scan, 1.0, "upright", 3.0)
