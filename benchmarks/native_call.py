"""Recorded calls as bytes: what the host program reads, and what it writes after running them.

numba's compiled functions take flat arguments: the address of the result and of an error, then each
number by itself, and each array as meminfo, parent, number of elements, bytes of one, address,
shape and strides. Here each becomes a slot of eight bytes; an address becomes the number of a buffer
and a place in it. Addresses that stand in an array are told by their places: the host program moves
them by as far as its own buffer lies from the recorded one, and back before it writes its answers.

A file of calls, all in little-endian int64: their number; then for each call the length of its
kernel's name, its numbers of slots, buffers and pointers, the name, the slots (buffer or −1, value or
place), the pointers (buffer, place in it, buffer that it points into), and the buffers (their size,
their address where they were recorded, their bytes).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import types

from benchmarks.recorded import Buffer, Call, arrays_in, start_of

NUMBER = -1
RESULT, ERROR = -2, -3
"""Slots with the addresses of the host's own room for the result and the error."""
RESULT_BYTES = 64

Slot = tuple[int, int]


@dataclass(frozen=True)
class Difference:
    """What an argument looks like after the same call elsewhere."""

    kernel: str
    argument: str
    elements: int
    differ: int
    """Elements with other bits, but for those of a NaN: a NaN's sign and payload are the processor's own."""
    nans: int
    """NaN with other bits."""


def slots(call: Call) -> list[Slot]:
    """The flat arguments of a call."""
    made: list[Slot] = [(RESULT, 0), (ERROR, 0)]
    for kind, value in zip(call.types, call.arguments, strict=True):
        made.extend(flat(kind, value, call.buffers))
    return made


def flat(kind: Any, value: Any, buffers: Sequence[Buffer]) -> Iterator[Slot]:
    """The slots of one argument."""
    if isinstance(kind, types.Array):
        yield from ((NUMBER, 0), (NUMBER, 0), (NUMBER, value.size), (NUMBER, value.itemsize))
        yield place(value, buffers)
        yield from ((NUMBER, number) for number in (*value.shape, *value.strides))
    elif isinstance(kind, types.BaseTuple):
        for inner, part in zip(kind.types, value, strict=True):
            yield from flat(inner, part, buffers)
    else:
        yield NUMBER, int.from_bytes(packed(kind, value), "little", signed=True)


def packed(kind: Any, value: Any) -> bytes:
    """A number as it lies in a slot; raises TypeError for what is none."""
    if isinstance(kind, types.Float):
        return struct.pack("<d" if kind.bitwidth == 64 else "<fxxxx", value)
    if isinstance(kind, (types.Integer, types.Boolean)):
        return (int(value) % 2**64).to_bytes(8, "little")
    raise TypeError(f"{kind}: neither an array nor a number")


def place(array: np.ndarray[Any, Any], buffers: Sequence[Buffer]) -> Slot:
    """The buffer of an array and where its first element lies in it; nowhere for an empty one."""
    address = start_of(array)
    for number, buffer in enumerate(buffers):
        if array.size and buffer.address <= address < buffer.address + len(buffer.before):
            return number, address - buffer.address
    return NUMBER, 0


def written(calls: Sequence[Call]) -> bytes:
    """Calls as the host program reads them."""
    parts = [whole(len(calls))]
    for call in calls:
        name, flat_arguments = call.kernel.encode(), slots(call)
        parts += [whole(len(name), len(flat_arguments), len(call.buffers), len(call.pointers)), name]
        parts += [whole(*slot) for slot in flat_arguments]
        parts += [whole(pointer.buffer, pointer.place, pointer.target) for pointer in call.pointers]
        for buffer in call.buffers:
            parts += [whole(len(buffer.before), buffer.address), buffer.before]
    return b"".join(parts)


def whole(*numbers: int) -> bytes:
    """Whole numbers, eight bytes each."""
    return struct.pack(f"<{len(numbers)}q", *numbers)


def compared(calls: Sequence[Call], answers: bytes) -> list[Difference]:
    """Compare what the host program wrote with what was left behind here: every array, every bit.

    Raises ValueError where a kernel said that it failed.
    """
    differences, at = [], 0
    for call in calls:
        status, result = struct.unpack_from(f"<q{RESULT_BYTES}s", answers, at)
        at += 8 + RESULT_BYTES
        if status:
            raise ValueError(f"{call.kernel}: ended with {status}")
        memories = []
        for buffer in call.buffers:
            memories.append(answers[at : at + len(buffer.after)])
            at += len(buffer.after)
        differences += list(compared_call(call, memories, result))
    if at != len(answers):
        raise ValueError(f"{len(answers) - at} bytes too many")
    return differences


def compared_call(call: Call, memories: Sequence[bytes], result: bytes) -> Iterator[Difference]:
    """One row an array, and one for a number that was handed back."""
    for name, argument in zip(call.names, call.arguments, strict=True):
        for array in arrays_in(argument):
            if array.size:
                yield compared_array(call, memories, name, array)
    for name, array in call.told:
        if array.size:
            yield compared_array(call, memories, name, array)
    if call.result is not None:
        mine = np.asarray(call.result).reshape(1)
        yield Difference(call.kernel, "result", 1, *unlike(mine, seen(mine, result, 0)))


def compared_array(
    call: Call, memories: Sequence[bytes], name: str, array: np.ndarray[Any, Any]
) -> Difference:
    """Compare one array with what it was elsewhere."""
    number, first = place(array, call.buffers)
    mine = seen(array, call.buffers[number].after, first)
    theirs = seen(array, memories[number], first)
    return Difference(call.kernel, name, array.size, *unlike(mine, theirs))


def seen(like: np.ndarray[Any, Any], memory: bytes, first: int) -> np.ndarray[Any, Any]:
    """Look at memory as an array of the same kind."""
    looked: np.ndarray[Any, Any] = np.ndarray(like.shape, like.dtype, memory, first, like.strides)
    return looked


def unlike(mine: np.ndarray[Any, Any], theirs: np.ndarray[Any, Any]) -> tuple[int, int]:
    """The numbers of elements with other bits: true differences, and NaN with other bits."""
    bits = np.dtype(f"u{mine.itemsize}")
    other = np.ascontiguousarray(mine).view(bits) != np.ascontiguousarray(theirs).view(bits)
    if mine.dtype.kind != "f":
        return int(other.sum()), 0
    nans = other & np.isnan(mine) & np.isnan(theirs)
    return int((other & ~nans).sum()), int(nans.sum())
