"""The numba half: arrays and numbers in, arrays out.

Nothing here knows a profile, a file or a class of the library; whoever calls has checked what it
hands over. There are two halves. The fast one works on blocks in float32, eight returns at a time:
`gather` (memory to coordinates), `sieve` and `pack` (what may be of a slice's height), `sift` (level
axes and bins, and how sure of it), `levels` and `bands` (slices), `scatter` (the nearest of each bin)
and `lists` (all of a slice). The exact one takes single returns in float64: `place`, `zones` (blind
zones), `settle` (what the fast half was not sure of), `merge` (the winners). `sweep` drives both.

`beams` drives the second pass, what the beams passed: `stretches` and `strides` are its fast half,
`witness` its exact one. `accept` (min_hits: it judges the first returns of a bin itself, and the rest
by `company`) and `answer` (what every bin says) come after the passes.
"""
