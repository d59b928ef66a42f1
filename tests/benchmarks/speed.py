"""Kriging speed, the package beside general libraries, in one run.

    python tests/benchmarks/speed.py [RUNS]

(a) one quantity, mean and variance, a million cells, point support, 150 and 500 samples, beside PyKrige's C backend,
    and the peak memory of each in a process of its own beyond its imports and its two results; by tiles, which is what
    `krige` chooses there, and cell by cell;
(b) 10,000 blocks of 4 x 4 points, 150 samples, beside R's gstat (Pebesma 2004, Computers & Geosciences 30:683-691);
(c) seven quantities at the same points beside one;
(d) the nearest 32 of 5,000 samples, 100,000 cells, beside PyKrige's C backend.

Minima over RUNS (default 3), the sides taken in turn: what others do on the machine only ever adds. Every pair is
first shown to give the same numbers. Both are given the same covariance; factoring it is timed, fitting it is not.
"package" is plain NumPy and "compiled" the extra `fast`, each made to be used whatever the size of the task; what
importing the compiler and loading (the first time on a machine: compiling) the loops takes, once a process, is told
first and is in no other figure.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from zonemap.geostat import fast
from zonemap.geostat.covariance import block_offsets
from zonemap.geostat.neighbourhood import PointValues, krige_nearby
from zonemap.geostat.system import Route, krige, kriging_system
from zonemap.values.variogram import Variogram

SIDE_M = 1000.0
MODEL = Variogram("exponential", 120.0, 0.4, 1.3)

GSTAT = """
suppressMessages({library(gstat); library(sp)})
sites <- read.csv("sites.csv"); coordinates(sites) <- ~x+y
targets <- read.csv("targets.csv"); coordinates(targets) <- ~x+y
model <- vgm(1.3, "Exp", 120, 0.4)
run <- function() krige(z ~ 1, sites, targets, model, block = c(10, 10), set = list(nblockdiscr = 4), debug.level = 0)
k <- run()
for (i in seq_len(as.integer(commandArgs(TRUE)[1]))) cat(system.time(run())[["elapsed"]], "")
answer <- format(as.data.frame(k)[, 3:4], digits = 17)
write.table(answer, "answer.txt", row.names = FALSE, col.names = FALSE, quote = FALSE)
"""


def sampled(count: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(count)
    sites = rng.uniform(0, SIDE_M, (count, 2))
    return sites, 5 + np.sin(sites[:, 0] / 90) + sites[:, 1] / 400 + rng.normal(0, 0.4, count)


def cells(along: int) -> np.ndarray:
    """(along, along) cell centres, easting running fastest; returns the (2, along) axes' points as (along^2, 2)."""
    axis = (np.arange(along) + 0.5) * SIDE_M / along
    easting, northing = np.meshgrid(axis, axis)
    return np.column_stack([easting.ravel(), northing.ravel()])


def package_points(count: int, along: int, route: Route = "auto") -> tuple[np.ndarray, np.ndarray]:
    sites, value = sampled(count)
    systems = (kriging_system(sites, value, MODEL),)
    mean, variance = krige(systems, sites, cells(along), target_nugget=(MODEL.nugget,), route=route)
    return mean[0], variance[0]


def pykrige_c(count: int, along: int, nearest: int | None = None) -> tuple[np.ndarray, np.ndarray]:
    from pykrige.ok import OrdinaryKriging

    sites, value = sampled(count)
    # a list holds the whole sill and the practical range, three times the parameter
    kriging = OrdinaryKriging(
        *sites.T,
        value,
        variogram_model="exponential",
        variogram_parameters=[MODEL.sill, 3 * MODEL.range_m, MODEL.nugget],
        exact_values=False,
    )
    axis = (np.arange(along) + 0.5) * SIDE_M / along
    mean, variance = kriging.execute("grid", axis, axis, backend="C", n_closest_points=nearest)
    return np.asarray(mean).ravel(), np.asarray(variance).ravel()


