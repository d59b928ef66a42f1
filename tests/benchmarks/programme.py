"""Least-cost programmes: 8 zones x 10 products x 4 passes x 7 nutrients, random seasons and limits.

    python tests/benchmarks/programme.py [cases]

Prints seconds to the proven optimum of each way of spreading, whether it was proven, and what it leaves behind.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from zonemap.products.programme import programme
from zonemap.values.programme import Ask, NeedPath
from zonemap.values.season import Product
from zonemap.values.terms import Pass, Terms

ZONES, DAYS, FIRST = 8, 130, date(2026, 5, 1)
TOTALS = {"N": 220, "P": 40, "K": 160, "S": 22, "Ca": 45, "Mg": 30, "Zn": 0.5}
STORE = (
    Product("urea", {"N": 0.46}, price_per_kg=0.57),
    Product("MAP", {"N": 0.11, "P": 0.227}, price_per_kg=0.84),
    Product("potash", {"K": 0.498}, price_per_kg=0.47),
    Product("15-15-15", {"N": 0.15, "P": 0.0655, "K": 0.1245}, price_per_kg=0.68),
    Product("ammonium sulfate", {"N": 0.21, "S": 0.24}, price_per_kg=0.45),
    Product("gypsum", {"Ca": 0.23, "S": 0.18}, price_per_kg=0.10),
    Product("langbeinite", {"K": 0.183, "Mg": 0.11, "S": 0.22}, price_per_kg=0.62),
    Product("zinc sulfate", {"Zn": 0.355, "S": 0.175}, price_per_kg=1.65),
    Product("meal", {"N": 0.12}, price_per_kg=0.95, source="organic", release_half_life_days=30, release_lag_days=5),
    Product("bone", {"N": 0.02, "P": 0.087}, price_per_kg=1.2, source="organic", release_half_life_days=40),
)


def season(seed):
    rng = np.random.default_rng(seed)
    paths = []
    for element, total in TOTALS.items():
        curve = 1 / (1 + np.exp(-(np.arange(DAYS + 1) - rng.uniform(50, 65)) / rng.uniform(7, 11)))
        asked = total * np.diff(curve)
        supply = rng.uniform(0.1, 1.0, (ZONES, 1)) * asked.max()
        lacking = np.cumsum(np.maximum(asked - supply, 0.0), axis=1)
        paths.append(NeedPath(element, FIRST, lacking, np.zeros(ZONES), 1.0, total))
    terms = Terms(
        cost_of_trip_ha=float(rng.choice([0.0, 8.0])),
        cap_per_pass_kg_ha={"N": float(rng.choice([60.0, 90.0, 250.0]))},
        most_products=None if rng.random() < 0.5 else int(rng.integers(6, 9)),
        most_passes=None if rng.random() < 0.5 else int(rng.integers(2, 5)),
        organic_share={"N": 0.2} if rng.random() < 0.3 else {},
    )
    return Ask(
        tuple(paths),
        STORE,
        tuple(Pass(FIRST + timedelta(days=day)) for day in (0, 20, 40, 60)),
        terms,
        rng.uniform(3, 12, ZONES),
        min_rate_kg_ha=float(rng.choice([0.0, 20.0])),
        max_rate_kg_ha=500.0,
        step_kg_ha=5.0,
    )


def main(cases):
    for spreading in ("separate", "bins", "blend"):
        seconds, proven, behind = [], 0, 0
        for seed in range(cases):
            asked = season(seed)
            # a blend of everything weighs more than a product alone
            asked = replace(
                asked, terms=replace(asked.terms, bins=4), max_rate_kg_ha=500 if spreading != "blend" else 2e3
            )
            start = time.perf_counter()
            made = programme(asked, spreading=spreading)
            seconds.append(time.perf_counter() - start)
            if isinstance(made, str):
                print(f"{spreading}, case {seed}: {made}")
                continue
            proven += made.proven
            behind += any(balance.behind_kg_ha.any() for balance in made.balances)
        print(
            f"{spreading}: median {np.median(seconds):.2f} s, most {max(seconds):.2f} s; {proven} of {cases} proven; "
            f"{behind} left something behind"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 30)
