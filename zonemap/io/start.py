"""A first field.toml for a folder that holds a boundary and samples: what can be seen is filled in, the rest asked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from zonemap.errors import InputError, OutputError
from zonemap.io.field_file import NAME
from zonemap.io.measured_units import UNITS, header_unit
from zonemap.io.sources import FieldFolder, shown
from zonemap.io.tables import TABLE_SUFFIXES, Table, read_table
from zonemap.values.basis import BasisKind

if TYPE_CHECKING:
    from zonemap.io.vectors import Feature

_BOUNDARY_WORDS = ("boundary", "outline", "border", "field", "perimeter")
_SAMPLES_WORDS = ("sample", "soil", "resin", "lab", "result", "tissue", "probe")
_MOST_OUTLINES = 20
_OTHER_TABLES = ("weather", "demand")


@dataclass(frozen=True, slots=True)
class _Seen:
    """What the folder shows: file names, and the lines of field.toml that follow from the samples' headers."""

    boundary: str
    outlines: tuple[Feature, ...]
    samples: str
    columns: dict[str, str]
    unit: str | None
    basis: BasisKind | None
    weather: str | None
    demand: str | None


def write_field_file(folder: Path) -> tuple[str, tuple[str, ...]]:
    """Write a commented field.toml into a folder; what cannot be seen stays a TODO that asks.

    Returns
    -------
    text
        What was written.
    guesses
        One sentence for everything that was guessed, and for everything that is asked.

    Raises
    ------
    InputError
        When no boundary or no samples are found, or several could be meant.
    OutputError
        When there is a field.toml already, or it cannot be written.
    """
    inbox = FieldFolder(folder)
    target = folder / NAME
    if target.is_symlink() or target.exists():
        raise OutputError(NAME, "is there already", "Edit it, or move it away first.")
    seen = _look(inbox)
    text = _text(folder.resolve().name, seen)
    try:
        with target.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except OSError as error:
        what = f"cannot be written ({(error.strerror or str(error)).lower()})"
        raise OutputError(NAME, what, "Make the folder writable.") from error
    return text, _guesses(seen)


def _look(inbox: FieldFolder) -> _Seen:
    from zonemap.io.vectors import VECTOR_SUFFIXES

    samples = _pick(inbox, TABLE_SUFFIXES, _SAMPLES_WORDS, but=_OTHER_TABLES) or _pick(
        inbox, VECTOR_SUFFIXES, _SAMPLES_WORDS, but=_BOUNDARY_WORDS, only_named=True
    )
    boundary = _pick(inbox, VECTOR_SUFFIXES, _BOUNDARY_WORDS, but=_SAMPLES_WORDS)
    if boundary is None:
        mend = "Put the field's outline there as boundary.geojson, .gpkg, .shp, .zip or .kml."
        raise InputError(shown(inbox.root.name), "no boundary file is in the folder", mend)
    if samples is None:
        mend = "Put the laboratory's results there as samples.csv or samples.xlsx, one row a sample."
        raise InputError(shown(inbox.root.name), "no samples file is in the folder", mend)
    headers = _headers(inbox, samples)
    columns = _columns(headers)
    units = {unit for role, header in columns.items() if (unit := header_unit(header)) and role != "pH"}
    unit = next(iter(units)) if len(units) == 1 else None
    bases = [basis for basis, allowed in UNITS.items() if unit in allowed]
    tables = {Path(name).stem.lower(): name for name in inbox.names if Path(name).suffix.lower() in TABLE_SUFFIXES}
    return _Seen(
        boundary,
        _outlines(inbox, boundary),
        samples,
        columns,
        unit if bases else None,
        bases[0] if len(bases) == 1 else None,
        tables.get("weather"),
        tables.get("demand"),
    )


def _pick(
    inbox: FieldFolder, suffixes: Sequence[str], words: Sequence[str], *, but: Sequence[str], only_named: bool = False
) -> str | None:
    """Name of the one file that its suffix and then its name point to."""
    fitting = [name for name in inbox.names if Path(name).suffix.lower() in suffixes and not name.startswith(".")]
    fitting = [name for name in fitting if not any(word in name.lower() for word in but)]
    named = [name for name in fitting if any(word in name.lower() for word in words)]
    candidates = named if named or only_named else fitting
    if len(candidates) > 1:
        usual = words[0] if words is _BOUNDARY_WORDS else "samples"
        exact = [name for name in candidates if Path(name).stem.lower() == usual]
        if len(exact) != 1:
            what = f"several files could be meant: {', '.join(candidates[:8])}"
            raise InputError(shown(inbox.root.name), what, f"Rename the one that is meant to {usual}, with its suffix.")
        candidates = exact
    return candidates[0] if candidates else None


