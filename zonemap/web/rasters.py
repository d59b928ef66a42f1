"""Layers of the map: numbers of every cell, which the page colours and reads out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TypeVar

import numpy as np

from zonemap.errors import InputError
from zonemap.pipeline.choice import best_rate
from zonemap.pipeline.review import Desk
from zonemap.values.arrays import FloatArray
from zonemap.values.review import Decisions

Value = TypeVar("Value")


def raster_of(desk: Desk, decisions: Decisions, *, layer: str, name: str) -> bytes:
    """Rows from north to south of little-endian 32-bit floats, NaN outside the field.

    Raises
    ------
    InputError
        For a layer that is not there.
    """
    make = _LAYERS.get(layer)
    if make is None:
        raise InputError("layer", f"there is no '{layer}'", f"Name one of {', '.join(_LAYERS)}.")
    cells = make(desk, decisions, name)
    return desk.prepared.grid.raster(cells.astype(np.float64), outside=np.nan).astype("<f4").tobytes()


def _supply(desk: Desk, decisions: Decisions, name: str) -> FloatArray:
    del decisions
    return _named(desk.prepared.surfaces, name).mean()


def _uncertainty(desk: Desk, decisions: Decisions, name: str) -> FloatArray:
    del decisions
    return _named(desk.prepared.surfaces, name).standard_deviation()


def _shortfall(desk: Desk, decisions: Decisions, name: str) -> FloatArray:
    needs = {need.quantity: need for need in desk.asked(decisions).needs}
    return best_rate(_named(needs, name), _named(desk.prepared.surfaces, name))


def _zones(desk: Desk, decisions: Decisions, name: str) -> FloatArray:
    del name
    return desk.zoned(decisions).choice.zones.number.astype(np.float64)


def _certainty(desk: Desk, decisions: Decisions, name: str) -> FloatArray:
    del name
    certainty = desk.zoned(decisions).choice.certainty
    return np.ones(desk.prepared.grid.cells) if certainty is None else certainty


def _delivered(desk: Desk, decisions: Decisions, name: str) -> FloatArray:
    deliveries = {f"{d.application.product.name}|{d.application.on or ''}": d for d in desk.deliveries(decisions)}
    return _named(deliveries, name).delivered_kg_ha


_LAYERS: Mapping[str, Callable[[Desk, Decisions, str], FloatArray]] = {
    "supply": _supply,
    "uncertainty": _uncertainty,
    "shortfall": _shortfall,
    "zones": _zones,
    "certainty": _certainty,
    "delivered": _delivered,
}


def _named(found: Mapping[str, Value], name: str) -> Value:
    if name not in found:
        raise InputError("layer", f"there is no '{name}'", f"Name one of {', '.join(found) or 'none'}.")
    return found[name]
