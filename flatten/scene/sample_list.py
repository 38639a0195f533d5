"""Which sample clouds there are: where the rover stands in the nursery, and what there is to see."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from flatten.scene import rover
from flatten.scene.capture import Capture, capture
from flatten.scene.effects import Effects
from flatten.scene.nursery import AISLE, DOCK, KERB, PALLETS, RAMP_TOE, SHADE, YARD, nursery
from flatten.scene.place import Place
from flatten.scene.sensors import Rosette, Rotating, Sensor
from flatten.scene.truth import objects_in_bins, truth

Arrays = dict[str, npt.NDArray[Any]]

SEED = 2
SENSORS: dict[str, tuple[Sensor, str]] = {
    "rosette": (Rosette(), "rover.yaml"),
    "rotating": (Rotating(columns=512, near=0.1), "rover_rotating.yaml"),
}
"""Sensor and profile by the word that clouds.yaml uses."""


NOISY = Effects(range_noise=0.01)


@dataclass(frozen=True)
class Sample:
    """One sample cloud: where the rover stands, what spoils the frame, what there is to see."""

    name: str
    sensor: str
    pose: tuple[float, float, float]
    shows: str
    attitude: tuple[float, float] = (0.0, 0.0)
    """Roll and pitch in degrees, as clouds.yaml gives them."""
    effects: Effects = NOISY
    frame: int = 0

    @property
    def tilt(self) -> tuple[float, float]:
        """Roll and pitch in radians."""
        return math.radians(self.attitude[0]), math.radians(self.attitude[1])


SAMPLES = (
    Sample(
        "aisle",
        "rosette",
        AISLE,
        "Between two rows of bench tables: their legs and boards on both sides, pots above.",
    ),
    Sample(
        "aisle_rotating", "rotating", AISLE, "The same aisle by the rotating sensor: rings on the gravel."
    ),
    Sample(
        "pipes",
        "rotating",
        (0.2, 0.0, 0.0),
        "Before the aisle: hanging pipes at 1.9 to 2.1 m, above all slices; the benches pass beneath them.",
    ),
    Sample(
        "ramp_toe",
        "rosette",
        RAMP_TOE,
        "1.2 m before the toe of a 1:12 ramp: its surface enters a slice where it has climbed to the bottom.",
    ),
    Sample(
        "kerb", "rosette", KERB, "A kerb of 0.10 m, 1.8 m ahead across the way: just inside the drive slice."
    ),
    Sample(
        "dock_edge",
        "rosette",
        DOCK,
        "The floor ends 2.4 m ahead, 0.6 m deep: returns from far below the floor, nothing in the slices.",
    ),
    Sample("shade_posts", "rotating", SHADE, "A field of thin shade posts before the north wall."),
    Sample(
        "yard",
        "rosette",
        YARD,
        "Test bodies 2, 5 and 10 m away: upright ones to the left, lying ones to the right.",
    ),
    Sample("yard_rotating", "rotating", YARD, "The same test bodies by the rotating sensor."),
    Sample(
        "dust",
        "rosette",
        (-9.0, -8.0, 0.4),
        "Gravel in dust: one beam in fifty ends on dust within 3 m, distant and grazing returns get lost.",
        effects=Effects(range_noise=0.01, drop_far=0.6, drop_grazing=0.5, dust=0.02),
    ),
    Sample(
        "pitched",
        "rosette",
        AISLE,
        "The aisle, the body pitched 5 degrees nose down and rolled 2: pass the attitude in.",
        attitude=(2.0, 5.0),
        frame=1,
    ),
    Sample(
        "mast_and_edges",
        "rosette",
        PALLETS,
        "Pallets and a parked cart; the mast hides what is behind; split beams leave returns in mid-air.",
        effects=Effects(range_noise=0.01, mixed=0.5),
    ),
)
"""All sample clouds."""


def sample_place() -> Place:
    """Build the nursery of the sample clouds."""
    return nursery(SEED)


def make(sample: Sample, place: Place) -> Capture:
    """Take the frame of one sample."""
    sensor, profile = SENSORS[sample.sensor]
    mount, _, _ = rover.layout_of(profile)
    effects = replace(sample.effects, robot=rover.own_solids())
    return capture(
        place,
        sensor,
        sample.pose,
        mount,
        attitude=sample.tilt,
        effects=effects,
        seed=SEED,
        frame=sample.frame,
    )


def truth_of(sample: Sample, place: Place) -> Arrays:
    """Find the truth of one sample: SLICE/nearest and the like, float32 metres, inf for none.

    SLICE/standing is what CLEAR denies: the far side of the nearest solid that begins at or beyond
    clear.from, fills the bin's width, stands on the floor and is tall enough.
    """
    mount, slices, fan = rover.layout_of(SENSORS[sample.sensor][1])
    clear, reach = rover.clear_and_reach_of(SENSORS[sample.sensor][1])
    found: Arrays = {}
    for name, band in slices.items():
        known = truth(place, sample.pose, mount, band, fan, attitude=sample.tilt)
        for part in ("nearest", "farthest_of_nearest", "farthest"):
            found[f"{name}/{part}"] = getattr(known, part).astype(np.float32)
        tall = band.bottom + clear["smallest"] + band.rise * reach["far"]
        each = objects_in_bins(place, sample.pose, mount, fan, top=tall)
        denied = each.fills & (each.nearest >= clear["from"])
        found[f"{name}/standing"] = np.where(denied, each.farthest, np.inf).min(axis=0).astype(np.float32)
    return found
