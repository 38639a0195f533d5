"""The stamps of clouds, watched as they go by: back, twice, gaps, none at all."""

from __future__ import annotations

from array import array

import numpy as np

GAP_STEPS = 2.5
"""A step is a gap from so many usual (median) steps on: two frames are missing at least, or one and some."""
MOST_KEPT = 1 << 20
"""Steps that are kept for the median; 29 hours at 10 Hz, 8 MB."""


class Stamps:
    """Counts what is wrong with stamps in recorded order."""

    def __init__(self) -> None:
        self.count = self.back = self.twice = self.unset = 0
        self.worst_back = 0
        self.first = self.last = 0
        self._steps = array("q")

    def add(self, time: int, logged: int) -> None:
        """Look at the next stamp (ns)."""
        if self.count == 0:
            self.first = time
        else:
            step = time - self.last
            self.back += step < 0
            self.twice += step == 0
            self.worst_back = max(self.worst_back, -step)
            if len(self._steps) < MOST_KEPT:
                self._steps.append(step)
        self.count += 1
        self.last = time

    @property
    def step(self) -> float | None:
        """The usual step, seconds; None where there is none."""
        ahead = [step for step in self._steps if step > 0]
        return float(np.median(ahead)) / 1e9 if ahead else None

    def gaps(self) -> list[float]:
        """Steps that are much longer than usual, seconds."""
        usual = self.step
        if usual is None:
            return []
        return [step / 1e9 for step in self._steps if step / 1e9 > GAP_STEPS * usual]

    def faults(self) -> list[str]:
        """What is wrong, in words."""
        told = []
        if self.back:
            told.append(
                f"time runs backward: {self.back} clouds are older than the one before, by up to "
                f"{self.worst_back / 1e9:.3g} s"
            )
        if self.twice:
            told.append(f"{self.twice} clouds have the stamp of the one before")
        gaps = self.gaps()
        if gaps:
            told.append(
                f"{len(gaps)} gap{'s' if len(gaps) > 1 else ''} between clouds, the longest "
                f"{max(gaps):.3g} s (usual step {self.step:.3g} s)"
            )
        return told
