"""Made-up places and sensors with known truth: for sample clouds, tests and benchmarks.

    from flatten import scene
    place = scene.random_place(7)
    shot = scene.capture(place, scene.Rosette(), mount=(0.3, 0, 0.8, math.pi, 0, 0))
    known = scene.truth(place, (0, 0, 0), (0.3, 0, 0.8, math.pi, 0, 0), (0.08, 1.05))

Needs Open3D (`pip install 'flatten[desk]'`) as soon as a beam is cast. Metres and radians.
"""

from flatten.scene.capture import DUST, GHOST, MIXED, OWN_ROBOT, Capture, capture
from flatten.scene.course import Course
from flatten.scene.cover import Cover, Wet, grass
from flatten.scene.effects import CLEAN, Effects
from flatten.scene.ground import Edges, Ground, GroundFaces
from flatten.scene.ground_truth import Drops, KnownReturns, drops_in_bins, known_returns, scan_places
from flatten.scene.layout import Fan, Mount, Pose, Slice
from flatten.scene.moving import Drive, Held, Mover, Shake, measured_poses, walker
from flatten.scene.nursery import nursery, random_place
from flatten.scene.outdoors import Kind, Outdoors, Thing, stood
from flatten.scene.pieces import Piece
from flatten.scene.place import Hits, Place, Raycaster
from flatten.scene.random_ground import random_ground
from flatten.scene.sensors import Rays, Rosette, Rotating, Sensor
from flatten.scene.standing import Stance, stand
from flatten.scene.truth import ObjectTruth, SliceTruth, objects_in_bins, truth

__all__ = [
    "CLEAN",
    "DUST",
    "GHOST",
    "MIXED",
    "OWN_ROBOT",
    "Capture",
    "Course",
    "Cover",
    "Drive",
    "Drops",
    "Edges",
    "Effects",
    "Fan",
    "Ground",
    "GroundFaces",
    "Held",
    "Hits",
    "Kind",
    "KnownReturns",
    "Mount",
    "Mover",
    "ObjectTruth",
    "Outdoors",
    "Piece",
    "Place",
    "Pose",
    "Raycaster",
    "Rays",
    "Rosette",
    "Rotating",
    "Sensor",
    "Shake",
    "Slice",
    "SliceTruth",
    "Stance",
    "Thing",
    "Wet",
    "capture",
    "drops_in_bins",
    "grass",
    "known_returns",
    "measured_poses",
    "nursery",
    "objects_in_bins",
    "random_ground",
    "random_place",
    "scan_places",
    "stand",
    "stood",
    "truth",
    "walker",
]
