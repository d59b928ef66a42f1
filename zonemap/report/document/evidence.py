"""What stands behind the rates: supply against demand, what the samples show, variograms and their checks."""

from __future__ import annotations

import math

import numpy as np

from zonemap.report.document.decisions import joined
from zonemap.report.document.parts import Picture, Section, Table
from zonemap.report.shown import shown
from zonemap.report.supply import supply_sentences
from zonemap.report.words import (
    compass,
    length_unit,
    practical_range_m,
    samples_sentences,
    shown_unit,
    two_digits,
)
from zonemap.values.arrays import FloatArray, IntArray
from zonemap.values.plan import Plan
from zonemap.values.surface import Surface
from zonemap.values.variogram import Variogram

_STRUCTURE = {"found": "a pattern", "not_found": "no pattern", "too_few": "too few"}
_FAMILIES = {"matern_1_2": "Matern 1/2", "matern_3_2": "Matern 3/2", "matern_5_2": "Matern 5/2"}
#: two digits of a quantile need no more cells
_MOST_CELLS = 2000
#: the season's demand is met from here on
_MET = 0.995


def evidence_sections(plan: Plan) -> list[Section]:
    """Supply, samples, maps, variograms."""
    return [supply(plan), samples(plan), uncertainty(plan), variograms(plan)]


def supply(plan: Plan) -> Section:
    """How far the soil's supply goes, in words, in a table a zone, and drawn."""
    title = "Supply against what the crop asks"
    if not plan.sufficiency:
        return Section(title)
    factor, unit = shown_unit("kg/ha/day", shown(plan).read)
    rows = tuple(
        (quantity, *(_levels(levels / factor) for levels in _places(plan, found.supply_kg_ha_day)))
        for quantity, found in plan.sufficiency.items()
    )
    zones = [f"zone {number}" for number in plan.outlines.zone] if plan.zones.count > 1 else []
    caption = f"Supply, {unit}: the middle value, and from 10% to 90% over places and chance"
    short = [quantity for quantity, found in plan.sufficiency.items() if found.share_of_season[0] < _MET]
    seen = (
        f"A panel each for {', '.join(plan.sufficiency)}: daily demand of the crop as a curve over a band of supply. "
        + (f"Demand rises above the middle supply for {', '.join(short)}." if short else "Supply stays above demand.")
    )
    return Section(
        title,
        points=tuple(supply_sentences(plan)),
        tables=(Table(caption, ("nutrient", "field", *zones), rows),),
        pictures=(Picture("season", "What the soil supplies and what the crop asks, day by day", seen),),
    )


def _places(plan: Plan, supply: FloatArray) -> FloatArray:
    """Rows of the field and of its zones; of the field alone where it is one zone."""
    return supply if plan.zones.count > 1 else supply[:1]


def _levels(levels: FloatArray) -> str:
    low, middle, high = (two_digits(float(level)) for level in levels)
    return f"{middle} ({low} to {high})"


def samples(plan: Plan) -> Section:
    """What the samples show, in a sentence a quantity, and the maps."""
    maps: tuple[Picture, ...] = ()
    if plan.mapped:
        found = [quantity for quantity, surface in plan.surfaces.items() if surface.evidence.structure == "found"]
        spread = [application.product.name for application in plan.prescription.applications]
        seen = (
            f"Above, the rates of {', '.join(spread) or 'nothing'} by zone; below, mean values with the sampled places."
            + (f" A pattern shows for {', '.join(found)}." if found else " No quantity shows a pattern.")
        )
        maps = (Picture("map", "Rates, and the supply behind them", seen),)
    return Section("What the samples can show", points=joined(samples_sentences(plan)), pictures=maps)


def uncertainty(plan: Plan) -> Section:
    """How far places differ, and how uncertain each is, a row a quantity."""
    area, cells = plan.grid.cell_area_ha, _spread_cells(plan.grid.cells)
    zone_area = np.bincount(plan.zones.number - 1, weights=area)
    rows = []
    for quantity, surface in plan.surfaces.items():
        factor, unit = shown_unit(surface.unit, shown(plan).read)
        some, weight = surface.of_cells(cells), area[cells] / area[cells].sum()
        low, high = np.quantile(some.mean(), (0.1, 0.9)) / factor
        least, most = (float(some.quantile(p) @ weight) / factor for p in (0.05, 0.95))
        between = (f"{two_digits(low)} to {two_digits(high)}",) if plan.mapped else ()
        middle = two_digits(float(plan.zone_report.supply[quantity] @ zone_area / zone_area.sum()) / factor)
        rows.append((quantity, unit, middle, *between, f"{two_digits(least)} to {two_digits(most)}"))
    places = ("8 of 10 places have a mean of",) if plan.mapped else ()
    caption = "Means, and the range within which the value of a place lies in 9 cases of 10"
    head = ("quantity", "unit", "mean", *places, "a place is within")
    return Section("How uncertain the values are", tables=(Table(caption, head, tuple(rows), words=frozenset({1})),))


