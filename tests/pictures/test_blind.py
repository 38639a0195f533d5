"""The picture of own returns and zones: what is drawn is what was given."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from flatten import OutputError, Profile
from flatten.pictures import save_blind
from flatten.pictures.blind import LOOKS, draw_blind, in_zones
from flatten.tuning.bodies import contains

PROFILE = Profile.from_dict(
    {
        "robot": {"length": 0.9, "width": 0.6, "height": 0.8},
        "mount": {"x": 0.3, "y": 0.1, "z": 0.9},
        "slices": {"drive": {"bottom": 0.1, "top": 1.0}},
        "blind_zones": [
            {"name": "hull", "box": {"x": [-0.4, 0.1], "y": [-0.2, 0.2], "z": [0.3, 0.5]}},
            {
                "name": "rail",
                "sector": {"first": 100, "last": -150, "near": 0.2, "far": 0.6, "z": [0.4, 0.9]},
            },
            {"name": "$post$", "cylinder": {"x": 0.2, "y": -0.2, "radius": 0.1}},
        ],
    }
)
RNG = np.random.default_rng(0)
OWN, OTHERS = RNG.uniform(-0.6, 0.9, (400, 3)), RNG.uniform(-0.6, 0.9, (50, 3))


def test_all_returns_are_drawn_to_one_scale_in_both_views() -> None:
    figure = draw_blind(PROFILE, OWN, OTHERS, [OWN[:7] + 0.1])
    inside = in_zones(PROFILE, OWN)
    for axes, (across, along) in zip(figure.axes, ((0, 2), (0, 1)), strict=True):
        lines = {line.get_label(): line for line in axes.lines}
        groups = (OTHERS, OWN[inside], OWN[~inside], OWN[:7] + 0.1)
        for (label, *_), points in zip(LOOKS, groups, strict=True):
            np.testing.assert_array_equal(lines[label].get_xdata(), points[:, across])
            np.testing.assert_array_equal(lines[label].get_ydata(), points[:, along])
        box = axes.get_window_extent()
        wide, tall = np.ptp(axes.get_xlim()), np.ptp(axes.get_ylim())
        # a hundredth of a pixel a metre: positions are float fractions of the sheet
        assert box.width / wide == pytest.approx(box.height / tall, rel=1e-6)
        assert [text.get_text() for text in axes.texts][:3] == ["hull", "rail", "$post$"]


def test_what_is_in_no_zone_is_told_as_the_zones_say() -> None:
    """Against the exact test; outlines are drawn with chords, so that few returns at arcs may differ."""
    exact = np.logical_or.reduce([contains(zone, OWN, PROFILE.mount) for zone in PROFILE.blind_zones])
    assert (in_zones(PROFILE, OWN) != exact).sum() <= 2 and 20 < exact.sum() < 380


def test_it_is_drawn_without_zones_and_without_returns() -> None:
    none = np.empty((0, 3))
    assert len(draw_blind(PROFILE.model_copy(update={"blind_zones": ()}), none, none).axes) == 2


def test_it_is_written_once_and_in_known_formats(tmp_path: Path) -> None:
    path = save_blind(tmp_path / "own.png", PROFILE, OWN, OTHERS)
    first = path.read_bytes()
    assert first.startswith(b"\x89PNG")
    with pytest.raises(OutputError, match=r"own\.png"):
        save_blind(path, PROFILE, OWN, OTHERS)
    assert save_blind(path, PROFILE, OWN, OTHERS, overwrite=True).read_bytes() == first
    with pytest.raises(OutputError, match="no picture format"):
        save_blind(tmp_path / "own.txt", PROFILE, OWN, OTHERS)
