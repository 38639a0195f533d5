"""What is run before a piece is enough: whatever came before, the window holds the same frames."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flatten import Flattener, Motion, Profile, Stamped
from flatten.batch.settling import MEMORIES, is_settled, warm_seconds
from tests.batch import drives

SECOND = 10**9
NOTHING = np.empty((0, 3), np.float32)

waits = st.lists(
    st.one_of(
        st.just(100_000_000),
        st.integers(-300_000_000, 700_000_000),
        st.sampled_from([0, 3 * SECOND, 9 * SECOND, 10 * SECOND, 11 * SECOND]),
    ),
    min_size=2,
    max_size=24,
)
windows = st.one_of(
    st.builds(lambda n: {"frames": n}, st.integers(1, 6)),
    st.builds(lambda s: {"seconds": s}, st.floats(0.05, 2.0)),
)


def bare(**sections: Any) -> Profile:
    """A profile that costs little a frame."""
    fan = {"first": -180, "last": 180, "bins": 4}
    return drives.profile(fan=fan, clear="off", slices={"drive": {"bottom": 0.1, "top": 1.0}}, **sections)


class Gathering:
    """A flattener that is asked what its window holds."""

    def __init__(self, profile: Profile) -> None:
        self._flattener = Flattener(profile, fields={"ages"})

    def take(self, time: int) -> tuple[int, float]:
        """Frames in the window after the frame at this time, and the age of the oldest."""
        ends = np.array([time - SECOND, time + SECOND])
        motion = Motion(ends, np.tile([0, 0, 0, 0, 0, 0, 1.0], (2, 1)), stamps=Stamped(1e-9, time), at=time)
        self._flattener.flatten(NOTHING, motion=motion)
        window = self._flattener.window
        assert window is not None
        return window.frames, round(window.seconds, 6)


@settings(max_examples=40)
@given(windows, waits, st.integers(0, 24))
def test_a_settled_window_does_not_know_where_it_began(
    window: dict[str, Any], steps: list[int], begin: int
) -> None:
    profile = bare(window=window)
    times = (drives.START + np.cumsum(steps)).tolist()
    begin = min(begin, len(times) - 1)
    whole, late = Gathering(profile), Gathering(profile)
    for k, time in enumerate(times):
        held = whole.take(time)
        if k < begin:
            continue
        settled = is_settled(profile, times[begin:k], time)
        if late.take(time) != held:
            assert not settled


@pytest.mark.parametrize("window", [{"frames": 5}, {"seconds": 0.5}, {"frames": 2}, {"seconds": 3.0}])
def test_a_regular_stream_settles_at_the_first_try(window: dict[str, Any]) -> None:
    profile, step = bare(window=window), 100_000_000
    frames = int(warm_seconds(profile, 0.1) / 0.1)
    before = [drives.START + k * step for k in range(frames)]
    assert is_settled(profile, before, drives.START + frames * step)
    assert not is_settled(profile, before[-1:], drives.START + frames * step)


def test_remembered_floor_wants_some_memories() -> None:
    profile = drives.profile(level="floor", floor={"slope": 20, "memory": 0.5})
    step = 100_000_000
    frames = int(warm_seconds(profile, 0.1) / 0.1)
    before = [k * step for k in range(frames)]
    assert warm_seconds(profile, 0.1) == pytest.approx(MEMORIES * 0.5 + 0.2)
    assert is_settled(profile, before, frames * step) and not is_settled(profile, before[5:], frames * step)
    assert is_settled(profile, [0], SECOND)  # a gap longer than the memory leaves nothing
    assert warm_seconds(drives.profile(level="floor", floor={"slope": 20, "memory": 0}), 0.1) == 0.0
