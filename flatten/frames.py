"""Rotations and transforms, after REP 103: x forward, y left, z up, right-handed, radians.

A transform named `a_from_b` takes coordinates of frame b to coordinates of frame a.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Matrix = npt.NDArray[np.float64]


def rotation_x(angle: float) -> Matrix:
    """Rotate about x by `angle` rad: a (3, 3) float64 matrix."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]])


def rotation_y(angle: float) -> Matrix:
    """Rotate about y by `angle` rad; a positive angle turns the nose down."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def rotation_z(angle: float) -> Matrix:
    """Rotate about z by `angle` rad, counter-clockwise seen from above."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def rotation(roll: float, pitch: float, yaw: float) -> Matrix:
    """Fixed-axis roll, pitch, yaw (rad) about X, Y, Z: Rz(yaw)·Ry(pitch)·Rx(roll), REP 103."""
    return rotation_z(yaw) @ rotation_y(pitch) @ rotation_x(roll)


def transform(rotate: Matrix, translate: tuple[float, float, float]) -> Matrix:
    """Join a (3, 3) rotation and a translation in metres to a (4, 4) transform."""
    matrix = np.eye(4)
    matrix[:3, :3] = rotate
    matrix[:3, 3] = translate
    return matrix


def body_from_sensor(x: float, y: float, z: float, roll: float, pitch: float, yaw: float) -> Matrix:
    """Pose of the sensor in the body frame: translate by (x, y, z) m after the rotation (rad)."""
    return transform(rotation(roll, pitch, yaw), (x, y, z))


def level_from_body(roll: float, pitch: float) -> Matrix:
    """Take the body's roll and pitch (rad) out, about the body origin: Ry(pitch)·Rx(roll), no yaw."""
    return transform(rotation_y(pitch) @ rotation_x(roll), (0.0, 0.0, 0.0))