def package_nearby(along: int) -> tuple[np.ndarray, np.ndarray]:
    sites, value = sampled(5000)
    points = PointValues(MODEL, value, np.ones(len(value)))
    mean, variance = krige_nearby((points,), sites, cells(along), k=32, target_nugget=(MODEL.nugget,))
    return mean[0], variance[0]


@contextmanager
def loops(*, compiled: bool) -> Iterator[None]:
    """Within this context compiled loops are used always, or never."""
    before = fast.LEAST_CORRELATIONS, fast.LEAST_SYSTEM_ELEMENTS
    fast.LEAST_CORRELATIONS = fast.LEAST_SYSTEM_ELEMENTS = 0 if compiled else 10**18
    try:
        yield
    finally:
        fast.LEAST_CORRELATIONS, fast.LEAST_SYSTEM_ELEMENTS = before


def either(task: Callable[[], object]) -> dict[str, Callable[[], object]]:
    """Return the task by plain loops, and by compiled ones where they are installed."""

    def done(*, compiled: bool) -> object:
        with loops(compiled=compiled):
            return task()

    sides = {"package": lambda: done(compiled=False)}
    return sides | ({"compiled": lambda: done(compiled=True)} if fast.find_spec("numba") else {})


def start_of_the_compiler() -> None:
    if fast.find_spec("numba") is None:
        print("compiled loops: numba is not installed")
        return
    start = time.perf_counter()
    fast.loops_for_systems(10**18)
    print(
        f"compiled loops: importing and loading or compiling them {time.perf_counter() - start:.2f} s, once a process"
    )


def side_by_side(runs: int, **sides: Callable[[], object]) -> dict[str, float]:
    """Least seconds of each, taken in turn after one run that counts for nothing."""
    times: dict[str, list[float]] = {name: [] for name in sides}
    for turn in range(runs + 1):
        for name, side in sides.items():
            start = time.perf_counter()
            side()
            if turn:
                times[name].append(time.perf_counter() - start)
    return {name: min(taken) for name, taken in times.items()}


def show(title: str, seconds: dict[str, float], peer: str, other: float, target: str) -> None:
    for name in [name for name in ("package", "compiled") if name in seconds]:
        took = seconds[name]
        print(
            f"{title:42} {name:8} {took:7.3f} s   {peer} {other:7.3f} s   ratio {other / took:5.2f}   target {target}"
        )


def agreement(one: tuple[np.ndarray, np.ndarray], other: tuple[np.ndarray, np.ndarray]) -> float:
    return max(float(np.abs(a - b).max()) for a, b in zip(one, other, strict=True))


def million_cells(runs: int) -> None:
    for count in (150, 500):
        apart = agreement(package_points(count, 100), pykrige_c(count, 100))
        seconds = side_by_side(
            runs,
            **either(lambda n=count: package_points(n, 1000)),
            **{
                f"{side} singly": task for side, task in either(lambda n=count: package_points(n, 1000, "each")).items()
            },
            peer=lambda n=count: pykrige_c(n, 1000),
        )
        singly = {name.removesuffix(" singly"): took for name, took in seconds.items() if name.endswith(" singly")}
        show(f"(a) n {count}, 1,000,000 cells", seconds, "PyKrige C", seconds["peer"], ">= 12")
        show("    the same, cell by cell", singly, "PyKrige C", seconds["peer"], ">= 4")
        peaks = {name: peak_mb(name, count) for name in ("package", "pykrige")}
        told = "   ".join(f"{name} {peak:.0f} MB" for name, peak in peaks.items())
        print(f"    peak beyond imports and results: {told}   target package < 160 MB; greatest difference {apart:.1e}")
        between = agreement(package_points(count, 1000), package_points(count, 1000, "each"))
        print(f"    greatest difference of tiles and cell by cell, a million cells: {between:.1e}   target 1e-9")


def peak_mb(side: str, count: int) -> float:
    done = subprocess.run([sys.executable, __file__, side, str(count)], capture_output=True, check=True)
    return float(json.loads(done.stdout))


