"""Invent the sample fields: outlines, resin supply rates and what goes with them, the same bytes on every run.

Run it from anywhere: ``python sample_fields/make.py``. It writes `boundary.geojson` and `samples.csv` into each folder
beside it (or below the folder named on the command line), and for the potatoes a raster of elevations, a log of
conductivities, a daily demand and the log of a spreader; field.toml and README.md are written by hand. Nothing here
was measured: no place, owner or laboratory stands behind any number.
"""

from __future__ import annotations

import csv
import io
import itertools
import json
import math
import struct
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
#: metres east and north of a field's origin -> one value a place
Surface = Callable[[Floats], Floats]
#: name of a file -> what is in it
Files = dict[str, bytes]

_KG_HA_PER_LB_AC = 1.1208511561944561  # 0.45359237 kg over 0.40468564224 ha
_REPEATABILITY_CV = 0.15  # what field.toml says of one composite sample
# WGS 84: semi-major axis and first eccentricity squared (NIMA TR8350.2, 2000, section 3).
_AXIS_M, _ECCENTRICITY_2 = 6_378_137.0, 0.00669437999014
_WAVES = 400


@dataclass(frozen=True)
class Origin:
    """Longitude and latitude of (0 m, 0 m)."""

    longitude: float
    latitude: float

    def degrees(self, place_m: Floats) -> Floats:
        """Longitude and latitude of places near by, degrees, by the ellipsoid's radii of curvature at the origin."""
        sine = math.sin(math.radians(self.latitude))
        across = _AXIS_M / math.sqrt(1 - _ECCENTRICITY_2 * sine**2)
        along = across * (1 - _ECCENTRICITY_2) / (1 - _ECCENTRICITY_2 * sine**2)
        east = np.degrees(place_m[:, 0] / (across * math.cos(math.radians(self.latitude))))
        north = np.degrees(place_m[:, 1] / along)
        return np.column_stack([self.longitude + east, self.latitude + north])

    def metres(self, degrees: Floats) -> Floats:
        """Places of longitudes and latitudes: the inverse of `degrees`, which is linear."""
        east, north = np.diag(self.degrees(np.eye(2)) - self.degrees(np.zeros((2, 2))))
        return (degrees - [self.longitude, self.latitude]) / [east, north]


def random_surface(rng: np.random.Generator, *, scale_m: float) -> Surface:
    """Random surface of mean 0, variance 1 and covariance exp(-h / scale), as a sum of waves.

    The spectral density of that covariance in the plane is a bivariate Student t with one degree of freedom: wave
    numbers are normal pairs over the absolute value of a normal number (Lantuejoul 2002, Geostatistical Simulation,
    chapter 15, spectral method).
    """
    wave = rng.normal(size=(_WAVES, 2)) / (np.abs(rng.normal(size=(_WAVES, 1))) * scale_m)
    phase = rng.uniform(0, 2 * np.pi, size=_WAVES)

    def surface(place_m: Floats) -> Floats:
        angle = place_m[:, :1] * wave[:, 0] + place_m[:, 1:] * wave[:, 1] + phase
        return np.asarray(math.sqrt(2 / _WAVES) * np.cos(angle).sum(axis=1))

    return surface


def rolling_ground(rng: np.random.Generator, *, shortest_m: float, longest_m: float) -> Surface:
    """Hills of mean 0 and variance 1: a dozen waves in all directions, of lengths between two."""
    length, direction = np.geomspace(shortest_m, longest_m, 12), rng.uniform(0, 2 * np.pi, size=12)
    wave = 2 * np.pi / length[:, None] * np.column_stack([np.cos(direction), np.sin(direction)])
    phase = rng.uniform(0, 2 * np.pi, size=12)

    def surface(place_m: Floats) -> Floats:
        angle = place_m[:, :1] * wave[:, 0] + place_m[:, 1:] * wave[:, 1] + phase
        return np.asarray(math.sqrt(2 / 12) * np.cos(angle).sum(axis=1))

    return surface


