"""One return carried by numbers of its own: the sixteen of its matrix at a time.

Returns that follow each other in time share a matrix, and are carried eight at a time (see `carry`). One that
does not can still have its matrix made in few instructions, as all its numbers lie side by side; LLVM
does not see that in a loop over them, and is told here.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic, overload

from flatten.kernels.lanes import fma
from flatten.kernels.workroom import HEIGHT, PITCH, PX, PY, PZ, X, Y

Singles = npt.NDArray[np.float32]

TERMS = 16
"""Numbers of a matrix: four columns, for x, y, z and 1, of three numbers and a zero."""
SHARE, VALID, START = 6 * PITCH, 7 * PITCH, 8 * PITCH
"""Further rows of the float32 workroom, after those of the points (PX, PY, PZ) and of their ends (X, Y,
HEIGHT): the share of the way from knot to knot; 0 for a return and NaN for what is none; and three rows of
where the sensor was."""
CARRY_SINGLES = 11 * PITCH

POINT_ROWS, END_ROWS, START_ROWS = (PX, PY, PZ), (X, Y, HEIGHT), (START, START + PITCH, START + 2 * PITCH)


def _vector(lanes: int) -> Any:
    return ir.VectorType(ir.FloatType(), lanes)


def _lanes(builder: Any, vector: Any, numbers: list[int]) -> Any:
    """Pick lanes of a vector."""
    undefined = ir.Constant(vector.type, ir.Undefined)
    mask = ir.Constant(ir.VectorType(ir.IntType(32), len(numbers)), numbers)
    return builder.shuffle_vector(vector, undefined, mask)


def _fill(builder: Any, value: Any, lanes: int) -> Any:
    """Make a vector of one number many times."""
    one = builder.insert_element(
        ir.Constant(_vector(lanes), ir.Undefined), value, ir.Constant(ir.IntType(32), 0)
    )
    return _lanes(builder, one, [0] * lanes)


def _fma(builder: Any, a: Any, b: Any, c: Any) -> Any:
    """a·b + c, lane by lane, rounded once."""
    kind = ir.FunctionType(a.type, [a.type] * 3)
    function = cgutils.get_or_insert_function(builder.module, kind, f"llvm.fma.v{a.type.count}f32")
    return builder.call(function, (a, b, c))


@intrinsic
def _carry_one(_typing: Any, parabolas: Any, _k: Any, _s: Any, work: Any, _at: Any) -> Any:
    def build(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        table = context.make_array(signature.args[0])(context, builder, arguments[0]).data
        rows = context.make_array(signature.args[3])(context, builder, arguments[3]).data
        _, k, s, _, at = arguments
        index = ir.IntType(64)

        def place(row: int) -> Any:
            return builder.gep(rows, [builder.add(at, ir.Constant(index, row))])

        def terms(which: int) -> Any:
            first = builder.add(
                builder.mul(k, ir.Constant(index, 3 * TERMS)), ir.Constant(index, which * TERMS)
            )
            pointer = builder.bitcast(builder.gep(table, [first]), _vector(TERMS).as_pointer())
            return builder.load(pointer, align=4)

        share = _fill(builder, s, TERMS)
        matrix = _fma(builder, share, _fma(builder, share, terms(2), terms(1)), terms(0))
        point = [builder.load(place(row), align=4) for row in POINT_ROWS]
        columns = [_lanes(builder, matrix, list(range(first, first + 4))) for first in range(0, TERMS, 4)]
        moved = columns[3]
        for axis in (2, 1, 0):
            moved = _fma(builder, columns[axis], _fill(builder, point[axis], 4), moved)
        for axis in range(3):
            lane = ir.Constant(ir.IntType(32), axis)
            end = builder.fadd(point[axis], builder.extract_element(moved, lane))
            builder.store(end, place(END_ROWS[axis]), align=4)
            builder.store(builder.extract_element(columns[3], lane), place(START_ROWS[axis]), align=4)
        return context.get_dummy_value()

    return types.none(parabolas, types.int64, types.float32, work, types.int64), build


def carry_one(parabolas: Singles, k: int, s: np.float32, work: Singles, at: int) -> None:
    """Carry return `at` of a block at share s of the way from knot k to the next; tell where the sensor was.

    `parabolas` is (knots, 3, TERMS), C-ordered. The sums are those of `carry.carry_axis`, in the same order.
    """
    a, b, c = parabolas[k]
    matrix = [fma(s, fma(s, c[i], b[i]), a[i]) for i in range(TERMS)]
    point = [work[row + at] for row in POINT_ROWS]
    for axis in range(3):
        moved = start = matrix[12 + axis]
        for other in (2, 1, 0):
            moved = fma(matrix[4 * other + axis], point[other], moved)
        work[END_ROWS[axis] + at] = point[axis] + moved
        work[START_ROWS[axis] + at] = start


@overload(carry_one)
def _compiled_carry_one(parabolas, k, s, work, at):  # type: ignore[no-untyped-def]
    return lambda parabolas, k, s, work, at: _carry_one(parabolas, k, s, work, at)  # noqa: PLW0108
