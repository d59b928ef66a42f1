"""Whether 90 % intervals of what is in the field hold the truth 90 % of the time, in simulated fields.

Log-normal fields in 600 x 1000 m (log standard deviation 0.45), sampled at random places with a nugget of 20 % of the
sill. The truth is the arithmetic mean over 20 random cells of 10 m, from 4 x 4 points of the same simulated field. The
nugget is all measurement error ("error"), or half of it is variation in the field with a correlation length of 15 m
("half real"). The known measurement error is stated as the repeatability.

    python tests/benchmarks/calibration.py [fields a case] [structure level]
"""

from __future__ import annotations

import sys
import time

import numpy as np

from zonemap.geostat.covariance import CORRELATIONS, PRACTICAL_RANGE, block_offsets, distances
from zonemap.geostat.integrated import integrated_block_kriging
from zonemap.geostat.kriging import ordinary_block_kriging
from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.values.basis import Basis
from zonemap.values.grid import Grid
from zonemap.values.samples import Measurements

SILL, NUGGET, CELL_M, CELLS = 0.45**2, 0.2, 10.0, 20
METHODS = {"integrated": integrated_block_kriging, "plug-in": ordinary_block_kriging}


def measurements(sites, value, cv):
    n = len(value)
    return Measurements(
        quantity="K",
        unit="kg/ha/day",
        basis=Basis("resin", burial_days=4.0),
        sample=tuple(map(str, range(n))),
        easting_m=sites[:, 0],
        northing_m=sites[:, 1],
        value=value,
        replicates=np.ones(n, dtype=int),
        replicate_variance=np.full(n, np.nan),
        repeatability_cv=cv,
        censored=np.zeros(n, dtype=bool),
    )


def draw(rng, *, count, range_m, real, family):
    """Samples, the cells' grid and their true means."""
    area = np.zeros((100, 60))
    area.flat[rng.choice(6000, CELLS, replace=False)] = CELL_M**2
    grid = Grid("EPSG:32614", 0.0, 1000.0, CELL_M, area)
    sites = rng.uniform(0, (600, 1000), (count, 2))
    centres = np.column_stack(grid.centres())
    offsets = block_offsets(CELL_M, 4)
    places = np.vstack([sites, *(centres + offset for offset in offsets)])
    lag_m = distances(places, places)
    # the same practical range for every family
    scale = range_m * PRACTICAL_RANGE["exponential"] / PRACTICAL_RANGE[family]
    covariance = SILL * ((1 - NUGGET) * CORRELATIONS[family](lag_m / scale) + NUGGET * real * np.exp(-lag_m / 15.0))
    covariance[np.diag_indices_from(covariance)] += 1e-8
    g = np.log(5.0) + np.linalg.cholesky(covariance) @ rng.standard_normal(len(places))
    error = SILL * NUGGET * (1 - real)
    value = np.exp(g[:count] + rng.normal(0, np.sqrt(error), count))
    truth = np.exp(g[count:]).reshape(len(offsets), -1).mean(axis=0)
    return measurements(sites, value, float(np.sqrt(np.expm1(error)))), grid, truth


def case(method, *, count, range_m, real, true_family, family, fields, level):
    """Coverage of 90 % intervals, its standard error over fields, root mean squared error of the mean, share mapped."""
    rng = np.random.default_rng([count, int(range_m), int(10 * real)])
    inside, squared, mapped = [], [], []
    for _ in range(fields):
        samples, grid, truth = draw(rng, count=count, range_m=range_m, real=real, family=true_family)
        surface = METHODS[method]((samples,), grid, family=family, structure_level=level)[0]
        inside.append(np.mean((truth >= surface.quantile(0.05)) & (truth <= surface.quantile(0.95))))
        squared.append(np.mean(np.square(surface.mean() - truth)))
        mapped.append(surface.evidence.structure == "found")
    return np.mean(inside), np.std(inside) / np.sqrt(fields), np.sqrt(np.mean(squared)), np.mean(mapped)


def main(fields, level):
    start = time.perf_counter()
    print(f"{fields} fields a case, structure level {level}; 90 % coverage +- its standard error, rmse, share mapped")
    for true_family, family in (("exponential", "auto"), ("matern_3_2", "auto")):
        print(f"\ntrue {true_family}, fitted {family}")
        print(f"{'n':>4} {'range m':>8} {'nugget':>10}" + "".join(f"{m:>32}" for m in METHODS))
        worst = {m: [] for m in METHODS}
        for count in (15, 40, 100):
            for range_m in (120.0, 250.0, 600.0):
                for real in (0.0, 0.5):
                    line = f"{count:>4} {range_m:>8.0f} {'half real' if real else 'error':>10}"
                    for method in METHODS:
                        hit, se, rmse, mapped = case(
                            method,
                            count=count,
                            range_m=range_m,
                            real=real,
                            true_family=true_family,
                            family=family,
                            fields=fields,
                            level=level,
                        )
                        worst[method].append(hit)
                        line += f"{hit:>14.3f} +- {se:.3f} {rmse:>6.3f} {mapped:>4.0%}"
                    print(line, flush=True)
        print("; ".join(f"{m}: {min(v):.3f} to {max(v):.3f}, mean {np.mean(v):.3f}" for m, v in worst.items()))
    print(f"\n{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    with one_linear_algebra_thread():
        main(
            int(sys.argv[1]) if len(sys.argv) > 1 else 100,
            float(sys.argv[2]) if len(sys.argv) > 2 else 0.05,
        )
