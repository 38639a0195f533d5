"""What a board is, told by core class and features and not by the name on the box; what memory is taken."""

from __future__ import annotations

import contextlib
import platform
import resource
import sys
from collections import Counter
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

from flatten.processor import cores

CPUINFO, STATUS, MEMINFO = Path("/proc/cpuinfo"), Path("/proc/self/status"), Path("/proc/meminfo")
CLOCKS = Path("/sys/devices/system/cpu")

CORES = {
    0xD03: "Cortex-A53", 0xD04: "Cortex-A35", 0xD05: "Cortex-A55", 0xD07: "Cortex-A57", 0xD08: "Cortex-A72",
    0xD09: "Cortex-A73", 0xD0A: "Cortex-A75", 0xD0B: "Cortex-A76", 0xD0C: "Neoverse-N1", 0xD0D: "Cortex-A77",
    0xD0E: "Cortex-A76AE", 0xD41: "Cortex-A78", 0xD42: "Cortex-A78AE", 0xD46: "Cortex-A510",
    0xD47: "Cortex-A710", 0xD4B: "Cortex-A78C", 0xD80: "Cortex-A520", 0xD81: "Cortex-A720",
}  # fmt: skip
"""Part numbers of MIDR_EL1 under implementer 0x41, from memory (the cores' reference manuals have them)."""

LEVELS = {
    "x86-64-v4": {"avx512f", "avx512bw", "avx512cd", "avx512dq", "avx512vl"},
    "x86-64-v3": {"avx", "avx2", "bmi1", "bmi2", "f16c", "fma", "abm", "movbe", "xsave"},
    "x86-64-v2": {"cx16", "lahf_lm", "popcnt", "sse4_1", "sse4_2", "ssse3"},
}
"""What each level of the x86-64 psABI adds to the one below it, in the kernel's spelling (from memory)."""

VECTORS = ("avx512f", "avx2", "avx", "fma", "sse4_2", "sse2", "sve2", "sve", "asimd", "asimddp", "neon")
PACKAGES = ("numpy", "numba", "llvmlite", "pydantic", "pyyaml", "rosbags")


@dataclass(frozen=True)
class Memory:
    """Resident memory of a process, bytes; 0 where the system does not tell."""

    resident: int
    peak: int


def memory() -> Memory:
    """Give the memory of this process, from the kernel's status file or, without one, from getrusage."""
    found = {}
    with contextlib.suppress(OSError):
        for key, value in _pairs(STATUS.read_text()):
            if key in ("VmRSS", "VmHWM"):
                found[key] = 1024 * int(value.split()[0])
    unit = 1 if sys.platform == "darwin" else 1024  # what ru_maxrss counts in
    peak = found.get("VmHWM") or unit * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return Memory(found.get("VmRSS", 0), peak)


def machine() -> dict[str, Any]:
    """Say what the board is: kind, core classes and how many of each, vector features, clocks, memory."""
    text = ""
    with contextlib.suppress(OSError):
        text = CPUINFO.read_text()
    features = features_of(text)
    return {
        "machine": platform.machine(),
        "cores": cores(),
        "core_classes": core_classes(text),
        "vector": [name for name in VECTORS if name in features],
        "clock_mhz": _clock(text),
        "governor": _read(CLOCKS / "cpu0" / "cpufreq" / "scaling_governor"),
        "memory_mb": _memory_mb(),
        "system": f"{platform.system()} {platform.release().split('-')[0]}",
    }


def versions() -> dict[str, str]:
    """Give the versions of what the figures depend on; "" for a package that is not there."""
    found = {"python": platform.python_version()}
    for name in PACKAGES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = ""
    return found


def core_classes(cpuinfo: str) -> dict[str, int]:
    """Count the cores of each class in the text of /proc/cpuinfo; {"unknown": n} where it does not say."""
    pairs = _pairs(cpuinfo)
    maker = next((value for key, value in pairs if key == "CPU implementer"), "")
    parts = [int(value, 16) for key, value in pairs if key == "CPU part"]
    if parts:
        known = CORES if maker == "0x41" else {}
        return dict(Counter(known.get(part, f"ARM part {part:#x}") for part in parts))
    count = sum(key == "processor" for key, _ in pairs)
    return {_level(features_of(cpuinfo)): count} if count else {}


def features_of(cpuinfo: str) -> set[str]:
    """Give the processor's features as the kernel spells them."""
    return {word for key, value in _pairs(cpuinfo) if key in ("flags", "Features") for word in value.split()}


def _level(features: set[str]) -> str:
    level = "x86-64" if "lm" in features else "unknown"
    for name, added in reversed(LEVELS.items()):
        if not added <= features:
            break
        level = name
    return level


def _pairs(text: str) -> list[tuple[str, str]]:
    parts = (line.partition(":") for line in text.splitlines())
    return [(key.strip(), value.strip()) for key, colon, value in parts if colon]


def _clock(cpuinfo: str) -> float:
    """Give the highest clock of any core, MHz; 0 where it is not told."""
    found = [float(_read(path) or 0) / 1e3 for path in CLOCKS.glob("cpu*/cpufreq/cpuinfo_max_freq")]
    found += [float(value) for key, value in _pairs(cpuinfo) if key == "cpu MHz"]
    return round(max(found, default=0.0), 1)


def _memory_mb() -> int:
    for key, value in _pairs(_read(MEMINFO)):
        if key == "MemTotal":
            return int(value.split()[0]) // 1024
    return 0


def _read(path: Path) -> str:
    with contextlib.suppress(OSError):
        return path.read_text().strip()
    return ""
