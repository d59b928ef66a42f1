"""The map of one application as a drawing (SVG): zones, rates, no-spread areas, scale and north.

Written by hand from the polygons, because a drawing stays sharp on paper and takes milliseconds. Everything is set by
attributes, so that it also shows where a page forbids styles.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import TypeVar

import numpy as np
import shapely
from shapely import MultiLineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

from zonemap.report.shown import named, plain, shown, spread_area_ha
from zonemap.report.style import INK, rate_colour, scale_bar
from zonemap.values.arrays import FloatArray
from zonemap.values.plan import Plan
from zonemap.values.prescription import Application

#: points of 1/72 inch: width of the drawing, margin, strip below for scale and north
_WIDTH, _MARGIN, _STRIP = 420.0, 12.0, 40.0
#: height of the map over its width
_FLATTEST, _TALLEST = 0.4, 1.0
_FONT = "DejaVu Sans, Verdana, Arial, sans-serif"
_LETTER, _LINE = 6.6, 12.5
_HATCH = 6.0
#: parts smaller than this share of the field carry no label where another part of their zone does
_LEAST_LABELLED = 0.004
_MOST_LABELS = 40
#: of a label's box that lies on its part, and of the part that the box may cover
_LEAST_INSIDE, _MOST_COVERED = 0.8, 0.35

_Shape = TypeVar("_Shape", bound=BaseGeometry)
Box = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class _Frame:
    """From metres on the ground to points on the drawing."""

    west_m: float
    north_m: float
    points_per_m: float
    left: float
    top: float
    height: float

    def page(self, geometry: _Shape) -> _Shape:
        moved: _Shape = shapely.transform(geometry, self._moved)
        return moved

    def _moved(self, metres: FloatArray) -> FloatArray:
        across = self.left + (metres[:, 0] - self.west_m) * self.points_per_m
        down = self.top + (self.north_m - metres[:, 1]) * self.points_per_m
        return np.column_stack([across, down])


@dataclass(frozen=True, slots=True)
class _Label:
    lines: tuple[str, ...]
    across: float
    down: float

    @property
    def box(self) -> Box:
        wide = max(len(line) for line in self.lines) * _LETTER + 8
        tall = len(self.lines) * _LINE + 4
        return self.across - wide / 2, self.down - tall / 2, self.across + wide / 2, self.down + tall / 2


def field_map(plan: Plan, application: Application) -> str:
    """Draw an application: every zone in the colour of its rate, numbered; no-spread areas hatched; grid north is up.

    Returns
    -------
    str
        One ``svg`` element that names itself by a title.
    """
    frame = _frame(plan)
    prescription, field = plan.prescription, plan.case.field
    highest = float(application.rate_kg_ha.max(initial=0.0))
    marks = []
    for polygon, zone in zip(prescription.polygon, prescription.zone, strict=True):
        fill = "#ffffff" if zone == 0 else rate_colour(float(application.rate_kg_ha[zone - 1]), highest)
        marks.append(f'<path d="{_path(frame.page(polygon))}" fill="{fill}" stroke="#ffffff" stroke-width="1.6"/>')
    for place in field.no_spread:
        area = frame.page(place.area)
        marks.append(f'<path d="{_lines(_hatching(area))}" stroke="{INK}" stroke-width="0.7" fill="none"/>')
        marks.append(f'<path d="{_path(area)}" fill="none" stroke="{INK}" stroke-width="0.8"/>')
    marks.append(f'<path d="{_path(frame.page(field.boundary))}" fill="none" stroke="{INK}" stroke-width="1.4"/>')
    marks += [_drawn(label) for label in _labels(plan, application, frame)]
    marks += _scale_and_north(plan, frame)
    title = escape(plain(map_seen(plan, application)))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {frame.height:.0f}" role="img" '
        f'font-family="{_FONT}" fill-rule="evenodd" stroke-linejoin="round"><title>{title}</title>'
        f"{''.join(marks)}</svg>"
    )


def map_seen(plan: Plan, application: Application) -> str:
    """What can be seen on the map, in words."""
    show = shown(plan)
    zones = (
        f"zone {number}, {show.area(spread_area_ha(plan.prescription, number))}: "
        f"{show.rate_with_unit(application.rate_kg_ha[number - 1])}"
        for number in plan.outlines.zone
    )
    closed = [place.reason for place in plan.case.field.no_spread]
    hatched = f" Hatched, nothing may be spread: {', '.join(closed)}." if closed else ""
    return f"Map of {plan.case.field.name}, north up, for {named(application)}: {'; '.join(zones)}.{hatched}"


def keep_out_letter(index: int) -> str:
    """Letter of a no-spread area on the map.

    >>> keep_out_letter(0), keep_out_letter(27)
    ('A', 'B2')
    """
    again, letter = divmod(index, 26)
    return f"{chr(ord('A') + letter)}{again + 1 if again else ''}"


def _frame(plan: Plan) -> _Frame:
    west, south, east, north = plan.case.field.boundary.bounds
    wide, tall = east - west, north - south
    across, down = _WIDTH - 2 * _MARGIN, _WIDTH * min(max(tall / wide, _FLATTEST), _TALLEST) - 2 * _MARGIN
    scale = min(across / wide, down / tall)
    left, top = _MARGIN + (across - wide * scale) / 2, _MARGIN + (down - tall * scale) / 2
    return _Frame(west, north, scale, left, top, down + 2 * _MARGIN + _STRIP)


def _path(geometry: Polygon | MultiPolygon) -> str:
    """Rings as path data, to a hundredth of a point."""
    polygons = geometry.geoms if isinstance(geometry, MultiPolygon) else [geometry]
    rings = (ring for polygon in polygons for ring in (polygon.exterior, *polygon.interiors))
    return "".join(f"M{_points(np.asarray(ring.coords)[:-1])}Z" for ring in rings)


def _lines(geometry: BaseGeometry) -> str:
    parts = shapely.get_parts(geometry)
    return "".join(f"M{_points(np.asarray(line.coords))}" for line in parts if line.geom_type == "LineString")


def _points(points: FloatArray) -> str:
    rounded = np.round(points[:, :2], 2)
    moved = np.concatenate([[True], np.any(np.diff(rounded, axis=0) != 0, axis=1)])
    return "L".join(f"{across:g},{down:g}" for across, down in rounded[moved].tolist())


def _hatching(area: BaseGeometry) -> BaseGeometry:
    """Slanted lines within an area."""
    left, top, right, bottom = area.bounds
    tall = bottom - top
    starts = np.arange(math.floor((left - tall) / _HATCH), math.ceil(right / _HATCH) + 1) * _HATCH
    lines = MultiLineString([[(start, bottom), (start + tall, top)] for start in starts])
    return shapely.intersection(lines, area)


def _labels(plan: Plan, application: Application, frame: _Frame) -> list[_Label]:
    """Labels of the largest parts and of no-spread areas, none upon another."""
    show, prescription = shown(plan), plan.prescription
    parts = [
        (frame.page(polygon), int(zone))
        for polygon, zone in zip(prescription.polygon, prescription.zone, strict=True)
        if zone > 0
    ]
    least = _LEAST_LABELLED * sum(part.area for part, _ in parts)
    labels: list[_Label] = []
    for index, place in enumerate(plan.case.field.no_spread):
        labels.append(_inside(max(frame.page(place.area).geoms, key=lambda part: part.area), (keep_out_letter(index),)))
    named_zones: set[int] = set()
    for part, zone in sorted(parts, key=lambda each: -each[0].area)[:_MOST_LABELS]:
        if part.area < least and zone in named_zones:
            continue
        lines = (str(zone), show.rate(application.rate_kg_ha[zone - 1]))
        label = _placed(part, lines, taken=[each.box for each in labels], frame=frame)
        if label is not None or zone not in named_zones:
            labels.append(label or _inside(part, lines))
            named_zones.add(zone)
    return labels


def _inside(part: Polygon, lines: tuple[str, ...]) -> _Label:
    across, down = shapely.maximum_inscribed_circle(part, tolerance=math.sqrt(part.area) / 50).coords[0]
    return _Label(lines, across, down)


def _placed(part: Polygon, lines: tuple[str, ...], *, taken: Sequence[Box], frame: _Frame) -> _Label | None:
    """Inside where there is room, else in one line beside the part; ``None`` where others are in the way."""
    label = _inside(part, lines)
    box = shapely.box(*label.box)
    fits = box.intersection(part).area > _LEAST_INSIDE * box.area and box.area < _MOST_COVERED * part.area
    if fits and _free(label.box, taken, frame):
        return label
    return next((each for each in _beside(part, ": ".join(lines)) if _free(each.box, taken, frame)), None)


def _beside(part: Polygon, text: str) -> Iterator[_Label]:
    left, top, right, bottom = part.bounds
    across, down = (left + right) / 2, (top + bottom) / 2
    wide, tall = len(text) * _LETTER / 2 + 6, _LINE / 2 + 4
    yield _Label((text,), across, top - tall)
    yield _Label((text,), across, bottom + tall)
    yield _Label((text,), right + wide, down)
    yield _Label((text,), left - wide, down)


def _free(box: Box, taken: Sequence[Box], frame: _Frame) -> bool:
    left, top, right, bottom = box
    if left < 0 or top < 0 or right > _WIDTH or bottom > frame.height - _STRIP:
        return False
    return not any(left < other[2] and other[0] < right and top < other[3] and other[1] < bottom for other in taken)


def _drawn(label: _Label) -> str:
    left, top, right, bottom = label.box
    box = (
        f'<rect x="{left:.2f}" y="{top:.2f}" width="{right - left:.2f}" height="{bottom - top:.2f}" rx="2.5" '
        'fill="#ffffff" fill-opacity="0.9"/>'
    )
    texts = []
    for number, line in enumerate(label.lines):
        weight = ' font-weight="bold"' if number == 0 and len(label.lines) > 1 else ""
        down = top + 2 + _LINE * (number + 0.78)
        texts.append(_text(line, label.across, down, anchor="middle", more=weight))
    return box + "".join(texts)


def _text(text: str, across: float, down: float, *, anchor: str, more: str = "") -> str:
    return (
        f'<text x="{across:.2f}" y="{down:.2f}" text-anchor="{anchor}" font-size="10.5" fill="{INK}"{more}>'
        f"{escape(plain(text))}</text>"
    )


def _scale_and_north(plan: Plan, frame: _Frame) -> list[str]:
    west, _, east, _ = plan.case.field.boundary.bounds
    metres, text = scale_bar((east - west) / 3, feet=plan.case.units == "us")
    base, end = frame.height - 14, _MARGIN + metres * frame.points_per_m
    north = _WIDTH - _MARGIN - 8
    return [
        f'<path d="M{_MARGIN:g},{base - 4:g}V{base:g}H{end:.2f}V{base - 4:g}" stroke="{INK}" stroke-width="1.5" '
        'fill="none"/>',
        _text(text, end + 6, base, anchor="start"),
        f'<path d="M{north:g},{base:g}V{base - 12:g}" stroke="{INK}" stroke-width="1.5"/>',
        f'<path d="M{north - 5:g},{base - 11:g}L{north:g},{base - 22:g}L{north + 5:g},{base - 11:g}Z" fill="{INK}"/>',
        _text("N", north - 9, base - 2, anchor="end"),
    ]
