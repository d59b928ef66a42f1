"""``[prescription]`` of field.toml: what the file for the controller is to be like."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from zonemap.errors import InputError
from zonemap.io.formats import FORMATS, named_formats
from zonemap.io.toml_table import NotNegative, TomlTable
from zonemap.units import HA_PER_AC, KG_HA_PER_LB_AC, M_PER_FT, UnitSystem
from zonemap.values.prescription_terms import PrescriptionTerms
from zonemap.values.season import Spreader

_WHERE = "field.toml, prescription"
#: a hair, relative, so that a rate in lb/ac is a multiple of a step in lb/ac after both went through kg/ha
_HAIR = 1e-6
_Feet = Annotated[float, Field(ge=0, le=1000)]
_Metres = Annotated[float, Field(ge=0, le=300)]


class PrescriptionTable(TomlTable):
    """``[prescription]``: the polygons a controller is given, and its rates where there is none."""

    extend_edge_ft: _Feet | None = Field(
        None, description="Write how far zones reach past the boundary, 0 to 1000 feet: extend_edge_ft = 30."
    )
    extend_edge_m: _Metres | None = Field(
        None, description="Write how far zones reach past the boundary, 0 to 300 metres: extend_edge_m = 10."
    )
    minimum_polygon_ac: NotNegative | None = Field(
        None, description="Write the smallest polygon in acres: minimum_polygon_ac = 0.1."
    )
    minimum_polygon_ha: NotNegative | None = Field(
        None, description="Write the smallest polygon in hectares: minimum_polygon_ha = 0.05."
    )
    most_polygons: Annotated[int, Field(ge=1, le=1_000_000)] | None = Field(
        None, description="Write how many polygons the controller takes: most_polygons = 500."
    )
    outside_rate: NotNegative = Field(
        0.0, description="Write a rate of product, lb/ac (us) or kg/ha (metric): outside_rate = 0."
    )
    position_lost_rate: NotNegative = Field(
        0.0, description="Write a rate of product, lb/ac (us) or kg/ha (metric): position_lost_rate = 0."
    )
    formats: list[str] | None = Field(
        None, description='Write a list of formats: formats = ["geopackage", "iso_v4_grid2"].'
    )


def prescription_terms_of(table: PrescriptionTable, spreader: Spreader, *, units: UnitSystem) -> PrescriptionTerms:
    """Terms in metric units.

    Raises
    ------
    InputError
        When something is given twice, the spreader cannot do a rate, or there is no such format.
    """
    unit = KG_HA_PER_LB_AC if units == "us" else 1.0
    for key in ("outside_rate", "position_lost_rate"):
        _refuse_what_no_machine_does(getattr(table, key), key, spreader, unit)
    return PrescriptionTerms(
        extend_edge_m=_one_of(table, "extend_edge_ft", "extend_edge_m", M_PER_FT),
        minimum_polygon_ha=_one_of(table, "minimum_polygon_ac", "minimum_polygon_ha", HA_PER_AC),
        most_polygons=table.most_polygons,
        outside_rate_kg_ha=table.outside_rate * unit,
        position_lost_rate_kg_ha=table.position_lost_rate * unit,
        formats=() if table.formats is None else _formats_of(table.formats),
    )


def _formats_of(names: list[str]) -> tuple[str, ...]:
    mend = f'Write formats = ["all"], or some of {", ".join(FORMATS)}.'
    return named_formats(names, where=f"{_WHERE}, formats", mend=mend)


def _one_of(table: PrescriptionTable, us: str, metric: str, factor: float) -> float:
    us_value, metric_value = getattr(table, us), getattr(table, metric)
    if us_value is not None and metric_value is not None:
        raise InputError(_WHERE, f"{us} and {metric} are both given", f"Keep one of {us} and {metric}.")
    return float((metric_value or 0.0) if us_value is None else us_value * factor)


def _refuse_what_no_machine_does(rate: float, key: str, spreader: Spreader, unit: float) -> None:
    """Refuse a rate that the controller would round or cut: what is spread there must be what stands here."""
    least, most, step = (
        limit / unit for limit in (spreader.min_rate_kg_ha, spreader.max_rate_kg_ha, spreader.step_kg_ha)
    )
    if rate > most * (1 + _HAIR) or 0 < rate < least * (1 - _HAIR):
        what = f"{rate:g} is out of the spreader's limits"
        mend = f"Write 0, or a rate from {least:g} to {most:g}." if most < float("inf") else f"Write 0, or {least:g}."
        raise InputError(f"{_WHERE}, {key}", what, mend)
    if step and abs(rate / step - round(rate / step)) > _HAIR:
        raise InputError(f"{_WHERE}, {key}", f"{rate:g} is no multiple of step = {step:g}", "Write a multiple of it.")
