"""What the field's pattern may be made of: correlation by place, by lines in covariates, by likeness of covariates.

A signal is a correlation model at one range, a mix of three parts whose shares sum to 1:

- place: near places are alike (the families of `zonemap.geostat.covariance`);
- line: a sum of straight lines in the covariates with random slopes, all slopes of one size, so that many covariates
  shrink one another: a ridge regression (Hoerl & Kennard 1970, Technometrics 12:55-67);
- likeness: places with like covariates are alike, however far apart: ``exp(-d)``, d the root mean squared distance of
  standardised covariates (Rasmussen & Williams 2006, Gaussian Processes for Machine Learning, sections 2.1 and 4.2).

Without covariates a little of a line in the coordinates, a trend across the field, goes with place. The mixes are
weighed by likelihood, as ranges are; straight lines without shrinkage (external drift) are columns of `Places.drift`
instead.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from zonemap.geostat.covariance import CORRELATIONS, PRACTICAL_RANGE, distances, nearest_gap_m
from zonemap.values.arrays import FloatArray, IntArray, frozen_floats
from zonemap.values.variogram import Family

#: ``"auto"`` is several families: all weighed by likelihood, or the likeliest plugged in.
FamilyChoice = Literal["auto", "spherical", "exponential", "matern_3_2", "matern_5_2"]
#: Of which the likelier is plugged in.
_LIKELIER_OF: tuple[Family, ...] = ("exponential", "matern_3_2")
#: Which are weighed by likelihood, so that fields of either kind are met with the right spread.
_ROUGH_AND_SMOOTH: tuple[Family, ...] = ("exponential", "matern_5_2")
#: Prior weights of families, 1 where none is named. A choice of this package, made on simulated fields: where a rough
#: one is taken for smooth little is lost, the other way round intervals are too wide.
_FAMILY_WEIGHT: dict[Family, float] = {"matern_5_2": 3.0}

#: Shares of place, line and likeness.
Mix = tuple[float, float, float]
PLACE: tuple[Mix, ...] = ((1.0, 0.0, 0.0),)
#: The features are coordinates. On 54 real cases the error is .797 of the fold mean's with this, .799 without the line.
TREND: tuple[Mix, ...] = ((0.85, 0.15, 0.0),)
#: The features are covariates. On 42 real cases the error is .718 of the fold mean's with these mixes, .722 with the
#: pure ones among them.
COVARIATES: tuple[Mix, ...] = (
    (1.0, 0.0, 0.0), (0.6, 0.2, 0.2), (0.34, 0.33, 0.33), (0.2, 0.6, 0.2), (0.2, 0.2, 0.6), (0.0, 0.5, 0.5),
)  # fmt: skip
_RANGES = 14
#: of each of several families: on those 54 cases no worse
_FEWER_RANGES = 7

#: A feature whose spread is below this share of its greatest value is constant.
_CONSTANT = 1e-9
#: Beyond the sampled values by more than this share of their span, a feature counts as that far: a line fitted to the
#: samples says nothing out there, and on a log scale it would explode.
_BEYOND = 0.25

#: Probability that the practical range is below the median distance to the nearest neighbour (the prior's scale).
_SHORT_RANGE_PROBABILITY = 0.01


@dataclass(frozen=True, slots=True)
class Places:
    """Points, in the axes of the covariance, and what is known there.

    Attributes
    ----------
    xy
        (m, 2) coordinates in which correlation depends on distance alone, m.
    features
        (m, p) standardised covariates or coordinates; p may be 0.
    drift
        (m, q) columns whose coefficients are wholly unknown: ones for a constant mean.
    """

    xy: FloatArray
    features: FloatArray
    drift: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "xy", frozen_floats(self.xy, shape=(None, 2)))
        object.__setattr__(self, "features", frozen_floats(self.features, shape=(len(self.xy), None)))
        object.__setattr__(self, "drift", frozen_floats(self.drift, shape=(len(self.xy), None)))

    @classmethod
    def plain(cls, xy: FloatArray) -> Places:
        """Places with a constant mean and no feature."""
        return cls(xy, np.empty((len(xy), 0)), np.ones((len(xy), 1)))

    def part(self, rows: slice | IntArray) -> Places:
        """Some of the places."""
        return Places(self.xy[rows], self.features[rows], self.drift[rows])

    def __len__(self) -> int:
        return len(self.xy)


@dataclass(frozen=True, slots=True)
class Signal:
    """One correlation model: family and range of the part of place, and the shares of the three parts."""

    family: Family
    range_m: float
    place: float = 1.0
    line: float = 0.0
    likeness: float = 0.0


@dataclass(frozen=True, slots=True)
class Standard:
    """How features are standardised: by the spread of those sampled, so that their unit does not count.

    Attributes
    ----------
    centre, spread, least, most
        (p,) of the features that differ between the sites.
    kept
        Which of the features those are.
    """

    centre: FloatArray
    spread: FloatArray
    least: FloatArray
    most: FloatArray
    kept: IntArray

    @classmethod
    def of(cls, sampled: FloatArray) -> Standard:
        """By the (n, p) features of the sites."""
        span = np.ptp(sampled, axis=0)
        kept = np.flatnonzero(span > _CONSTANT * np.abs(sampled).max(axis=0, initial=0.0))
        sampled = sampled[:, kept]
        beyond = _BEYOND * span[kept]
        return cls(
            sampled.mean(axis=0), sampled.std(axis=0), sampled.min(axis=0) - beyond, sampled.max(axis=0) + beyond, kept
        )

    def __call__(self, features: FloatArray) -> FloatArray:
        """(m, kept) standardised features, those far beyond what was sampled taken back."""
        return np.asarray((np.clip(features[:, self.kept], self.least, self.most) - self.centre) / self.spread)


def weighed_families(choice: FamilyChoice) -> tuple[Family, ...]:
    """Families that are weighed by likelihood."""
    return _ROUGH_AND_SMOOTH if choice == "auto" else (choice,)


def families_of(choice: FamilyChoice) -> tuple[Family, ...]:
    """Families of which the likelier is plugged in."""
    return _LIKELIER_OF if choice == "auto" else (choice,)


def range_grid(xy: FloatArray, family: Family, *, count: int = _RANGES) -> FloatArray:
    """(count,) ranges spaced evenly in the logarithm, m.

    The practical range runs from the median distance to the nearest neighbour (nothing shorter can be seen) to three
    diagonals of the sampled box (anything longer looks like a straight line).
    """
    diagonal = float(np.hypot(*np.ptp(xy, axis=0)))
    return np.asarray(np.geomspace(nearest_gap_m(xy), 3.0 * diagonal, count) / PRACTICAL_RANGE[family])


def signals_of(xy: FloatArray, families: tuple[Family, ...], mixes: tuple[Mix, ...]) -> tuple[Signal, ...]:
    """Every signal that is weighed for (n, 2) sites, those of one family and range together."""
    count = _RANGES if len(families) == 1 and len(mixes) == 1 else _FEWER_RANGES
    signals = []
    for family in families:
        for k, range_m in enumerate(range_grid(xy, family, count=count).tolist()):
            # a mix without place has no range: it is weighed once
            once = k == 0 and family == families[0]
            signals += [Signal(family, range_m, *mix) for mix in mixes if mix[0] > 0 or once]
    return tuple(signals)


def log_prior(signals: tuple[Signal, ...], xy: FloatArray) -> FloatArray:
    """(signals,) log prior weights: every mix alike, a smooth family three times a rough one, ranges by complexity.

    Notes
    -----
    The prior of the range a in two dimensions is ``l a^-2 exp(-l / a)`` (Fuglstad, Simpson, Lindgren & Rue 2019,
    Constructing priors that penalize the complexity of Gaussian random fields, Journal of the American Statistical
    Association 114:445-452, theorem 2.6; number from memory), with l such that the practical range is below the median
    gap of the samples with probability 0.01.
    """
    gap_m = nearest_gap_m(xy)
    groups: dict[tuple[Family, float, float], list[int]] = {}
    log_weight = np.zeros(len(signals))
    for k, signal in enumerate(signals):
        if signal.place > 0:
            rate = -math.log(_SHORT_RANGE_PROBABILITY) * gap_m / PRACTICAL_RANGE[signal.family]
            # a density by log range: the grid is even in that
            log_weight[k] = math.log(rate / signal.range_m) - rate / signal.range_m
            groups.setdefault((signal.family, signal.place, signal.line), []).append(k)
    weight = {signal.family: _FAMILY_WEIGHT.get(signal.family, 1.0) for signal in signals}
    for (family, _, _), members in groups.items():
        share = weight[family] / sum(weight.values())
        log_weight[members] += math.log(share) - np.logaddexp.reduce(log_weight[members])
    return log_weight


def site_correlations(signals: tuple[Signal, ...], sites: Places) -> Iterator[FloatArray]:
    """(n, n) correlation of the sites under each signal, in turn."""
    between = distances(sites.xy, sites.xy)
    line, likeness = feature_correlations(signals, sites, sites)
    for signal in signals:
        place = CORRELATIONS[signal.family](between / signal.range_m) if signal.place > 0 else None
        yield mixed(signal, place, line, likeness)


def mixed(signal: Signal, place: FloatArray | None, line: FloatArray | None, likeness: FloatArray | None) -> FloatArray:
    """Sum of the parts of a signal by their shares; a part without a share may be ``None``."""
    shares = (signal.place, signal.line, signal.likeness)
    parts = [
        share * part
        for share, part in zip(shares, (place, line, likeness), strict=True)
        if share > 0 and part is not None
    ]
    return parts[0] if len(parts) == 1 else np.asarray(sum(parts[1:], start=parts[0]))


def feature_correlations(
    signals: tuple[Signal, ...], sites: Places, targets: Places
) -> tuple[FloatArray | None, FloatArray | None]:
    """(n, m) line and likeness between sites and targets; ``None`` where no signal has a share of them."""
    if all(signal.line == 0 and signal.likeness == 0 for signal in signals):
        return None, None
    p = sites.features.shape[1]
    line = sites.features @ targets.features.T / p
    if all(signal.likeness == 0 for signal in signals):
        return line, None
    squared = np.square(sites.features).sum(axis=1)[:, None] + np.square(targets.features).sum(axis=1)[None, :]
    return line, np.exp(-np.sqrt(np.maximum(squared / p - 2.0 * line, 0.0)))


def own_line(targets: Places) -> FloatArray:
    """(m,) what `line` is of a target with itself; 0 without features."""
    return np.asarray(np.square(targets.features).sum(axis=1) / max(targets.features.shape[1], 1))
