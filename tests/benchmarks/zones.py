"""How long zones take: 250,000 cells, five surfaces, two to eight zones tried, made workable, chosen and outlined.

    python tests/benchmarks/zones.py [cells]

Prints each step's seconds and the peak memory. Beside them, plain k-means on the same standardised surfaces
(scikit-learn) and, against zones that are known, the adjusted Rand index of both.
"""

from __future__ import annotations

import resource
import sys
import time
from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import gaussian_filter
from shapely import MultiPolygon, box
from sklearn.cluster import KMeans
from sklearn.metrics import adjusted_rand_score

from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.pipeline.candidates import choose_zones
from zonemap.pipeline.choice import losses_of
from zonemap.pipeline.parse import read_pipeline
from zonemap.values.distribution import Distribution
from zonemap.values.field import Field
from zonemap.values.grid import Grid
from zonemap.values.hand import Hand
from zonemap.values.need import Costs, Need, NeedCurve
from zonemap.values.season import Product, Spreader
from zonemap.values.surface import Evidence, Surface, Transform

QUANTITIES = ("N", "P", "K", "S", "Mg")
#: 24 m across, 12 mph for 4 s along
MACHINE = Spreader(swath_m=24.0, speed_m_s=5.4, response_s=4.0, heading_deg=20.0)
TRUE_ZONES = 4


@dataclass(frozen=True)
class Machine:
    """As much of a field folder as the choice of zones asks."""

    spreader: Spreader = MACHINE
    hand: Hand = field(default_factory=Hand)


def surfaces(rng, shape, true):
    """One surface a quantity: a level a zone, smooth variation, and rough variation of half its size."""
    evidence = Evidence(40, "found", 0.001, None, None, None)
    made = {}
    for quantity in QUANTITIES:
        level = rng.uniform(1.0, 5.0, TRUE_ZONES)[true]
        smooth = gaussian_filter(rng.standard_normal(shape), shape[0] * 0.06)
        rough = gaussian_filter(rng.standard_normal(shape), shape[0] * 0.015)
        value = level + 0.6 * smooth / smooth.std() + 0.3 * rough / rough.std()
        cells = value.size
        made[quantity] = Surface(
            quantity,
            "kg/ha/day",
            Transform("none"),
            Distribution.normal(value.ravel(), np.full(cells, 0.5)),
            evidence,
        )
    return made


def main(cells):
    side = int(np.sqrt(cells))
    shape, cell_m = (side, side), 1000.0 / side
    rng = np.random.default_rng(3)
    height = gaussian_filter(rng.standard_normal(shape), side / 12)
    true = np.searchsorted(np.quantile(height, np.arange(1, TRUE_ZONES) / TRUE_ZONES), height)
    grid = Grid("EPSG:32614", 500_000.0, 4_600_000.0, cell_m, np.full(shape, cell_m**2))
    place = Field("square", MultiPolygon([box(500_000, 4_599_000, 501_000, 4_600_000)]), "EPSG:32614")
    made = surfaces(rng, shape, true)
    curve = NeedCurve("", "kg/ha/day", [0.0, 8.0], [160.0, 0.0])
    needs = tuple(
        Need(
            NeedCurve(quantity, curve.measured_unit, curve.value, curve.need_kg_ha),
            Costs(3.0, 1.0, priced=True),
            None,
            Product(quantity, {quantity: 0.5}),
            None,
            1.0,
            None,
            None,
            1.0,
        )
        for quantity in QUANTITIES
    )
    pipeline = read_pipeline("season_supply")
    start = time.perf_counter()
    losses = losses_of(needs, made, grid)
    choice = choose_zones(pipeline, losses, grid, Machine(), ())
    chosen = time.perf_counter()
    outlines = pipeline.run("outline", choice.zones, grid, place)
    end = time.perf_counter()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    vertices = sum(len(ring.coords) for area in outlines.area for part in area.geoms for ring in [part.exterior])
    print(f"{grid.cells:,} cells, {len(QUANTITIES)} surfaces: 2 to 8 zones weighed {chosen - start:.1f} s")
    print(f"outlines of {choice.zones.count} zones {end - chosen:.1f} s, {vertices:,} vertices; peak {peak:.0f} MB")
    print("expected loss: " + ", ".join(f"{count}: {loss:.1f}" for count, loss in choice.loss.items()))
    if choice.loss_as_grouped:
        print(f"made workable: {choice.loss[choice.zones.count] / choice.loss_as_grouped - 1:+.2%}")
    fixed = read_pipeline("season_supply")
    value = np.column_stack([surface.centre() for surface in made.values()])
    standard = (value - value.mean(axis=0)) / value.std(axis=0)
    plain = KMeans(TRUE_ZONES, n_init=3, random_state=0).fit_predict(standard)
    ours = fixed.run("zones", _features(losses), grid.cell_area_ha, count=TRUE_ZONES)
    workable = fixed.run("workable", ours, grid, _features(losses), spreader=MACHINE)
    for name, label in (("plain k-means", plain), ("grouped", ours.number), ("made workable", workable.number)):
        print(f"adjusted Rand index with the true zones, {name}: {adjusted_rand_score(true.ravel(), label):.3f}")


def _features(losses):
    from zonemap.zoning.features import supply_features

    surfaces = {surface.quantity: surface for surface in losses.surfaces}
    return supply_features(surfaces, weights=dict.fromkeys(surfaces, 1.0))


if __name__ == "__main__":
    with one_linear_algebra_thread():
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 250_000)
