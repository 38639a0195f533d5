"""The kernel calls of real frames, written down with all they were given and all they left behind.

Whatever compiled function the flattener's module calls is recorded, with the memory of its arrays before
and after, so that the same call can be repeated elsewhere. One thing is known about the kernels: they are
handed a row of words (WORDS) in which addresses stand, of all they work on and of the cloud
(`flatten.kernels.groups`). That memory is recorded too, and the places of these addresses, for elsewhere it
lies elsewhere.
"""

from __future__ import annotations

import ctypes
import inspect
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import numba
import numpy as np
from numba.core.dispatcher import Dispatcher

import flatten.flattener as house
from benchmarks import profiles
from flatten import Flattener, Profile
from flatten.kernels import groups
from flatten.kernels.words import fields_of, open_words, size_of

LINE = 64
"""Bytes of a cache line: where arrays lie in one is kept."""
WORDS = "words"
"""The argument that is a row of words, wherever a kernel has one."""
LABELS: dict[str, list[tuple[Any, ...]]] = {}
"""Types of arguments that kernels were called with in this process."""


@dataclass(frozen=True)
class Buffer:
    """A stretch of memory that one or several arrays of a call lie in."""

    address: int
    before: bytes
    after: bytes


@dataclass(frozen=True)
class Pointer:
    """An address that stands in an array."""

    buffer: int
    """Number of the buffer that the array lies in."""
    place: int
    """Of the address's eight bytes, from the buffer's beginning."""
    target: int
    """Number of the buffer that it points into."""


@dataclass(frozen=True)
class Call:
    """One call of a kernel."""

    kernel: str
    """Its name; with a number where it was called with several types, each compiled by itself."""
    module: str
    function: str
    names: tuple[str, ...]
    types: tuple[Any, ...]
    """numba's types of the arguments."""
    arguments: tuple[Any, ...]
    """The numbers themselves, and the arrays for where they lie; their contents stand in the buffers."""
    buffers: tuple[Buffer, ...]
    pointers: tuple[Pointer, ...]
    result: Any
    told: tuple[tuple[str, np.ndarray[Any, Any]], ...] = ()
    """The arrays that the words tell of, named by group and field."""


@dataclass
class Recorder:
    """Collects calls."""

    calls: list[Call] = field(default_factory=list)
    cloud: tuple[Any, ...] = ()
    """The arrays that addresses among the arguments point into."""

    def watching(self, lay_out: Callable[..., Any]) -> Callable[..., Any]:
        """A function to stand in `lay_out`'s place: calls it and keeps what its addresses point into."""

        def watched(*arguments: Any) -> Any:
            returns, self.cloud = lay_out(*arguments)
            return returns, self.cloud

        return watched

    def around(self, name: str, kernel: Any) -> Callable[..., Any]:
        """A function to stand in the kernel's place: calls it and writes the call down."""
        function = kernel.py_func
        names = tuple(inspect.signature(function).parameters)

        def recorded(*arguments: Any) -> Any:
            types = tuple(numba.typeof(argument) for argument in arguments)
            words = dict(zip(names, arguments, strict=True)).get(WORDS)
            told = () if words is None else tuple(arrays_told(words))
            shown = () if words is None else (*(array for _, array in told), *self.cloud)
            spans = merged([span(array) for array in arrays_in((*arguments, *shown))])
            before = [ctypes.string_at(low, high - low) for low, high in spans]
            result = kernel(*arguments)
            buffers = tuple(
                Buffer(low, old, ctypes.string_at(low, high - low))
                for (low, high), old in zip(spans, before, strict=True)
            )
            label, module = label_of(name, types), function.__module__
            pointers = () if words is None else tuple(pointers_in(words, spans))
            self.calls.append(
                Call(label, module, name, names, types, arguments, buffers, pointers, result, told)
            )
            return result

        return recorded


def label_of(name: str, types: tuple[Any, ...]) -> str:
    """What a kernel is called where its arguments are of these types."""
    known = LABELS.setdefault(name, [])
    if types not in known:
        known.append(types)
    number = known.index(types)
    return f"{name}_{number + 1}" if number else name


def arrays_in(value: Any) -> Iterator[np.ndarray[Any, Any]]:
    """All arrays among arguments, those in tuples too."""
    if isinstance(value, np.ndarray):
        yield value
    elif isinstance(value, tuple):
        for part in value:
            yield from arrays_in(part)


def start_of(array: np.ndarray[Any, Any]) -> int:
    """The address of an array's first element."""
    return int(array.__array_interface__["data"][0])


