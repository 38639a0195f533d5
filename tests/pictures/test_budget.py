"""The picture of a budget: written whole, and to be read in grey."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from PIL import Image

from flatten import OutputError, budget
from flatten.budget import timing
from flatten.files.writing import CAUTION
from flatten.pictures import budget as drawing
from flatten.pictures import save_latency
from tests.pictures.test_save_picture import luminance, pixels
from tests.test_budget import made_up


def frames(busy_ms: float, seed: int = 1, count: int = 500, coded: bool = True) -> budget.Round:
    rng = np.random.default_rng(seed)
    busy = busy_ms / 1e3 * rng.gamma(20.0, 1 / 20.0, count)
    names = timing.STAGES if coded else timing.STAGES[1:-1]
    parts = dict(zip(names, rng.dirichlet([3.0] * len(names)), strict=True))
    whole = 1.2 * busy
    stages = {name: part * whole for name, part in parts.items()}
    return budget.Round(stages, whole, busy, budget.Memory(100, 120), budget.Memory(110, 130))


@pytest.mark.parametrize("loaded", [False, True])
def test_png_is_whole_and_says_who_made_it(loaded: bool, tmp_path: Path) -> None:
    found = made_up(frames(5.0), frames(9.0, 2) if loaded else None)
    path = save_latency(tmp_path / "b.png", found)
    seen = pixels(path)
    assert (seen[[0, -1]] == 255).all() and (seen[:, [0, -1]] == 255).all()
    assert 0.01 < (seen < 200).any(axis=2).mean() < 0.3
    with Image.open(path) as picture:
        assert picture.text["Comment"] == CAUTION
    assert [p.name for p in tmp_path.iterdir()] == ["b.png"]


def test_curves_and_bars_are_the_figures() -> None:
    found = made_up(frames(5.0), frames(9.0, 2))
    spread, stages = drawing.draw_latency(found).axes
    lines = {line.get_label(): line for line in spread.get_lines()}
    for name, one in found.rounds.items():
        for kind, times in (("by the clock", one.whole), ("processor time", one.busy)):
            x, y = lines[f"{name}, {kind}"].get_data()
            for limit in np.quantile(1e3 * times, (0.1, 0.5, 0.95)):
                assert y[np.searchsorted(x, limit)] == np.mean(1e3 * times >= limit)
    assert lines["budget: 0.1 of a core, 10 ms"].get_xdata()[0] == pytest.approx(10.0)
    assert lines["next frame comes, 100 ms"].get_xdata()[0] == pytest.approx(100.0)
    widths = [bar.get_width() for bar in stages.patches]
    medians = [1e3 * np.median(times) for one in found.rounds.values() for times in one.stages.values()]
    np.testing.assert_allclose(widths, medians, rtol=1e-12)


def test_curves_differ_by_line_and_neighbouring_bars_by_lightness_or_hatch() -> None:
    assert len({str(line["linestyle"]) for line in drawing.LINES}) == len(drawing.LINES)
    assert len(drawing.FILLS) == len(drawing.HATCHES) == len(timing.STAGES)
    for k in range(len(drawing.FILLS) - 1):
        apart = abs(luminance(drawing.FILLS[k]) - luminance(drawing.FILLS[k + 1])) > 0.1
        assert apart or drawing.HATCHES[k] != drawing.HATCHES[k + 1]


def test_frames_a_thousand_times_apart_get_a_logarithmic_axis(tmp_path: Path) -> None:
    spread, _ = drawing.draw_latency(made_up(frames(0.05, coded=False, count=3))).axes
    assert spread.get_xscale() == "log"
    near, _ = drawing.draw_latency(made_up(frames(30.0))).axes
    assert near.get_xscale() == "linear"


def test_svg_parses_and_nothing_is_written_over(tmp_path: Path) -> None:
    found = made_up(frames(5.0))
    path = save_latency(tmp_path / "b.svg", found)
    assert ElementTree.parse(path).getroot().tag.endswith("svg")
    with pytest.raises(OutputError, match="is there already"):
        save_latency(path, found)
    save_latency(path, found, overwrite=True)
    with pytest.raises(OutputError, match="no picture format"):
        save_latency(tmp_path / "b.txt", found)


def test_one_frame_is_drawn(tmp_path: Path) -> None:
    assert save_latency(tmp_path / "one.png", made_up(frames(5.0, count=1))).is_file()
