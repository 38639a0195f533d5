"""Maps: occupancy grids from scans and poses, and floor plans from registered clouds.

    from flatten.mapping import Grid, beams_of_scan
    grid = Grid(cell=0.05)
    for scan, (x, y, yaw) in drive:
        grid.enter(beams_of_scan(scan, (x, y, yaw), profile.mount))
    made = grid.finish("drive")
    made.message_fields()          # of a standard occupancy-grid message

Metres and radians. Poses are taken as they are: drift is shown (`flatten.mapping.passes`), not mended.
"""

from flatten.mapping.beams import Bare, Beams, bare_beams, beams_of_scan
from flatten.mapping.grid import Grid, Odds
from flatten.occupancy import OccupancyMap

__all__ = ["Bare", "Beams", "Grid", "OccupancyMap", "Odds", "bare_beams", "beams_of_scan"]