def tell_peak(side: str, count: int) -> None:
    """In a child: peak memory of a million cells, less what imports and a small field took, less the two results."""
    run = package_points if side == "package" else pykrige_c
    run(20, 10)
    before = high_water_mb()
    results = run(count, 1000)
    print(high_water_mb() - before - sum(part.nbytes for part in results) / 2**20)


def high_water_mb() -> float:
    """Peak of this process (Linux); what getrusage tells is handed down from the parent."""
    status = Path("/proc/self/status").read_text()
    return float(status.split("VmHWM:")[1].split()[0]) / 1024


def blocks(runs: int) -> None:
    title = "(b) n 150, 10,000 blocks of 4 x 4 points"
    if shutil.which("Rscript") is None:
        print(f"{title:42} skipped: R is not installed")
        return
    (sites, value), targets, offsets = sampled(150), cells(100), block_offsets(10.0, 4)

    def package() -> tuple[np.ndarray, np.ndarray]:
        return krige((kriging_system(sites, value, MODEL),), sites, targets, offsets=offsets)

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        text = {"delimiter": ",", "comments": "", "fmt": "%.17g"}
        np.savetxt(folder / "sites.csv", np.column_stack([sites, value]), header="x,y,z", **text)
        np.savetxt(folder / "targets.csv", targets, header="x,y", **text)
        (folder / "script.R").write_text(GSTAT)
        done = subprocess.run(
            ["Rscript", "script.R", str(runs)], cwd=folder, capture_output=True, text=True, check=False
        )
        if done.returncode:
            print(f"{title:42} skipped: {done.stderr.strip().splitlines()[-1]}")
            return
        answer = np.loadtxt(folder / "answer.txt").T
    # timed inside R: reading files and starting R are not counted
    other = min(float(taken) for taken in done.stdout.split())
    mean, variance = package()
    show(title, side_by_side(runs, **either(package)), "gstat", other, ">= 2")
    print(f"    greatest difference {agreement((mean[0], variance[0]), (answer[0], answer[1])):.1e}   target 1e-10")


def seven_quantities(runs: int) -> None:
    sites, value = sampled(150)
    targets = cells(400)
    for title, ranges in (("one model", [120.0] * 7), ("seven models", [60.0 + 20.0 * k for k in range(7)])):
        systems = tuple(
            kriging_system(sites, value + k * np.cos(value), Variogram("exponential", range_m, 0.4, 1.3))
            for k, range_m in enumerate(ranges)
        )
        for route in ("auto", "each"):
            one = either(lambda all_=systems, way=route: krige(all_[:1], sites, targets, route=way))
            seven = either(lambda all_=systems, way=route: krige(all_, sites, targets, route=way))
            seconds = side_by_side(runs, **one, **{f"seven {side}": task for side, task in seven.items()})
            name = f"(c) seven quantities, {title}" if route == "auto" else "    the same, cell by cell"
            for side in one:
                alone, together = seconds[side], seconds[f"seven {side}"]
                print(
                    f"{name:42} {side:8} one {alone:.3f} s   seven {together:.3f} s   "
                    f"times {together / alone:.2f}   target < 3"
                )


def nearest(runs: int) -> None:
    apart = agreement(package_nearby(50), pykrige_c(5000, 50, 32))
    seconds = side_by_side(runs, **either(lambda: package_nearby(316)), peer=lambda: pykrige_c(5000, 316, 32))
    show("(d) nearest 32 of 5,000, 99,856 cells", seconds, "PyKrige C", seconds["peer"], ">= 3")
    print(f"    greatest difference {apart:.1e}")


def main() -> None:
    if len(sys.argv) > 2:
        tell_peak(sys.argv[1], int(sys.argv[2]))
        return
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    print(f"processors {os.cpu_count()}, load {os.getloadavg()[0]:.1f}")
    start_of_the_compiler()
    for part in (million_cells, blocks, seven_quantities, nearest):
        part(runs)
    print(f"load at the end {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
