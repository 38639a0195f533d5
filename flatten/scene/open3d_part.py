"""The door to Open3D, which a rover does not carry."""

from __future__ import annotations

from typing import Any

SYSTEM_PACKAGES = "libusb-1.0-0 libgl1 libegl1 libx11-6 libgomp1"
"""Debian packages with the shared libraries that the Open3D wheel loads."""


def load_open3d(needed_by: str = "made-up places need") -> Any:
    """Import Open3D and hand out the module; `needed_by` begins the words where it is not there.

    Raises MissingPartError, naming what to install, where the package or one of the shared
    libraries that it loads is not there.
    """
    from flatten.errors import MissingPartError  # noqa: PLC0415

    try:
        import open3d  # noqa: PLC0415
    except (ImportError, OSError) as error:
        raise MissingPartError(
            f"{needed_by} Open3D, which does not load ({error}): pip install 'flatten[desk]'; "
            f"on Debian also: apt-get install {SYSTEM_PACKAGES}"
        ) from error
    return open3d
