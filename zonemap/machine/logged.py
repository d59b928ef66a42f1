"""A log laid out on the ground: records of a driven line as quadrilaterals, and what all of them put on each cell.

Assumed: a record stands for the ground half way to the one before it and to the one after it, as wide as the swath, and
what was thrown lies evenly across that.
"""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon

from zonemap.values.arrays import BoolArray, FloatArray, IntArray
from zonemap.values.field import Field
from zonemap.values.grid import Grid
from zonemap.values.spread import Footprints, Laid, PointLog, PolygonLog

#: a step so many times the usual one is a way without records
_GAP = 3.0
#: steps below this are standing still, m
_STILL_M = 0.05
#: a hop to the side is at least this share of a swath
_HOP = 0.5
#: cosine of the turn from which a step is no way that a spreader drives in one beat of the log (60 degrees)
_SHARP = 0.5
#: records are joined to footprints of this share of a cell
_JOINED = 0.5
#: stretch of the way, in swaths, whose ends give the direction at a place: a receiver is off by some decimetres
_DIRECTION = 1.0
#: rows lie in no order of driving where their steps are so many times the distance to the nearest
_SCATTERED = 3.0
#: pairs of polygon and cell that are worked out at a time
_PAIRS = 500_000
#: coordinates of a polygon whose area in a box is worked out by its edges
_PLAIN = 64
#: where only one place is known nothing says how far it reaches, m
_LONE_M = 1.0

_Shapes = npt.NDArray[np.object_]


def length_driven_m(log: PointLog) -> float:
    """Length of the way along which records lie, gaps left out; 0 where they lie in no order."""
    at = _places(log)
    step = _steps(at)
    usual = _usual(step)
    return 0.0 if _scattered(at, usual, usual) else float(step[~_breaks(at, step, usual, 0.0)].sum())


def footprints_of(log: PointLog | PolygonLog, *, swath_m: float, cell_m: float) -> Footprints:
    """Lay a log out on the ground.

    Parameters
    ----------
    swath_m
        Working width where the log does not state it.
    cell_m
        Side of the cells it is laid on: records much shorter than that are joined.

    Notes
    -----
    Where the log states areas, the mass of every pass (records without a gap) is what its rates and areas say.
    """
    if isinstance(log, PolygonLog):
        shapes = np.empty(log.records, dtype=object)
        shapes[:] = log.polygon
        return Footprints(shapes, log.rate_kg_ha, (log.rate_kg_ha > 0).astype(np.float64))
    at, width = _places(log), np.full(log.records, swath_m) if log.swath_m is None else log.swath_m
    step = _steps(at)
    usual = _usual(step)
    if _scattered(at, usual, float(np.median(width))):
        return _around(log, at, width)
    return _along(log, at, width, step, usual, cell_m=cell_m)


def laid_on(footprints: Footprints, grid: Grid, field: Field) -> Laid:
    """Add up what footprints put on the field in each cell: mass is neither lost nor gained."""
    rate, covered = np.zeros(grid.cells), np.zeros(grid.cells)
    boxes, cells = _cells(grid, field)
    tree, polygons = shapely.STRtree(cells), footprints.polygon
    for batch in _batches(polygons, grid):
        of, cell = tree.query(polygons[batch], predicate="intersects")
        share = _shared_m2(polygons[batch], of, boxes, cells, cell) / (grid.cell_area_ha[cell] * 10_000)
        np.add.at(rate, cell, share * footprints.rate_kg_ha[batch][of])
        np.add.at(covered, cell, share * footprints.open_share[batch][of])
    return Laid(rate, covered, footprints.total_kg)


def joined(parts: list[Footprints]) -> Footprints:
    """Footprints of several logs, one after the other."""
    return Footprints(
        np.concatenate([each.polygon for each in parts]),
        np.concatenate([each.rate_kg_ha for each in parts]),
        np.concatenate([each.open_share for each in parts]),
    )


