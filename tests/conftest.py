"""What several tests share."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, settings

from flatten import Profile

settings.register_profile(
    "flatten", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow], max_examples=60
)
settings.register_profile(
    "long", deadline=None, suppress_health_check=[HealthCheck.too_slow], max_examples=3000
)
settings.load_profile(os.environ.get("FLATTEN_HYPOTHESIS", "flatten"))

LONG = ("test_packaging", "test_readme", "test_jit", "test_demo", "test_warmup", "test_cli", "test_budget")
"""Files that take long for other reasons than the number of their tests."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the long files, so that at the end no process waits for one of them."""
    items.sort(key=lambda item: item.path.stem not in LONG)


ROVER: dict[str, Any] = {
    "robot": {"length": 0.95, "width": 0.72, "height": 0.88, "step": 0.06, "drop": 0.06, "clearance": 0.15},
    "mount": {"x": 0.34, "y": -0.09, "z": 0.61, "roll": 0.0, "pitch": 12.0, "yaw": 0.0},
    "slices": {"drive": {"bottom": 0.08, "top": 1.03}},
}
"""A rover as a mapping, for `Profile.from_dict`."""


def make_profile(**sections: Any) -> Profile:
    """Make a profile of the rover with some sections replaced."""
    return Profile.from_dict({**ROVER, **sections})


@pytest.fixture
def rover() -> Callable[..., Profile]:
    """Give a maker of profiles: rover(slices={...}, fan={...})."""
    return make_profile


def level_profile(**sections: Any) -> Profile:
    """Make a profile whose sensor frame is the level frame about the fan's origin, raised by 0.5 m."""
    return make_profile(**{"mount": {"z": 0.5}, **sections})


def assert_scans_equal(a: Mapping[str, Any], b: Mapping[str, Any]) -> None:
    """Compare all arrays of two flattened frames, NaN equal to NaN, bit for bit."""
    assert list(a) == list(b)
    for name, scan in a.items():
        for field in (
            "ranges",
            "states",
            "bearings",
            "heights",
            "intensities",
            "hits",
            "clear_from",
            "clear_to",
        ):
            np.testing.assert_array_equal(getattr(scan, field), getattr(b[name], field), f"{name}.{field}")
