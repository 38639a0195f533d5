"""What flattening costs on the board at hand, and whether that fits: measured here, on the user's own clouds.

    from flatten import budget
    found = budget.measure(profile, [flatten.read_cloud("aisle.pcd")], budget.Limits(rate=10.0, share=0.10))
    for line in budget.words(found):
        print(line)
    budget.write_json("budget.json", budget.to_dict(found))

A frame is timed stage by stage (message bytes in, cloud, kernels, scans, fields, message bytes out), if
wanted also while every core is kept busy, and again in leaner variants, so that what would help is
known and not guessed. Times are seconds, memory is bytes.
"""

from flatten.budget.board import Memory, machine, memory, versions
from flatten.budget.load import busy_cores
from flatten.budget.measuring import Budget, check_wanted, measure, steps
from flatten.budget.startup import Start, measure_startup, startup_steps
from flatten.budget.timing import STAGES, Round, Spread, time_frames
from flatten.budget.told import startup_to_dict, to_dict, write_json
from flatten.budget.variants import Gain, Variant, variants_of
from flatten.budget.verdict import BARELY, NOT, ROOM, Limits, judge, share_of
from flatten.budget.wording import startup_words, words

__all__ = [
    "BARELY",
    "NOT",
    "ROOM",
    "STAGES",
    "Budget",
    "Gain",
    "Limits",
    "Memory",
    "Round",
    "Spread",
    "Start",
    "Variant",
    "busy_cores",
    "check_wanted",
    "judge",
    "machine",
    "measure",
    "measure_startup",
    "memory",
    "share_of",
    "startup_steps",
    "startup_to_dict",
    "startup_words",
    "steps",
    "time_frames",
    "to_dict",
    "variants_of",
    "versions",
    "words",
    "write_json",
]
