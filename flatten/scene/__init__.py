"""Made-up places and sensors with known truth: for sample clouds, tests and benchmarks.

    from flatten import scene
    place = scene.random_place(7)
    shot = scene.capture(place, scene.Rosette(), mount=(0.3, 0, 0.8, math.pi, 0, 0))
    known = scene.truth(place, (0, 0, 0), (0.3, 0, 0.8, math.pi, 0, 0), (0.08, 1.05))

Needs Open3D (`pip install 'flatten[desk]'`) as soon as a beam is cast. Metres and radians.
"""

from flatten.scene.capture import DUST, MIXED, OWN_ROBOT, Capture, capture
from flatten.scene.effects import CLEAN, Effects
from flatten.scene.layout import Fan, Mount, Pose, Slice
from flatten.scene.nursery import nursery, random_place
from flatten.scene.place import Hits, Place, Raycaster
from flatten.scene.sensors import Rays, Rosette, Rotating, Sensor
from flatten.scene.truth import ObjectTruth, SliceTruth, objects_in_bins, truth

__all__ = [
    "CLEAN",
    "DUST",
    "MIXED",
    "OWN_ROBOT",
    "Capture",
    "Effects",
    "Fan",
    "Hits",
    "Mount",
    "ObjectTruth",
    "Place",
    "Pose",
    "Raycaster",
    "Rays",
    "Rosette",
    "Rotating",
    "Sensor",
    "Slice",
    "SliceTruth",
    "capture",
    "nursery",
    "objects_in_bins",
    "random_place",
    "truth",
]
