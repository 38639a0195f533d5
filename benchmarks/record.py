"""How a measurement is written down: what was measured, where, with which versions."""

from __future__ import annotations

import contextlib
import hashlib
import importlib.util
import json
import os
import platform
import subprocess
from collections.abc import Sequence
from datetime import datetime, timezone
from importlib import metadata
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
RESULTS = HERE / "results"


def machine() -> dict[str, Any]:
    """What the figures were measured on: the processor by its flags and clock, and how busy it was."""
    flags: set[str] = set()
    clock = ""
    info = Path("/proc/cpuinfo")
    if info.exists():
        for line in info.read_text().splitlines():
            key, _, value = line.partition(":")
            if key.strip() == "flags":
                flags = set(value.split())
            if key.strip() == "cpu MHz":
                clock = value.strip()
    vector = next((name for name in ("avx512f", "avx2", "avx", "sse2") if name in flags), "")
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else None
    return {
        "machine": platform.machine(), "cores": os.cpu_count(), "clock_mhz": clock, "vector": vector,
        "load": load,
    }  # fmt: skip


def versions() -> dict[str, str]:
    """Versions of what the figures depend on."""
    found = {"python": platform.python_version()}
    for name in ("numpy", "numba", "llvmlite", "open3d-cpu", "open3d", "rosbags"):
        with contextlib.suppress(metadata.PackageNotFoundError):
            found[name] = metadata.version(name)
    for name, words in {"g++": ["g++", "-dumpfullversion"], "valgrind": ["valgrind", "--version"]}.items():
        with contextlib.suppress(OSError):
            done = subprocess.run(words, capture_output=True, text=True, check=False)
            found[name] = done.stdout.strip().removeprefix("valgrind-")
    return found


def commit() -> str:
    """The commit that was measured, or an empty text outside a checkout."""
    done = subprocess.run(
        ["git", "-C", str(HERE), "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False
    )
    return done.stdout.strip()


def sources() -> str:
    """Digest of the library's sources as they were measured, whatever the commit says."""
    found = importlib.util.find_spec("flatten")
    digest = hashlib.sha256()
    for folder in (found.submodule_search_locations or []) if found else []:
        for path in sorted(Path(folder).rglob("*.py")):
            digest.update(str(path.relative_to(folder)).encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()[:12]


def write(name: str, figures: Any, notes: Sequence[str] = ()) -> Path:
    """Write results/NAME.json whole or not at all, and give its path; notes say what was left out and why."""
    RESULTS.mkdir(exist_ok=True)
    path = RESULTS / f"{name}.json"
    told = {
        "part": name,
        "when": datetime.now(timezone.utc).isoformat(timespec="seconds"),
        "commit": commit(),
        "sources": sources(),
        "machine": machine(),
        "versions": versions(),
        "notes": list(notes),
        "figures": figures,
    }
    unfinished = path.with_suffix(".tmp")
    unfinished.write_text(json.dumps(told, indent=1) + "\n")
    unfinished.replace(path)
    return path


def read(name: str) -> dict[str, Any]:
    """Read results/NAME.json."""
    return read_file(RESULTS / f"{name}.json")


def read_file(path: Path) -> dict[str, Any]:
    """Read a file that `write` has written."""
    told: dict[str, Any] = json.loads(path.read_text())
    return told
