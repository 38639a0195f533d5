"""A profile to begin with: the nursery rover, every key explained."""

from __future__ import annotations

_TEXT = """\
# Profile of a tracked rover in a plant nursery, for flatten. Change every number to yours.
#
# Lengths in metres, angles in DEGREES (only here: the library itself speaks of radians).
# Body frame: x forward, y left, z up; its origin lies on the floor under the robot's centre.
# A planar scan is not a personnel-safety device. Try each change with the tracks off the ground
# and the emergency stop in reach, and follow the rules that hold at your place.

robot:
  length: 0.95        # along x, centred on the origin
  width: 0.72         # along y
  height: 0.88        # highest rigid part
  step: 0.08          # tallest step it climbs
  drop: 0.06          # deepest drop it takes (left out: as step)
  clearance: 0.15     # air wanted above its height, under hanging pipes and bench tops

mount:                # the sensor in the body frame: turn by roll, pitch, yaw, then move to x, y, z
  x: 0.34             # forward of the robot's centre
  y: -0.09            # left of it; negative is right
  z: 0.61             # above the floor
  roll: 0.0           # degrees; positive is left side up
  pitch: 12.0         # degrees; positive is nose DOWN
  yaw: 0.0            # degrees; positive is to the left

level: gravity        # gravity: the attitude passed in keeps the slices level; body: they tilt along;
                      # floor: heights are measured from the floor fitted to each frame

slices:               # one scan each; returns from bottom up to (not with) top are obstacles
  drive:              # what the robot could hit
    bottom: 0.08      # robot.step: lower sees lower kerbs, and sooner the floor itself
    top: 1.03         # height + clearance: higher takes pipes for obstacles that it passes under
    rise: 0.0         # m per m: lets the bottom grow with distance; more on a shaking frame
    drops: off        # on: edges deeper than robot.drop are reported too; needs level: floor
  walls:              # what stays where it is, for a mapper
    bottom: 1.20
    top: 1.80
    pick: farthest    # nearest (for driving, default) or farthest (walls behind leaves)
    min_hits: 2       # returns that must agree, in a bin and its two neighbours; default 1
    within: 0.2       # depth in which they must lie; default 0.2

fan:                  # bearings counter-clockwise, 0 ahead, 90 left; the rear half is 90 to 270
  first: -180         # degrees
  last: 180           # degrees; first < last <= first + 360
  bins: 1440          # 0.25 degrees each; at most 36,000

reach:                # horizontal distance from the sensor, both ends inclusive
  near: 0.30
  far: 25.0

clear:                # when may a bin say CLEAR? `clear: off` never does
  smallest: 0.4       # height of the smallest standing object it speaks for
  from: 1.5           # beams must have passed from at most here ...
  to: 8.0             # ... to at least here; at most reach.far

blind_zones:          # parts of the robot that the sensor sees: returns inside are swallowed.
                      # Keep them small: a person standing in one is not reported either.
                      # Body frame, borders inclusive; each has a name and one box, sector or cylinder.
  - name: hull
    box: {x: [-0.48, 0.48], y: [-0.36, 0.36], z: [0.0, 0.5]}
  - name: mast        # counter-clockwise from first to last about the sensor: here 20 degrees astern
    sector: {first: 170, last: -170, far: 0.6, z: [0.0, 0.9]}
  - name: lamp
    cylinder: {x: 0.4, y: 0.3, radius: 0.06, z: [0.5, 0.9]}

floor:                # of use with `level: floor` alone
  slope: 20           # degrees: what is steeper is no floor; above 0, at most 45
  memory: 1.0         # s: how long the floor found in a cell is kept while no frame tells of the cell

window: off           # one frame a scan. To gather several, so that more bins answer (and what moves may
                      # leave a trail), say how many, at most 100, or how old they may be, at most 10 s.
                      # Every frame then comes with its motion; 100 frames and 4,000,000 returns at most:
# window: {frames: 5}
# window: {seconds: 0.5}

health:               # when the stream of frames is worth a word
# rate: 10            # frames a second that should come; left out: learnt from what comes
  late: 1.5           # periods: a longer wait than this makes a frame late
  missing: 0.1        # share of the frames that may fail to come
  answered: 0.5       # share of the usual number of answered bins; fewer: is the sensor's window dirty?
  swallowed: 0.5      # share of the returns that blind zones may swallow
  floor_height: 0.05  # m from the declared floor to the one found under the robot: has the mount slipped?
  floor_tilt: 2.0     # degrees between the two
  attitude_age: 0.1   # s between a frame and its attitude: more is worth a word ...
  attitude_stale: 0.5 # ... and more than this is refused, as heights would be wrong
"""


def starter_text() -> str:
    """Give a commented profile (YAML) that loads as it is and explains every key."""
    return _TEXT