def _batches(polygons: _Shapes, grid: Grid) -> list[slice]:
    """Runs of polygons whose bounding boxes hold so many cells together that memory is bounded."""
    if not polygons.size:
        return []
    rows, columns = grid.shape
    sides = np.array([columns, rows]) * grid.cell_m
    bounds = np.nan_to_num(shapely.bounds(polygons)) - np.tile([grid.west_m, grid.north_m - sides[1]], 2)
    reach = np.clip(bounds[:, 2:], 0, sides) - np.clip(bounds[:, :2], 0, sides)
    run = (np.cumsum(np.prod(reach / grid.cell_m + 2, axis=1)) / _PAIRS).astype(np.int64)
    ends = [*np.flatnonzero(np.diff(run)) + 1, polygons.size]
    return [slice(int(start), int(end)) for start, end in itertools.pairwise([0, *ends])]


def _cells(grid: Grid, field: Field) -> tuple[FloatArray, _Shapes]:
    """(cells, 4) west, south, east, north of every cell, and its square, cut at the boundary."""
    easting, northing = grid.centres()
    half = grid.cell_m / 2
    boxes = np.column_stack([easting - half, northing - half, easting + half, northing + half])
    squares = np.asarray(shapely.box(*boxes.T), dtype=object)
    cut = grid.cell_area_ha < (1 - 1e-9) * grid.cell_m**2 / 10_000
    squares[cut] = shapely.intersection(squares[cut], field.boundary)
    boxes[cut] = np.nan
    return boxes, squares


def _shared_m2(polygons: _Shapes, of: IntArray, boxes: FloatArray, cells: _Shapes, cell: IntArray) -> FloatArray:
    """(pairs,) area that a polygon and a cell share: by its edges where polygon and cell are plain."""
    plain = (shapely.get_num_coordinates(polygons) <= _PLAIN)[of] & np.isfinite(boxes[cell, 0])
    area = np.empty(cell.size)
    area[plain] = _in_boxes_m2(polygons, of[plain], boxes[cell[plain]])
    shapely.prepare(polygons)
    inner = ~plain
    inner[inner] = shapely.contains_properly(polygons[of[inner]], cells[cell[inner]])
    area[inner] = shapely.area(cells[cell[inner]])
    rest = ~plain & ~inner
    area[rest] = shapely.area(shapely.intersection(polygons[of[rest]], cells[cell[rest]]))
    return area


def _in_boxes_m2(polygons: _Shapes, of: IntArray, boxes: FloatArray) -> FloatArray:
    """(pairs,) area of a polygon within a box.

    At every easting the polygon reaches from edges below to edges above it; cut to the box that is a sum over edges of
    their northing, cut to the box, and the integral of that over the eastings of the box is exact.
    """
    used, of = np.unique(of, return_inverse=True)
    # outer rings to the left, holes to the right: so that edges above count with the other sign than edges below
    parts, of_part = shapely.get_parts(shapely.orient_polygons(polygons[used], exterior_cw=False), return_index=True)
    rings, of_ring = shapely.get_rings(parts, return_index=True)
    places, ring = shapely.get_coordinates(rings, return_index=True)
    edge = np.flatnonzero(ring[1:] == ring[:-1])
    count = np.bincount(of_part[of_ring[ring[edge]]], minlength=used.size)
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    pair = np.repeat(np.arange(of.size), count[of])
    along = np.arange(pair.size) - np.repeat(np.cumsum(count[of]) - count[of], count[of])
    edge = edge[first[of[pair]] + along]

    corner, size = boxes[pair, :2], boxes[pair, 2:] - boxes[pair, :2]
    (x1, y1), (x2, y2) = (places[edge] - corner).T, (places[edge + 1] - corner).T
    wide, tall = size.T
    left, right = np.clip(x1, 0, wide), np.clip(x2, 0, wide)
    run = x2 - x1
    slope = (y2 - y1) / np.where(run == 0, 1.0, run)
    low, high = y1 + slope * (left - x1), y1 + slope * (right - x1)
    rise = high - low
    flat = np.abs(rise) <= 1e-9 * tall
    mean = (_risen(high, tall) - _risen(low, tall)) / np.where(flat, 1.0, rise)
    mean = np.where(flat, np.clip((low + high) / 2, 0, tall), mean)
    return np.maximum(-np.bincount(pair, weights=mean * (right - left), minlength=of.size), 0.0)


def _risen(y: FloatArray, tall: FloatArray) -> FloatArray:
    """Integral of a northing that is cut to 0 ... `tall`, from 0 on."""
    cut = np.clip(y, 0, tall)
    return np.asarray(cut**2 / 2 + tall * np.maximum(y - tall, 0))


