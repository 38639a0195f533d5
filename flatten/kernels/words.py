"""What a kernel is handed: one row of eight-byte words, opened into named groups of numbers and arrays.

Forty arguments take longer to hand over than a block of returns takes to flatten, so that a kernel has one.
All that it needs stands in a row of int64 words, one group after another, each a NamedTuple (see `groups`):

    number   one word; the bits of a float64, an integer as it is, a truth as 0 or 1
    array    its address, then its shape, one word an axis; C-ordered, its dtype and axes told by the group
    group    its own words, in its place

`put` writes a group and whoever calls it holds the arrays alive; `open_words` makes the group again, its
arrays views of the same memory.
"""

from __future__ import annotations

import functools
import typing
from typing import Any

import numpy as np
import numpy.typing as npt
from llvmlite import ir
from numba import from_dtype, types
from numba.core import cgutils
from numba.extending import intrinsic
from numba.np.arrayobj import populate_array

from flatten.kernels.loads import array_at

Words = npt.NDArray[np.int64]

NUMBERS = {int: types.int64, float: types.float64, bool: types.boolean}
WORD = ir.IntType(64)


@functools.cache
def fields_of(group: Any) -> tuple[tuple[str, Any, int], ...]:
    """Fields of a group: name, kind (a type of number, a dtype, another group) and axes (−1 if no array)."""
    hints = typing.get_type_hints(group, include_extras=True)
    return tuple((name, *_kind_of(hints[name])) for name in group._fields)


def _kind_of(hint: Any) -> tuple[Any, int]:
    if typing.get_origin(hint) is not typing.Annotated:
        return hint, -1
    array, axes = typing.get_args(hint)
    (scalar,) = typing.get_args(typing.get_args(array)[1])
    return np.dtype(scalar), axes


def size_of(group: Any) -> int:
    """Words that a group takes."""
    return sum(
        size_of(kind) if hasattr(kind, "_fields") else 1 + max(axes, 0) for _, kind, axes in fields_of(group)
    )


def put(words: Words, at: int, group: Any) -> None:
    """Write a group to the words from `at` on; TypeError for an array that is not what the group says."""
    kind_of_group: Any = type(group)
    fields: Any = fields_of(kind_of_group)
    for (name, kind, axes), value in zip(fields, group, strict=True):
        if axes >= 0:
            if value.dtype != kind or value.ndim != axes or not value.flags.carray:
                raise TypeError(f"{type(group).__name__}.{name}: wanted a C-ordered {kind} of {axes} axes")
            words[at : at + 1 + axes] = (value.__array_interface__["data"][0], *value.shape)
            at += 1 + axes
        elif hasattr(kind, "_fields"):
            put(words, at, value)
            at += size_of(kind)
        else:
            words[at] = np.float64(value).view(np.int64) if kind is float else int(value)
            at += 1


def open_words(words: Words, at: int, group: Any) -> Any:
    """Make the group that the words from `at` on describe."""
    values: list[Any] = []
    for _, kind, axes in fields_of(group):
        if axes >= 0:
            shape = tuple(words[at + 1 : at + 1 + axes].tolist())
            values.append(array_at(int(words[at]), shape, kind))
            at += 1 + axes
        elif hasattr(kind, "_fields"):
            values.append(open_words(words, at, kind))
            at += size_of(kind)
        else:
            values.append(kind(words[at : at + 1].view(np.float64)[0] if kind is float else words[at]))
            at += 1
    return group(*values)


def type_of(group: Any) -> types.BaseTuple:
    """Tell numba's type of a group."""
    kinds = []
    for _, kind, axes in fields_of(group):
        if axes >= 0:
            kinds.append(types.Array(from_dtype(kind), axes, "C"))
        else:
            kinds.append(type_of(kind) if hasattr(kind, "_fields") else NUMBERS[kind])
    return types.BaseTuple.from_types(kinds, group)


@intrinsic
def open_compiled(_typing: Any, words: Any, at: Any, group: Any) -> Any:
    """`open_words`, for compiled code: nothing but loads."""

    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        data = context.make_array(words)(context, builder, arguments[0]).data
        first = builder.gep(data, [arguments[1]])
        return _loaded(context, builder, first, 0, signature.return_type)[0]

    return type_of(group.instance_class)(words, at, group), build


def _loaded(context: Any, builder: Any, first: Any, at: int, kind: Any) -> tuple[Any, int]:
    """Code for what the words from `at` after `first` on describe; and the place after it."""
    word = builder.load(builder.gep(first, [WORD(at)]))
    if isinstance(kind, types.BaseTuple):
        parts = []
        for inner in kind:
            part, at = _loaded(context, builder, first, at, inner)
            parts.append(part)
        return context.make_tuple(builder, kind, parts), at
    if isinstance(kind, types.Array):
        return _array_of(context, builder, first, at, kind), at + 1 + kind.ndim
    if kind == types.boolean:
        return builder.icmp_signed("!=", word, WORD(0)), at + 1
    return (builder.bitcast(word, ir.DoubleType()) if kind == types.float64 else word), at + 1


def _array_of(context: Any, builder: Any, first: Any, at: int, kind: Any) -> Any:
    address, *shape = (builder.load(builder.gep(first, [WORD(at + k)])) for k in range(1 + kind.ndim))
    item = context.get_abi_sizeof(context.get_data_type(kind.dtype))
    strides = [WORD(item)]
    for length in shape[:0:-1]:
        strides.insert(0, builder.mul(strides[0], length))
    array = context.make_array(kind)(context, builder)
    data = builder.inttoptr(address, array.data.type)
    populate_array(
        array, data=data, shape=cgutils.pack_array(builder, shape),
        strides=cgutils.pack_array(builder, strides), itemsize=WORD(item), meminfo=None,
    )  # fmt: skip
    return array._getvalue()