def span(array: np.ndarray[Any, Any]) -> tuple[int, int]:
    """The addresses of an array's first byte and of the one after its last; the same for an empty one."""
    low = high = start_of(array)
    if array.size == 0:
        return low, low
    for stride, length in zip(array.strides, array.shape, strict=True):
        low, high = low + min(stride * (length - 1), 0), high + max(stride * (length - 1), 0)
    return low, high + array.itemsize


def merged(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Stretches that share a byte become one; empty ones are dropped."""
    made: list[tuple[int, int]] = []
    for low, high in sorted(span for span in spans if span[0] < span[1]):
        if made and low < made[-1][1]:
            made[-1] = (made[-1][0], max(high, made[-1][1]))
        else:
            made.append((low, high))
    return made


def arrays_told(words: Any) -> Iterator[tuple[str, np.ndarray[Any, Any]]]:
    """All arrays that a row of words tells of, by group and field."""
    for group in groups.GROUPS:
        opened = open_words(words, groups.PLACES[group], group)
        for name, value in zip(group._fields, opened, strict=True):
            if isinstance(value, np.ndarray):
                yield f"{group.__name__}.{name}", value


def addresses_in(group: Any, at: int) -> Iterator[int]:
    """Places of the words of a group that are addresses, where its first word is at `at`."""
    for name, kind, axes in fields_of(group):
        if axes >= 0 or (group is groups.Axis and name == "start"):
            yield at
        if hasattr(kind, "_fields"):
            yield from addresses_in(kind, at)
            at += size_of(kind)
        else:
            at += 1 + max(axes, 0)


def pointers_in(words: Any, spans: list[tuple[int, int]]) -> Iterator[Pointer]:
    """All addresses in a row of words; raises ValueError for one of a cloud that is not recorded.

    Arrays with no elements have no memory: nothing looks where they are said to lie.
    """
    start = start_of(words)
    own = next(number for number, (low, high) in enumerate(spans) if low <= start < high)
    for group in groups.GROUPS:
        for at in addresses_in(group, groups.PLACES[group]):
            address = int(words[at])
            target = next((k for k, (low, high) in enumerate(spans) if low <= address < high), -1)
            if target >= 0:
                yield Pointer(own, start + 8 * at - spans[own][0], target)
            elif group is groups.Returns and address and words[groups.PLACES[group] + 3]:
                raise ValueError(f"{WORDS}: {address:#x} points to nothing that is recorded")


@contextmanager
def swapped(values: dict[str, Any]) -> Iterator[None]:
    """Have the flattener's module hold other things under these names while it lasts."""
    before = {name: vars(house)[name] for name in values}
    try:
        vars(house).update(values)
        yield
    finally:
        vars(house).update(before)


@contextmanager
def replaced(around: Callable[[str, Any], Callable[..., Any]]) -> Iterator[None]:
    """Have flatteners call something around each kernel while it lasts."""
    kernels = {name: value for name, value in vars(house).items() if isinstance(value, Dispatcher)}
    if not kernels:
        raise RuntimeError("no compiled kernels to record: is NUMBA_DISABLE_JIT set?")
    with swapped({name: around(name, kernel) for name, kernel in kernels.items()}):
        yield


@dataclass(frozen=True)
class Stages:
    """A set of stages that a profile asks for."""

    label: str
    profile: Callable[[], Profile]
    fields: frozenset[str] | None
    attitude: tuple[float, float] | None = None

    def flattener(self) -> Flattener:
        """A flattener of these stages."""
        return Flattener(self.profile(), self.fields)


def changed(**changes: Any) -> Callable[[], Profile]:
    """A maker of the profile `bare` with other sections."""
    return lambda: Profile.from_dict({**profiles.BARE, **changes})


RANGES = frozenset({"ranges"})
FEW_HITS = {"drive": {**profiles.BARE["slices"]["drive"], "min_hits": 2}}
STAGES = {
    "bare": Stages("one slice, ranges only", profiles.bare, RANGES),
    "four": Stages("four slices in one pass", lambda: profiles.sliced(4), RANGES),
    "hits": Stages("one slice with min_hits", changed(slices=FEW_HITS), RANGES),
    "clear": Stages("one slice with clear", changed(clear=profiles.FULL["clear"]), RANGES),
    "full": Stages("everything", profiles.full, None, profiles.ATTITUDE),
}


def frame(stages: Stages, xyz: Any) -> list[Call]:
    """The kernel calls of one frame, in their order."""
    flattener = stages.flattener()
    flattener.flatten(xyz, stages.attitude)  # tables have grown to the cloud's size
    recorder = Recorder()
    with replaced(recorder.around), swapped({"lay_out": recorder.watching(vars(house)["lay_out"])}):
        flattener.flatten(xyz, stages.attitude)
    return recorder.calls
