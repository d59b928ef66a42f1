"""From surfaces to rates: a million cells, seven nutrients, eight zones.

    python tests/benchmarks/rates.py [cells]

Surfaces are made first, normal on the log scale or bent (nine quantiles a cell, as integrated kriging gives them); then
the loss-minimising need of every zone is timed. Prints seconds, the memory the surfaces take and what the rates add.
"""

from __future__ import annotations

import resource
import sys
import time
from datetime import date

import numpy as np

from zonemap.agronomy.demand import crop_demand
from zonemap.agronomy.rate import zone_need
from zonemap.agronomy.shortfall import shortfall_curve
from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.values.distribution import SCORES, Distribution
from zonemap.values.season import Crop
from zonemap.values.surface import Evidence, Surface, Transform
from zonemap.values.zones import Zones

NUTRIENTS, ZONES = 7, 8


def surface(curve, cells, *, bent):
    """Supply about the middle knot of a need curve."""
    middle = curve.value[curve.value.size // 2]
    centre = np.log(middle) + 0.4 * np.sin(20 * np.arange(cells) / cells)
    spread = np.full(cells, 0.2)
    said = Distribution.normal(centre, spread)
    if bent:
        quantile = centre + spread * (SCORES + 0.02 * SCORES**3)[:, None]
        slope = spread * (1 + 0.06 * SCORES**2)[:, None]
        said = Distribution(centre, spread, quantile, slope)
    evidence = Evidence(40, "found", 0.01, None, None, None)
    return Surface(curve.quantity, "kg/ha/day", Transform("log"), said, evidence)


def peak_mb():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main(cells):
    demands = crop_demand(Crop("corn", date(2026, 4, 25)), None, units="metric")[:NUTRIENTS]
    curves = [shortfall_curve(demand, since=demand.first_day) for demand in demands]
    zones, area = Zones(1 + np.arange(cells) // 1000 % ZONES), np.full(cells, 0.0025)
    for bent in (False, True):
        surfaces = [surface(curve, cells, bent=bent) for curve in curves]
        before, start = peak_mb(), time.perf_counter()
        for each, curve in zip(surfaces, curves, strict=True):
            zone_need(each, curve, area, zones, assurance=0.75)
        seconds = time.perf_counter() - start
        kind = "bent" if bent else "normal"
        print(f"{cells:,} cells x {NUTRIENTS} {kind}: {seconds:.2f} s, peak {peak_mb():.0f} MB, {before:.0f} MB before")


if __name__ == "__main__":
    with one_linear_algebra_thread():
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