def _spread_cells(cells: int) -> IntArray:
    """Numbers of cells that stand for all, evenly spaced."""
    return np.unique(np.linspace(0, cells - 1, min(cells, _MOST_CELLS)).astype(np.int64))


def variograms(plan: Plan) -> Section:
    """Models that were fitted, and how they did on samples that were left out."""
    title = "Variograms and cross-validation"
    surfaces = list(plan.surfaces.values())
    models = tuple(_model_row(plan, surface) for surface in surfaces if surface.evidence.variogram is not None)
    checks = tuple(_check_row(plan, s) for s in surfaces if s.evidence.cross_validation is not None)
    tables = []
    if models:
        length = length_unit(shown(plan).read)[1]
        head = ("quantity", "scale", "structure", "p", "model", f"range, {length}", "nugget", "partial sill", "error")
        caption = (
            "Fitted models on their scale: the range is where the correlation is down to 0.05; error is the "
            "part of the nugget that is measurement"
        )
        tables.append(Table(caption, head, models, words=frozenset({1, 2, 4, 5})))
    if checks:
        columns = ("quantity", "unit", "samples", "mean error", "RMSE", "CRPS", "MSDR", "inside 90%")
        caption = (
            "Each sample predicted from the others: MSDR (mean squared deviation ratio) is ideally 1, 90% of samples "
            "ideally lie inside their 90% interval"
        )
        tables.append(Table(caption, columns, checks, words=frozenset({1})))
    return Section(title, tables=tuple(tables), pictures=_variogram_picture(plan))


def _variogram_picture(plan: Plan) -> tuple[Picture, ...]:
    if not plan.mapped:
        return ()
    rising = [q for q, surface in plan.surfaces.items() if surface.evidence.structure == "found"]
    flat = [q for q in plan.surfaces if q not in rising]
    seen = "Half squared differences of pairs of samples against their distance, a panel a quantity."
    seen += f" A fitted curve rises for {', '.join(rising)}." if rising else ""
    seen += f" No curve was fitted for {', '.join(flat)}." if flat else ""
    return (Picture("variograms", "How unlike samples are by their distance", seen),)


def _model_row(plan: Plan, surface: Surface) -> tuple[str, ...]:
    evidence, model = surface.evidence, surface.evidence.variogram
    if model is None:
        return ()
    found, sill = evidence.structure == "found", model.nugget + model.partial_sill
    return (
        surface.quantity,
        surface.transform.name.replace("_", "-"),
        _STRUCTURE[evidence.structure],
        _number(evidence.structure_p),
        _FAMILIES.get(model.family, model.family.replace("_", " ")) if found else "none",
        _range(plan, model) if found else "",
        _beside(model.nugget, sill),
        _beside(model.partial_sill, sill) if found else "",
        _beside(model.measurement_variance, sill),
    )


def _range(plan: Plan, model: Variogram) -> str:
    metres, _ = length_unit(shown(plan).read)
    along = two_digits(practical_range_m(model) / metres)
    if model.ratio == 1:
        return along
    return f"{along} {compass(model.azimuth_deg)}, {two_digits(model.ratio * practical_range_m(model) / metres)} across"


def _check_row(plan: Plan, surface: Surface) -> tuple[str, ...]:
    check = surface.evidence.cross_validation
    if check is None:
        return ()
    factor, unit = shown_unit(surface.unit, shown(plan).read)
    errors = (_beside(each / factor, check.rmse / factor) for each in (check.mean_error, check.rmse, check.crps))
    inside = f"{check.coverage_90:.0%}" if math.isfinite(check.coverage_90) else ""
    return (surface.quantity, unit, str(surface.evidence.samples), *errors, _beside(check.msdr, 1.0), inside)


def _number(number: float) -> str:
    """Two digits; empty for no number."""
    return two_digits(number) if math.isfinite(number) else ""


def _beside(number: float, like: float) -> str:
    """Round as finely as a number beside it with three digits is written; empty for no number.

    >>> _beside(-0.0000012, 0.134), _beside(0.0213, 0.134), _beside(float("nan"), 1.0)
    ('0.000', '0.021', '')
    """
    if not math.isfinite(number):
        return ""
    places = max(2 - math.floor(math.log10(like)), 0) if like > 0 else 2
    return f"{round(number, places) + 0.0:,.{places}f}"  # + 0.0 makes -0 a 0
