"""How far back a frame's answer reaches, and how it is known that far enough was read.

What older frames leave in a Flattener is the window and the remembered floor. Both are forgotten in time, so
that a piece that begins with some frames before it answers as if all had been run:

- `window: {seconds: S}`: what is older than S is gone, and a frame that parts the stream (out of order, a gap
  longer than S, a jump of the poses) is told by itself and the one before it.
- `window: {frames: F}`: F frames in a row without a break are all there is. Whether there is one is judged
  by the mean wait of the frames that are held, which differs with where one began; a frame that is no later
  than F times the least wait among F before it is no break whoever asks.
- Remembered floor fades: by half in every `floor.memory` what edges told, and what was seen of the surface
  lives as long. It never ends altogether (a cell seen now was fitted beside one that was remembered), so here
  the past is cut off after `MEMORIES` of these times, and the answer is nearly that of an unbroken run.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from flatten.profile import Profile

SLACK = 1_000_000
"""ns: `motion.SLACK` and rounding, amply; nothing that matters comes so close."""
LONGEST = 10 * 10**9 + SLACK
"""ns: two frames farther apart share no window (`profile.stream.LONGEST_WINDOW`)."""
MEMORIES = 8
"""Times `floor.memory` that are run before a piece: 1/256 of what an edge weighed is left."""
SECOND = 10**9


def memory_of(profile: Profile) -> float:
    """Seconds of floor memory that a profile has; 0 where no floor is fitted."""
    return profile.floor.memory if profile.level == "floor" else 0.0


def warm_seconds(profile: Profile, period: float) -> float:
    """Seconds before a piece whose frames are enough in a regular stream of one frame a `period`."""
    window, reach = profile.window, 0.0
    if window is not None and window.seconds is not None:
        reach = window.seconds + 2.0 * period
    elif window is not None and window.frames is not None and window.frames > 1:
        reach = (2 * window.frames + 1) * period
    if memory_of(profile):
        reach = max(reach, MEMORIES * memory_of(profile) + 2.0 * period)
    return reach


def is_settled(profile: Profile, before: Sequence[int], time: int) -> bool:
    """Tell whether a frame at `time` answers the same whatever came before the frames at `before`.

    Times are ns, in the order in which the frames were flattened.
    """
    stamps = [*before, time]
    return _window_is_settled(profile, stamps) and _floor_is_settled(profile, stamps)


def _window_is_settled(profile: Profile, stamps: Sequence[int]) -> bool:
    window = profile.window
    if window is None or window.frames == 1:
        return True
    waits = [later - sooner for sooner, later in pairwise(stamps)]
    if window.seconds is not None:
        limit = round(window.seconds * SECOND) + SLACK
        return any(wait <= 0 or wait > limit for wait in waits) or stamps[-1] - stamps[0] > limit
    if any(wait <= 0 or wait > LONGEST for wait in waits):
        return True
    frames = window.frames or 1
    in_a_row = 0
    for k in range(frames - 1, len(waits) - 1):  # the last step is taken by the frame itself
        least = min(waits[k - frames + 1 : k], default=LONGEST)
        in_a_row = in_a_row + 1 if waits[k] <= frames * least else 0
        if in_a_row >= frames - 1:
            return True
    return False


def _floor_is_settled(profile: Profile, stamps: Sequence[int]) -> bool:
    memory = round(memory_of(profile) * SECOND)
    if not memory:
        return True
    for sooner, later in pairwise(stamps):
        if later < sooner or later - sooner > memory + SLACK:
            return True
    return stamps[-1] - stamps[0] > MEMORIES * memory
