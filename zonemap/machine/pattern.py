"""Spread patterns across the line of travel, and how even neighbouring passes make them."""

from __future__ import annotations

import math

import numpy as np

from zonemap.values.season import Spreader
from zonemap.values.spread_pattern import SpreadPattern

#: evenness across travel: acceptable up to the one, above the other crops lose yield (Forristal, Teagasc)
ACCEPTABLE_CV, HARMFUL_CV = 0.15, 0.20
#: flank of a pattern without overlap, m: a jump that still adds up to one on the line between two passes
_SHARP_M = 1e-6


def flat_pattern(*, swath_m: float, overlap_share: float) -> SpreadPattern:
    """Flat core with linear flanks; passes one swath apart add up to an even rate.

    Parameters
    ----------
    overlap_share
        Width of each flank as a share of the swath, 0 to 1: 0 throws one swath with sharp edges, 1 a triangle of two.

    Examples
    --------
    >>> flat_pattern(swath_m=20.0, overlap_share=0.5).position_m.tolist()
    [-15.0, -5.0, 5.0, 15.0]
    """
    flank = max(overlap_share * swath_m, _SHARP_M)
    outer, inner = (swath_m + flank) / 2, (swath_m - flank) / 2
    if inner <= 0:
        return SpreadPattern(np.array([-outer, 0.0, outer]), np.array([0.0, 1.0, 0.0]))
    return SpreadPattern(np.array([-outer, -inner, inner, outer]), np.array([0.0, 1.0, 1.0, 0.0]))


def pattern_of(spreader: Spreader, *, swath_m: float) -> SpreadPattern:
    """Measured pattern of a spreader, or a flat one."""
    return spreader.pattern or flat_pattern(swath_m=swath_m, overlap_share=spreader.overlap_share)


def overlap_cv(pattern: SpreadPattern, *, swath_m: float, back_and_forth: bool = True) -> float:
    """Coefficient of variation across travel of what many passes lay down together, a fraction.

    Parameters
    ----------
    back_and_forth
        Every other pass runs the other way, which mirrors the pattern; otherwise round and round, all the same way.

    Notes
    -----
    The sum of the passes is linear between the pans of all of them, so two Gauss points in each piece give its mean
    and its mean square exactly.

    Examples
    --------
    A triangle thrown once, without a neighbour's help, has a mean of half its peak and a variance of peak squared / 12.

    >>> triangle = SpreadPattern([-10.0, 0.0, 10.0], [0.0, 1.0, 0.0])
    >>> round(overlap_cv(triangle, swath_m=20.0), 4), round(1 / 3**0.5, 4)
    (0.5774, 0.5774)
    """
    passes = 2 if back_and_forth else 1
    period = passes * swath_m
    reach = math.ceil(pattern.reach_m / swath_m) + 1
    line = np.arange(-reach, passes + reach + 1)
    sense = np.where(line % 2 == 0, 1.0, -1.0) if back_and_forth else np.ones(line.size)
    pans = (
        np.add.outer(line * swath_m, pattern.position_m)
        if not back_and_forth
        else (line[:, None] * swath_m + sense[:, None] * pattern.position_m)
    )
    knots = np.unique(np.concatenate([[0.0, period], pans[(pans > 0) & (pans < period)]]))
    width = np.diff(knots)
    gauss = np.array([0.5 - math.sqrt(3) / 6, 0.5 + math.sqrt(3) / 6])
    across = knots[:-1] + np.multiply.outer(gauss, width)
    laid = pattern.density((across - line[:, None, None] * swath_m) * sense[:, None, None]).sum(axis=0)
    mean = float((laid * width).sum() / 2 / period)
    square = float((laid**2 * width).sum() / 2 / period)
    return math.sqrt(max(square - mean**2, 0.0)) / mean
