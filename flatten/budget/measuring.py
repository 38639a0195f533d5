"""The whole measurement: at rest, under load, and what leaner ways would save."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from flatten.budget.board import machine, versions
from flatten.budget.load import busy_cores
from flatten.budget.messages import find_wire
from flatten.budget.timing import Round, Spread, StageFlattener, time_frames
from flatten.budget.variants import TURN, Gain, compare, feed_of, turns, variants_of
from flatten.budget.verdict import Limits, judge
from flatten.cloud import Cloud
from flatten.errors import CloudError, FlattenError
from flatten.profile import Profile
from flatten.scan import FIELDS

REST, LOADED, VARIANTS = "at rest", "every core busy", "leaner ways"
FRAMES, LEAST = 1000, 1
BRIEF, BRIEFEST = 100, 10
"""Most and fewest frames for which each variant is run: else a tenth of all frames."""

Step = Callable[[str], None]


@dataclass(frozen=True, eq=False)
class Budget:
    """What was measured, and against what."""

    profile: Profile
    fields: frozenset[str]
    clouds: tuple[tuple[str, int], ...]
    """Name and number of returns of each cloud."""
    limits: Limits
    rounds: dict[str, Round]
    """By the name of the condition: REST, and LOADED if that was wanted."""
    gains: tuple[Gain, ...]
    wire: bool
    """Whether decoding and encoding of messages is part of it."""
    machine: dict[str, Any]
    versions: dict[str, str]
    moving: bool = False
    """Whether frames came with their motion."""

    @property
    def deciding(self) -> Round:
        """The round that the verdict is about: the last, hardest one."""
        return list(self.rounds.values())[-1]

    @property
    def verdict(self) -> str:
        """Whether it fits: see `judge`."""
        return judge(self.deciding, self.limits)

    def dominating(self) -> list[tuple[str, float]]:
        """Stages and their shares of a frame at rest (by medians), the greatest first."""
        medians = {name: Spread.of(times).median for name, times in self.rounds[REST].stages.items()}
        total = sum(medians.values())
        return sorted(((name, part / total) for name, part in medians.items()), key=lambda pair: -pair[1])


def measure(
    profile: Profile,
    clouds: Sequence[Cloud],
    limits: Limits | None = None,
    *,
    frames: int = FRAMES,
    fields: Iterable[str] = FIELDS,
    loaded: bool = False,
    moving: bool = False,
    step: Step = lambda name: None,
) -> Budget:
    """Measure what flattening these clouds by this profile costs here.

    Parameters
    ----------
    profile, clouds
        What to do, with what; the clouds come round again and again, packed as messages.
    limits
        Rate and share of one core that it is held against; 10 frames a second and 0.10 if None.
    frames
        Frames of each round. A worst case wants at least 1,000.
    fields
        Arrays of a `Scan` that are asked for; a message needs the ranges.
    loaded
        Whether to measure once more while every core is kept busy.
    moving
        Whether every frame comes with its motion, poses at 100 Hz; with a window it does anyway.
    step
        Called with a word `steps()` times on the way.

    Raises CloudError where there is no cloud or not a return in any, FlattenError for fields,
    frames or limits that make no sense, and where the load cannot be started.
    """
    asked, bound, wire = check_wanted(clouds, frames, fields), limits or Limits(), find_wire()
    flattener = StageFlattener(profile, asked, moving)
    feed = feed_of(clouds, wire, moving=flattener.moving)
    rounds = {}
    for name in (REST, LOADED) if loaded else (REST,):
        with busy_cores() if name == LOADED else nullcontext() as load:
            found = time_frames(flattener, feed, frames, partial(step, name))
        rounds[name] = found if load is None else replace(found, cores_taken=load.cores_taken)
    gains = compare(profile, asked, clouds, wire, brief(frames), partial(step, VARIANTS), moving)
    sizes = tuple((cloud.name or f"cloud {number}", len(cloud)) for number, cloud in enumerate(clouds, 1))
    return Budget(
        profile, asked, sizes, bound, rounds, gains, wire is not None, machine(), versions(), flattener.moving
    )  # fmt: skip


def steps(
    profile: Profile, frames: int, fields: Iterable[str] = FIELDS, loaded: bool = False, moving: bool = False
) -> int:
    """Count the steps of `measure`."""
    ways = 1 + len(variants_of(profile, frozenset(fields), moving))
    return frames * (2 if loaded else 1) + turns(brief(frames)) * TURN * ways


def brief(frames: int) -> int:
    """Say for how many frames each variant is run."""
    return max(BRIEFEST, min(BRIEF, frames // 10))


def check_wanted(clouds: Sequence[Cloud], frames: int, fields: Iterable[str]) -> frozenset[str]:
    """Give the fields as a set; raise as `measure` does where it could not begin."""
    if not any(len(cloud) for cloud in clouds):
        raise CloudError("no cloud with a return in it: name at least one that your sensor recorded")
    if frames < LEAST:
        raise FlattenError(f"frames {frames}: wanted at least {LEAST}, better 1,000")
    asked = frozenset(fields)
    if "ranges" not in asked or asked - set(FIELDS):
        raise FlattenError(
            f"fields {', '.join(sorted(asked)) or '(none)'}: wanted 'ranges', alone or with others of "
            f"{', '.join(FIELDS)}"
        )
    return asked
