"""Zones of simulated fields whose true zones are known: the plan's against plain k-means on the same surfaces.

Three true zones by a smooth height in 48 ha, three quantities with a level a zone, smooth variation within zones and
15 % error of sampling, kriged by the default method. Prints the mean adjusted Rand index with the true zones of plain
k-means (scikit-learn, on standardised means), of the cells as they are grouped, and of the zones made workable.

    python tests/benchmarks/known_zones.py [fields a case]
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.ndimage import gaussian_filter
from sklearn.cluster import KMeans
from sklearn.metrics import adjusted_rand_score

from zonemap.geostat.integrated import integrated_block_kriging
from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.pipeline.parse import read_pipeline
from zonemap.values.basis import Basis
from zonemap.values.grid import Grid
from zonemap.values.samples import Measurements
from zonemap.values.season import Spreader
from zonemap.zoning.features import supply_features

SHAPE, CELL_M, ZONES, QUANTITIES = (60, 80), 10.0, 3, 3
MACHINE = Spreader(swath_m=24.0, speed_m_s=5.4, response_s=4.0, heading_deg=0.0)


def measured(rng, true, count):
    """Quantities at random cells."""
    at = rng.choice(true.size, count, replace=False)
    row, column = np.divmod(at, SHAPE[1])
    for number in range(QUANTITIES):
        level = np.log(rng.uniform(1, 4, ZONES))[true]
        rough = gaussian_filter(rng.standard_normal(SHAPE), 3)
        value = np.exp(level + 0.15 * rough / rough.std()).ravel()[at] * np.exp(rng.normal(0, 0.15, count))
        yield Measurements(
            quantity=f"q{number}",
            unit="kg/ha/day",
            basis=Basis("resin", burial_days=4.0),
            sample=tuple(map(str, range(count))),
            easting_m=(column + 0.5) * CELL_M,
            northing_m=SHAPE[0] * CELL_M - (row + 0.5) * CELL_M,
            value=value,
            replicates=np.ones(count, dtype=int),
            replicate_variance=np.full(count, np.nan),
            repeatability_cv=0.15,
            censored=np.zeros(count, dtype=bool),
        )


def one_field(seed, count, pipeline):
    """Adjusted Rand indices of plain k-means, of the groups and of the workable zones."""
    rng = np.random.default_rng(seed)
    height = gaussian_filter(rng.standard_normal((100, 120)), 14)[20:80, 20:100]
    true = np.searchsorted(np.quantile(height, np.arange(1, ZONES) / ZONES), height)
    grid = Grid("EPSG:32614", 0.0, SHAPE[0] * CELL_M, CELL_M, np.full(SHAPE, CELL_M**2))
    surfaces = {s.quantity: s for s in integrated_block_kriging(tuple(measured(rng, true, count)), grid)}
    mean = np.column_stack([surface.mean() for surface in surfaces.values()])
    plain = KMeans(ZONES, n_init=10, random_state=0).fit_predict((mean - mean.mean(axis=0)) / mean.std(axis=0))
    features = supply_features(surfaces, weights=dict.fromkeys(surfaces, 1.0))
    grouped = pipeline.run("zones", features, grid.cell_area_ha, count=ZONES)
    workable = pipeline.run("workable", grouped, grid, features, spreader=MACHINE)
    return [adjusted_rand_score(true.ravel(), label) for label in (plain, grouped.number, workable.number)]


def main(fields):
    pipeline = read_pipeline("season_supply")
    for count in (40, 60, 100):
        index = np.array([one_field((seed, count), count, pipeline) for seed in range(fields)])
        plain, grouped, workable = index.mean(axis=0)
        error = (index[:, 2] - index[:, 0]).std() / np.sqrt(fields)
        print(
            f"{count} samples: plain k-means {plain:.3f}, grouped {grouped:.3f}, workable {workable:.3f} "
            f"({workable - plain:+.3f} +- {error:.3f} against plain)",
            flush=True,
        )


if __name__ == "__main__":
    with one_linear_algebra_thread():
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 80)
