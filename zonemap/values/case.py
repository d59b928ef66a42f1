"""One field folder, read and checked: everything a pipeline needs."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from datetime import date

from zonemap.units import UnitSystem
from zonemap.values.covariate import Covariate
from zonemap.values.field import Field
from zonemap.values.hand import Hand
from zonemap.values.note import Note
from zonemap.values.prescription_terms import PrescriptionTerms
from zonemap.values.rules import Rule
from zonemap.values.samples import Samples
from zonemap.values.season import Crop, Decision, Product, RateTable, Season, Spreader


@dataclass(frozen=True, slots=True)
class Case:
    """Field, samples and decisions, with what was noticed while reading them.

    Attributes
    ----------
    units
        What people read and what the rates in the files are in.
    collected
        Day the samples were taken; ``None`` when it was not stated.
    crop
        ``None`` where only rate tables are used.
    input_sha256
        (file name, hash) of every file that was read.
    covariates
        What is known all over the field beside the samples, in the order of field.toml.
    rules
        Recommendation rules of public services that the user asked for.
    hand
        Zones drawn elsewhere, and changes to zones by hand.
    prescription_terms
        What the file for the controller is to be like.
    settings_sha256
        Hash of what field.toml says, what was spread left aside; empty where the case is of no file.
    """

    field: Field
    samples: Samples
    units: UnitSystem
    collected: date | None
    crop: Crop | None
    season: Season
    decision: Decision
    products: tuple[Product, ...]
    rate_tables: tuple[RateTable, ...]
    spreader: Spreader
    notes: tuple[Note, ...]
    input_sha256: tuple[tuple[str, str], ...]
    covariates: tuple[Covariate, ...] = ()
    rules: tuple[Rule, ...] = ()
    hand: Hand = dataclasses.field(default_factory=Hand)
    prescription_terms: PrescriptionTerms = dataclasses.field(default_factory=PrescriptionTerms)
    settings_sha256: str = ""
