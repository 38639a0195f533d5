"""NPY: one numpy array, (N, 3+), (rows, columns, 3+) or structured with fields x, y and z."""

from __future__ import annotations

import math
from typing import IO, Any

import numpy as np
import numpy.typing as npt

from flatten.cloud import Cloud
from flatten.errors import CloudError
from flatten.files.source import Source

NAME = "npy"
SUFFIXES = (".npy",)
MAGIC = b"\x93NUMPY"
LONGEST_HEADER = 2**20


def recognise(source: Source) -> bool:
    """Say whether the file begins with the mark of an NPY file."""
    return source.head.startswith(MAGIC)


def read(source: Source) -> Cloud:
    """Read an array as a cloud; unnamed columns are x, y, z and, where there is a fourth, the intensity.

    Arrays of objects are refused (they would run code), and the declared shape is held against
    the size of the file before anything is reserved.
    """
    needed = array_bytes(source, source.stream, source.size, source.name)
    if needed != source.left:
        raise source.error(
            f"cut short or with a wrong header: the array needs {needed} bytes, {source.left} are there"
        )
    source.stream.seek(0)
    array = np.load(source.stream, allow_pickle=False)
    return cloud_from_array(array, source.name)


def array_bytes(source: Source, stream: IO[bytes], size: int, name: str) -> int:
    """Read the head of an NPY stream of `size` bytes and give the bytes its array needs.

    Raises CloudError for objects, for more returns than can be read and for heads that are none.
    """
    try:
        version = np.lib.format.read_magic(stream)
        width = 2 if version == (1, 0) else 4
        length = int.from_bytes(stream.read(width), "little")
        if length > min(size, LONGEST_HEADER):
            raise ValueError(f"a header of {length} bytes")
        stream.seek(stream.tell() - width)
        # version 3 differs from 2 in the spelling of field names alone
        parse = np.lib.format.read_array_header_1_0 if width == 2 else np.lib.format.read_array_header_2_0
        shape, _, dtype = parse(stream)
    except (ValueError, TypeError, SyntaxError, OverflowError) as error:
        raise CloudError(f"{name}: not a sound NPY array ({error}): save it again with numpy.save") from error
    if dtype.hasobject:
        raise CloudError(f"{name}: holds Python objects, which are not loaded: save plain numbers")
    source.check_returns(shape[0] if shape else 1)
    return math.prod(shape) * dtype.itemsize


def cloud_from_array(array: npt.NDArray[Any], name: str) -> Cloud:
    """Look at an (N, 3+), (rows, columns, 3+) or structured array as a cloud."""
    if array.ndim == 3 and array.shape[2] >= 3 and array.dtype.kind in "fiu":
        intensity = array[..., 3] if array.shape[2] > 3 else None
        return Cloud(array[..., 0], array[..., 1], array[..., 2], intensity, name=name)
    return Cloud.from_array(array, name)
