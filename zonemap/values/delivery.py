"""What a machine makes of a prescription: simulated rates on the cells, beside the intended ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from shapely import LineString

from zonemap.values.arrays import BoolArray, FloatArray, frozen_floats
from zonemap.values.note import Note
from zonemap.values.prescription import Application


def relative_error(laid_kg_ha: FloatArray, intended_kg_ha: FloatArray) -> FloatArray:
    """(laid - intended) / intended, NaN where nothing is intended."""
    some = intended_kg_ha > 0
    intended = np.where(some, intended_kg_ha, 1.0)
    return np.where(some, (laid_kg_ha - intended) / intended, np.nan)


def within(error: FloatArray, tolerance: float) -> BoolArray:
    """Whether relative errors are no larger than a tolerance."""
    # a hair above, so that what is off by just the tolerance counts whatever its last bit
    return np.asarray(np.abs(np.nan_to_num(error)) <= tolerance + 1e-9)


@dataclass(frozen=True, slots=True)
class Delivery:
    """One application, driven over the field.

    Attributes
    ----------
    application
        What is spread.
    heading_deg, swath_m
        Of the parallel passes.
    passes, rounds
        Parallel passes, and rounds along the outline.
    intended_kg_ha, delivered_kg_ha
        Cell vectors.
    spreadable_ha
        Cell vector of area that is to get something or nothing as its zone says; 0 in no-spread areas.
    closed_ha
        Cell vector of area in no-spread areas; 0 elsewhere.
    emitted_kg
        All that leaves the machine, also what falls beyond the field.
    track
        What is driven with the spreader open, rounds first.
    notes
        What was taken for granted because it was not stated.
    """

    application: Application
    heading_deg: float
    swath_m: float
    passes: int
    rounds: int
    intended_kg_ha: FloatArray
    delivered_kg_ha: FloatArray
    spreadable_ha: FloatArray
    closed_ha: FloatArray
    emitted_kg: float
    track: tuple[LineString, ...] = ()
    notes: tuple[Note, ...] = ()

    def __post_init__(self) -> None:
        shape = np.shape(self.intended_kg_ha)
        for name in ("intended_kg_ha", "delivered_kg_ha", "spreadable_ha", "closed_ha"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=shape))

    @property
    def relative_error(self) -> FloatArray:
        """Cell vector: (delivered - intended) / intended, NaN where nothing is intended."""
        return relative_error(self.delivered_kg_ha, self.intended_kg_ha)

    def share_within(self, tolerance: float) -> float:
        """Share of the area that is to get something whose rate is off by no more than a fraction; 1 of no area."""
        area = np.where(self.intended_kg_ha > 0, self.spreadable_ha, 0.0)
        return float(area[within(self.relative_error, tolerance)].sum() / area.sum()) if area.any() else 1.0

    @property
    def intended_kg(self) -> float:
        """Mass that the cells are meant to get."""
        return float(self.intended_kg_ha @ self.spreadable_ha)

    @property
    def delivered_kg(self) -> float:
        """Mass that falls on the field, no-spread areas among it."""
        return float(self.delivered_kg_ha @ (self.spreadable_ha + self.closed_ha))

    @property
    def on_no_spread_kg(self) -> float:
        """Mass that falls where nothing may be spread."""
        return float(self.delivered_kg_ha @ self.closed_ha)

    @property
    def beyond_kg(self) -> float:
        """Mass that falls beyond the field, to the fineness of the cells."""
        return max(self.emitted_kg - self.delivered_kg, 0.0)


@dataclass(frozen=True, slots=True)
class HeadingScores:
    """How well a field can be spread at headings that were tried.

    Attributes
    ----------
    heading_deg
        (tried,) rising, clockwise from north.
    share_within_10
        (tried,) share of the area off by no more than a tenth, mean over the applications.
    passes
        (tried,) how many parallel passes.
    best_deg
        Largest share; of equals the fewest passes, then the smallest heading.
    """

    heading_deg: FloatArray
    share_within_10: FloatArray
    passes: FloatArray
    best_deg: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "heading_deg", frozen_floats(self.heading_deg, shape=(None,)))
        for name in ("share_within_10", "passes"):
            object.__setattr__(self, name, frozen_floats(getattr(self, name), shape=self.heading_deg.shape))
