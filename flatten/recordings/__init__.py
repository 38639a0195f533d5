"""Recordings: a stream of (time, cloud, pose) out of bag files, MCAP files and folders of clouds.

`open_recording` opens one, `Recording.frames` reads it a cloud at a time, `Recording.trajectory` says
where the robot was. What is damaged, missing or out of order is told in `Recording.faults` and
`Trajectory.faults`, and never mended in silence.
"""

from flatten.recordings.opening import open_recording
from flatten.recordings.recording import Frame, Mark, Recording
from flatten.recordings.trajectory import Trajectory
from flatten.recordings.trajectory_files import read_trajectory

__all__ = ["Frame", "Mark", "Recording", "Trajectory", "open_recording", "read_trajectory"]
