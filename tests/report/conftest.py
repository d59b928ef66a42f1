"""Plans of sample fields, run once a session."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely

from zonemap.values.field import NoSpread
from zonemap.values.plan import ZoneReport
from zonemap.values.zones import Outlines, Zones


@pytest.fixture(scope="session")
def tomatoes(outcomes):
    """A small field in US units with quantities of every verdict but too few."""
    return outcomes["organic_tomatoes"].plan


@pytest.fixture(scope="session")
def corn(outcomes):
    """A large field; urea comes after the poorest zone would run short, but for the nitrogen of ammonium sulfate."""
    return outcomes["irrigated_corn"].plan


@pytest.fixture(scope="session")
def garden(outcomes):
    """One composite sample."""
    return outcomes["home_garden"].plan


@pytest.fixture(scope="session")
def limed(outcomes):
    """Rules for extracts, mineral products only, no calendar."""
    return outcomes["limed_rotation"].plan


def striped(plan, count):
    """The same field in zones side by side, each with a rate of its own, and a well in the middle."""
    west, south, east, north = plan.case.field.boundary.bounds
    edges = np.linspace(west, east, count + 1)
    middle = shapely.Point((west + east) / 2, (south + north) / 2).buffer((east - west) / 8)
    field = replace(plan.case.field, no_spread=(NoSpread("well, 30 m", shapely.MultiPolygon([middle])),))
    areas = [field.boundary.intersection(shapely.box(a, south, b, north)) for a, b in pairwise(edges)]
    parts = [
        (part, number)
        for number, area in enumerate(areas, start=1)
        for part in shapely.get_parts(area.difference(middle)).tolist()
    ]
    rates = 10.0 * np.arange(1, count + 1)
    applications = tuple(
        replace(each, rate_kg_ha=rates, planned_kg_ha=rates) for each in plan.prescription.applications
    )
    prescription = replace(
        plan.prescription,
        polygon=(*(part for part, _ in parts), middle.intersection(field.boundary)),
        zone=[*(number for _, number in parts), 0],
        applications=applications,
        inside_ha=None,
        drawn_ha=None,
    )
    outlines = Outlines(tuple(range(1, count + 1)), tuple(shapely.MultiPolygon(shapely.get_parts(a)) for a in areas))
    number = Zones.closed_up(np.arange(plan.grid.cells) * count // plan.grid.cells)
    supply = {quantity: np.full(count, 2.0) for quantity in plan.surfaces}
    return replace(
        plan,
        case=replace(plan.case, field=field),
        outlines=outlines,
        prescription=prescription,
        choice=replace(plan.choice, zones=number, own={}, certainty=None),
        zone_report=ZoneReport(supply, tuple(np.zeros(count) for _ in plan.needs)),
        programmes=None,
        deliveries=(),
        sufficiency={},
    )


@pytest.fixture(scope="session")
def strips_of(tomatoes):
    """Give a function that makes a plan of so many zones side by side."""
    return lambda count: striped(tomatoes, count)


@pytest.fixture(scope="session")
def stripes(strips_of):
    """Eight zones with rates of 10, 20, ... 80 kg/ha, and a well."""
    return strips_of(8)


@pytest.fixture(scope="session")
def idle(tomatoes):
    """A field on which nothing is spread."""
    return replace(tomatoes, prescription=replace(tomatoes.prescription, applications=()), programmes=None)


@pytest.fixture
def pictures(tmp_path):
    """A small PNG for every picture."""
    from matplotlib.image import imsave

    paths = {name: tmp_path / f"{name}.png" for name in ("season", "programme", "map", "choices", "variograms")}
    for path in paths.values():
        imsave(path, np.zeros((4, 6)))
    return paths
