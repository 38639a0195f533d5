"""Parts are drafts: optimised, and made machine code of, in kernels only."""

from __future__ import annotations

from typing import Any

import numba
import numpy as np
import pytest

from flatten.kernels.drafts import Draft
from flatten.kernels.jit import OPTIONS, part

needs_compiler = pytest.mark.skipif(numba.config.DISABLE_JIT, reason="nothing is compiled")


@part
def twice(x: float) -> float:
    return 2.0 * x


@part
def sum_of_doubles(numbers: Any) -> float:
    total = 0.0
    for x in numbers:
        total += twice(x)
    return total


@numba.njit(**OPTIONS)
def whole(numbers: Any, more: Any) -> float:
    return sum_of_doubles(numbers) + sum_of_doubles(more)


@numba.njit(**OPTIONS)
def other(x: float) -> float:
    return twice(x) - x


def test_parts_within_parts_work_in_several_kernels() -> None:
    assert whole(np.arange(4.0), np.arange(3)) == 18.0  # twice 0 + 1 + 2 + 3, and 0 + 1 + 2
    assert other(5.0) == 5.0


@needs_compiler
def test_a_part_is_inlined_and_has_no_machine_code_of_its_own() -> None:
    compiled: Any = whole
    compiled(np.arange(4.0), np.arange(3))
    function: Any = sum_of_doubles
    assert len(function.overloads) == 2  # float64 and int64
    for result in function.overloads.values():
        assert isinstance(result.library, Draft)
        with pytest.raises(RuntimeError, match="no compiled object"):
            result.library._get_compiled_object()
    (code,) = compiled.inspect_llvm().values()
    lines = [line for line in code.splitlines() if line.startswith("define") or " call " in line]
    assert any("whole" in line for line in lines)
    assert not any("sum_of_doubles" in line or "twice" in line for line in lines)


@needs_compiler
def test_a_part_called_from_python_is_refused() -> None:
    with pytest.raises(TypeError):
        twice(1.0)
