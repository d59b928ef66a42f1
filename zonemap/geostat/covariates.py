"""Values of covariates where they are asked for: at samples, and as means over cells.

A raster is taken as the bilinear surface through the centres of its pixels. Logged points are kriged from the nearest
few; their nugget is taken for noise of the sensor, which is not in the field, so it is filtered out of every value.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from zonemap.geostat.covariance import CORRELATIONS, block_offsets, distances
from zonemap.geostat.likelihood import NUGGET_SHARES, likelihood_grid, refine
from zonemap.geostat.neighbourhood import PointValues, krige_nearby
from zonemap.geostat.signal import range_grid
from zonemap.geostat.system import POINT
from zonemap.geostat.thin import average_over_blocks
from zonemap.geostat.threads import one_linear_algebra_thread
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.basis import Basis
from zonemap.values.covariate import Covariate, PointCovariate, RasterCovariate
from zonemap.values.samples import Measurements
from zonemap.values.variogram import Family, Variogram

#: Samples of a raster along each side of a square: as in the benchmarks of block kriging, where finer changed nothing.
_LEAST_ALONG = 4
#: More than so many along a side are not taken; finer rasters are averaged first.
_MOST_ALONG = 16
#: Bilinear samples taken at a time, 8 MB an array.
_SAMPLES_TOGETHER = 1_000_000

#: Points that a place takes, and the least number from each quadrant where there are that many near it.
_NEIGHBOURS, _PER_QUADRANT = 32, 4
#: Points nearer than this are one: no receiver on the move tells them apart, m.
_SAME_SPOT_M = 0.1
#: So many averages of points are kriged from at most: on 100 ha blocks of some 7 m.
_MOST_KRIGED = 20_000
#: The likelihood takes so many points, in clusters of neighbours, so that it sees the shortest lags as well as the
#: longest: all apart, they would not tell noise from variation over a few metres.
_FITTED_POINTS, _CLUSTER = 300, 5
#: Under so many points no model is fitted (as for samples).
_LEAST_FITTED = 8
#: A spatial model has two parameters more than pure nugget, and must be likelier by more than that: Akaike (1974), IEEE
#: Transactions on Automatic Control 19:716-723.
_MORE_PARAMETERS = 2.0
_FAMILIES: tuple[Family, ...] = ("exponential", "matern_3_2")


def covariate_values(covariates: tuple[Covariate, ...], places: FloatArray, *, side_m: float) -> FloatArray:
    """Mean of every covariate over a square about every place.

    Parameters
    ----------
    places
        (m, 2) easting and northing in the working CRS, m.
    side_m
        Side of the square; 0 is the value at the place.

    Returns
    -------
    FloatArray
        (m, covariates) in the covariates' own units, finite. Equal on every run, whatever the order of a log's rows.
    """
    columns = [
        _raster_means(covariate, places, side_m=side_m)
        if isinstance(covariate, RasterCovariate)
        else _point_means(covariate, places, side_m=side_m)
        for covariate in covariates
    ]
    return np.stack(columns, axis=1) if columns else np.empty((len(places), 0))


def _raster_means(raster: RasterCovariate, places: FloatArray, *, side_m: float) -> FloatArray:
    """Means of 4 x 4 to 16 x 16 bilinear samples a square; beyond its outermost pixel centres a raster goes on flat."""
    from scipy.ndimage import map_coordinates

    times = max(int(np.ceil(side_m / (_MOST_ALONG * raster.cell_m) - 1e-9)), 1)
    value, cell_m = _coarser(raster.value, times), times * raster.cell_m
    along = min(max(int(np.ceil(side_m / cell_m - 1e-9)), _LEAST_ALONG), _MOST_ALONG)
    offsets = block_offsets(side_m, along) if side_m > 0 else POINT
    mean = np.empty(len(places))
    step = max(_SAMPLES_TOGETHER // len(offsets), 1)
    for start in range(0, len(places), step):
        at = places[start : start + step, None, :] + offsets
        index = [(raster.north_m - at[..., 1]) / cell_m - 0.5, (at[..., 0] - raster.west_m) / cell_m - 0.5]
        mean[start : start + step] = map_coordinates(value, index, order=1, mode="nearest").mean(axis=1)
    return mean


def _coarser(value: FloatArray, times: int) -> FloatArray:
    """Means of `times` x `times` pixels; what is left over in the east and south is filled up from the edge."""
    if times == 1:
        return value
    filled = np.pad(value, [(0, -length % times) for length in value.shape], mode="edge")
    rows, columns = (length // times for length in filled.shape)
    return np.asarray(filled.reshape(rows, times, columns, times).mean(axis=(1, 3)))


@dataclass(frozen=True, slots=True)
class _Points:
    """Distinct places, in an order of their own, with the mean of the rows at each and how many they are."""

    sites: FloatArray
    value: FloatArray
    rows: FloatArray


def _point_means(covariate: PointCovariate, places: FloatArray, *, side_m: float) -> FloatArray:
    measured, _ = average_over_blocks(_measurements(covariate), side_m=_SAME_SPOT_M)
    distinct = _ordered(measured)
    kriged = _ordered(average_over_blocks(measured, most=_MOST_KRIGED)[0])
    model = _model(distinct)
    if model is None:
        return _weighted_means(kriged, places)
    mean, _ = krige_nearby(
        (PointValues(model, kriged.value, kriged.rows),),
        kriged.sites,
        places,
        k=_NEIGHBOURS,
        per_quadrant=_PER_QUADRANT,
        offsets=block_offsets(side_m, _LEAST_ALONG) if side_m > 0 else POINT,
    )
    return np.asarray(mean[0])


def _measurements(covariate: PointCovariate) -> Measurements:
    """Points as measurements, which is what averaging takes; basis, unit and repeatability say nothing here."""
    count = len(covariate.value)
    return Measurements(
        quantity=covariate.name,
        unit="",
        basis=Basis("tissue"),
        sample=("",) * count,
        easting_m=covariate.easting_m,
        northing_m=covariate.northing_m,
        value=covariate.value,
        replicates=np.ones(count, dtype=np.int64),
        replicate_variance=np.full(count, np.nan),
        repeatability_cv=0.0,
        censored=np.zeros(count, dtype=np.bool_),
    )


def _ordered(points: Measurements) -> _Points:
    order = np.lexsort((points.northing_m, points.easting_m))
    sites = np.column_stack([points.easting_m, points.northing_m])[order]
    return _Points(sites, points.value[order], points.replicates[order].astype(np.float64))


def _model(points: _Points) -> Variogram | None:
    """Likeliest covariance of the points, all of its nugget noise; ``None`` where they show no structure."""
    chosen = _clustered(points.sites)
    value, sites, rows = points.value[chosen], points.sites[chosen], points.rows[chosen]
    spread = float(np.std(value))
    if len(chosen) < _LEAST_FITTED or spread <= 1e-9 * float(np.abs(value).max()):
        return None
    standard = (value - value.mean()) / spread
    relative = None if np.all(rows == 1) else 1.0 / rows
    with one_linear_algebra_thread():
        between = distances(sites, sites)
        grids = {
            family: likelihood_grid(
                (CORRELATIONS[family](between / range_m) for range_m in range_grid(sites, family)),
                standard[:, None],
                nugget_share=np.array(NUGGET_SHARES),
                relative_nugget=relative,
            )
            for family in _FAMILIES
        }
        best = max(_FAMILIES, key=lambda family: float(grids[family].ratio[0]))
        if grids[best].ratio[0] <= _MORE_PARAMETERS:
            return None
        range_m, share, sill = refine(
            sites,
            standard,
            family=best,
            range_m=range_grid(sites, best),
            nugget_share=grids[best].nugget_share,
            log_likelihood=grids[best].log_likelihood[:, :, 0],
            relative_nugget=relative,
        )
    sill *= spread**2
    return Variogram(best, range_m, share * sill, (1 - share) * sill, share * sill)


def _clustered(sites: FloatArray) -> IntArray:
    """Ascending indices of points to fit: all of them, or neighbours about seeded centres."""
    from scipy.spatial import cKDTree

    if len(sites) <= _FITTED_POINTS:
        return np.arange(len(sites))
    centres = np.random.default_rng(0).permutation(len(sites))
    nearest = np.asarray(cKDTree(sites).query(sites[centres[:_FITTED_POINTS]], _CLUSTER)[1])
    chosen: dict[int, None] = {}
    for cluster in nearest.tolist():
        if len(chosen) >= _FITTED_POINTS:
            break
        chosen.update(dict.fromkeys(cluster))
    return np.sort(np.array(list(chosen), dtype=np.int64))


def _weighted_means(points: _Points, places: FloatArray) -> FloatArray:
    """Means of the nearest points, which count by their rows and half as much at the median of their distances."""
    from scipy.spatial import cKDTree

    k = min(_NEIGHBOURS, len(points.value))
    distance, index = (np.reshape(found, (-1, k)) for found in cKDTree(points.sites).query(places, k))
    half = np.maximum(np.median(distance, axis=1, keepdims=True), _SAME_SPOT_M)
    weight = points.rows[index] / (1.0 + np.square(distance / half))
    return np.asarray((weight * points.value[index]).sum(axis=1) / weight.sum(axis=1))
