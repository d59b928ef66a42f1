"""How well left-out samples of real fields are predicted, beside two general libraries in the same run.

Fields with true coordinates of LimeSoDa (CC BY-SA 4.0; the package of that name), times pH, clay and organic carbon,
with the ten folds that come with them: first by coordinates only, then with covariates on the fields whose features can
be mapped (not the four with laboratory spectra). A case's error is its root mean squared error over that of the
training folds' mean. Whatever was predicted counts, so the whole nugget is in every distribution.

    python tests/benchmarks/accuracy.py [most fields]

Columns: mean of the error ratio, its greatest; share of cases worse than the mean; share of cases with a mean squared
deviation ratio within 0.8 to 1.25; mean coverage of 90 % intervals; seconds a training fold; fits that failed. In
brackets what chance alone would give: the shares for values drawn, each by itself, from what the method said of them,
so that nothing it said was wrong.
"""

from __future__ import annotations

import os
import sys
import time
import warnings
import zlib
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial

import numpy as np

from zonemap.geostat.fit import fit_covariances
from zonemap.geostat.integrate import Block, integrated_blocks
from zonemap.geostat.integrated import integrated_block_kriging
from zonemap.geostat.kriging import ordinary_point_kriging
from zonemap.geostat.parameters import parameter_points
from zonemap.geostat.signal import COVARIATES, Standard, weighed_families
from zonemap.geostat.signal import Places as Sites
from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.values.basis import Basis
from zonemap.values.grid import Grid
from zonemap.values.samples import Measurements
from zonemap.values.surface import Evidence, Surface

Z_95 = 1.6448536269514722
#: sets of values drawn from what was said, and the normal scores of the quantiles they are drawn by
DRAWS, SCORES = 200, np.linspace(-4.0, 4.0, 81)


@dataclass(frozen=True, slots=True)
class Places(Grid):
    """Cells of no size at the left-out places."""

    easting_m: np.ndarray
    northing_m: np.ndarray

    def centres(self):
        return self.easting_m, self.northing_m


@dataclass(frozen=True, slots=True)
class Said:
    """Of m left-out values: predictions and variances, whether they were inside; (m, draws) values drawn from them."""

    predicted: np.ndarray
    variance: np.ndarray
    inside: np.ndarray
    drawn: np.ndarray


def measurements(sites, value):
    """No measurement error is stated: then all of the nugget is in what is predicted."""
    n = len(value)
    return Measurements(
        quantity="soil",
        unit="-",
        basis=Basis("extract", extractant="any"),
        sample=tuple(map(str, range(n))),
        easting_m=sites[:, 0],
        northing_m=sites[:, 1],
        value=value,
        replicates=np.ones(n, dtype=int),
        replicate_variance=np.full(n, np.nan),
        repeatability_cv=0.0,
        censored=np.zeros(n, dtype=bool),
    )


def by_surface(method, sites, value, targets, truth):
    places = Places("", 0.0, 0.0, 0.0, np.ones((1, len(targets))), targets[:, 0], targets[:, 1])
    return judged(method((measurements(sites, value),), places)[0], truth)


def judged(surface, truth):
    """On the measured scale, as every side is."""
    mean, deviation = surface.mean(), surface.standard_deviation()
    inside = (truth >= surface.at_score(-Z_95)) & (truth <= surface.at_score(Z_95))
    quantiles = np.column_stack([surface.at_score(score) for score in SCORES])
    drawn = [np.interp(z, SCORES, row) for z, row in zip(scores_for(truth), quantiles, strict=True)]
    return Said(mean, np.square(deviation), inside, np.array(drawn))


def normal(mean, variance, truth):
    deviation = np.sqrt(variance)[:, None]
    return Said(
        mean,
        variance,
        np.abs(truth - mean) <= Z_95 * deviation[:, 0],
        mean[:, None] + deviation * scores_for(truth),
    )


