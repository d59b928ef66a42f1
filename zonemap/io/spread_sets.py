"""A published plan of a field, and the logs of what was spread of it since."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from zonemap.io.decisions import products_of, spreader_of
from zonemap.io.field_parts import field_of, open_field_folder, read_boundary
from zonemap.io.manifest import MANIFEST
from zonemap.io.published_plan import read_published_plan
from zonemap.io.spread_logs import read_spread_logs
from zonemap.values.spread import SpreadSets


def read_spread_sets(folder: Path, plan: Path) -> SpreadSets:
    """Read the [[spread]] tables of a field folder, and the plan that was published in another folder.

    Raises
    ------
    InputError
        When there is no plan, a log is of nothing that it plans, or anything cannot be read.
    """
    inbox, toml = open_field_folder(folder)
    products = products_of(toml.product, units=toml.field.units)
    swath_m = spreader_of(toml.spreader, units=toml.field.units).swath_m
    boundary = read_boundary(inbox, toml)
    published = read_published_plan(plan, inbox=inbox, boundary=boundary, products=products)
    passes, notes = read_spread_logs(inbox, toml.spread, published.prescription, boundary, swath_m=swath_m)
    return SpreadSets(
        field=replace(field_of(inbox, toml, boundary), no_spread=published.no_spread),
        units=toml.field.units,
        prescription=published.prescription,
        cell_m=published.cell_m,
        passes=passes,
        notes=(*boundary.notes, *published.notes, *notes),
        input_sha256=(*inbox.sha256(), *published.input_sha256),
    )


def read_spread_if_planned(folder: Path) -> SpreadSets | None:
    """Read the same where field.toml has [[spread]] tables and its plan is published in the folder; else ``None``.

    Raises
    ------
    InputError
        When a log cannot be used.
    """
    _, toml = open_field_folder(folder)
    planned = (folder / "plan" / MANIFEST).is_file()
    return read_spread_sets(folder, folder / "plan") if toml.spread and planned else None
