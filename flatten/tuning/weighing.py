"""Several estimates of the same numbers, weighed into one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from flatten.frames import Matrix
from flatten.tuning.patches import Numbers


class Weighed(NamedTuple):
    """One estimate out of several."""

    values: Numbers
    """(P,) as far as they were given."""
    sigmas: Numbers
    """(P,) standard errors, widened where the estimates disagree by more than theirs."""
    disagreement: Numbers
    """(P,) scatter between the estimates over what their own errors explain, squared; 0 for a single one."""


def weigh(
    values: Sequence[Numbers], influences: Sequence[Numbers], information: Sequence[Matrix] | None = None
) -> Weighed:
    """Weigh estimates by what they know.

    Parameters
    ----------
    values:
        (P,) each.
    influences:
        (K, P) each: how far source k of error moves the estimate, one sigma. What two estimates have
        in common stands in the same row, and is not made surer by repetition: of a robot that has not
        moved, the gravel is the same in every cloud.
    information:
        (P, P) each, the weights. By default from the influences; where several numbers are weighed
        at once that would trust chance correlations between them.

    Where the estimates disagree more than that explains (95 % of chi-square), something else than their
    errors moves them: the plain mean is taken then, and its error from their scatter.

    """
    if information is None:
        information = [np.linalg.inv(part.T @ part) for part in influences]
    total = np.sum(information, axis=0)
    shares = [np.linalg.solve(total, part) for part in information]
    middle = np.sum([share @ part for share, part in zip(shares, values, strict=True)], axis=0)
    influence = np.sum([part @ share.T for share, part in zip(shares, influences, strict=True)], axis=0)
    sigmas = np.sqrt(np.square(influence).sum(axis=0))
    k = len(values)
    if k == 1:
        return Weighed(middle, sigmas, np.zeros(len(middle)))
    apart = np.array(values) - middle
    own = np.array([np.square(part - influence).sum(axis=0) for part in influences])
    chance = (apart**2 / np.maximum(own, 1e-16)).sum(axis=0) / k
    plain = np.mean(values, axis=0)
    between = np.std(values, axis=0, ddof=1) / math.sqrt(k)
    wide = chance > surprising(k - 1)
    return Weighed(np.where(wide, plain, middle), np.where(wide, np.maximum(sigmas, between), sigmas), chance)


def surprising(freedom: int) -> float:
    """95 % point of chi-square over its degrees of freedom, by Wilson & Hilferty 1931 (within 3 %)."""
    part = 2.0 / (9.0 * max(freedom, 1))
    return float((1.0 - part + 1.645 * math.sqrt(part)) ** 3)