def measured(rng: np.random.Generator, supply_kg_ha_day: Floats) -> Floats:
    """What the laboratory would report: the supply with the error of one composite sample, log-normal."""
    sigma = math.sqrt(math.log(1 + _REPEATABILITY_CV**2))
    return supply_kg_ha_day * np.exp(sigma * rng.normal(size=supply_kg_ha_day.size) - sigma**2 / 2)


def inside(place_m: Floats, ring_m: Floats) -> npt.NDArray[np.bool_]:
    """Whether places lie in a ring (even-odd rule)."""
    crossings = np.zeros(len(place_m), dtype=int)
    for (x1, y1), (x2, y2) in zip(ring_m, np.roll(ring_m, -1, axis=0), strict=True):
        spans = (y1 > place_m[:, 1]) != (y2 > place_m[:, 1])
        reach = x1 + (place_m[:, 1] - y1) * (x2 - x1) / (y2 - y1 if y2 != y1 else 1.0)
        crossings += spans & (place_m[:, 0] < reach)
    return crossings % 2 == 1


def jittered_grid(
    rng: np.random.Generator, ring_m: Floats, holes_m: list[Floats], *, count: int, margin: float
) -> Floats:
    """Exactly `count` places in a ring: the widest square grid, shifted by up to `margin` of its spacing, that fits."""
    west, south = ring_m.min(axis=0)
    east, north = ring_m.max(axis=0)
    shift = rng.uniform(-margin, margin, size=(20 * count, 2))
    for spacing in np.arange((east - west) / 2, (east - west) / count, -0.25):
        columns, rows = np.arange(west + spacing / 2, east, spacing), np.arange(south + spacing / 2, north, spacing)
        column, row = np.meshgrid(columns, rows)
        place = np.column_stack([column.ravel(), row.ravel()])[: len(shift)]
        place = place + spacing * shift[: len(place)]
        kept = inside(place, ring_m)
        for hole in holes_m:
            kept &= ~inside(place, hole)
        if kept.sum() == count:
            return place[kept]
    msg = f"no square grid has {count} places here"
    raise ValueError(msg)


def like_a_five(rng: np.random.Generator, centre: tuple[float, float], radius_m: float) -> Floats:
    """Five places like the pips of a die, each moved a little."""
    pips = np.array([[0, 0], [-1, -1], [1, -1], [-1, 1], [1, 1]]) * radius_m * 0.55
    return np.array(centre) + pips + rng.uniform(-0.12, 0.12, size=(5, 2)) * radius_m


def standardised(score: Floats) -> Floats:
    """Mean 0 and standard deviation 1 over the samples, so that a field's stated median and spread are its own."""
    return (score - score.mean()) / score.std()


def ellipse(
    centre: tuple[float, float], radii: tuple[float, float], *, turn_deg: float = 0.0, points: int = 36
) -> Floats:
    """Ring of an ellipse, counterclockwise."""
    angle = np.linspace(0, 2 * np.pi, points, endpoint=False)
    turn = math.radians(turn_deg)
    along, across = radii[0] * np.cos(angle), radii[1] * np.sin(angle)
    x, y = along * math.cos(turn) - across * math.sin(turn), along * math.sin(turn) + across * math.cos(turn)
    return np.column_stack([centre[0] + x, centre[1] + y])


def boundary_text(polygons_m: list[list[Floats]], origin: Origin, *, name: str) -> str:
    """GeoJSON (RFC 7946) of one feature: outer rings counterclockwise, holes clockwise, seven decimals."""

    def ring(ring_m: Floats, *, hole: bool) -> list[list[float]]:
        x, y = ring_m.T
        counterclockwise = (x * np.roll(y, -1) - np.roll(x, -1) * y).sum() > 0
        turned = ring_m if counterclockwise != hole else ring_m[::-1]
        return np.round(origin.degrees(np.vstack([turned, turned[:1]])), 7).tolist()

    rings = [[ring(part, hole=n > 0) for n, part in enumerate(polygon)] for polygon in polygons_m]
    single = len(rings) == 1
    geometry = {"type": "Polygon" if single else "MultiPolygon", "coordinates": rings[0] if single else rings}
    feature = {"type": "Feature", "properties": {"name": name}, "geometry": geometry}
    return json.dumps({"type": "FeatureCollection", "features": [feature]}, indent=1) + "\n"


