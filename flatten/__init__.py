"""Turn 3-D lidar clouds into planar range scans that a rover can trust.

    import flatten
    profile = flatten.Profile.load("rover.yaml")
    flattener = flatten.Flattener(profile)
    scans = flattener.flatten(flatten.read_cloud("aisle.pcd"), attitude=(roll, pitch))

Metres, seconds and radians throughout; only the profile file speaks of degrees.
"""

from flatten.cloud import Cloud
from flatten.errors import (
    AttitudeError,
    CloudError,
    FlattenError,
    MissingPartError,
    OutputError,
    ProfileError,
)
from flatten.files import read_cloud
from flatten.flattener import Flattener
from flatten.profile import Profile
from flatten.scan import Counts, Scan, State
from flatten.version import __version__

__all__ = [
    "AttitudeError",
    "Cloud",
    "CloudError",
    "Counts",
    "FlattenError",
    "Flattener",
    "MissingPartError",
    "OutputError",
    "Profile",
    "ProfileError",
    "Scan",
    "State",
    "__version__",
    "read_cloud",
]
