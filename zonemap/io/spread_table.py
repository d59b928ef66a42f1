"""``[[spread]]`` of field.toml: what a machine logged while it spread something that was planned."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from zonemap.io.toml_table import Day, Text, TomlTable


class SpreadTable(TomlTable):
    """``[[spread]]``: a log of what was spread, to be held against the plan."""

    file: Text = Field(description='Name the file of the log: file = "spread.csv".')
    column: Text = Field(description='Name the column of the rate that was put on: column = "rate".')
    unit: Text = Field(description='Write the unit of that column: unit = "lb/ac", "kg/ha", "gal/ac" or "L/ha".')
    product: Text = Field(description='Write which product it is, as in the plan: product = "potash".')
    on: Day | None = Field(None, description="Write the day of the plan without quotes: on = 2026-05-18.")
    columns: dict[Literal["longitude", "latitude", "easting", "northing", "area", "distance", "swath"], Text] | None = (
        Field(
            None,
            description='Write name = "header" pairs of longitude, latitude (or easting, northing), area, distance and '
            'swath: columns = { longitude = "lon", latitude = "lat" }.',
        )
    )
    area_unit: Literal["ac", "ha", "ft2", "m2"] | None = Field(
        None, description='Write the unit of the column of areas: area_unit = "ac", "ha", "ft2" or "m2".'
    )
    length_unit: Literal["ft", "m"] | None = Field(
        None, description='Write the unit of distances and swaths: length_unit = "ft" or "m".'
    )
    swath_ft: Annotated[float, Field(gt=0, le=500)] | None = Field(
        None, description="Write the working width, at most 500 feet: swath_ft = 80."
    )
    swath_m: Annotated[float, Field(gt=0, le=150)] | None = Field(
        None, description="Write the working width, at most 150 metres: swath_m = 24."
    )
    layer: Text | None = Field(None, description='Name the layer of the file: layer = "...".')
    sheet: Text | None = Field(None, description='Name the sheet of the workbook: sheet = "...".')
    crs: Text | None = Field(None, description='Write an EPSG code: crs = "EPSG:32614".')
    swap: bool = Field(default=False, description="Write swap = true or swap = false.")
    decimal: Literal[".", ","] | None = Field(None, description='Write decimal = "." or decimal = ",".')
