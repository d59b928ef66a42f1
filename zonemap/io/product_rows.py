"""What a [[product]] takes from the product table, and its price by whatever measure it is bought."""

from __future__ import annotations

from collections.abc import Sequence

from zonemap.errors import InputError
from zonemap.io.field_file import NAME, ProductTable
from zonemap.products.table import ProductRow, grade, kind_of_name, product_row
from zonemap.units import KG_L_PER_LB_GAL, KG_M3_PER_LB_FT3, KG_PER_LB, KG_PER_SHORT_TON, L_PER_GAL, UnitSystem
from zonemap.values.note import Note

_KG_PER_TONNE = 1000.0
#: kg per litre: no liquid fertilizer is lighter or heavier, but lb per gallon are
_LIQUIDS = (0.6, 2.5)


def row_like(table: ProductTable, *, where: str) -> ProductRow | None:
    """Row of the product table that the product is like; ``None`` where it is like none.

    Raises
    ------
    InputError
        For a kind the table does not have; the message names the nearest ones.
    """
    return None if table.like is None else product_row(table.like, where=f"{where}, like")


def name_of(table: ProductTable, row: ProductRow | None) -> str:
    """Name as the user wrote it, else the row's title; a field file holds one of the two."""
    return table.name or (row.title if row is not None else "")


def kind_of(name: str, row: ProductRow | None) -> str:
    """Row it is like, or the one whose key or title is exactly its name; empty for none."""
    return kind_of_name(name) if row is None else row.kind


def bulk_density_kg_m3(stated: float | None, table: ProductTable, row: ProductRow | None) -> float | None:
    """Bulk density as stated, else the middle of the row's range; of a product stated as liquid none."""
    liquid = table.density_lb_gal is not None or table.density_kg_l is not None
    if stated is not None or row is None or row.bulk_density_kg_m3 is None or liquid:
        return stated
    return row.bulk_density_kg_m3.middle


def density_kg_l(table: ProductTable, row: ProductRow | None, *, bulk: float | None, where: str) -> float | None:
    """Density of a liquid as stated, else the row's; ``None`` for a dry product.

    Parameters
    ----------
    bulk
        Bulk density the user states.

    Raises
    ------
    InputError
        When it is stated twice, beside a bulk density, or cannot be one of a liquid.
    """
    if table.density_lb_gal is not None and table.density_kg_l is not None:
        mend = "Keep one of density_lb_gal and density_kg_l."
        raise InputError(where, "density_lb_gal and density_kg_l are both given", mend)
    stated = table.density_kg_l if table.density_lb_gal is None else table.density_lb_gal * KG_L_PER_LB_GAL
    if stated is None:
        return None if row is None or row.density_kg_l is None or bulk is not None else row.density_kg_l.value
    if bulk is not None:
        what = "has a bulk density and the density of a liquid"
        raise InputError(where, what, "Keep the bulk density of a dry product, the density of a liquid.")
    if not _LIQUIDS[0] <= stated <= _LIQUIDS[1]:
        what = f"{stated:.3g} kg per litre ({stated / KG_L_PER_LB_GAL:.3g} lb per gallon) is no fertilizer's density"
        raise InputError(where, what, "Check the unit: density_lb_gal = 10.67 is density_kg_l = 1.28.")
    return stated


