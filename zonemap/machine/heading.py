"""The direction of travel that lays down most of a prescription as it was meant."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from zonemap.machine.delivery import Drive
from zonemap.values.arrays import FloatArray
from zonemap.values.delivery import HeadingScores
from zonemap.values.prescription import Prescription

_HALF_TURN_DEG = 180
#: shares that differ by less are equals
_SAME_SHARE = 1e-4


def best_heading(
    prescription: Prescription,
    drive: Drive | None,
    *,
    coarse_deg: int = 15,
    fine_deg: int = 5,
    going: Callable[[], None] = lambda: None,
) -> HeadingScores | None:
    """Try headings all around in coarse steps, then in fine ones beside the best; ``None`` without a drive.

    Headings from 0 up to 180 degrees are tried: the other way along the same lines is the same work. `going` is called
    before each; what it raises ends the work.

    Notes
    -----
    The score is the share of the area off by no more than a tenth, mean over the applications. Of equal shares the
    heading with fewer passes is better, then the smaller one.
    """
    if drive is None:
        return None

    def score(heading: int) -> tuple[float, float]:
        going()
        return _score(prescription, drive, heading)

    scores = {heading: score(heading) for heading in range(0, _HALF_TURN_DEG, coarse_deg)}
    middle = _best(scores)
    for beside in range(middle - coarse_deg + fine_deg, middle + coarse_deg, fine_deg):
        heading = beside % _HALF_TURN_DEG
        if heading not in scores:
            scores[heading] = score(heading)
    tried = sorted(scores)
    shares, passes = np.array([scores[heading] for heading in tried]).T
    return HeadingScores(np.array(tried, dtype=np.float64), shares, passes, float(_best(scores)))


def _score(prescription: Prescription, drive: Drive, heading_deg: int) -> tuple[float, float]:
    """Mean share within a tenth, and the number of passes."""
    passes = drive.passes(float(heading_deg))
    area = np.where(drive.ground.zone > 0, drive.ground.grid.cell_area_ha, 0.0)
    shares = []
    for application in prescription.applications:
        intended = np.concatenate([[0.0], application.rate_kg_ha])[drive.ground.zone]
        laid, _ = drive.spread(application, passes)
        shares.append(_share_within(laid, intended, area, tolerance=0.1))
    return float(np.mean(shares)), float(passes.lines)


def _share_within(laid: FloatArray, intended: FloatArray, area: FloatArray, *, tolerance: float) -> float:
    asked = np.where(intended > 0, area, 0.0)
    good = np.abs(laid - intended) <= (tolerance + 1e-9) * intended
    return float(asked[good].sum() / asked.sum()) if asked.any() else 1.0


def _best(scores: dict[int, tuple[float, float]]) -> int:
    most = max(share for share, _ in scores.values())
    equals = [(passes, heading) for heading, (share, passes) in scores.items() if share >= most - _SAME_SHARE]
    return min(equals)[1]
