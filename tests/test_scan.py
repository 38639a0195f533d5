"""States, counts and message fields of a scan."""

from __future__ import annotations

import numpy as np
import pytest

from flatten import Flattener, Scan, State
from flatten.kernels import answer
from tests.conftest import level_profile


def test_states_are_the_kernels_numbers() -> None:
    assert {state.name: state.value for state in State} == {
        name: getattr(answer, name) for name in State.__members__
    }
    assert [state.value for state in State] == [0, 1, 2, 3, 4]


def test_message_fields_of_a_scan_with_intensity() -> None:
    scan = Flattener(level_profile()).flatten(np.array([[2.0, 0.0, 0.0, 7.0]]))["drive"]
    told = scan.message_fields(scan_time=0.1)
    assert told["angle_min"] == np.float32(-np.pi + np.radians(0.125))
    assert told["angle_max"] == np.float32(np.pi - np.radians(0.125))
    assert told["angle_increment"] == np.float32(np.radians(0.25))
    assert told["scan_time"] == np.float32(0.1) and told["time_increment"] == 0.0
    assert (told["range_min"], told["range_max"]) == (np.float32(0.3), 25.0)
    assert len(told["ranges"]) == len(told["intensities"]) == 1440


def test_message_intensities_are_empty_where_there_are_none() -> None:
    for fields in (None, {"ranges"}):
        scan = Flattener(level_profile(), fields=fields).flatten(np.array([[2.0, 0.0, 0.0]]))["drive"]
        assert scan.message_fields()["intensities"].size == 0


def test_message_fields_want_ranges() -> None:
    scan: Scan = Flattener(level_profile(), fields={"states"}).flatten(np.zeros((0, 3)))["drive"]
    with pytest.raises(ValueError, match="ranges"):
        scan.message_fields()
