"""What the plan's rates are worth: expected loss said before, and loss that came about, in fields whose truth is known.

Log-normal supply of nitrogen in 600 x 1000 m (median 2 kg/ha/day, log standard deviation 0.45), true values in cells of
20 m as means of 4 x 4 simulated points, sampled at random places with a nugget of 20 % of the sill. The nugget is all
measurement error ("error"), or half of it varies in the field with a correlation length of 15 m ("half real"); the
known error is stated as the repeatability. Corn of the crop table asks; a kg short costs three times a kg too much.

Each way of rating is charged with what its rates cost in the true cells:

    flat mean    one rate, the shortfall at the mean of the samples
    zone means   the plan's zones, the shortfall at each zone's kriged mean
    flat         one rate, the least expected loss
    zones        the plan: its zones, each with its least expected loss
    cells        every cell its own least expected loss

    python tests/benchmarks/decision.py [fields a case] [samples ...]
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field
from datetime import date

import numpy as np

from zonemap.agronomy.demand import crop_demand
from zonemap.agronomy.shortfall import shortfall_curve
from zonemap.geostat.covariance import CORRELATIONS, PRACTICAL_RANGE
from zonemap.geostat.integrated import integrated_block_kriging
from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.pipeline.candidates import choose_zones
from zonemap.pipeline.choice import best_rate, losses_of
from zonemap.pipeline.parse import read_pipeline
from zonemap.values.basis import Basis
from zonemap.values.grid import Grid
from zonemap.values.hand import Hand
from zonemap.values.need import Costs, Need
from zonemap.values.samples import Measurements
from zonemap.values.season import Crop, Product, Spreader

MEDIAN, SILL, NUGGET, FINE_REACH_M = 2.0, 0.45**2, 0.2, 15.0
POINT_M, CELL_M, ROWS, COLUMNS = 5.0, 20.0, 50, 30
COSTS = Costs(short=3.0, over=1.0, priced=True)
WAYS = ("flat mean", "zone means", "flat", "zones", "cells")
RANGES_M = (120.0, 250.0, 600.0)


@dataclass(frozen=True)
class Nobody:
    """As much of a field folder as the choice of zones asks: no machine, nothing drawn by hand."""

    spreader: Spreader = field(default_factory=Spreader)
    hand: Hand = field(default_factory=Hand)


@dataclass(frozen=True)
class Truth:
    """Samples of a simulated field, and the supply of its cells."""

    measured: Measurements
    supply: np.ndarray


def gaussian(rng, correlation, shape):
    """Unit Gaussian field on a grid of points `POINT_M` apart, by circulant embedding (Dietrich and Newsam 1997)."""
    size = [2 ** int(np.ceil(np.log2(2.5 * count))) for count in shape]
    lag = [np.minimum(np.arange(n), n - np.arange(n)) * POINT_M for n in size]
    eigen = np.fft.fft2(correlation(np.hypot(lag[0][:, None], lag[1]))).real
    noise = rng.standard_normal(size) + 1j * rng.standard_normal(size)
    field = np.fft.fft2(np.sqrt(np.maximum(eigen, 0) / np.prod(size)) * noise)
    return field.real[: shape[0], : shape[1]]


def draw(seed, *, count, range_m, family, real):
    """One field: the same seed gives the same field whatever is sampled of it."""
    rng = np.random.default_rng(seed)
    scale = range_m * PRACTICAL_RANGE["exponential"] / PRACTICAL_RANGE[family]
    shape = (ROWS * 4, COLUMNS * 4)
    coarse = gaussian(rng, lambda lag_m: CORRELATIONS[family](lag_m / scale), shape)
    fine = gaussian(rng, lambda lag_m: np.exp(-lag_m / FINE_REACH_M), shape)
    log_supply = np.log(MEDIAN) + np.sqrt(SILL) * (np.sqrt(1 - NUGGET) * coarse + np.sqrt(NUGGET * real) * fine)
    supply = np.exp(log_supply).reshape(ROWS, 4, COLUMNS, 4).mean(axis=(1, 3))
    error = SILL * NUGGET * (1 - real)
    at = rng.choice(log_supply.size, count, replace=False)
    row, column = np.divmod(at, shape[1])
    value = np.exp(log_supply.ravel()[at] + rng.normal(0, np.sqrt(error), count))
    measured = Measurements(
        quantity="N",
        unit="kg/ha/day",
        basis=Basis("resin", burial_days=4.0),
        sample=tuple(map(str, range(count))),
        easting_m=(column + 0.5) * POINT_M,
        northing_m=1000.0 - (row + 0.5) * POINT_M,
        value=value,
        replicates=np.ones(count, dtype=int),
        replicate_variance=np.full(count, np.nan),
        repeatability_cv=float(np.sqrt(np.expm1(error))) or 0.01,
        censored=np.zeros(count, dtype=bool),
    )
    return Truth(measured, supply.ravel())


def charged(rate, need):
    """Mean loss per ha of rates in cells whose need is known."""
    return float(np.mean(COSTS.short * np.maximum(need - rate, 0) + COSTS.over * np.maximum(rate - need, 0)))


def one_field(seed, *, count, range_m, family, real, curve, grid, pipeline):
    """Loss that came about for each way, and the loss the plan expected of flat, zones and cells."""
    truth = draw(seed, count=count, range_m=range_m, family=family, real=real)
    surface = integrated_block_kriging((truth.measured,), grid)[0]
    need = Need(curve, COSTS, None, Product("urea", {"N": 0.46}), None, 1.0, None, None, 1.0)
    losses = losses_of((need,), {"N": surface}, grid)
    zones = choose_zones(pipeline, losses, grid, Nobody(), (truth.measured,)).zones
    index = zones.number - 1
    flat, zoned = losses.zone_rates(losses.flat())[0], losses.zone_rates(zones)[0]
    zone_mean = np.bincount(index, weights=surface.mean()) / np.bincount(index)
    rates = {
        "flat mean": curve.at(truth.measured.value.mean()),
        "zone means": curve.at(zone_mean)[index],
        "flat": flat,
        "zones": zoned,
        "cells": best_rate(need, surface),
    }
    true_need = curve.at(truth.supply)
    said = {"flat": losses.of_zones(losses.flat()), "zones": losses.of_zones(zones), "cells": losses.of_cells()}
    return {way: charged(rate, true_need) for way, rate in rates.items()}, said, zones.count


def main(fields, counts):
    start = time.perf_counter()
    crop = Crop("corn", date(2026, 4, 25), 191.2)
    nitrogen = next(d for d in crop_demand(crop, None, units="us") if d.nutrient == "N")
    curve = shortfall_curve(nitrogen, since=nitrogen.first_day)
    grid = Grid("EPSG:32614", 0.0, 1000.0, CELL_M, np.full((ROWS, COLUMNS), CELL_M**2))
    pipeline = read_pipeline("season_supply")
    print(f"{fields} fields a case; mean loss per ha that came about, and as the plan expected it")
    print(
        f"{'n':>4} {'range m':>8} {'nugget':>10}" + "".join(f"{way:>12}" for way in WAYS) + f"{'said':>8}{'zones':>7}"
    )
    for count in counts:
        every, every_said = [], []
        for family in ("exponential", "matern_3_2"):
            for range_m in RANGES_M:
                for real in (0.0, 0.5):
                    results = [
                        one_field(
                            (seed, int(range_m)),
                            count=count,
                            range_m=range_m,
                            family=family,
                            real=real,
                            curve=curve,
                            grid=grid,
                            pipeline=pipeline,
                        )
                        for seed in range(fields)
                    ]
                    came = [np.mean([loss[way] for loss, _, _ in results]) for way in WAYS]
                    said = np.mean([said["zones"] for _, said, _ in results])
                    every.append(came)
                    every_said.append(said)
                    line = f"{count:>4} {range_m:>8.0f} {'half real' if real else 'error':>10}"
                    line += "".join(f"{loss:>12.1f}" for loss in came)
                    print(f"{line}{said:>8.1f}{np.mean([k for _, _, k in results]):>7.1f}  {family}", flush=True)
        loss = dict(zip(WAYS, np.mean(every, axis=0), strict=True))
        print(
            f"n {count}: zones against zone means {loss['zones'] / loss['zone means'] - 1:+.1%}, against flat mean "
            f"{loss['zones'] / loss['flat mean'] - 1:+.1%}, against flat {loss['zones'] / loss['flat'] - 1:+.1%}; "
            f"expected over realised {np.mean(every_said) / loss['zones']:.3f}",
            flush=True,
        )
    print(f"\n{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    with one_linear_algebra_thread():
        main(
            int(sys.argv[1]) if len(sys.argv) > 1 else 200,
            [int(count) for count in sys.argv[2:]] or [15, 40, 100],
        )
