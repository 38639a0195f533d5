"""Where in the tables the keys of a slice are: in groups of TABLES rows, one group a level or a slice."""

LEVEL_LOW, LEVEL_BEYOND, FIRST_GROUP, BEYOND_GROUP = range(4)
"""Columns of a span, one a slice: its first level and the one beyond its last (0 and 0 if it is no levels),
its first group and the one beyond its last (the same if its returns go into a list). With
`pick: farthest` the group for the nearest is followed by one for the farthest."""
