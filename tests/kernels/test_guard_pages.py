"""No byte before or after the coordinates is read, however they lie."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

PROGRAM = """
import ctypes, mmap, numpy as np
import flatten

PAGE, PAGES = mmap.PAGESIZE, 40
memory = mmap.mmap(-1, (PAGES + 2) * PAGE)
start = ctypes.addressof(ctypes.c_char.from_buffer(memory))
libc = ctypes.CDLL(None, use_errno=True)
for page in (0, PAGES + 1):
    assert libc.mprotect(ctypes.c_void_p(start + page * PAGE), ctypes.c_size_t(PAGE), 0) == 0
room = np.frombuffer(memory, np.uint8, PAGES * PAGE, PAGE)
mount = {"x": 0.3, "z": 0.6, "roll": 3.0, "pitch": 12.0}
hull = {"name": "hull", "box": {"x": [-0.5, 0.5], "y": [-0.4, 0.4], "z": [0.0, 0.9]}}
drive = {"bottom": 0.08, "top": 0.95}
flattener = flatten.Flattener(flatten.Profile.from_dict({
    "mount": mount, "fan": {"bins": 90}, "blind_zones": [hull],
    "slices": {"drive": drive, "walls": {**drive, "pick": "farthest"}, "dust": {**drive, "min_hits": 2}},
}))
rng, cases = np.random.default_rng(4), 0
for dtype in ("<f4", ">f4", "<f8"):
    size = np.dtype(dtype).itemsize
    for stride in (12, 16, 20, 22, 26, 32, 48):
        for n in (1, 7, 8, 9, 33, 1023, 1024, 1025, 2100):
            if stride < 3 * size:
                continue
            taken = (n - 1) * stride + 3 * size  # the last record ends with z
            xyz = (rng.normal(size=(n, 3)) * [3, 3, 0.5]).astype(dtype)
            for offset in (0, room.size - taken):
                axes = [np.ndarray(n, dtype, room, offset + size * k, (stride,)) for k in range(3)]
                for axis, values in zip(axes, xyz.T):
                    axis[:] = values
                scans, others = flattener.flatten(flatten.Cloud(*axes)), flattener.flatten(xyz)
                for name in scans:
                    np.testing.assert_array_equal(scans[name].ranges, others[name].ranges)
                cases += 1
print(cases)
"""


@pytest.mark.skipif(os.name != "posix", reason="memory is protected with mprotect")
def test_nothing_is_read_beside_the_coordinates() -> None:
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{done.returncode} {done.stderr}"
    assert int(done.stdout) == 2 * 9 * (7 + 7 + 3)
