"""The numba half: arrays and numbers in, arrays out.

Nothing here knows a profile, a file or a class of the library; whoever calls has checked what it
hands over. There are two halves. The fast one works on blocks in float32, eight returns at a time:
`gather` (bytes to coordinates), `sift` (level axes, bins, slices, and how sure of it), `scatter` (the
nearest of each bin). The exact one takes single returns in float64: `place`, `zones` (blind zones),
`settle` (what the fast half was not sure of). `sweep` drives both; `beams` drives `witness` (what the
beams passed); `accept` (min_hits) and `answer` (what every bin says) come after the passes.
"""
