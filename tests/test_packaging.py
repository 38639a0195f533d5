"""Wheel and sdist are whole: what is installed from them works far away from the checkout."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

from flatten.kernels.cache import cache_places
from flatten.warmup import warm_up

TOP = Path(__file__).parent.parent
CLOUDS = len(list((TOP / "sample_clouds").rglob("*.pcd")))

pytestmark = [pytest.mark.slow, pytest.mark.network]


def run(*words: str | Path, cwd: Path, **environment: str) -> str:
    kept = {key: value for key, value in os.environ.items() if key not in ("PYTHONPATH", "NUMBA_CACHE_DIR")}
    done = subprocess.run(
        [str(word) for word in words],
        cwd=cwd, env={**kept, **environment}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sdist, and the wheel that was built from it."""
    out = tmp_path_factory.mktemp("dist")
    run(sys.executable, "-m", "build", "--outdir", out, TOP, cwd=out)
    return out


@pytest.fixture(scope="module")
def wheel(built: Path) -> Path:
    return next(built.glob("*.whl"))


def test_the_wheel_holds_the_package_and_the_samples_and_nothing_else(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    told = next(name for name in names if "dist-info" in name).split("/")[0]
    assert {name.split("/")[0] for name in names} == {"flatten", told}
    assert "flatten/py.typed" in names and "flatten/_sample_clouds/rover.yaml" in names
    assert sum(name.endswith(".pcd") for name in names) == CLOUDS
    assert not [name for name in names if "__pycache__" in name or name.startswith("tests")]


def test_the_sdist_holds_what_is_needed_to_test_it(built: Path) -> None:
    with tarfile.open(next(built.glob("*.tar.gz"))) as packed:
        names = {"/".join(name.split("/")[1:]) for name in packed.getnames()}
    top = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
    assert top | {"tests/twin.py", "benchmarks/__main__.py"} <= names


def test_the_plain_wheel_in_an_empty_environment(wheel: Path, tmp_path: Path) -> None:
    run(sys.executable, "-m", "venv", "empty", cwd=tmp_path)
    python = tmp_path / "empty" / "bin" / "python"
    run(python, "-m", "pip", "install", "--quiet", wheel, cwd=tmp_path)
    installed = run(python, "-m", "pip", "list", cwd=tmp_path)
    assert "open3d" not in installed and "matplotlib" not in installed
    told = run(tmp_path / "empty" / "bin" / "flatten", "demo", "out", cwd=tmp_path)
    assert "flatten[desk]" in told
    assert len(list((tmp_path / "out" / "scans").glob("*.npz"))) == CLOUDS
    run(tmp_path / "empty" / "bin" / "flatten", "warmup", cwd=tmp_path)


def take_compiled(site: Path) -> None:
    """Give an installed package the code that was compiled from the same sources here, if any was."""
    warm_up()
    kept = next(place for place in cache_places() if list(place.glob("*.nbc")))
    beside = site / "flatten" / "kernels" / "__pycache__"
    beside.mkdir(exist_ok=True)
    for entry in kept.glob("*.nbc"):
        shutil.copy(entry, beside)


def test_the_wheel_with_the_desk_libraries_away_from_the_checkout(wheel: Path, tmp_path: Path) -> None:
    python, path = sys.executable, str(tmp_path / "site")
    run(python, "-m", "pip", "install", "--quiet", "--no-deps", "--target", "site", wheel, cwd=tmp_path)
    where = run(python, "-c", "import flatten; print(flatten.__file__)", cwd=tmp_path, PYTHONPATH=path)
    assert where.startswith(path)
    take_compiled(tmp_path / "site")
    run(sys.executable, "-m", "flatten", "demo", "out", cwd=tmp_path, PYTHONPATH=path)
    assert (tmp_path / "out" / "report.html").stat().st_size > 100_000
    assert len(list((tmp_path / "out" / "pictures").iterdir())) == CLOUDS
