"""A user's own rate table as a need curve."""

from __future__ import annotations

from zonemap.values.need import NeedCurve
from zonemap.values.season import RateTable


def rate_table_curve(table: RateTable, *, measured_unit: str) -> NeedCurve:
    """Product need against the measured value: linear between the user's points, constant beyond them."""
    return NeedCurve(table.quantity, measured_unit, table.value, table.rate_kg_ha, table.product)
