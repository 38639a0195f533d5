"""The house has one direction; who may import whom is written here and checked."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import flatten

HOUSE = Path(flatten.__file__).parent

# each room may import itself and the rooms named here
MAY_IMPORT = {
    "errors": set(),
    "version": set(),
    "frames": set(),
    "processor": set(),
    "scan": set(),
    "attitude": {"errors"},
    "cloud": {"errors"},
    "kernels": set(),
    "profile": {"errors", "frames", "version"},
    "health": {"profile"},
    "plan": {"frames", "kernels", "profile"},
    "motion": {"errors"},
    "knots": {"kernels", "motion"},
    "carrying": {"cloud", "errors", "kernels", "knots", "motion", "returns"},
    "returns": {"cloud", "kernels"},
    "tables": {"kernels", "plan"},
    "flattener": {
        "attitude", "carrying", "cloud", "drops", "errors", "fitted", "following", "health", "kernels",
        "motion", "plan", "profile", "returns", "scan", "tables", "window",
    },
    "window": {"carrying", "kernels", "motion", "profile", "tables"},
    "floor": {"frames", "kernels"},
    "following": {"floor", "kernels", "motion", "plan", "profile"},
    "drops": {"profile", "scan"},
    "fitted": set(),
    "occupancy": set(),
    "files": {"cloud", "errors", "scan", "version"},
    "recordings": {"cloud", "errors", "files", "motion"},
    "scene": {"cloud", "errors", "frames", "files", "profile", "recordings", "samples", "version"},
    "tuning": {
        "attitude", "carrying", "cloud", "errors", "floor", "flattener", "frames", "kernels", "motion",
        "plan", "profile", "recordings", "returns", "scan", "scene",
    },
    "budget": {
        "cloud", "errors", "files", "flattener", "motion", "processor", "profile", "returns", "scan",
        "version", "warmup",
    },
    "mapping": {
        "batch", "cloud", "errors", "files", "kernels", "occupancy", "profile", "recordings", "scan",
        "version",
    },
    "pictures": {
        "attitude", "budget", "cloud", "errors", "files", "fitted", "flattener", "frames", "occupancy",
        "plan", "profile", "scan", "tuning", "version",
    },
    "page": {
        "cloud", "errors", "files", "flattener", "kernels", "pictures", "plan", "profile", "recordings",
        "scan", "tuning",
    },
    "samples": {"errors"},
    "comparing": {
        "carrying", "cloud", "files", "fitted", "flattener", "frames", "motion", "plan", "profile", "samples",
        "scan", "tuning",
    },
    "jobs": {
        "cloud", "errors", "files", "flattener", "motion", "pictures", "processor", "profile", "scan",
        "version",
    },
    "batch": {
        "cloud", "errors", "files", "flattener", "jobs", "motion", "plan", "profile", "recordings", "scan",
        "version",
    },
    "demo": {
        "cloud", "comparing", "errors", "files", "flattener", "jobs", "pictures", "processor", "profile",
        "samples", "scan", "version", "warmup",
    },
    "warmup": {
        "carrying", "cloud", "errors", "flattener", "floor", "kernels", "motion", "profile", "returns",
        "scan",
    },
    "cli": {
        "batch", "budget", "cloud", "demo", "errors", "files", "fitted", "flattener", "frames", "jobs",
        "mapping", "motion", "occupancy", "page", "pictures", "profile", "recordings", "samples", "scan",
        "tuning", "version", "warmup",
    },
    "__init__": {
        "attitude", "cloud", "errors", "files", "flattener", "health", "motion", "profile", "recordings",
        "scan", "version",
    },
    "__main__": {"cli"},
}  # fmt: skip

KERNEL_LIBRARIES = {"__future__", "math", "numpy", "numba", "llvmlite", "collections", "typing"}
CACHE_LIBRARIES = KERNEL_LIBRARIES | {
    "contextlib", "functools", "hashlib", "os", "pathlib", "pickle", "tempfile",
}  # fmt: skip
HEAVY = {
    "open3d", "matplotlib", "jinja2", "laspy", "rosbags", "mcap", "lz4", "zstandard", "trimesh", "pypcd4",
    "PIL", "scipy", "pandas", "websockets",
}  # fmt: skip

SOURCES = sorted(HOUSE.rglob("*.py"))


def room_of(path: Path) -> str:
    return path.relative_to(HOUSE).parts[0].removesuffix(".py")


def imports(tree: ast.AST) -> set[str]:
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports name the whole way"
            found |= (
                {f"{node.module}.{name.name}" for name in node.names}
                if node.module == "flatten"
                else {node.module}
            )
    return found


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(HOUSE)))
def test_rooms_import_only_what_lies_before_them(path: Path) -> None:
    room = room_of(path)
    assert room in MAY_IMPORT, f"say here what the new room {room} may import"
    rooms = {
        name.split(".")[1] for name in imports(ast.parse(path.read_text())) if name.startswith("flatten.")
    }
    assert rooms - {room} <= MAY_IMPORT[room]


def test_no_circles() -> None:
    done: set[str] = set()
    waiting = dict(MAY_IMPORT)
    while waiting:
        ready = {room for room, needs in waiting.items() if needs - {room} <= done}
        assert ready, f"these rooms import each other in a circle: {sorted(waiting)}"
        done |= ready
        waiting = {room: needs for room, needs in waiting.items() if room not in ready}


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(HOUSE)))
def test_heavy_libraries_are_imported_inside_functions(path: Path) -> None:
    at_top = set()
    for node in ast.parse(path.read_text()).body:
        at_top |= imports(node) if isinstance(node, (ast.Import, ast.ImportFrom)) else set()
    assert not {name.split(".")[0] for name in at_top} & HEAVY


@pytest.mark.parametrize("path", sorted((HOUSE / "kernels").glob("*.py")), ids=lambda p: p.name)
def test_kernels_know_arrays_and_numbers_only(path: Path) -> None:
    tree = ast.parse(path.read_text())
    allowed = {
        "cache.py": CACHE_LIBRARIES,
        "loads.py": KERNEL_LIBRARIES | {"ctypes"},
        "words.py": KERNEL_LIBRARIES | {"functools"},
    }.get(path.name, KERNEL_LIBRARIES)
    assert {name.split(".")[0] for name in imports(tree) if not name.startswith("flatten.kernels")} <= allowed
    if path.name not in ("cache.py", "drafts.py", "jit.py"):  # named numbers and arrays, but no objects
        classes = [node for node in ast.walk(tree) if isinstance(node, ast.ClassDef)]
        assert all([ast.unparse(base) for base in node.bases] == ["NamedTuple"] for node in classes)


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: str(p.relative_to(HOUSE)))
def test_files_and_functions_stay_short(path: Path) -> None:
    text = path.read_text()
    assert len(text.splitlines()) <= 400
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            assert body_lines(node) <= 40, f"{node.name} has {body_lines(node)} lines"


def body_lines(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function without its signature and its docstring."""
    body = node.body[1:] if ast.get_docstring(node) is not None else node.body
    return (body[-1].end_lineno or 0) - body[0].lineno + 1 if body else 0


def test_import_on_a_rover_costs_no_desk_library() -> None:
    code = "import sys; from flatten import *; print(*sorted({name.split('.')[0] for name in sys.modules}))"
    loaded = set(
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        ).stdout.split()
    )
    # numba looks for SciPy by itself where it is installed; nothing here asks for it
    assert not loaded & (HEAVY - {"scipy"} | {"click", "lzf", "tkinter", "IPython"})
    assert {"numpy", "numba", "yaml"} <= loaded