def scores_for(truth):
    """Other ones for every fold, the same at every run."""
    return np.random.default_rng(zlib.crc32(truth.tobytes())).standard_normal((len(truth), DRAWS))


def scikit_learn_process(sites, value, targets, truth):
    from sklearn.gaussian_process import GaussianProcessRegressor
    from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel

    extent = np.ptp(sites, axis=0).max()
    kernel = ConstantKernel() * Matern(0.3, (1e-2, 1e1), nu=1.5) + WhiteKernel(0.3, (1e-4, 1e1))
    process = GaussianProcessRegressor(kernel, normalize_y=True, random_state=0)
    process.fit(sites / extent, value)
    mean, deviation = process.predict(targets / extent, return_std=True)
    return normal(mean, np.square(deviation), truth)


def pykrige_spherical(sites, value, targets, truth):
    from pykrige.ok import OrdinaryKriging

    kriging = OrdinaryKriging(*sites.T, value, variogram_model="spherical", exact_values=False)
    mean, variance = (np.asarray(part) for part in kriging.execute("points", *targets.T))
    return normal(mean, np.maximum(variance, 1e-12 * np.var(value)), truth)


def with_features(sites, value, targets, truth, features, there):
    """The mixture the default method makes of covariates, given at samples and targets rather than on a raster."""
    families, (fit,) = (
        weighed_families("auto"),
        fit_covariances(
            (measurements(sites, value),),
            families=weighed_families("auto"),
            mixes=COVARIATES,
            features=(features,),
            plugged_in=False,
        ),
    )
    g = fit.transform.forward(value)
    centre, spread, none = g.mean(), g.std(), np.zeros(1)
    standard = Standard.of(features)
    here = Sites(sites, standard(features), np.ones((len(sites), 1)))
    away = Sites(targets, standard(there), np.ones((len(targets), 1)))
    unit = ((g - centre) / spread)[:, None]
    points = parameter_points(here, unit, families=families, measurement_variance=none, mixes=COVARIATES)
    said = integrated_blocks(here, unit, away, points, Block.square(0.0, 1, 1.0, none))[0]
    evidence = Evidence(len(value), "found", 0.0, None, None, None)
    return judged(Surface("soil", "-", fit.transform, said.moved(shift=centre, factor=spread), evidence), truth)


def random_forest(sites, value, targets, truth, features, there):
    """Its variance is that of out-of-bag residuals; it is not told the places."""
    del sites, targets
    from sklearn.ensemble import RandomForestRegressor

    forest = RandomForestRegressor(300, max_features=1 / 3, oob_score=True, random_state=0)
    forest.fit(features, value)
    variance = np.full(len(truth), np.var(value - forest.oob_prediction_))
    return normal(forest.predict(there), variance, truth)


METHODS = {
    "integrated (default)": partial(by_surface, integrated_block_kriging),
    "integrated, no transform": partial(by_surface, partial(integrated_block_kriging, transform="none")),
    "plug-in": partial(by_surface, ordinary_point_kriging),
    "scikit-learn process, Matern 3/2": scikit_learn_process,
    "PyKrige, spherical": pykrige_spherical,
}
WITH_COVARIATES = {"integrated, covariates": with_features, "random forest": random_forest}
SPECTRA = ("H.138", "MG.44", "SC.93", "SP.231")


def cases(most):
    """(name, sites, values, folds, features) of every field and target with coordinates in metres."""
    from LimeSoDa import list_datasets, load_dataset

    listed = list_datasets()
    names = listed if isinstance(listed, list) else listed.iloc[:, 0].tolist()
    fields = 0
    for name in names:
        field = load_dataset(name)
        places = field["Coordinates"]
        if getattr(places, "ndim", 0) < 2 or places.shape[1] < 2:
            continue
        sites = places.to_numpy(float)[:, :2]
        if np.ptp(sites[:, 0]) < 5:  # degrees, or none
            continue
        fields += 1
        if fields > most:
            return
        table, folds = field["Dataset"], np.asarray(field["Folds"]).ravel()
        features = table[[column for column in table.columns if not column.endswith("_target")]].to_numpy(float)
        for target in (column for column in table.columns if column.endswith("_target")):
            yield f"{name} {target}", sites, table[target].to_numpy(float), folds, features


