"""Turn 3-D lidar clouds into planar range scans that a rover can trust.

    import flatten
    profile = flatten.Profile.load("rover.yaml")
    flattener = flatten.Flattener(profile)
    scans = flattener.flatten(flatten.read_cloud("aisle.pcd"), attitude=(roll, pitch))

Metres, seconds and radians throughout; only the profile file speaks of degrees.

Names are loaded when they are first used, so that the command line answers `--help` without the
compiler; `from flatten import …` and `flatten.…` work alike.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from flatten.version import __version__

if TYPE_CHECKING:
    from flatten.attitude import Attitude
    from flatten.cloud import Cloud
    from flatten.errors import (
        AttitudeError,
        CloudError,
        FlattenError,
        MapError,
        MissingPartError,
        MotionError,
        OutputError,
        PageError,
        ProfileError,
        RecordingError,
        TuningError,
    )
    from flatten.files import read_cloud
    from flatten.flattener import Flattener
    from flatten.health import Health, Trouble
    from flatten.motion import Motion, Stamped, Turning
    from flatten.profile import Profile
    from flatten.recordings import Recording, Trajectory, open_recording, read_trajectory
    from flatten.scan import Counts, Scan, State

__all__ = [
    "Attitude",
    "AttitudeError",
    "Cloud",
    "CloudError",
    "Counts",
    "FlattenError",
    "Flattener",
    "Health",
    "MapError",
    "MissingPartError",
    "Motion",
    "MotionError",
    "OutputError",
    "PageError",
    "Profile",
    "ProfileError",
    "Recording",
    "RecordingError",
    "Scan",
    "Stamped",
    "State",
    "Trajectory",
    "Trouble",
    "TuningError",
    "Turning",
    "__version__",
    "open_recording",
    "read_cloud",
    "read_trajectory",
]

_HOMES = {
    **dict.fromkeys(
        (
            "AttitudeError",
            "CloudError",
            "FlattenError",
            "MapError",
            "MissingPartError",
            "MotionError",
            "OutputError",
            "PageError",
            "ProfileError",
            "RecordingError",
            "TuningError",
        ),
        "errors",
    ),
    **dict.fromkeys(("Counts", "Scan", "State"), "scan"),
    "Attitude": "attitude",
    **dict.fromkeys(("Motion", "Stamped", "Turning"), "motion"),
    "Cloud": "cloud",
    "Flattener": "flattener",
    **dict.fromkeys(("Health", "Trouble"), "health"),
    "Profile": "profile",
    **dict.fromkeys(("Recording", "Trajectory", "open_recording", "read_trajectory"), "recordings"),
    "read_cloud": "files",
}
"""In which module each name of the library lives; the imports above say the same to type checkers."""

_ROOMS = (
    "attitude",
    "cloud",
    "errors",
    "files",
    "flattener",
    "frames",
    "health",
    "mapping",
    "motion",
    "profile",
    "recordings",
    "scan",
    "scene",
    "tuning",
    "warmup",
)
"""Modules that `flatten.…` reaches without an import of their own."""


def __getattr__(name: str) -> Any:
    """Load a name, or a module, when it is first asked for (PEP 562)."""
    if name in _HOMES:
        value = getattr(import_module(f"flatten.{_HOMES[name]}"), name)
        globals()[name] = value
        return value
    if name in _ROOMS:
        return import_module(f"flatten.{name}")
    raise AttributeError(f"module 'flatten' has no attribute {name!r}")


def __dir__() -> list[str]:
    """List what there is, loaded or not."""
    return sorted({*globals(), *__all__, *_ROOMS})
