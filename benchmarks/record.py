"""How a measurement is written down: what was measured, where, with which versions."""

from __future__ import annotations

import json
import os
import platform
import subprocess
from datetime import datetime, timezone
from importlib import metadata
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
RESULTS = HERE / "results"


def machine() -> dict[str, Any]:
    """What the figures were measured on; the processor by its flags and clock, not by its name."""
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
    return {"machine": platform.machine(), "cores": os.cpu_count(), "clock_mhz": clock, "vector": vector}


def versions() -> dict[str, str]:
    """Versions of what the figures depend on."""
    names = ("numpy", "numba", "llvmlite", "open3d-cpu", "open3d")
    found = {"python": platform.python_version()}
    for name in names:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return found


def commit() -> str:
    """The commit that was measured, or an empty text outside a checkout."""
    done = subprocess.run(
        ["git", "-C", str(HERE), "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False
    )
    return done.stdout.strip()


def write(name: str, figures: Any) -> Path:
    """Write results/NAME.json and give its path."""
    RESULTS.mkdir(exist_ok=True)
    path = RESULTS / f"{name}.json"
    told = {
        "when": datetime.now(timezone.utc).isoformat(timespec="seconds"),
        "commit": commit(),
        "machine": machine(),
        "versions": versions(),
        "figures": figures,
    }
    path.write_text(json.dumps(told, indent=1) + "\n")
    return path


def read(name: str) -> dict[str, Any]:
    """Read results/NAME.json."""
    told: dict[str, Any] = json.loads((RESULTS / f"{name}.json").read_text())
    return told
