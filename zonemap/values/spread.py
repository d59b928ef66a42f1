"""What was spread: the log of a machine, the ground each record of it stands for, and the plan it is held against."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely import MultiPolygon, Polygon

from zonemap.units import UnitSystem
from zonemap.values.arrays import FloatArray, frozen_floats
from zonemap.values.field import Field
from zonemap.values.note import Note
from zonemap.values.prescription import Prescription


@dataclass(frozen=True, slots=True)
class PointLog:
    """Points along the way of a machine, in the order in which they were logged.

    Attributes
    ----------
    name
        File they came from.
    easting_m, northing_m
        (records,) in the field's working CRS.
    rate_kg_ha
        (records,) product rate.
    swath_m
        (records,) working width; ``None`` where nobody says.
    area_m2
        (records,) ground each record stands for, as the log states it; ``None`` where it does not.
    """

    name: str
    easting_m: FloatArray
    northing_m: FloatArray
    rate_kg_ha: FloatArray
    swath_m: FloatArray | None = None
    area_m2: FloatArray | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "rate_kg_ha", frozen_floats(self.rate_kg_ha, shape=(None,)))
        for name in ("easting_m", "northing_m", "swath_m", "area_m2"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=self.rate_kg_ha.shape))

    @property
    def records(self) -> int:
        """How many there are."""
        return self.rate_kg_ha.size


@dataclass(frozen=True, slots=True)
class PolygonLog:
    """Polygons that a machine logged, each with its rate.

    Attributes
    ----------
    name
        File they came from.
    polygon
        (records) valid, in the field's working CRS.
    rate_kg_ha
        (records,) product rate.
    """

    name: str
    polygon: tuple[Polygon | MultiPolygon, ...]
    rate_kg_ha: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "rate_kg_ha", frozen_floats(self.rate_kg_ha, shape=(len(self.polygon),)))

    @property
    def records(self) -> int:
        """How many there are."""
        return len(self.polygon)


SpreadLog = PointLog | PolygonLog


@dataclass(frozen=True, slots=True)
class Footprints:
    """Ground, and what was laid on it.

    Attributes
    ----------
    polygon
        (footprints,) shapely polygons.
    rate_kg_ha
        (footprints,) mass laid on each over its area.
    open_share
        (footprints,) share of each on which the machine was open.
    """

    polygon: npt.NDArray[np.object_]
    rate_kg_ha: FloatArray
    open_share: FloatArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "rate_kg_ha", frozen_floats(self.rate_kg_ha, shape=self.polygon.shape))
        object.__setattr__(self, "open_share", frozen_floats(self.open_share, shape=self.polygon.shape))

    @property
    def total_kg(self) -> float:
        """Mass on all of them."""
        return float(self.rate_kg_ha @ shapely.area(self.polygon)) / 10_000


@dataclass(frozen=True, slots=True)
class Laid:
    """What lies on the cells of a grid.

    Attributes
    ----------
    rate_kg_ha
        Cell vector: mass on the field in the cell over its area.
    covered
        Cell vector: how many times the machine went over it while open, on average over the cell.
    total_kg
        All that was laid, also beyond the field.
    """

    rate_kg_ha: FloatArray
    covered: FloatArray
    total_kg: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "rate_kg_ha", frozen_floats(self.rate_kg_ha, shape=(None,)))
        object.__setattr__(self, "covered", frozen_floats(self.covered, shape=self.rate_kg_ha.shape))


@dataclass(frozen=True, slots=True)
class SpreadPass:
    """The logs of one planned application.

    Attributes
    ----------
    application
        Position among those of the prescription.
    logs
        One or more: what they laid down adds up.
    unit, unit_kg_ha
        In which the rates were logged, and what it is.
    """

    application: int
    logs: tuple[SpreadLog, ...]
    unit: str
    unit_kg_ha: float


@dataclass(frozen=True, slots=True)
class SpreadSets:
    """A published plan, and what was logged since.

    Attributes
    ----------
    field
        With the areas where the plan lets nothing be spread.
    prescription
        As published, in the field's working CRS.
    cell_m
        Side of the plan's cells.
    passes
        In the order of the prescription's applications.
    """

    field: Field
    units: UnitSystem
    prescription: Prescription
    cell_m: float
    passes: tuple[SpreadPass, ...]
    notes: tuple[Note, ...]
    input_sha256: tuple[tuple[str, str], ...]
