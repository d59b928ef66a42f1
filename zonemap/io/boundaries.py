"""The outline of a field: chosen, checked, mended where that leaves no doubt, and brought to the working CRS."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from zonemap.errors import InputError
from zonemap.io import coordinates
from zonemap.io.sources import shown
from zonemap.io.vectors import Feature, Layer
from zonemap.values.arrays import FloatArray
from zonemap.values.note import Note

if TYPE_CHECKING:
    from pyproj import CRS

_POLYGONAL = ("Polygon", "MultiPolygon")
#: share of the area by which a mend may change it and still be called no change at all
_SAME_AREA = 1e-6
#: edges that one edge meets on average, itself and its two neighbours among them
_MOST_MET = 23.0
_SMALLEST_PART_M2 = 1.0
_MOST_AREA_M2 = 50_000 * 10_000.0
_KEY = 'boundary_crs = "EPSG:..." under [field]'
_SWAP = "Set swap = true under [field]"


@dataclass(frozen=True, slots=True)
class Boundary:
    """The outline of a field.

    Attributes
    ----------
    area
        In the working CRS.
    crs, source_crs
        The working CRS and the one it came in, ``EPSG:...``.
    notes
        What was done to it.
    others
        Outlines of the same file that are other fields, in the working CRS, as they are drawn.
    """

    area: MultiPolygon
    crs: str
    source_crs: str
    notes: tuple[Note, ...]
    others: MultiPolygon = field(default_factory=MultiPolygon)


def field_boundary(
    layer: Layer,
    *,
    feature: str | None = None,
    stated_crs: str | None = None,
    working_crs: str = "auto",
    repair: bool = False,
    swap: bool = False,
) -> Boundary:
    """Outline of one field in metres.

    Parameters
    ----------
    feature
        Id, or any property's text, of the feature that is the field; ``"all"`` makes all of them one field; needed
        only where the file holds several.
    stated_crs
        What the user says of a file without a CRS.
    working_crs
        ``"auto"`` for the UTM zone of the centroid, or a projected EPSG code in metres.
    repair
        Whether an outline that crosses itself is to be mended, its lobes kept.
    swap
        Whether first and second coordinate are exchanged in the file.

    Raises
    ------
    InputError
        When the outline is not one field's, and where its mending would be a guess.
    """
    chosen, rest, notes = _chosen(layer, feature)
    source = source_crs(layer, stated_crs, where=layer.name, key=_KEY)
    drawn = coordinates.swapped(chosen) if swap else chosen
    at = shapely.get_coordinates(drawn)
    coordinates.refuse_wrong_scale(at[:, 0], at[:, 1], source, where=layer.name, key=_KEY, swap=_SWAP)
    if source.is_geographic:
        drawn = coordinates.unwrapped(drawn)
    geographic = coordinates.transform_shape(drawn, source=source, target=coordinates.WGS84, where=layer.name)
    target = _working_crs(working_crs, coordinates.unwrapped(geographic))
    planar = coordinates.transform_shape(drawn, source=source, target=target, where=layer.name)
    area, more = _sound(planar, target, where=layer.name, repair=repair)
    _refuse_odd_area(area, target, where=layer.name)
    others = _others(rest, source, target, swap=swap)
    return Boundary(area, target, coordinates.code_of(source), (*layer.notes, *notes, *more), others)


def source_crs(layer: Layer, stated: str | None, *, where: str, key: str) -> CRS:
    """CRS of a layer: the file's own, else the one stated; never a guess.

    Raises
    ------
    InputError
        When neither says, or the two contradict each other.
    """
    if stated is not None:
        named = coordinates.stated_crs(stated, where=f"field.toml, {key.split(' ', maxsplit=1)[0]}")
        own = coordinates.file_crs(layer.crs, where=where) if layer.crs and not layer.assumed else None
        if own is not None and not own.equals(named, ignore_axis_order=True) and own.to_epsg() != named.to_epsg():
            what = f"says it is in {coordinates.code_of(own)}, field.toml says {coordinates.code_of(named)}"
            raise InputError(where, what, f"Remove {key}, or export the file again.")
        return named
    if not layer.crs:
        raise InputError(
            where, "does not say which CRS its coordinates are in", f"Put its .prj beside it, or set {key}."
        )
    return coordinates.file_crs(layer.crs, where=where)


def outlines(layer: Layer) -> list[Feature]:
    """Features of a file of boundaries that have a shape."""
    return [f for f in layer.features if f.geometry is not None and not f.geometry.is_empty]


def _chosen(layer: Layer, feature: str | None) -> tuple[MultiPolygon, list[Feature], tuple[Note, ...]]:
    """All polygons of the feature or features that are the field, not yet checked, and the other features."""
    drawn = outlines(layer)
    if not drawn:
        raise InputError(layer.name, "holds no shape", "Draw the field's outline as a polygon.")
    missing = len(layer.features) - len(drawn)
    notes = (Note("warning", f"{layer.name}: {missing} features without a shape were left out."),) if missing else ()
    wanted = drawn if feature == "all" else _wanted(drawn, feature, where=layer.name)
    parts = [part for f in wanted for part in _polygons(f, where=layer.name)]
    return MultiPolygon(parts), [f for f in drawn if not any(f is each for each in wanted)], notes


def _others(features: Sequence[Feature], source: CRS, target: str, *, swap: bool) -> MultiPolygon:
    """Polygons of features in the working CRS, without those that lie beyond its reach."""
    if not features:
        return MultiPolygon()
    shapes = shapely.get_parts(shapely.get_parts([f.geometry for f in features]))
    drawn = MultiPolygon([shape for shape in shapes if isinstance(shape, Polygon)])

    def to_target(at: FloatArray) -> FloatArray:
        return np.column_stack(coordinates.transform_points(at[:, 0], at[:, 1], source=source, target=target))

    moved = shapely.transform(coordinates.swapped(drawn) if swap else drawn, to_target)
    return MultiPolygon([part for part in moved.geoms if np.isfinite(shapely.get_coordinates(part)).all()])


def _wanted(drawn: Sequence[Feature], feature: str | None, *, where: str) -> list[Feature]:
    titles = "; ".join(f.title for f in drawn[:20]) + ("; ..." if len(drawn) > 20 else "")
    if feature is None:
        if len(drawn) == 1:
            return list(drawn)
        mend = f'Set feature = "{drawn[0].id}" under [field] to take one, or feature = "all" if they are one field'
        mend += "; zonemap batch plans each."
        raise InputError(where, f"holds {len(drawn)} features: {titles}", mend)
    found = [f for f in drawn if f.id == feature] or [f for f in drawn if feature in map(str, f.properties.values())]
    if len(found) != 1:
        what = f"{len(found)} features are called {shown(feature)}; it holds {titles}"
        raise InputError(where, what, "Set feature under [field] to one of these ids.")
    return found


def _polygons(feature: Feature, *, where: str) -> list[Polygon]:
    geometry = feature.geometry
    if isinstance(geometry, Polygon):
        parts: list[BaseGeometry] = [geometry]
    else:
        parts = list(getattr(geometry, "geoms", [])) if geometry is not None else []
    polygons = [polygon for part in parts for polygon in (part.geoms if isinstance(part, MultiPolygon) else [part])]
    if not polygons or not all(isinstance(polygon, Polygon) for polygon in polygons):
        kind = geometry.geom_type if geometry is not None else "nothing"
        mend = "Draw the field's outline as a polygon."
        raise InputError(f"{where}, {feature.place}", f"is a {kind}, not a polygon", mend)
    return [polygon for polygon in polygons if isinstance(polygon, Polygon) and not polygon.is_empty]


def _working_crs(text: str, geographic: MultiPolygon) -> str:
    """EPSG code to compute in."""
    where = "field.toml, field, working_crs"
    if text == "auto":
        # Of the hull, because the centroid of an outline that crosses itself may lie anywhere.
        middle = geographic.convex_hull.centroid
        return coordinates.utm_zone(middle.x, middle.y, where=where)
    return coordinates.code_of(coordinates.working_crs(text, where=where))


def _sound(planar: MultiPolygon, crs: str, *, where: str, repair: bool) -> tuple[MultiPolygon, list[Note]]:
    """Valid outline in metres: doubtless faults are mended, a crossing stops unless `repair`."""
    clean = _without_repeats(planar)
    if clean.is_empty:
        raise InputError(where, "the outline encloses no area", "Draw the field's outline as a polygon.")
    notes: list[Note] = []
    repeated = shapely.get_num_coordinates(planar) - shapely.get_num_coordinates(clean)
    if repeated:
        notes.append(Note("repair", f"{where}: {repeated} repeated vertices were removed."))
    if not shapely.is_valid(clean):
        clean, note = _mended(clean, crs, where=where, repair=repair)
        notes.append(note)
    kept = [part for part in clean.geoms if part.area >= _SMALLEST_PART_M2]
    if len(kept) < len(clean.geoms) and kept:
        dropped = sum(part.area for part in clean.geoms) - sum(part.area for part in kept)
        count = len(clean.geoms) - len(kept)
        text = f"{where}: {count} parts smaller than 1 m2 ({dropped:.2g} m2 in all) were dropped."
        notes.append(Note("warning", text))
    return shapely.orient_polygons(MultiPolygon(kept or list(clean.geoms))), notes


def _without_repeats(planar: MultiPolygon) -> MultiPolygon:
    """Rings without vertices that repeat the one before; rings that are then no ring are left out."""

    def ring(line: shapely.LinearRing) -> FloatArray:
        at = shapely.get_coordinates(line)
        return at[np.r_[True, np.any(at[1:] != at[:-1], axis=1)]]

    parts = []
    for part in planar.geoms:
        outer, holes = ring(part.exterior), [ring(hole) for hole in part.interiors]
        if len(outer) > 3:
            parts.append(Polygon(outer, [hole for hole in holes if len(hole) > 3]))
    return MultiPolygon(parts)


def _mended(broken: MultiPolygon, crs: str, *, where: str, repair: bool) -> tuple[MultiPolygon, Note]:
    """Valid form of an outline, every lobe kept (make_valid by structure; a zero-width buffer would lose lobes)."""
    reason = str(shapely.is_valid_reason(broken))
    _refuse_scribble(broken, where=where)
    mended = _polygonal(shapely.make_valid(broken, method="structure", keep_collapsed=False))
    before, after = broken.area, mended.area
    if after == 0:
        raise InputError(where, "the outline encloses no area", "Draw the field's outline as a polygon.")
    if abs(after - before) <= _SAME_AREA * after:
        text = f"{where}: spikes or touching rings were cleaned without changing the area of {after / 1e4:.4g} ha."
        return mended, Note("repair", text)
    place = _place(reason, crs)
    areas = f"{before / 1e4:.4g} ha as drawn, {after / 1e4:.4g} ha mended"
    if not repair:
        fault = reason.split("[", maxsplit=1)[0].lower()
        mend = "Redraw it there, or set repair = true under [field] to take the mended outline."
        raise InputError(where, f"the outline has a {fault} (crosses or overlaps itself) at {place}: {areas}", mend)
    return mended, Note("repair", f"{where}: the outline crosses itself at {place} and was mended: {areas}.")


def _refuse_scribble(broken: MultiPolygon, *, where: str) -> None:
    """Refuse outlines with so many crossings that mending them would take all memory, by a sample of their edges."""
    lines = edge_lines(broken)
    looked_at = lines[:: max(1, len(lines) // 60)]
    met = shapely.STRtree(lines).query(looked_at, predicate="intersects").shape[1] / len(looked_at)
    if met > _MOST_MET:
        what = f"the outline crosses itself about {(met - 3) * len(lines) / 2:,.0f} times"
        raise InputError(where, what, "Draw the field's outline again, in the order in which one walks round it.")


def edge_lines(area: MultiPolygon) -> npt.NDArray[np.object_]:
    """Every edge of every ring as a line of two points."""
    rings = [ring for part in area.geoms for ring in (part.exterior, *part.interiors)]
    corners = [shapely.get_coordinates(ring) for ring in rings]
    edges = np.concatenate([np.stack([at[:-1], at[1:]], axis=1) for at in corners])
    return np.asarray(shapely.linestrings(edges), dtype=np.object_)


def _polygonal(geometry: BaseGeometry) -> MultiPolygon:
    parts = shapely.get_parts(shapely.get_parts(geometry))
    return MultiPolygon([part for part in parts if isinstance(part, Polygon) and not part.is_empty])


def _place(reason: str, crs: str) -> str:
    """Longitude and latitude of the point that GEOS names in brackets."""
    found = re.search(r"\[(\S+) (\S+)\]", reason)
    if found is None:
        return "one point"
    lon, lat = coordinates.transform_points([float(found[1])], [float(found[2])], source=crs, target=coordinates.WGS84)
    return f"longitude {lon[0]:.6f}, latitude {lat[0]:.6f}"


def _refuse_odd_area(area: MultiPolygon, crs: str, *, where: str) -> None:
    """Refuse fields no larger than a step or as large as a county, and a CRS that falsifies the area."""
    if not _SMALLEST_PART_M2 <= area.area <= _MOST_AREA_M2:
        what = f"the field measures {area.area / 1e4:,.6g} ha"
        raise InputError(where, what, f"Check the unit and the CRS of the coordinates: {_KEY}.")
    geographic = coordinates.transform_shape(area, source=crs, target=coordinates.WGS84, where=where)
    true_area = coordinates.geodesic_area_m2(coordinates.unwrapped(geographic))
    coordinates.refuse_distorted(area.area, true_area, crs=crs, where="field.toml, field, working_crs")
