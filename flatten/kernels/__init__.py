"""The numba half: arrays and numbers in, arrays out.

Nothing here knows a profile, a file or a class of the library; whoever calls has checked what it
hands over. Read in the order of the way of the data: `sweep` drives `gather` (bytes to
coordinates), `place` (sensor axes to level axes and bins), `zones` (blind zones), `gate` (slices
and their tables) and `witness` (what the beams passed), then `accept` (min_hits) and `answer`
(what every bin says).
"""
