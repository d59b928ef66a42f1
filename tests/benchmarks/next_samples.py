"""What further samples are worth: as said before they were taken, and as it came about, in fields whose truth is known.

The fields of `decision.py`, 30 samples at random places, and 10 more at

    next     the places that `zonemap sample` weighs highest
    even     the places that fill the gaps evenly
    random   random places

Each time the surface is made anew, every cell gets its own best rate, and is charged with what that costs in the true
cells. Fields in whose first samples no pattern is found are left out, because there nobody asks.

    python tests/benchmarks/next_samples.py [fields a case] [samples] [more]
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from datetime import date

import numpy as np
from decision import CELL_M, COLUMNS, COSTS, POINT_M, RANGES_M, ROWS, charged, draw

from zonemap.agronomy.demand import crop_demand
from zonemap.agronomy.knowing import loss_curve
from zonemap.agronomy.shortfall import shortfall_curve
from zonemap.geostat.coverage import cover
from zonemap.geostat.integrated import integrated_block_kriging
from zonemap.geostat.next_samples import outlook
from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.pipeline.choice import best_rate
from zonemap.pipeline.sampling_worth import Weighed, thinned, worth_most
from zonemap.values.grid import Grid
from zonemap.values.need import Need
from zonemap.values.season import Crop, Product

WAYS = ("next", "even", "random")


def of_points(pool, rows):
    """Some of all the readings that a field could give, in the order asked for."""
    return replace(
        pool,
        sample=tuple(pool.sample[row] for row in rows),
        **{
            name: getattr(pool, name)[rows]
            for name in ("easting_m", "northing_m", "value", "replicates", "replicate_variance", "censored")
        },
    )


def came_about(surface, need, truth):
    return charged(best_rate(need, surface), need.curve.at(truth.supply))


def one_field(seed, *, count, more, range_m, family, need, grid):
    """Loss before, as it came about with 10 more at each kind of place, and before and after as it was said."""
    truth = draw(seed, count=ROWS * COLUMNS * 16, range_m=range_m, family=family, real=0.5)
    pool = truth.measured
    first = of_points(pool, np.arange(count))
    surface = integrated_block_kriging((first,), grid)[0]
    if surface.evidence.structure != "found":
        return None
    centres = np.column_stack(grid.centres())
    cells = thinned(grid, np.ones(grid.cells, dtype=bool), about=400)
    seen = outlook(first, surface.evidence.models, centres[cells], centres[cells], side_m=grid.cell_m)
    weighed = Weighed(seen, (loss_curve(surface.of_cells(cells), need),))
    chosen, losses, _ = worth_most({"N": weighed}, np.full(len(cells), 1 / len(cells)), more)
    at = np.column_stack([pool.easting_m, pool.northing_m])
    places = {
        "next": centres[cells][chosen],
        "even": cover(centres, grid.cell_area_ha, count=more, fixed=at[:count]),
        "random": at[count : count + more],
    }
    came = {"now": came_about(surface, need, truth)}
    for way, wanted in places.items():
        nearest = [int(np.square(at - place).sum(axis=1).argmin()) for place in wanted]
        rows = np.array(list(dict.fromkeys([*range(count), *nearest])))
        came[way] = came_about(integrated_block_kriging((of_points(pool, rows),), grid)[0], need, truth)
    return came, losses[0], losses[-1]


def main(fields, count, more):
    start = time.perf_counter()
    nitrogen = next(
        d for d in crop_demand(Crop("corn", date(2026, 4, 25), 191.2), None, units="us") if d.nutrient == "N"
    )
    curve = shortfall_curve(nitrogen, since=nitrogen.first_day)
    need = Need(curve, COSTS, None, Product("urea", {"N": 0.46}), None, 1.0, None, None, 1.0)
    grid = Grid("EPSG:32614", 0.0, ROWS * CELL_M, CELL_M, np.full((ROWS, COLUMNS), CELL_M**2))
    assert POINT_M * 4 == CELL_M
    print(f"{count} samples, {more} more, {fields} fields a case; mean loss per ha with every cell's own rate")
    print(f"{'range m':>8}{'fields':>7}{'now':>8}" + "".join(f"{way:>8}" for way in WAYS) + f"{'said':>8}{'after':>8}")
    every = []
    for family in ("exponential", "matern_3_2"):
        for range_m in RANGES_M:
            results = [
                one_field(
                    (seed, int(range_m)), count=count, more=more, range_m=range_m, family=family, need=need, grid=grid
                )
                for seed in range(fields)
            ]
            rows = [[*(came[way] for way in ("now", *WAYS)), was, then] for came, was, then in filter(None, results)]
            every += rows
            mean = np.mean(rows, axis=0)
            print(
                f"{range_m:>8.0f}{len(rows):>7}" + "".join(f"{each:>8.2f}" for each in mean) + f"  {family}", flush=True
            )
    rows = np.array(every)
    now, then = rows[:, 0].mean(), rows[:, 1:4].mean(axis=0)
    said = 1 - rows[:, 5].mean() / rows[:, 4].mean()
    for way, loss, saved in zip(WAYS, then, (rows[:, :1] - rows[:, 1:4]).T, strict=True):
        error = saved.std() / np.sqrt(len(saved)) / now
        print(f"{way}: {1 - loss / now:.1%} (+-{error:.1%}) of the loss saved")
    print(f"said before of next: {said:.1%}; {len(rows)} fields, {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    with one_linear_algebra_thread():
        numbers = [int(each) for each in sys.argv[1:]]
        main(*(numbers + [60, 30, 10][len(numbers) :]))