def price_per_kg(
    table: ProductTable, *, bag_kg: float | None, density: float | None, units: UnitSystem, where: str
) -> float | None:
    """Money per kg, from the price of a ton, a bag, a gallon or a litre.

    Parameters
    ----------
    density
        Of a liquid, kg per litre.

    Raises
    ------
    InputError
        For two prices, a price per bag without its weight, or one per volume without a density.
    """
    keys = ("price_per_ton", "price_per_bag", "price_per_gal", "price_per_l")
    given = [key for key in keys if getattr(table, key) is not None]
    if len(given) > 1:
        raise InputError(where, f"{given[0]} and {given[1]} are both given", "Keep one of the two.")
    if not given:
        return None
    if given[0] == "price_per_bag" and bag_kg is None:
        mend = "Write what one bag holds: bag_lb = 5, or bag_kg = 2.5."
        raise InputError(f"{where}, price_per_bag", "says nothing without the weight of a bag", mend)
    if given[0] in ("price_per_gal", "price_per_l") and density is None:
        mend = 'Write density_lb_gal = 10.67 (or density_kg_l), or name a liquid it is like: like = "uan_28".'
        raise InputError(f"{where}, {given[0]}", "says nothing without the density of the liquid", mend)
    kg = {
        "price_per_ton": KG_PER_SHORT_TON if units == "us" else _KG_PER_TONNE,
        "price_per_bag": bag_kg or 0.0,
        "price_per_gal": L_PER_GAL * (density or 0.0),
        "price_per_l": density or 0.0,
    }
    return float(getattr(table, given[0])) / kg[given[0]]


def release_of(table: ProductTable, row: ProductRow | None) -> tuple[float | None, float, dict[str, float]]:
    """Half-life in days, the share that feeds the crop, and that share by element, as stated or else the row's.

    A half-life of ``None`` is release at once; the shares by element are empty where the user states one for all.
    """
    stated = table.model_fields_set
    half_life = None if table.release == "at_once" else float(table.release["half_life_days"])
    if row is None:
        return half_life, table.available_fraction, {}
    if "release" not in stated:
        half_life = None if row.half_life_days is None else row.half_life_days.value
    if "available_fraction" in stated:
        return half_life, table.available_fraction, {}
    return half_life, row.available_fraction, {element: row.fraction_of(element) for element in row.analysis}


def on_hand_kg(table: ProductTable, *, units: UnitSystem) -> float:
    """What lies in the shed, stated in lb (us) or kg (metric)."""
    return (table.on_hand or 0.0) * (KG_PER_LB if units == "us" else 1.0)


def row_notes(tables: Sequence[ProductTable], *, units: UnitSystem) -> tuple[Note, ...]:
    """What each product took from the product table, with the status of each figure.

    Raises
    ------
    InputError
        As `row_like`.
    """
    notes = []
    for number, table in enumerate(tables, start=1):
        row = row_like(table, where=f"{NAME}, product {number}")
        taken = [] if row is None else _taken(table, row, units)
        if row is not None and taken:
            text = (
                f"{table.name or row.title}: {', '.join(taken)} from the product table (zonemap products {row.kind} "
                "shows the sources); a label or a laboratory's figures in field.toml win."
            )
            notes.append(Note("warning", text))
    return tuple(notes)


def _taken(table: ProductTable, row: ProductRow, units: UnitSystem) -> list[str]:
    taken = []
    if not table.analysis:
        statuses = dict.fromkeys(part.status for part in row.parts)
        taken.append(f"analysis {grade(row.label)} ({', '.join(statuses)})")
    stated = table.model_fields_set
    dense = {"bulk_density_lb_ft3", "bulk_density_kg_m3", "density_lb_gal", "density_kg_l"} & stated
    if row.bulk_density_kg_m3 is not None and not dense:
        figure = row.bulk_density_kg_m3
        shown = f"{figure.middle / KG_M3_PER_LB_FT3:.3g} lb/ft3" if units == "us" else f"{figure.middle:.4g} kg/m3"
        taken.append(f"bulk density {shown} ({figure.status})")
    if row.density_kg_l is not None and not dense:
        figure = row.density_kg_l
        shown = f"{figure.value / KG_L_PER_LB_GAL:.4g} lb/gal" if units == "us" else f"{figure.value:.4g} kg/l"
        taken.append(f"density {shown} ({figure.status})")
    if row.half_life_days is not None and "release" not in stated:
        taken.append(f"half released in {row.half_life_days.value:g} days ({row.half_life_days.status})")
    if "available_fraction" not in stated:
        taken += [f"{e} {f.value:.0%} available in the first year ({f.status})" for e, f in row.available.items()]
    return taken
