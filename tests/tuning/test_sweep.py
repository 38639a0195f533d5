"""Every candidate in one sweep: against one Flattener a candidate, and against the statistics it rests on."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy import stats

from flatten import Flattener, State
from flatten.tuning.candidates import BANDS, BEHIND, Grid, Sweep, chance, leaking
from flatten.tuning.labels import Label, Limits, nearest
from flatten.tuning.seen import Seen, Watcher
from tests.tuning.yard import frame, profile

PROFILE = profile()
LIMITS = Limits.of(PROFILE)


@pytest.fixture(scope="module")
def looked() -> list[Seen]:
    watcher = Watcher(PROFILE)
    return [watcher.look(frame(seed=seed)) for seed in range(3)]


@pytest.fixture(scope="module")
def sweep(looked: list[Seen]) -> Sweep:
    made = Sweep(PROFILE, LIMITS)
    for seen in looked:
        made.add(seen)
    return made


@pytest.mark.parametrize("where", [(0, 2, 3), (4, 6, 0), (7, 20, 9), (2, 0, 5)])
def test_each_candidate_says_what_the_flattener_says(
    sweep: Sweep, looked: list[Seen], where: tuple[int, int, int]
) -> None:
    s, i, j = where
    grid = sweep.driving.grid
    slices = {"bottom": float(grid.bottoms[i]), "top": float(grid.tops[j]), "rise": float(grid.rises[s])}
    flattener = Flattener(profile(**{f"slices__drive__{key}": value for key, value in slices.items()}))
    answered, steady, missed, before = 0, 0, np.zeros(len(BANDS) - 1, int), None
    for seen in looked:
        scan = flattener.flatten(seen.cloud)["drive"]
        answer = np.where(scan.states == State.HIT, scan.ranges, np.inf)
        answered += int(np.isfinite(answer).sum())
        must_at = seen.of(Label.MUST)
        must = nearest(seen.bins[must_at], seen.distances[must_at], scan.bins)
        late = np.isfinite(must) & (answer > must + BEHIND)
        missed += np.histogram(must[late], BANDS)[0]
        if before is not None:
            both = np.isfinite(answer) & np.isfinite(before)
            steady += int((np.abs(answer[both] - before[both]) <= 0.2).sum())
        before = answer
    assert sweep.driving.answered[where] == answered
    assert sweep.driving.steady[where] == steady
    np.testing.assert_array_equal(sweep.driving.missed[where], missed)


@pytest.mark.parametrize("where", [(0, 0, 5), (0, 4, 20)])
def test_mapping_candidates_take_the_farthest(
    sweep: Sweep, looked: list[Seen], where: tuple[int, int, int]
) -> None:
    grid = sweep.mapping.grid
    borders = {"bottom": float(grid.bottoms[where[1]]), "top": float(grid.tops[where[2]])}
    wanted = profile(**{f"slices__drive__{key}": value for key, value in borders.items()})
    wanted = wanted.model_copy(
        update={"slices": {"drive": wanted.slices["drive"].model_copy(update={"pick": "farthest"})}}
    )
    flattener = Flattener(wanted)
    scans = [flattener.flatten(seen.cloud)["drive"] for seen in looked]
    assert sweep.mapping.answered[where] == sum(int((scan.states == State.HIT).sum()) for scan in scans)
    answers = [np.where(scan.states == State.HIT, scan.ranges, np.nan) for scan in scans]
    agree = sum(int((np.abs(one - two) <= 0.2).sum()) for one, two in itertools.pairwise(answers))
    assert sweep.mapping.steady[where] == agree


def test_the_bar_is_free_below_and_blocks_what_reaches_up_to_it(sweep: Sweep) -> None:
    """It hangs at 1.2 m; the bar alone has a free way under it (the wall stands on the floor)."""
    tops, blocked = sweep.driving.grid.tops, sweep.driving.blocked[0, 5]
    assert sweep.free_under > 0
    assert blocked[tops <= 1.2 - 0.02].sum() == 0
    assert blocked[tops >= 1.5].min() == sweep.free_under


def test_the_leak_is_what_shaken_frames_show(sweep: Sweep) -> None:
    """Expected by slopes from frames that keep still, and counted in frames that are tilted for real."""
    sigma, rise, bottom = math.radians(1.0), 0.0, 0.08
    at = int(np.argmin(np.abs(sweep.driving.grid.bottoms - bottom)))
    rng = np.random.default_rng(5)
    watcher, flattener = Watcher(PROFILE), Flattener(profile(slices__drive__bottom=bottom))
    leaks, n = [], 60
    for seed in range(n):
        lean = tuple(rng.normal(0.0, sigma, 2).tolist())
        cloud = frame(lean=lean, seed=seed)
        seen, scan = watcher.look(cloud, lean), flattener.flatten(cloud)["drive"]
        must_at = seen.of(Label.MUST)
        must = nearest(seen.bins[must_at], seen.distances[must_at], scan.bins)
        early = (scan.states == State.HIT) & (scan.ranges < must - 0.5)
        # a tilt shows the bar as well, as high as it hangs
        floor = [
            seen.labels[at_distance(seen, b, float(scan.ranges[b]))] != Label.PASSED
            for b in np.flatnonzero(early)
        ]
        leaks.append(sum(floor) / scan.bins)
    error = float(np.std(leaks)) / math.sqrt(n)
    # 3 standard errors
    assert sweep.leak(rise, sigma)[at] == pytest.approx(float(np.mean(leaks)), rel=0.0, abs=3 * error)


def at_distance(seen: Seen, number: int, distance: float) -> int:
    """Which return of a bin lies nearest to a distance."""
    inside = np.flatnonzero(seen.bins == number)
    return int(inside[np.argmin(np.abs(seen.distances[inside] - distance))])


@pytest.mark.parametrize("sigma", [1e-4, 0.01, 0.05])
def test_chances_are_those_of_the_normal_distribution(sigma: float) -> None:
    slopes = np.linspace(-5 * sigma, 5 * sigma, 101)
    np.testing.assert_allclose(chance(slopes, sigma), stats.norm.sf(slopes / sigma), atol=1e-6)


def test_without_shaking_floor_is_in_or_out() -> None:
    assert chance(np.array([-1.0, 0.0, 1e-12, np.inf]), 0.0).tolist() == [1.0, 1.0, 0.0, 0.0]


def test_a_rise_helps_like_a_smaller_slope() -> None:
    slopes = [np.array([[0.01], [np.inf]], np.float32)]
    assert leaking(slopes, 0.0, math.atan(0.01))[0] == pytest.approx(0.5 * stats.norm.sf(1.0), abs=1e-6)
    assert leaking(slopes, 0.01, math.atan(0.01))[0] == pytest.approx(0.5 * stats.norm.sf(2.0), abs=1e-6)


def test_grids_hold_the_step_and_the_head() -> None:
    grid = Grid.driving(LIMITS)
    for value, places in ((LIMITS.step, grid.bottoms), (LIMITS.head, grid.tops)):
        assert np.abs(places - value).min() < 1e-9
    assert (np.diff(grid.bottoms) > 0).all() and (np.diff(grid.tops) > 0).all()
    assert grid.real.all() and not Grid.mapping(LIMITS).real.all()