def _outlines(inbox: FieldFolder, boundary: str) -> tuple[Feature, ...]:
    """Several outlines; nothing for one, and for files that `check` will have words about."""
    from zonemap.io.boundaries import outlines
    from zonemap.io.vectors import read_layer

    try:
        drawn = outlines(read_layer(inbox, inbox.find(boundary, where=boundary)))
    except InputError:
        return ()
    return tuple(drawn) if len(drawn) > 1 else ()


def _headers(inbox: FieldFolder, samples: str) -> Table | None:
    """Headers of the samples; ``None`` for vector files, and for tables that `check` will have words about."""
    if Path(samples).suffix.lower() not in TABLE_SUFFIXES:
        return None
    try:
        return read_table(inbox, inbox.find(samples, where=samples))
    except InputError:
        return None


def _columns(table: Table | None) -> dict[str, str]:
    from zonemap.io.columns import GEOGRAPHIC, PROJECTED, lay_out

    if table is None:
        return {}
    try:
        layout = lay_out(table, None, located=False, resin=False)
    except InputError:
        return {}
    roles = GEOGRAPHIC if layout.geographic else PROJECTED
    place = dict(zip(roles, layout.place, strict=True)) if layout.place else {}
    return {**({"id": layout.id} if layout.id else {}), **place, **layout.quantities}


def _quoted(text: str) -> str:
    import tomlkit

    return tomlkit.item(text).as_string()