def averaged(rows, which, count):
    """Means of rows at the same place."""
    sums = [np.bincount(which, weights=column) for column in rows.T]
    return np.column_stack(sums) / count[:, None]


def judge(case, methods):
    """(methods, 7) error ratio, deviation ratio, coverage, seconds, failures; what chance gives: worse, in range."""
    _, sites, value, folds, features = case
    said, truth, mean = {method: [] for method in methods}, [], []
    seconds, failures = dict.fromkeys(methods, 0.0), dict.fromkeys(methods, 0)
    for fold in np.unique(folds):
        train, left_out = folds != fold, folds == fold
        places, which, rows = np.unique(sites[train], axis=0, return_inverse=True, return_counts=True)
        average = averaged(value[train][:, None], which.ravel(), rows)[:, 0]
        known = () if methods is METHODS else (averaged(features[train], which.ravel(), rows), features[left_out])
        truth.append(value[left_out])
        mean.append(np.full(left_out.sum(), value[train].mean()))
        for method, predict in methods.items():
            start = time.perf_counter()
            try:
                answer = predict(places, average, sites[left_out], truth[-1], *known)
            except (ValueError, np.linalg.LinAlgError):
                failures[method] += 1
                answer = normal(mean[-1], np.full(left_out.sum(), np.var(average)), truth[-1])
            seconds[method] += (time.perf_counter() - start) / len(np.unique(folds))
            said[method].append(answer)
    observed, base = np.concatenate(truth), np.concatenate(mean)
    rows = []
    for method, parts in said.items():
        predicted, variance, inside, drawn = (
            np.concatenate([getattr(part, name) for part in parts]) for name in Said.__dataclass_fields__
        )
        values = np.column_stack([observed, drawn])
        squared = np.square(predicted[:, None] - values)
        ratio = np.sqrt(squared.mean(axis=0) / np.square(base[:, None] - values).mean(axis=0))
        deviation = (squared / variance[:, None]).mean(axis=0)
        chance = [(ratio[1:] > 1).mean(), in_range(deviation[1:]).mean()]
        rows.append([ratio[0], deviation[0], inside.mean(), seconds[method], failures[method], *chance])
    return np.array(rows)


def in_range(deviation):
    return (deviation > 0.8) & (deviation < 1.25)


def judge_quietly(case, *, covariates):
    with warnings.catch_warnings(), one_linear_algebra_thread():
        warnings.simplefilter("ignore")
        return judge(case, WITH_COVARIATES if covariates else METHODS)


def show(chosen, *, covariates):
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        judged_cases = np.stack(list(pool.map(partial(judge_quietly, covariates=covariates), chosen)))
    what = "covariates" if covariates else "coordinates only"
    print(f"{len(chosen)} cases of {len({case[0].split()[0] for case in chosen})} fields, {what}")
    print(f"{'':36}{'ratio':>7}{'most':>7}{'worse':>16}{'MSDR':>16}{'cover':>7}{'s':>7}{'failed':>8}")
    for k, method in enumerate(WITH_COVARIATES if covariates else METHODS):
        ratio, deviation, coverage, seconds, failures, worse, in_bounds = judged_cases[:, k].T
        print(
            f"{method:36}{ratio.mean():7.4f}{ratio.max():7.3f}{(ratio > 1 + 1e-9).mean():7.1%} ({worse.mean():6.1%})"
            f"{in_range(deviation).mean():7.1%} ({in_bounds.mean():6.1%}){coverage.mean():7.3f}"
            f"{seconds.mean():7.3f}{failures.sum():8.0f}",
            flush=True,
        )


def main(most):
    chosen = list(cases(most))
    show(chosen, covariates=False)
    show([case for case in chosen if not case[0].startswith(SPECTRA)], covariates=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 99)
