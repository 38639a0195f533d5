"""Clouds of a moving body brought to one moment, by the profile's mount and past its blind zones."""

from __future__ import annotations

import numpy as np

from flatten.carrying import carry_cloud
from flatten.cloud import Cloud
from flatten.frames import Matrix
from flatten.motion import Motion
from flatten.plan import make_plan
from flatten.profile import Profile
from flatten.tuning.near import pose_of


class Stiller:
    """Brings clouds to one moment each. What lies in a blind zone is the robot's own, and stays where it is.

    A mount that is off by a small angle makes an error of that angle times the one by which the body turned
    within the cloud: 1° and 2° of shaking make 0.03°.
    """

    def __init__(self, profile: Profile) -> None:
        self._zones = make_plan(profile).zones
        self._body_from_sensor = pose_of(profile.mount)

    def bring(self, cloud: Cloud, motion: Motion) -> tuple[Cloud, Matrix]:
        """Give the cloud at `motion.at` (else its latest return), and (4, 4) odom_from_body then.

        Raises MotionError where cloud and motion do not fit.
        """
        carried = carry_cloud(cloud, motion, self._body_from_sensor, zones=self._zones)
        return carried.cloud, motion.matrices(np.array([carried.at]))[0]