def _text(name: str, seen: _Seen) -> str:
    units = {"lb/ac/day": 'units = "us"', "kg/ha/day": 'units = "metric"'}.get(seen.unit or "")
    pairs = ", ".join(f"{key if key.isalnum() else _quoted(key)} = {_quoted(h)}" for key, h in seen.columns.items())
    projected = "easting" in seen.columns
    lines = [
        "[field]",
        f"name = {_quoted(name)}",
        f"boundary = {_quoted(seen.boundary)}",
        *_outline_lines(seen),
        'working_crs = "auto"          # UTM zone of the field, or a projected EPSG code',
        units or '# units = "us"              # TODO: "us" or "metric"? What people read, and what the rates are in',
        "",
        "[samples]",
        f"file = {_quoted(seen.samples)}",
        f"basis = {_quoted(seen.basis)}"
        if seen.basis
        else '# basis = "resin"           # TODO: "resin", "extract", "paste" or "tissue"? How it was measured',
        f"unit = {_quoted(seen.unit)}"
        if seen.unit
        else '# unit = "lb/ac/day"        # TODO: which unit does the laboratory report? Or one each: { K = "ppm" }',
        "# collected = 2026-03-28      # day on which the samples were taken",
        "# depth_in = 6                # or depth_cm",
        "# burial_days = 4             # TODO for resin: how many days did it lie in the soil?",
        '# extractant = "Mehlich-3"    # TODO for extracts: which one?',
        "# repeatability_cv = 0.15     # of one composite sample, as a fraction; or give replicate rows",
        f"columns = {{ {pairs} }}"
        if pairs
        else '# columns = { id = "sample", longitude = "lon", latitude = "lat", K = "k" }  # TODO: which is which?',
        *(['# crs = "EPSG:32614"          # TODO: which CRS are easting and northing in?'] if projected else []),
        "",
        "# [crop]                      # TODO: what grows (zonemap crops)? Or a [[rule]] or [[rate_table]]",
        '# name = "corn"',
        "# yield_goal = 250",
        "# planted = 2026-04-25",
        f"# demand = {_quoted(seen.demand or 'demand.csv')}     # own daily demand: day, N, P, K ...",
        "",
        "[season]",
        "# date, tmin_f, tmax_f (or tmin_c, tmax_c):",
        f"{'' if seen.weather else '# '}weather = {_quoted(seen.weather or 'weather.csv')}",
        "# apply_on = [2026-05-20]     # days on which the spreader can go",
        "",
        "[decision]",
        "assurance = 0.75              # or prices: cost_short = { K = 1.2 }, cost_over = { K = 0.4 }",
        "",
        "# [[product]]                 # TODO: what can be put on?",
        '# name = "potash"              # or like = "potassium_chloride": zonemap products lists what it may be',
        "# analysis = { K2O = 60 }",
        "# price_per_ton = 520         # or bag_lb = 5 and price_per_bag = 14",
        "",
        "# [programme]                 # how products are chosen and spread",
        '# spread = "separate"         # a trip a product; "bins" side by side; "blend": one mixture a pass',
        "# cost_of_trip = 7            # money per acre (us) or hectare (metric)",
        "# cap_per_pass = { N = 60 }   # lb/ac or kg/ha; also cap_per_season, most_over, most_products, organic",
        "",
        "# [spreader]",
        "# swath_ft = 80               # or swath_m",
        "# speed_mph = 12              # or speed_km_h",
        "# min_rate = 40               # product, lb/ac or kg/ha",
        "# max_rate = 400",
        "# response_s = 4              # how long the rate takes to change",
        "# heading_deg = 0             # clockwise from north; zones are made wide enough for it",
        "# overlap = 0.5               # share of the swath over which passes overlap; or pattern_ft, from pans",
        "# headland_swaths = 1         # rounds along the outline before the passes",
        "# hopper_ft3 = 200            # or hopper_m3, hopper_lb, hopper_kg; for the loads",
        "",
        "# [[covariate]]               # a raster, or points with column = ...: elevation, conductivity, yield",
        '# name = "elevation"',
        '# file = "elevation.tif"',
        "",
        "# [[rule]]                    # extracts only; zonemap rules lists them",
        '# name = "tri_state_k"',
        '# crop = "corn"',
        "# yield_goal = 190",
        "",
        "# [[no_spread]]               # rate 0 there",
        '# file = "well_setback.geojson"  # or point and radius_ft, or line or polygon; distance_ft = 100 widens it',
        '# reason = "domestic well, 150 ft"',
        "",
        "# [prescription]",
        "# extend_edge_ft = 30         # or extend_edge_m: rates reach past the boundary and hold to the edge",
        "# minimum_polygon_ac = 0.1    # or minimum_polygon_ha; smaller ones join a neighbour",
        "# most_polygons = 500         # that the controller takes",
        '# formats = ["geopackage", "shapefile"]  # or ["all"]; zonemap plan --help lists them',
        "",
        "# [[spread]]                  # afterwards: the machine's log, for zonemap compare",
        '# file = "spread_log.csv"     # or a vector file of points or polygons',
        '# product = "potash"          # and on = 2026-05-20, where it is planned for several days',
        '# column = "rate"',
        '# unit = "lb/ac"',
        '# columns = { longitude = "lon", latitude = "lat" }',
    ]
    return "\n".join(lines) + "\n"


def _outline_lines(seen: _Seen) -> list[str]:
    if not seen.outlines:
        return []
    todo = f'TODO: one of {len(seen.outlines)} outlines, or "all" if they are one field; zonemap batch plans each'
    return [f"# feature = {_quoted(seen.outlines[0].id)}  # {todo}"]


def _guesses(seen: _Seen) -> tuple[str, ...]:
    said = [f"boundary: {seen.boundary}", f"samples: {seen.samples}"]
    if seen.outlines:
        more = "; ..." if len(seen.outlines) > _MOST_OUTLINES else ""
        titles = "; ".join(each.title for each in seen.outlines[:_MOST_OUTLINES])
        said.append(f"asked: which outline is the field: {titles}{more}; or all")
    said += [f"{key}: column {shown(header)}" for key, header in seen.columns.items()]
    said += [f"unit: {seen.unit}, from the headers"] if seen.unit else ["asked: unit of the samples"]
    said += [f"basis: {seen.basis}, from the unit"] if seen.basis else ["asked: basis of the samples"]
    said += [] if seen.unit in ("lb/ac/day", "kg/ha/day") else ["asked: units, us or metric"]
    said += [] if seen.columns else ["asked: which column holds what"]
    said += ["asked: crop and products"]
    return tuple(said)
