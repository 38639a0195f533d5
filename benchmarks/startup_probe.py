"""One start of the library in a fresh process, timed from inside; prints JSON. Run by `startup`.

    python startup_probe.py bare | import | frame

`bare` imports NumPy alone, `import` the library, `frame` also makes a flattener and flattens two frames.
"""

import json
import os
import sys
import time


def resident() -> int:
    """Resident memory, bytes; 0 where the system does not tell."""
    try:
        with open("/proc/self/statm") as told:  # noqa: PTH123 # pathlib would be part of what is measured
            return int(told.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except OSError:
        return 0


def main(how_far: str) -> dict[str, float]:
    """Start as far as asked and tell seconds and bytes."""
    told: dict[str, float] = {"python_bytes": resident()}
    start = time.perf_counter()
    import numpy as np

    told["numpy_seconds"], told["numpy_bytes"] = time.perf_counter() - start, resident()
    if how_far == "bare":
        return told
    from flatten import Flattener, Profile

    told["import_seconds"], told["import_bytes"] = time.perf_counter() - start, resident()
    if how_far == "import":
        return told
    start = time.perf_counter()
    flattener = Flattener(
        Profile.from_dict({"mount": {"z": 0.6}, "slices": {"a": {"bottom": 0.1, "top": 1}}})
    )
    told["ready_seconds"], told["ready_bytes"] = time.perf_counter() - start, resident()
    cloud = np.random.default_rng(1).uniform(-9, 9, (20_000, 3)).astype(np.float32)
    start = time.perf_counter()
    flattener.flatten(cloud)
    told["first_seconds"], told["frame_bytes"] = time.perf_counter() - start, resident()
    start = time.perf_counter()
    flattener.flatten(cloud)
    told["second_seconds"] = time.perf_counter() - start
    return told


if __name__ == "__main__":
    print(json.dumps(main(sys.argv[1])))
