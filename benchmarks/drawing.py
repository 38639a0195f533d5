"""The pictures of the documents: scaling curves from their JSON, and sample clouds in two ways.

Lines differ by marker and dash, for grey prints.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Any

from benchmarks import drive_map, record

Row = dict[str, Any]

PICTURES = record.HERE / "pictures"
AXES = {
    "returns": "returns in the cloud",
    "bins": "bins",
    "slices": "slices in one pass (the baselines do one)",
    "inside": "share of the returns inside the slice",
    "order": "order of the returns",
    "threads": "threads",
}
"""What is drawn along x."""
SAMPLES = ("loading_ramp", "dock_drop", "turn")
"""Rough samples that the README shows."""
LOGARITHMIC = ("returns", "bins", "threads", "slices")
LOOKS: tuple[dict[str, Any], ...] = (
    {"color": "#8c1010", "marker": "o", "linestyle": "-", "linewidth": 2.0},
    {"color": "#0063a6", "marker": "^", "linestyle": "--"},
    {"color": "#2b2b2b", "marker": "s", "linestyle": ":"},
    {"color": "#9c5700", "marker": "D", "linestyle": "-."},
    {"color": "#777777", "marker": "v", "linestyle": (0, (1, 1))},
    {"color": "#5a5a5a", "marker": "x", "linestyle": (0, (6, 2))},
)
"""The library's first, then the baselines' in the order of the figures."""


def draw_all() -> list[Path]:
    """One picture for each curve in results/curves.json; gives their paths."""
    told = record.read("curves")
    PICTURES.mkdir(exist_ok=True)
    return [draw(curve, told, PICTURES / f"curve_{curve}.png") for curve in AXES]


def draw_samples() -> list[Path]:
    """Each sample of SAMPLES in its two ways, as the demo draws it; gives their paths."""
    from flatten.comparing import compare_ways
    from flatten.demo import draw_comparison
    from flatten.samples import list_rough, sample_folder

    paths = []
    for sample in list_rough(Path(os.path.relpath(sample_folder()))):  # as the picture names the profile
        if sample.name in SAMPLES:
            paths.append(PICTURES / f"{sample.name}.png")
            draw_comparison(compare_ways(sample), paths[-1], overwrite=True)
    return paths


def draw_drive() -> list[Path]:
    """The recorded drive as a map, and its own returns as `flatten blind` draws them; gives their paths."""
    from flatten.cli import run
    from flatten.samples import DRIVE_FOLDER, DRIVE_RECORDING, sample_folder

    folder = Path(os.path.relpath(sample_folder())) / DRIVE_FOLDER
    own, whole = PICTURES / "drive_own.png", PICTURES / "drive.png"
    how = ["-p", str(folder / "rover.yaml"), "-q", "--most", "40", "--overwrite"]
    with tempfile.TemporaryDirectory() as place:
        mounted = str(Path(place) / "mounted.yaml")
        run(["mount", str(folder / DRIVE_RECORDING), *how, "--out", mounted])
        how[1] = mounted
        run(["blind", str(folder / DRIVE_RECORDING), *how, "--picture", str(own)])
    drive_map.draw(folder, whole)
    return [whole, own]


def draw(curve: str, told: dict[str, Any], path: Path) -> Path:
    """Draw one curve: median nanoseconds a return, with bars from 10 % to 90 % of the samples."""
    from matplotlib.figure import Figure

    rows = [row for row in told["figures"] if row["curve"] == curve]
    figure = Figure(figsize=(6.4, 4.4), dpi=120, layout="constrained")
    axes = figure.subplots()
    for look, name in zip(LOOKS, names_of(rows), strict=False):
        own = [row for row in rows if row["case"] == name]
        line(axes, own, name, {**look, "linestyle": "none"} if curve == "order" else look)
    axes.set_yscale("log")
    axes.yaxis.set_major_formatter("{x:g}")
    axes.yaxis.set_minor_formatter(few_minor)
    if curve in LOGARITHMIC:
        axes.set_xscale("log", base=2 if curve in ("threads", "slices") else 10)
    if curve != "order":
        mark_points(axes, curve, sorted({row["at"] for row in rows}))
    axes.set_xlabel(AXES[curve])
    axes.set_ylabel("ns a return")
    axes.grid(visible=True, which="major", color="#cccccc", linewidth=0.6)
    figure.legend(loc="outside lower center", ncols=3, fontsize=8, frameon=False)
    axes.set_title(title(rows, told), fontsize=8, loc="left", color="#555555")
    figure.savefig(path)
    return path


def names_of(rows: list[Row]) -> list[str]:
    """The contestants, the library's first."""
    return list(dict.fromkeys(row["case"] for row in sorted(rows, key=lambda row: row["yardstick"])))


def line(axes: Any, rows: list[Row], name: str, look: dict[str, Any]) -> None:
    """One contestant, with its spread."""
    middle = [row["ns"] for row in rows]
    below = [max(0.0, row["ns"] - row["low"]) for row in rows]
    above = [max(0.0, row["high"] - row["ns"]) for row in rows]
    at = [row["at"] for row in rows]
    axes.errorbar(
        at, middle, yerr=[below, above], label=name, capsize=2.5, elinewidth=0.8, markersize=5, **look
    )


def few_minor(value: float, _: float) -> str:
    """Numbers between the powers of ten, in plain figures: 2 and 5 only."""
    return f"{value:g}" if f"{value:e}"[0] in "25" else ""


def mark_points(axes: Any, curve: str, points: list[float]) -> None:
    """Write the points that were measured under the axis, and no others."""
    texts = [f"{p:.0%}" if curve == "inside" else short(int(p)) for p in points]
    axes.set_xticks(points, texts, fontsize=8)
    axes.tick_params(axis="x", which="minor", bottom=False, labelbottom=False)


def short(n: int) -> str:
    """A count in few letters: 16k, 4.1M."""
    if n >= 1_000_000:
        return f"{n / 1e6:.3g}M"
    return f"{n / 1e3:.3g}k" if n >= 10_000 else str(n)


def title(rows: list[Row], told: dict[str, Any]) -> str:
    """What is held fixed, and where it was measured."""
    sizes = {row["returns"] for row in rows}
    fixed = f"{sizes.pop():,} returns; " if len(sizes) == 1 else ""
    m = told["machine"]
    return f"{fixed}{m['machine']} with {m['vector']}, {m['cores']} cores, {told['when'][:10]}"