def files(boundary: str, samples: str) -> Files:
    """Outline and samples under the names they go by."""
    return {"boundary.geojson": boundary.encode(), "samples.csv": samples.encode()}


def samples_text(columns: Mapping[str, list[str]]) -> str:
    """CSV with a header, one row a composite sample."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(zip(*columns.values(), strict=True))
    return text.getvalue()


def decimals(values: Floats, places: int) -> list[str]:
    """Numbers as text with so many decimals."""
    return [f"{value:.{places}f}" for value in values]


def located(ids: list[str], place_m: Floats, origin: Origin) -> dict[str, list[str]]:
    """Identifier and coordinate columns."""
    longitude, latitude = origin.degrees(place_m).T
    return {"sample": ids, "lon": decimals(longitude, 6), "lat": decimals(latitude, 6)}


def irrigated_corn() -> Files:
    """About 60 ha with a creek along one side and a homestead in it; 64 samples, and 40 leaf samples in summer."""
    rng, origin = np.random.default_rng(64_2026), Origin(-98.4370, 40.6130)
    creek = np.linspace(0, 1, 25)
    east_side = np.column_stack([905 + 38 * np.sin(2.2 * np.pi * creek) - 90 * creek, 20 + 640 * creek])
    outline = np.vstack([[[0, 0], [560, -12]], east_side, [[640, 745], [250, 752], [238, 640], [8, 628]]]).astype(float)
    homestead = np.array([[395, 300], [480, 292], [498, 372], [440, 401], [390, 380]], dtype=float)
    place = jittered_grid(rng, outline, [homestead], count=64, margin=0.3)
    # quantity: header, median in kg/ha/day, standard deviation of the logarithm, scale in m (0 for no structure)
    plan = {
        "N": ("no3_n", 6.0, 0.35, 180), "P": ("p", 0.90, 0.32, 160), "K": ("k", 4.0, 0.35, 200),
        "S": ("s", 0.80, 0.25, 0), "Ca": ("ca", 4.0, 0.25, 220), "Mg": ("mg", 2.2, 0.25, 200),
        "Zn": ("zn", 0.020, 0.30, 150),
    }  # fmt: skip
    ids, scores = [f"C{n:02d}" for n in range(1, 65)], {}
    columns = located(ids, place, origin)
    for quantity, (header, median, sigma, scale_m) in plan.items():
        score = random_surface(rng, scale_m=scale_m)(place) if scale_m else rng.normal(size=len(place))
        scores[quantity] = standardised(score)
        supply = measured(rng, median * np.exp(sigma * scores[quantity]))
        columns[header] = decimals(supply / _KG_HA_PER_LB_AC, 4 if median < 0.1 else 3)
    return files(boundary_text([[outline, homestead]], origin, name="Two Cottonwoods"), samples_text(columns)) | {
        "leaf.csv": corn_leaves(ids, place, scores, origin).encode()
    }


def corn_leaves(ids: list[str], place_m: Floats, scores: Mapping[str, Floats], origin: Origin) -> str:
    """CSV of leaves at silking near 40 of the soil samples; potassium stays low in the compacted north-west."""
    rng = np.random.default_rng(40_2026)
    chosen = np.sort(rng.choice(len(ids), size=40, replace=False))
    at_m = place_m[chosen] + rng.normal(0, 2.0, size=(40, 2))
    compacted = (at_m[:, 0] < 440) & (at_m[:, 1] > 420)
    # quantity: header, median in percent (zinc in mg/kg), change of the logarithm with the soil's score, and the rest
    plan = {
        "N": ("n_pct", 2.9, 0.10, 0.05), "P": ("p_pct", 0.29, 0.11, 0.06), "K": ("k_pct", 2.1, 0.14, 0.05),
        "S": ("s_pct", 0.20, 0.05, 0.06), "Zn": ("zn_mg_kg", 27.0, 0.12, 0.15),
    }  # fmt: skip
    columns = located([ids[n] for n in chosen], at_m, origin)
    for quantity, (header, median, slope, sigma) in plan.items():
        score = slope * scores[quantity][chosen] + sigma * rng.normal(size=40)
        if quantity == "K":
            score = np.where(compacted, score - 0.32, score)
        columns[header] = decimals(median * np.exp(score), {"Zn": 1, "P": 3, "S": 3}.get(quantity, 2))
    return samples_text(columns)


def organic_tomatoes() -> Files:
    """2 ha on a slope; 14 samples; nitrogen rises more than fourfold from the top to the foot."""
    rng, origin = np.random.default_rng(14_2026), Origin(-121.9480, 38.7210)
    outline = np.array([[0, 0], [92, 4], [98, 205], [6, 212]], dtype=float)
    place = jittered_grid(rng, outline, [], count=14, margin=0.2)
    down = (place[:, 1] - 105) / 105  # -1 at the foot in the south, 1 at the top
    # header: median in kg/ha/day, change of the logarithm from the middle to the top, rest's standard deviation
    plan = {
        "no3_n": (2.6, -0.85, 0.10), "p": (0.42, -0.10, 0.15), "k": (4.2, -0.45, 0.12), "s": (0.55, -0.05, 0.15),
        "ca": (5.5, 0.10, 0.10), "mg": (1.8, 0.05, 0.10),
    }  # fmt: skip
    columns = located([f"T{n:02d}" for n in range(1, 15)], place, origin)
    for header, (median, slope, sigma) in plan.items():
        supply = measured(
            rng, median * np.exp(slope * down + sigma * standardised(random_surface(rng, scale_m=60)(place)))
        )
        columns[header] = decimals(supply / _KG_HA_PER_LB_AC, 3)
    return files(boundary_text([[outline]], origin, name="Lower Bench"), samples_text(columns))


def turf_greens() -> Files:
    """Three greens on sand and a fairway on loam, one area in four parts; 24 samples, 5 a green and 9."""
    rng, origin = np.random.default_rng(24_2026), Origin(-83.4120, 40.1870)
    centres, radii, turns = [(30, 40), (330, 20), (170, 190)], [(15, 11), (13, 12), (16, 10)], [20, 0, -35]
    greens = [ellipse(*each[:2], turn_deg=each[2]) for each in zip(centres, radii, turns, strict=True)]
    bend = np.linspace(0, 1, 13)
    middle = np.column_stack([70 + 230 * bend, 60 + 45 * np.sin(np.pi * bend)])
    half = np.column_stack([np.zeros(13), 15 + 4 * np.sin(2 * np.pi * bend)])
    fairway = np.vstack([middle - half, (middle + half)[::-1]])
    along = np.array([1, 3, 4, 5, 6, 7, 8, 9, 11])
    on_fairway = middle[along] + half[along] * rng.uniform(-0.7, 0.7, size=(9, 1))
    place = np.vstack([*(like_a_five(rng, c, min(r)) for c, r in zip(centres, radii, strict=True)), on_fairway])
    parts = [*greens, fairway]
    part = np.repeat(np.arange(4), [5, 5, 5, 9])
    # header: kg/ha/day on each green and on the fairway, rest's standard deviation of the logarithm
    plan = {
        "N": ((0.75, 0.90, 0.65, 2.40), 0.12),
        "P": ((0.30, 0.24, 0.34, 0.45), 0.12),
        "K": ((0.48, 0.62, 0.40, 2.10), 0.12),
        "S": ((0.16, 0.20, 0.15, 0.42), 0.15),
        "Ca": ((1.1, 1.3, 0.9, 4.8), 0.10),
        "Mg": ((0.25, 0.30, 0.22, 1.4), 0.10),
    }
    columns = located([f"G{1 + n // 5}-{1 + n % 5}" if n < 15 else f"F-{n - 14}" for n in range(24)], place, origin)
    for header, (level, sigma) in plan.items():
        supply = measured(
            rng, np.array(level)[part] * np.exp(sigma * standardised(random_surface(rng, scale_m=15)(place)))
        )
        columns[f"{header.lower()}_kg_ha_day"] = decimals(supply, 3)
    return files(
        boundary_text([[ring] for ring in parts], origin, name="Three greens and a fairway"), samples_text(columns)
    )


def home_garden() -> Files:
    """A plot of about 250 m2 with one composite sample that has no place."""
    origin = Origin(-89.6630, 43.0410)
    outline = np.array([[0, 0], [17.5, 0.6], [17.1, 14.8], [-0.4, 14.1]], dtype=float)
    supply_lb_ac_day = {"no3_n": 1.1, "p": 0.34, "k": 1.4, "s": 0.2, "ca": 2.9, "mg": 0.6}
    columns = {"sample": ["plot"]} | {header: [f"{rate:.2f}"] for header, rate in supply_lb_ac_day.items()}
    return files(boundary_text([[outline]], origin, name="Plot behind the shed"), samples_text(columns))


def geotiff(value: Floats, *, west: float, north: float, degrees: float) -> bytes:
    """GeoTIFF of (rows, columns) numbers on square pixels of WGS 84, north up, in one strip, not packed.

    Tags by TIFF 6.0 (Aldus 1992), section 8; georeference and keys by GeoTIFF 1.1 (OGC 19-008r4), annex B: geographic
    model, pixel is area, EPSG 4326. Written out here because no library promises the same bytes in every version.
    """
    rows, columns = value.shape
    pixels = value.astype("<f4").tobytes()
    doubles = struct.pack("<3d", degrees, degrees, 0) + struct.pack("<6d", 0, 0, 0, west, north, 0)
    keys = struct.pack("<16H", 1, 1, 1, 3, 1024, 0, 1, 2, 1025, 0, 1, 1, 2048, 0, 1, 4326)
    after = 8 + 2 + 14 * 12 + 4
    start = after + len(doubles) + len(keys)
    short, long, double = 3, 4, 12
    entries = [
        (256, long, 1, columns), (257, long, 1, rows), (258, short, 1, 32), (259, short, 1, 1), (262, short, 1, 1),
        (273, long, 1, start), (277, short, 1, 1), (278, long, 1, rows), (279, long, 1, len(pixels)),
        (284, short, 1, 1), (339, short, 1, 3), (33550, double, 3, after), (33922, double, 6, after + 24),
        (34735, short, 16, after + len(doubles)),
    ]  # fmt: skip
    directory = b"".join(struct.pack("<HHII", *entry) for entry in entries)
    head = b"II*\0" + struct.pack("<IH", 8, len(entries)) + directory + struct.pack("<I", 0)
    return head + doubles + keys + pixels


def passes(rng: np.random.Generator, ring_m: Floats, *, apart_m: float, along_m: float) -> Floats:
    """Places of a sensor that is drawn up and down a field and logs at a steady beat, each off by a little."""
    west, south = ring_m.min(axis=0)
    east, north = ring_m.max(axis=0)
    down = np.arange(south + along_m / 2, north, along_m)
    lines = [
        np.column_stack([np.full(len(down), easting), down if number % 2 else down[::-1]])
        for number, easting in enumerate(np.arange(west + apart_m / 2, east, apart_m))
    ]
    place = np.vstack(lines)
    place = place + rng.normal(0, 0.4, size=place.shape)
    return place[inside(place, ring_m)]


def daily_demand_text(plan: Mapping[str, tuple[float, float, float]], *, days: int) -> str:
    """CSV of daily uptake, kg/ha/day: element -> season total, middle day, and days from 10 to 90 % of the total.

    Cumulative uptake is logistic; it rises from 10 to 90 % in 2 ln 9 over its steepness.
    """
    edge = np.arange(days + 1)
    columns = {"day": [str(day) for day in range(days)]}
    for element, (total, middle, width) in plan.items():
        share = 1 / (1 + np.exp(-2 * math.log(9) / width * (edge - middle)))
        columns[element] = decimals(total * np.diff(share) / (share[-1] - share[0]), 4)
    return samples_text(columns)


def rolling_potatoes() -> Files:
    """About 40 ha of rolling ground; 32 samples; supplies follow elevation and conductivity, known all over."""
    rng, origin = np.random.default_rng(32_2026), Origin(-112.1520, 43.5610)
    outline = np.array([[0, 0], [742, -8], [770, 215], [728, 552], [185, 566], [-12, 420]], dtype=float)
    hills = rolling_ground(rng, shortest_m=280, longest_m=900)
    patches = random_surface(rng, scale_m=90)
    place = jittered_grid(rng, outline, [], count=32, margin=0.3)

    def elevation_m(at_m: Floats) -> Floats:
        return np.asarray(1_460 + 0.008 * at_m[:, 0] + 4.0 * hills(at_m))

    def conductivity(at_m: Floats) -> Floats:
        """Millisiemens a metre: higher in hollows, and in patches of finer soil."""
        return np.asarray(32 * np.exp(-0.20 * hills(at_m) + 0.18 * patches(at_m)))

    high, conducting = standardised(elevation_m(place)), standardised(np.log(conductivity(place)))
    # header: median in kg/ha/day; change of the logarithm with elevation and with conductivity (a standard deviation
    # each); standard deviation of the rest
    plan = {
        "n_kg_ha_day": (3.4, -0.26, 0.0, 0.10), "p_kg_ha_day": (0.46, -0.22, 0.0, 0.10),
        "k_kg_ha_day": (4.6, 0.0, 0.28, 0.10), "s_kg_ha_day": (0.55, 0.0, 0.0, 0.18),
    }  # fmt: skip
    columns = located([f"R{n:02d}" for n in range(1, 33)], place, origin)
    for header, (median, with_height, with_conductivity, sigma) in plan.items():
        rest = standardised(random_surface(rng, scale_m=120)(place))
        score = with_height * high + with_conductivity * conducting + sigma * rest
        columns[header] = decimals(measured(rng, median * np.exp(score)), 3)
    logged = passes(rng, outline, apart_m=19.0, along_m=7.2)
    noisy = conductivity(logged) * np.exp(0.06 * rng.normal(size=len(logged)))
    speed = 9 + 0.8 * rng.normal(size=len(logged))
    lon, lat = origin.degrees(logged).T
    log = {
        "lon": decimals(lon, 6), "lat": decimals(lat, 6), "ec_shallow": decimals(noisy, 1),
        "speed_km_h": decimals(speed, 1),
    }  # fmt: skip
    demand = {"N": (215, 55, 45), "P": (28, 60, 50), "K": (270, 52, 42), "S": (18, 58, 50)}
    return files(boundary_text([[outline]], origin, name="Seven Swales"), samples_text(columns)) | {
        "elevation.tif": elevations(elevation_m, outline, origin),
        "conductivity.csv": samples_text(log).encode(),
        "demand.csv": daily_demand_text(demand, days=120).encode(),
        "potash_spread.csv": spread_log(outline, origin).encode(),
    }


#: rate of sulfate of potash in kg/ha -> rings in m within which a spreader is ordered to put it on, later ones first;
#: 215 elsewhere. Roughly the zones of the plan, as they stood when this was written.
_ORDERED = {
    125: (
        ((438, 446), (442, 531), (492, 516), (535, 529), (542, 569), (738, 558), (760, 391), (708, 391), (690, 329),
         (746, 275), (750, 240), (780, 234), (749, -18), (439, -17), (464, 26), (539, 55), (508, 91), (510, 149),
         (457, 176), (456, 211), (495, 248), (465, 288), (501, 302), (514, 336), (496, 369), (459, 377), (463, 422)),
        ((-17, 159), (14, 179), (16, 215), (39, 222), (59, 259), (60, 315), (82, 332), (84, 356), (104, 376),
         (139, 376), (164, 367), (188, 231), (237, 180), (307, 174), (322, 159), (324, 123), (378, 65), (379, 35),
         (333, 11), (324, -15), (-4, -11)),
        ((168, 568), (275, 576), (253, 488), (192, 492)),
    ),
    25: (
        ((511, 276), (539, 326), (539, 372), (588, 418), (585, 449), (548, 462), (547, 517), (607, 548), (647, 549),
         (638, 483), (618, 465), (644, 449), (681, 495), (682, 524), (743, 526), (753, 451), (724, 425), (673, 418),
         (650, 332), (663, 277), (716, 244), (717, 204), (692, 184), (698, 139), (593, 126), (578, 137), (569, 195),
         (521, 222)),
        ((27, 185), (46, 210), (116, 211), (162, 192), (162, 124), (198, 117), (206, 90), (283, 78), (211, 51),
         (184, -14), (109, -13), (106, 9), (43, 70), (47, 127)),
    ),
}  # fmt: skip
#: longitude and latitude of a well that gets nothing within 45 m, and of a ditch that gets nothing within 10 m
_WELL, _DITCH = (-112.1462, 43.5640), ((-112.1522, 43.5622), (-112.1485, 43.5618), (-112.1423, 43.5622))
#: swath; speed of 14 km/h; beat of the log; time constant of a rate that has done 95 % of a step after 4 s
_SWATH_M, _SPEED_M_S, _BEAT_S, _RESPONSE_S = 24.0, 14 / 3.6, 2.0, 4 / math.log(20)
#: pass that stops half way, and from where on; pass that is driven twice, and how far
_SHORT, _SHORT_FROM_M, _AGAIN, _AGAIN_TO_M = 11, 290.0, 21, 310.0


def ordered(at_m: Floats, origin: Origin) -> Floats:
    """Rate that a controller is told at places, kg/ha."""
    rate = np.full(len(at_m), 215.0)
    for value, rings in _ORDERED.items():
        for ring in rings:
            rate[inside(at_m, np.array(ring, dtype=float))] = value
    well, ditch = origin.metres(np.array([_WELL]))[0], origin.metres(np.array(_DITCH))
    closed = np.hypot(*(at_m - well).T) < 45
    for start, end in itertools.pairwise(ditch):
        along = np.clip((at_m - start) @ (end - start) / ((end - start) @ (end - start)), 0, 1)
        closed |= np.hypot(*(at_m - start - along[:, None] * (end - start)).T) < 10
    return np.where(closed, 0.0, rate)


def one_pass(rng: np.random.Generator, easting_m: float, ring_m: Floats, origin: Origin, *, north: bool) -> Floats:
    """Records of one pass from edge to edge: east and north in m, the rate in kg/ha, each off as machines are."""
    step = 0.25
    south_to_north = np.arange(ring_m[:, 1].min(), ring_m[:, 1].max(), step)
    line = np.column_stack([np.full(len(south_to_north), easting_m), south_to_north])
    line = line[inside(line, ring_m)]
    line = line if north else line[::-1]
    told, follows = ordered(line, origin), 1 - math.exp(-step / (_SPEED_M_S * _RESPONSE_S))
    rate, now = np.empty(len(told)), told[0]
    for n, wanted in enumerate(told):
        now += follows * (wanted - now)
        rate[n] = now
    logged = np.arange(0, len(line), round(_BEAT_S * _SPEED_M_S / step))
    drift = np.cumsum(rng.normal(0, 0.06, size=(len(logged), 2)), axis=0)
    uneven = 1.01 + 0.025 * rng.normal(size=len(logged))
    return np.column_stack([line[logged] + 0.15 * rng.normal(size=2) + drift, rate[logged] * uneven])


def spread_log(ring_m: Floats, origin: Origin) -> str:
    """CSV of what a spreader logs; one pass stops half way, and another is begun twice."""
    rng = np.random.default_rng(2_2026)
    west, east = ring_m[:, 0].min(), ring_m[:, 0].max()
    count = math.ceil((east - west) / _SWATH_M)
    driven = []
    for number in range(count):
        easting = (west + east) / 2 + (number - (count - 1) / 2) * _SWATH_M
        found = one_pass(rng, easting, ring_m, origin, north=number % 2 == 0)
        driven.append(found[found[:, 1] < _SHORT_FROM_M] if number == _SHORT else found)
        if number == _AGAIN:
            again = one_pass(rng, easting, ring_m, origin, north=number % 2 == 0)
            driven.append(again[again[:, 1] < _AGAIN_TO_M])
    columns: dict[str, list[str]] = {"time": [], "lon": [], "lat": [], "distance_m": [], "rate_kg_ha": []}
    clock = 8 * 3600.0
    for records in driven:
        lon, lat = origin.degrees(records[:, :2]).T
        seconds = [round(clock + _BEAT_S * n) for n in range(len(records))]
        columns["time"] += [f"{t // 3600:02d}:{t // 60 % 60:02d}:{t % 60:02d}" for t in seconds]
        columns["lon"] += decimals(lon, 7)
        columns["lat"] += decimals(lat, 7)
        columns["distance_m"] += [f"{round(_BEAT_S * _SPEED_M_S / 0.25) * 0.25:.2f}"] * len(records)
        columns["rate_kg_ha"] += decimals(records[:, 2], 0)
        clock += _BEAT_S * len(records) + 18
    return samples_text(columns)


def limed_rotation() -> Files:
    """About 30 ha in two old fields, one limed long ago; 38 samples on a grid, extracted with Mehlich-3."""
    rng, origin = np.random.default_rng(36_2026), Origin(-83.9180, 40.4630)
    outline = np.array([[0, 0], [610, 8], [604, 492], [300, 505], [-6, 498]], dtype=float)
    place = jittered_grid(rng, outline, [], count=38, margin=0.2)
    west = place[:, 0] < 300  # the old line between the fields

    def score(scale_m: float) -> Floats:
        return standardised(random_surface(rng, scale_m=scale_m)(place))

    ph = np.where(west, 5.5, 6.3) + 0.22 * score(120)
    columns = located([f"L{n:02d}" for n in range(1, 39)], place, origin)
    columns["p_ppm"] = decimals(np.exp(np.log(22) + 0.45 * score(160) + 0.15 * rng.normal(size=38)), 0)
    columns["k_ppm"] = decimals(np.exp(np.log(125) + 0.28 * score(180) + 0.10 * rng.normal(size=38)), 0)
    columns["ph"] = decimals(ph + 0.08 * rng.normal(size=38), 1)
    columns["buffer_ph"] = decimals(6.6 - 0.28 * (6.6 - ph) + 0.03 * rng.normal(size=38), 2)
    columns["cec"] = decimals(13.0 + 2.5 * score(220) + 0.5 * rng.normal(size=38), 1)
    return files(boundary_text([[outline]], origin, name="Old Fence Row"), samples_text(columns))


def elevations(elevation_m: Surface, outline: Floats, origin: Origin) -> bytes:
    """GeoTIFF of elevations about a field on pixels of a third of a second of arc (10.3 m from south to north)."""
    degrees = 1 / 10_800
    west, south = np.floor(origin.degrees(outline.min(axis=0)[None] - 150)[0] / degrees)
    east, north = np.ceil(origin.degrees(outline.max(axis=0)[None] + 150)[0] / degrees)
    column, row = np.meshgrid(np.arange(west, east) + 0.5, np.arange(north, south, -1) - 0.5)
    at_m = origin.metres(np.column_stack([column.ravel(), row.ravel()]) * degrees)
    # centimetres: the last digits of a cosine differ from one machine to another
    value = np.round(elevation_m(at_m), 2).reshape(column.shape)
    return geotiff(value, west=west * degrees, north=north * degrees, degrees=degrees)


FIELDS: Mapping[str, Callable[[], Files]] = {
    "irrigated_corn": irrigated_corn,
    "organic_tomatoes": organic_tomatoes,
    "turf_greens": turf_greens,
    "home_garden": home_garden,
    "rolling_potatoes": rolling_potatoes,
    "limed_rotation": limed_rotation,
}


def write_all(folder: Path) -> tuple[Path, ...]:
    """Write the files of every field below a folder; return their paths."""
    written = []
    for name, invent in FIELDS.items():
        (folder / name).mkdir(parents=True, exist_ok=True)
        for file, content in invent().items():
            path = folder / name / file
            path.write_bytes(content)
            written.append(path)
    return tuple(written)


if __name__ == "__main__":
    for path in write_all(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent):
        print(path)
