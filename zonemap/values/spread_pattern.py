"""How a spreader throws across its line of travel: what pans set out across it caught."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from zonemap.values.arrays import FloatArray, frozen_floats


@dataclass(frozen=True, slots=True)
class SpreadPattern:
    """Mass caught across the line of travel; linear between pans, nothing beyond the outermost.

    Attributes
    ----------
    position_m
        (pans,) strictly rising distances from the line of travel, right of it positive.
    mass
        (pans,) what each caught, in any one unit; none negative, some positive.
    """

    position_m: FloatArray
    mass: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "position_m", frozen_floats(self.position_m, shape=(None,)))
        object.__setattr__(self, "mass", frozen_floats(self.mass, shape=self.position_m.shape))
        if np.any(np.diff(self.position_m) <= 0) or np.any(self.mass < 0) or not self.total > 0:
            msg = "pans must lie in rising order and have caught something, none of them less than nothing"
            raise ValueError(msg)

    @property
    def total(self) -> float:
        """Mass under the whole pattern, mass x m."""
        return float(np.sum(np.diff(self.position_m) * (self.mass[1:] + self.mass[:-1]) / 2))

    @property
    def reach_m(self) -> float:
        """Farthest distance from the line of travel at which something falls."""
        return float(np.abs(self.position_m[[0, -1]]).max())

    def density(self, across_m: npt.ArrayLike) -> FloatArray:
        """Share of what is emitted that falls on each metre across, 1/m; it integrates to 1.

        >>> SpreadPattern([-10.0, 0.0, 10.0], [0.0, 5.0, 0.0]).density([0.0, 5.0, 20.0]).tolist()
        [0.1, 0.05, 0.0]
        """
        across = np.asarray(across_m, dtype=np.float64)
        return np.asarray(np.interp(across, self.position_m, self.mass, left=0.0, right=0.0) / self.total)