def _places(log: PointLog) -> FloatArray:
    return np.column_stack([log.easting_m, log.northing_m])


def _steps(at: FloatArray) -> FloatArray:
    """(records - 1,) from each record to the next."""
    return np.asarray(np.hypot(*np.diff(at, axis=0).T))


def _usual(step: FloatArray) -> float:
    """Median step while driving."""
    driven = step[step > _STILL_M]
    return float(np.median(driven)) if driven.size else _LONE_M


def _scattered(at: FloatArray, usual: float, width: float) -> bool:
    """Whether records follow one another in no order of driving: the next lies far, others near."""
    from scipy.spatial import cKDTree

    if len(at) < 3 or usual <= width:
        return False
    nearest = cKDTree(at).query(at, k=[2])[0]
    return usual > _SCATTERED * float(np.median(nearest))


def _breaks(at: FloatArray, step: FloatArray, usual: float, width: float) -> BoolArray:
    """(records - 1,) whether a record and the next are of two passes: a long step, or a hop to the side."""
    along = np.diff(at, axis=0) / np.maximum(step, 1e-9)[:, None]
    sharp = (along[1:] * along[:-1]).sum(axis=1) < _SHARP
    sharp &= (step[1:] > _STILL_M) & (step[:-1] > _STILL_M)
    hop = np.concatenate([[False], sharp]) & np.concatenate([sharp, [False]]) if step.size else np.zeros(0, dtype=bool)
    # a receiver's error turns short steps about; the next pass is about a swath away
    return np.asarray((step > _GAP * usual) | (hop & (step > _HOP * width)))


def _along(
    log: PointLog, at: FloatArray, width: FloatArray, step: FloatArray, usual: float, *, cell_m: float
) -> Footprints:
    """Quadrilaterals that share their edges along each pass."""
    records = len(at)
    number = np.concatenate([[0], np.cumsum(_breaks(at, step, usual, float(np.median(width))))])
    first = np.searchsorted(number, number, side="left")
    last = np.searchsorted(number, number, side="right") - 1
    start, end = _edges(at, first, last, usual)
    length = np.hypot(*(end - start).T)
    window = max(round(_DIRECTION * float(np.median(width)) / usual / 2), 1)
    index = np.arange(records)
    right_start = _right(at, index - 1, index, first, last, window)
    right_end = _right(at, index, index + 1, first, last, window)

    along = np.cumsum(length) - length / 2
    bin_of = np.floor((along - along[first]) / (_JOINED * cell_m)).astype(np.int64)
    opens = np.flatnonzero(np.concatenate([[True], (np.diff(number) != 0) | (np.diff(bin_of) != 0)]))
    closes = np.concatenate([opens[1:], [records]]) - 1
    half = _mean(width, length, opens) / 2
    corners = np.stack(
        [
            start[opens] - half[:, None] * right_start[opens],
            start[opens] + half[:, None] * right_start[opens],
            end[closes] + half[:, None] * right_end[closes],
            end[closes] - half[:, None] * right_end[closes],
        ],
        axis=1,
    )
    corner = np.asarray(shapely.points(corners), dtype=object)
    shapes = np.asarray(shapely.convex_hull(shapely.multipoints(corner)), dtype=object)
    rate = _mean(log.rate_kg_ha, length, opens)
    opened = _mean((log.rate_kg_ha > 0).astype(np.float64), length, opens)
    flat = shapely.area(shapes) <= 0
    here = at[opens[flat]]
    shapes[flat] = _squares(here, half[flat])
    if log.area_m2 is not None:
        rate = _to_mass(rate, shapes, number[opens], log.rate_kg_ha * log.area_m2, number)
    elif flat.any():  # standing still: no ground of its own, and nobody says how much fell
        rate, opened = np.where(flat, 0.0, rate), np.where(flat, 0.0, opened)
    return Footprints(shapes, rate, opened)


