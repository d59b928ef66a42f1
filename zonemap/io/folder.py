"""The one door for what users hand in: a field folder becomes a `Case`, checked and metric."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from zonemap.amounts import SMALL_HA
from zonemap.errors import InputError
from zonemap.io.decisions import (
    basis_of,
    crop_of,
    decision_of,
    products_of,
    rate_tables_of,
    rules_of,
    season_of,
    spreader_of,
)
from zonemap.io.field_file import NAME, CropTable, FieldFile
from zonemap.io.field_parts import Outline, field_of, open_field_folder, read_boundary, read_sample_table, settings_of
from zonemap.io.prescription_tables import prescription_terms_of
from zonemap.io.product_rows import row_notes
from zonemap.io.programme_tables import passes_of, terms_of
from zonemap.io.sources import FieldFolder
from zonemap.values.case import Case
from zonemap.values.note import Note
from zonemap.values.season import Crop, Product, RateTable, Temperatures


def read_folder(folder: Path, *, outline: Outline | None = None) -> Case:
    """Read a field folder: field.toml and every file it names.

    Parameters
    ----------
    outline
        Of several outlines in the boundary's file the one to be read; ``None`` leaves it to field.toml.

    Returns
    -------
    Case
        Metric, in the working CRS, with a note for everything repaired, assumed or left out.

    Raises
    ------
    InputError
        Naming file and row, or key, and what to do.
    """
    from zonemap.io.covariates import read_covariates
    from zonemap.io.hand import read_hand
    from zonemap.io.no_spread import read_no_spread

    inbox, toml = open_field_folder(folder)
    # What needs no other file is checked first: a misspelt price is told before a map is drawn.
    basis_of(toml.samples)
    products = products_of(toml.product, units=toml.field.units)
    passes = passes_of(toml.stated_passes, products, units=toml.field.units)
    spreader = spreader_of(toml.spreader, units=toml.field.units)
    prescription_terms = prescription_terms_of(toml.prescription, spreader, units=toml.field.units)
    rate_products = [table.product for table in toml.rate_table]
    rate_products += [rule.product for rule in toml.rule if rule.product]
    decision = decision_of(toml.decision, units=toml.field.units, rate_products=rate_products)
    _refuse_no_purpose(toml)

    boundary = read_boundary(inbox, toml, outline=outline)
    _, samples, sample_notes = read_sample_table(inbox, toml.samples, boundary)
    rate_tables = rate_tables_of(toml.rate_table, units=toml.field.units, quantities=samples.quantities)
    rules = rules_of(toml.rule, quantities=samples.quantities)
    no_spread, around, no_spread_notes = read_no_spread(inbox, toml.no_spread, boundary)
    covariates, covariate_notes = read_covariates(inbox, toml.covariate, boundary)
    hand = read_hand(inbox, toml.zones, toml.zone_edit, boundary)
    crop, crop_notes = _crop(inbox, toml.crop, toml)
    temperatures, weather_notes = _temperatures(inbox, toml)
    terms = terms_of(toml.programme, units=toml.field.units, area_ha=boundary.area.area / 1e4, small_ha=SMALL_HA)
    notes = (
        *boundary.notes, *sample_notes, *no_spread_notes, *covariate_notes, *crop_notes,
        *weather_notes, *_unknown_products(rate_tables, products), *row_notes(toml.product, units=toml.field.units),
    )  # fmt: skip
    return Case(
        field=replace(field_of(inbox, toml, boundary, outline=outline), no_spread=no_spread, no_spread_around=around),
        samples=samples,
        units=toml.field.units,
        collected=toml.samples.collected,
        crop=crop,
        season=season_of(toml.season, toml.samples, temperatures, passes, terms),
        decision=decision,
        products=products,
        rate_tables=rate_tables,
        spreader=spreader,
        notes=notes,
        input_sha256=inbox.sha256(),
        covariates=covariates,
        rules=rules,
        hand=hand,
        prescription_terms=prescription_terms,
        settings_sha256=settings_of(inbox),
    )


def _refuse_no_purpose(toml: FieldFile) -> None:
    if toml.crop is None and not toml.rate_table and not toml.rule:
        mend = "Add [crop] with name and planted, a [[rate_table]] of your own, or a [[rule]]."
        raise InputError(f"{NAME}, crop", "is missing, so nothing says what the field needs", mend)


def _crop(inbox: FieldFolder, table: CropTable | None, toml: FieldFile) -> tuple[Crop | None, tuple[Note, ...]]:
    if table is None:
        return None, ()
    if table.demand is None:
        return crop_of(table, {}, units=toml.field.units), ()
    from zonemap.io.daily import read_demand

    path = inbox.find(table.demand, where=f"{NAME}, crop, demand")
    demand, notes = read_demand(inbox, path, planted=table.planted, units=toml.field.units)
    return crop_of(table, demand, units=toml.field.units), notes


def _temperatures(inbox: FieldFolder, toml: FieldFile) -> tuple[Temperatures | None, tuple[Note, ...]]:
    if toml.season.weather is None:
        return None, ()
    from zonemap.io.daily import read_weather

    return read_weather(inbox, inbox.find(toml.season.weather, where=f"{NAME}, season, weather"))


def _unknown_products(rate_tables: tuple[RateTable, ...], products: tuple[Product, ...]) -> tuple[Note, ...]:
    names = {product.name for product in products}
    return tuple(
        Note(
            "warning",
            f"{NAME}, rate_table {number}, product: '{table.product}' has no [[product]] table, so its price and"
            " density are unknown.",
        )
        for number, table in enumerate(rate_tables, start=1)
        if table.product not in names
    )
