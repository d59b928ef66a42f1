"""An invented field with everything that is written about it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pytest
from shapely import MultiPolygon, Polygon, box

from zonemap.units import KG_HA_PER_LB_AC, UnitSystem
from zonemap.values.basis import Basis
from zonemap.values.distribution import Distribution
from zonemap.values.field import Field, NoSpread
from zonemap.values.grid import Grid
from zonemap.values.prescription import Application, Prescription
from zonemap.values.samples import Column, Samples
from zonemap.values.season import Product
from zonemap.values.surface import Evidence, Surface, Transform
from zonemap.values.zones import Outlines

EAST, NORTH = 500_000.0, 4_650_000.0


@dataclass(frozen=True)
class Plan:
    """What is written about one field."""

    field: Field
    samples: Samples
    outlines: Outlines
    prescription: Prescription
    surfaces: dict[str, Surface]
    grid: Grid


def _well() -> Polygon:
    """Return a square with a node where the border of the two zones meets it, as a valid coverage has."""
    corners = [(180, 180), (180, 220), (200, 220), (220, 220), (220, 180), (200, 180)]
    return Polygon([(EAST + east, NORTH + north) for east, north in corners])


def _prescription(units: UnitSystem) -> Prescription:
    west = box(EAST, NORTH, EAST + 200, NORTH + 400)
    east = box(EAST + 200, NORTH, EAST + 600, NORTH + 400)
    in_lb_ac = KG_HA_PER_LB_AC
    potash, blend = Product("potash", {"K": 0.498}), Product("Señor blend 21/7", {"N": 0.21})
    applications = (
        Application(
            potash, date(2026, 5, 20), np.array([101.0, 203.0]) * in_lb_ac, np.array([100.0, 205.0]) * in_lb_ac
        ),
        Application(blend, None, np.array([37.123, 0.0]), np.array([37.123, 0.0])),
    )
    polygons = (west.difference(_well()), east.difference(_well()), _well())
    return Prescription(units, "EPSG:32614", polygons, np.array([1, 2, 0]), applications)


def _surface(quantity: str, cells: int, transform: Transform) -> Surface:
    step = np.linspace(0.5, 1.5, cells)
    evidence = Evidence(12, "found", 0.01, None, None, None)
    return Surface(quantity, "kg/ha/day", transform, Distribution.normal(step, step / 5), evidence)


@pytest.fixture(params=["us", "metric"])
def units(request: pytest.FixtureRequest) -> UnitSystem:
    chosen: UnitSystem = request.param
    return chosen


@pytest.fixture
def plan(units: UnitSystem) -> Plan:
    """Everything that is written about the field, once in each unit system."""
    return made_plan(units)


def made_plan(units: UnitSystem) -> Plan:
    """600 x 400 m in two zones, a well with its setback across their border, two applications."""
    boundary = box(EAST, NORTH, EAST + 600, NORTH + 400)
    no_spread = (NoSpread("domestic well", MultiPolygon([_well()])),)
    columns = {
        "K": Column("kg/ha/day", np.array([1.5, 2.25, np.nan]), np.array([False, True, False])),
        "organic matter": Column("%", np.array([2.0, 3.0, 4.0]), np.zeros(3, dtype=bool)),
    }
    samples = Samples(
        ("007", "1e5", "A"),
        np.array([EAST + 50, EAST + 300, EAST + 500]),
        np.array([NORTH + 50, NORTH + 200, NORTH + 350]),
        Basis("resin", burial_days=4.0),
        columns,
        0.15,
    )
    halves = (box(EAST, NORTH, EAST + 200, NORTH + 400), box(EAST + 200, NORTH, EAST + 600, NORTH + 400))
    outlines = Outlines((1, 2), tuple(MultiPolygon([half]) for half in halves))
    area = np.full((41, 61), 100.0)
    area[0, :], area[:, 0] = 0.0, 0.0
    grid = Grid("EPSG:32614", EAST - 10, NORTH + 410, 10.0, area)
    surfaces = {
        "K": _surface("K", grid.cells, Transform("log")),
        "k": _surface("k", grid.cells, Transform("none")),
    }
    return Plan(
        Field("Alder Flat", boundary, "EPSG:32614", no_spread), samples, outlines, _prescription(units), surfaces, grid
    )