def _edges(at: FloatArray, first: IntArray, last: IntArray, usual: float) -> tuple[FloatArray, FloatArray]:
    """(records, 2) where the ground of each record begins and ends: half way to its neighbours in the pass."""
    index = np.arange(len(at))
    before, after = np.maximum(index - 1, first), np.minimum(index + 1, last)
    back, ahead = (at - at[before]) / 2, (at[after] - at) / 2
    back = np.where((before == index)[:, None], ahead, back)
    ahead = np.where((after == index)[:, None], back, ahead)
    lone = np.asarray(first == last)
    back[lone] = ahead[lone] = np.array([0.0, usual / 2])
    return at - back, at + ahead


def _right(
    at: FloatArray, before: IntArray, after: IntArray, first: IntArray, last: IntArray, window: int
) -> FloatArray:
    """(records, 2) unit vectors to the right of the way at the edge between two records."""
    low = np.clip(before - window + 1, first, last)
    high = np.clip(after + window - 1, first, last)
    way = at[high] - at[low]
    near = at[np.clip(after, first, last)] - at[np.clip(before, first, last)]
    way = np.where((np.hypot(*way.T) > _STILL_M)[:, None], way, near)
    length = np.hypot(*way.T)
    way = np.where((length > 0)[:, None], way, np.array([0.0, 1.0]))
    way = way / np.hypot(*way.T)[:, None]
    return np.column_stack([way[:, 1], -way[:, 0]])


def _mean(values: FloatArray, weight: FloatArray, opens: IntArray) -> FloatArray:
    """Weighted mean over runs that begin at `opens`; the plain mean where nothing weighs."""
    total = np.add.reduceat(weight, opens)
    count = np.diff(np.concatenate([opens, [values.size]]))
    plain = np.add.reduceat(values, opens) / count
    return np.where(total > 0, np.add.reduceat(values * weight, opens) / np.where(total > 0, total, 1.0), plain)


def _squares(at: FloatArray, half: FloatArray) -> _Shapes:
    return np.asarray(shapely.box(*(at - half[:, None]).T, *(at + half[:, None]).T), dtype=object)


def _to_mass(
    rate: FloatArray, shapes: _Shapes, of_shape: IntArray, mass: FloatArray, of_record: IntArray
) -> FloatArray:
    """Rates scaled such that the shapes of every pass hold the mass (kg/ha times m2) of its records."""
    passes = int(of_record[-1]) + 1
    area = shapely.area(shapes)
    laid = np.bincount(of_shape, weights=rate * area, minlength=passes)
    wanted = np.bincount(of_record, weights=mass, minlength=passes)
    # where all length lies between closed records, the mass goes evenly on what there is
    even = np.bincount(of_shape, weights=area, minlength=passes)
    scaled = rate * np.where(laid > 0, wanted / np.where(laid > 0, laid, 1.0), 0.0)[of_shape]
    return np.where((laid > 0)[of_shape], scaled, (wanted / even)[of_shape])


def _around(log: PointLog, at: FloatArray, width: FloatArray) -> Footprints:
    """Ground nearest to each record and within half a swath of it, for records in no order of driving."""
    spots, of = np.unique(at, axis=0, return_inverse=True)
    of = of.reshape(-1)
    count = np.bincount(of)
    rate, wide = (np.bincount(of, weights=each) / count for each in (log.rate_kg_ha, width))
    opened = np.bincount(of, weights=(log.rate_kg_ha > 0).astype(np.float64)) / count
    reach = shapely.buffer(shapely.points(spots), wide / 2, quad_segs=8)
    nearest = shapely.voronoi_polygons(shapely.multipoints(spots), extend_to=shapely.box(*_about(spots, wide)))
    cells = shapely.get_parts(nearest)
    point, cell = shapely.STRtree(cells).query(shapely.points(spots), predicate="intersects")
    own = np.full(len(spots), MultiPolygon(), dtype=object)
    own[point] = cells[cell]
    shapes = np.asarray(shapely.intersection(reach, own), dtype=object)
    if log.area_m2 is not None:
        rate = _to_mass(rate, shapes, np.zeros(len(spots), dtype=np.int64), log.rate_kg_ha * log.area_m2, of * 0)
    return Footprints(shapes, rate, opened)


def _about(at: FloatArray, wide: FloatArray) -> tuple[float, float, float, float]:
    low, high = at.min(axis=0) - wide.max(), at.max(axis=0) + wide.max()
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])
