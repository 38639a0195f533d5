"""The kernel calls of real frames, written down with all they were given and all they left behind.

Whatever compiled function the flattener's module calls is recorded, with the memory of its arrays before
and after, so that the same call can be repeated elsewhere. One thing is known about the kernels: they are
told where the cloud lies by addresses in an array (ADDRESSES). The cloud's memory is recorded too, and
the places of these addresses, for elsewhere it lies elsewhere.
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
from flatten.returns import Returns

LINE = 64
"""Bytes of a cache line: where arrays lie in one is kept."""
ADDRESSES = {"layout": 0}
"""Arguments that are arrays with addresses in them, and the column that holds these."""
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


@dataclass
class Recorder:
    """Collects calls."""

    calls: list[Call] = field(default_factory=list)
    cloud: tuple[Any, ...] = ()
    """The arrays that addresses among the arguments point into."""

    def watching(self, lay_out: Callable[..., Returns]) -> Callable[..., Returns]:
        """A function to stand in `lay_out`'s place: calls it and keeps what its addresses point into."""

        def watched(*arguments: Any) -> Returns:
            returns = lay_out(*arguments)
            self.cloud = returns.owners
            return returns

        return watched

    def around(self, name: str, kernel: Any) -> Callable[..., Any]:
        """A function to stand in the kernel's place: calls it and writes the call down."""
        function = kernel.py_func
        names = tuple(inspect.signature(function).parameters)

        def recorded(*arguments: Any) -> Any:
            types = tuple(numba.typeof(argument) for argument in arguments)
            shown = self.cloud if ADDRESSES.keys() & set(names) else ()
            spans = merged([span(array) for array in arrays_in((*arguments, *shown))])
            before = [ctypes.string_at(low, high - low) for low, high in spans]
            result = kernel(*arguments)
            buffers = tuple(
                Buffer(low, old, ctypes.string_at(low, high - low))
                for (low, high), old in zip(spans, before, strict=True)
            )
            label, module = label_of(name, types), function.__module__
            pointers = tuple(pointers_in(dict(zip(names, arguments, strict=True)), spans))
            self.calls.append(Call(label, module, name, names, types, arguments, buffers, pointers, result))
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


def pointers_in(arguments: dict[str, Any], spans: list[tuple[int, int]]) -> Iterator[Pointer]:
    """All addresses among arguments; raises ValueError for one of memory that is not recorded."""
    for name in ADDRESSES.keys() & arguments.keys():
        column = arguments[name][:, ADDRESSES[name]]
        for k, address in enumerate(column.tolist()):
            own, target = (
                next((number for number, (low, high) in enumerate(spans) if low <= at < high), -1)
                for at in (start_of(column[k:]), address)
            )
            if target < 0:
                raise ValueError(f"{name}: {address:#x} points to nothing that is recorded")
            yield Pointer(own, start_of(column[k:]) - spans[own][0], target)


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
