"""What prior probability that there is no pattern costs where there is one, and saves where there is none.

Jura (topsoil metals, Goovaerts 1997), Oxford (Burrough & McDonnell 1998) and Meuse (topsoil metals, Rikken & van Rijn
1993), as R's packages gstat and sp hold them. Random subsets of 20, 40 and 80 samples predict up to 80 of the others.

    python tests/benchmarks/no_pattern.py [subsets of each size] [probability ...]

Columns for all subsets and for each size: mean error ratio to the subset's mean, share of subsets that predict worse
than their mean; then coverage of 90 % intervals, and the CRPS over the error of the mean. Last, of noise without
pattern (variance 1, 60 fields of 20 and of 40 samples): the expected error of a new reading over that of the samples'
mean, averaged.
"""

from __future__ import annotations

import io
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pandas as pd
from accuracy import Places, judged, measurements
from scipy.special import ndtri

from zonemap.geostat import parameters
from zonemap.geostat.integrated import integrated_block_kriging
from zonemap.geostat.threads import one_linear_algebra_thread

#: R's expression, coordinates, what brings these to metres, variables
SETS = {
    "jura": ("rbind(prediction.dat, validation.dat)", ("Xloc", "Yloc"), 1000.0, "Cd Cu Pb Co Cr Ni Zn"),
    "oxford": ("oxford", ("XCOORD", "YCOORD"), 1.0, "PCLAY1 PCLAY2 MG1 OM1 CEC1 PH1 PHOS1 POT1"),
    "meuse": ("meuse", ("x", "y"), 1.0, "cadmium copper lead zinc om"),
}
SIZES, MOST_TARGETS = (20, 40, 80), 80
NOISE_SIZES, NOISE_FIELDS, NOISE_TARGETS = (20, 40), 60, 200


def table(name):
    script = f"suppressMessages({{library(sp); library(gstat)}}); data({name}); write.csv({SETS[name][0]}, stdout())"
    done = subprocess.run(["Rscript", "-e", script], capture_output=True, text=True, check=True)
    return pd.read_csv(io.StringIO(done.stdout))


def cases(subsets):
    """(size, sites, values, targets, true values)."""
    for name, (_, axes, metres, variables) in SETS.items():
        everything = table(name)
        for variable in variables.split():
            known = everything[[*axes, variable]].dropna()
            sites, first = np.unique(known[list(axes)].to_numpy(float) * metres, axis=0, return_index=True)
            value = known[variable].to_numpy(float)[first]
            for size in SIZES:
                for seed in range(subsets):
                    order = np.random.default_rng([size, seed]).permutation(len(value))
                    here, there = order[:size], order[size : size + MOST_TARGETS]
                    yield size, sites[here], value[here], sites[there], value[there]


def score(surface, truth):
    """Continuous ranked probability score from quantiles at even probabilities."""
    level = (np.arange(50) + 0.5) / 50
    above = np.stack([surface.at_score(at) for at in ndtri(level)]) - truth
    return 2.0 * float((above * ((above >= 0) - level[:, None])).mean())


def judge(size, sites, value, targets, truth):
    places = Places("", 0.0, 0.0, 0.0, np.ones((1, len(targets))), targets[:, 0], targets[:, 1])
    surface = integrated_block_kriging((measurements(sites, value),), places)[0]
    said, base = judged(surface, truth), np.sqrt(np.mean(np.square(value.mean() - truth)))
    error = np.sqrt(np.mean(np.square(said.predicted - truth)))
    return size, error / base, said.inside.mean(), score(surface, truth) / base


def noise(size):
    """Mean over fields of noise of the expected error of a new reading, over that of the samples' mean."""
    rng = np.random.default_rng(size)
    sites, targets = rng.uniform(0, 500, (size, 2)), rng.uniform(0, 500, (NOISE_TARGETS, 2))
    samples = tuple(
        replace(measurements(sites, 10 + rng.standard_normal(size)), quantity=f"quantity {k}")
        for k in range(NOISE_FIELDS)
    )
    places = Places("", 0.0, 0.0, 0.0, np.ones((1, NOISE_TARGETS)), targets[:, 0], targets[:, 1])
    surfaces = integrated_block_kriging(samples, places, transform="none")
    of_surface = np.array([1 + np.mean(np.square(surface.mean() - 10)) for surface in surfaces])
    of_mean = np.array([1 + np.square(sample.value.mean() - 10) for sample in samples])
    return np.sqrt(of_surface / of_mean).mean()


def main(subsets, probabilities):
    chosen = list(cases(subsets))
    for probability in probabilities:
        parameters._NO_PATTERN = probability
        size, ratio, inside, crps = np.array([judge(*case) for case in chosen]).T
        line = f"{probability:6.3f} {ratio.mean():8.4f}{(ratio > 1).mean():7.1%}"
        for some in SIZES:
            line += f" |{some:4}{ratio[size == some].mean():8.4f}{(ratio[size == some] > 1).mean():7.1%}"
        line += f" | {inside.mean():.3f} {crps.mean():.4f} | noise"
        print(line + "".join(f" {some} {noise(some):.4f}" for some in NOISE_SIZES), flush=True)


if __name__ == "__main__":
    with one_linear_algebra_thread():
        main(
            int(sys.argv[1]) if len(sys.argv) > 1 else 2,
            [float(text) for text in sys.argv[2:]] or [1e-9, 0.1, 1 / 3, 0.5],
        )
