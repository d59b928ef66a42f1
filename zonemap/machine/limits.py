"""What the spreader can do with a planned rate, and what that changes."""

from __future__ import annotations

import numpy as np

from zonemap.values.arrays import FloatArray
from zonemap.values.season import Spreader


def clamp_and_round(planned_kg_ha: FloatArray, spreader: Spreader, *, step_kg_ha: float) -> FloatArray:
    """Nearest rates the machine can spread.

    A rate below the machine's least goes to that least or to nothing, whichever is nearer; above its most it is cut;
    the rest is rounded to a multiple of the step, half up, and never out of the limits.

    Parameters
    ----------
    planned_kg_ha
        (zones,) product rates.
    step_kg_ha
        Rounding step used where the spreader states none.

    Returns
    -------
    FloatArray
        (zones,) kg/ha.

    Examples
    --------
    >>> limits = Spreader(min_rate_kg_ha=40.0, max_rate_kg_ha=400.0, step_kg_ha=5.0)
    >>> clamp_and_round(np.array([10.0, 30.0, 52.5, 999.0]), limits, step_kg_ha=1.0).tolist()
    [0.0, 40.0, 55.0, 400.0]
    """
    step = spreader.step_kg_ha or step_kg_ha
    least, most = spreader.min_rate_kg_ha, spreader.max_rate_kg_ha
    # a hair above half a step, so that 52.5 in decimal steps rounds up whatever its last bit
    rounded = np.floor(planned_kg_ha / step + 0.5 + 1e-9) * step
    rounded = np.where(rounded > most, np.floor(most / step + 1e-9) * step if np.isfinite(most) else rounded, rounded)
    raised = np.where(rounded < least, np.ceil(least / step - 1e-9) * step, rounded)
    return np.asarray(np.where(planned_kg_ha < least / 2, 0.0, raised))
