"""field.toml: its tables as models that know every key, and errors in the user's own words.

A field's description is the mend shown when the key is missing or wrong.
"""

from __future__ import annotations

import difflib
import tomllib
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, Field, ValidationError, field_validator
from pydantic.fields import FieldInfo

from zonemap.errors import InputError
from zonemap.io.prescription_tables import PrescriptionTable
from zonemap.io.programme_tables import PassTable, ProgrammeTable
from zonemap.io.sources import shown
from zonemap.io.spread_table import SpreadTable
from zonemap.io.toml_table import MOST, Day, NotNegative, Positive, Prices, Text, TomlTable
from zonemap.units import UnitSystem
from zonemap.values.basis import BasisKind

NAME = "field.toml"


class FieldTable(TomlTable):
    """``[field]``: where."""

    name: Text | None = Field(None, description='Write name = "..." in one line of at most 200 letters.')
    boundary: Text | None = Field(None, description='Name the boundary file: boundary = "boundary.geojson".')
    layer: Text | None = Field(None, description='Name the layer of the boundary file: layer = "...".')
    feature: Text | None = Field(None, description='Write the feature\'s id in quotes, or feature = "all".')
    boundary_crs: Text | None = Field(None, description='Write an EPSG code: boundary_crs = "EPSG:32614".')
    working_crs: Text = Field("auto", description='Write working_crs = "auto" or an EPSG code in quotes.')
    repair: bool = Field(default=False, description="Write repair = true or repair = false.")
    swap: bool = Field(default=False, description="Write swap = true or swap = false.")
    units: UnitSystem = Field(description='Write units = "us" or units = "metric" under [field].')


class SamplesTable(TomlTable):
    """``[samples]``: what was measured, and how."""

    file: Text | None = Field(None, description='Name the samples file: file = "samples.csv".')
    layer: Text | None = Field(None, description='Name the layer of the samples file: layer = "...".')
    sheet: Text | None = Field(None, description='Name the sheet of the workbook: sheet = "...".')
    basis: BasisKind = Field(description='Write basis = "resin", "extract", "paste" or "tissue" under [samples].')
    unit: Any = Field(description='Write the laboratory\'s unit: unit = "lb/ac/day", or a table: unit = { K = "ppm" }.')
    collected: Day | None = Field(None, description="Write the date without quotes: collected = 2026-03-28.")
    depth_in: Positive | None = Field(None, description="Write the depth in inches: depth_in = 6.")
    depth_cm: Positive | None = Field(None, description="Write the depth in centimetres: depth_cm = 15.")
    burial_days: Annotated[float, Field(gt=0, le=400)] | None = Field(
        None, description="Write how many days the resin lay in the soil: burial_days = 4."
    )
    supply_temperature_f: Annotated[float, Field(gt=-20, lt=140)] | None = Field(
        None, description="Write the soil's temperature while the resin lay in it: supply_temperature_f = 55."
    )
    supply_temperature_c: Annotated[float, Field(gt=-30, lt=60)] | None = Field(
        None, description="Write the soil's temperature while the resin lay in it: supply_temperature_c = 13."
    )
    repeatability_cv: Annotated[float, Field(gt=0, le=2)] | None = Field(
        None, description="Write the coefficient of variation as a fraction: repeatability_cv = 0.15 for 15%."
    )
    rebase_to_days: Annotated[float, Field(gt=0, le=400)] | None = Field(
        None, description="Write the burial time that all rates are brought to, in days: rebase_to_days = 7."
    )
    burial_exponent: dict[Text, Annotated[float, Field(gt=0, le=2)]] = Field(
        {}, description="Write exponents above 0, at most 2: burial_exponent = { N = 0.6, K = 0.5 }."
    )
    extractant: str = Field("", max_length=80, description='Name the extractant: extractant = "Mehlich-3".')
    columns: dict[Text, Text] | None = Field(
        None, description='Write name = "header" pairs: columns = { K = "k_ppm", longitude = "lon", latitude = "lat" }.'
    )
    crs: Text | None = Field(None, description='Write an EPSG code: crs = "EPSG:32614".')
    swap: bool = Field(default=False, description="Write swap = true or swap = false.")
    decimal: Literal[".", ","] | None = Field(None, description='Write decimal = "." or decimal = ",".')
    detection_limit: dict[Text, Positive] = Field(
        {}, description="Write limits in the file's unit: detection_limit = { N = 0.1 }."
    )

    @field_validator("unit")
    @classmethod
    def _text_or_table(cls, unit: object) -> object:
        table = isinstance(unit, dict) and unit and all(isinstance(value, str) for value in unit.values())
        if not (isinstance(unit, str) and unit) and not table:
            msg = "is neither a unit in quotes nor a table of them"
            raise ValueError(msg)
        return unit


class OtherSamplesTable(SamplesTable):
    """``[[other_samples]]``: a second set of measurements of the field, to be compared, never pooled."""

    name: Text = Field(description='Write name = "..." in this [[other_samples]] table.')
    file: Text = Field(description='Name its file: file = "leaf.csv".')
    same_as: dict[Text, Text] = Field(
        {}, description='Write which quantity of [samples] each is to be held against: same_as = { NO3 = "N" }.'
    )


class CovariateTable(TomlTable):
    """``[[covariate]]``: what is known all over the field, a raster or the points of a sensor."""

    name: Text = Field(description='Write name = "..." in this [[covariate]] table.')
    file: Text = Field(description='Name its file: file = "elevation.tif" or file = "conductivity.csv".')
    band: Annotated[int, Field(ge=1, le=10_000)] | None = Field(None, description="Write a whole number: band = 1.")
    column: Text | None = Field(None, description='Name the column of its values: column = "...".')
    columns: dict[Literal["longitude", "latitude", "easting", "northing"], Text] | None = Field(
        None, description='Name the columns of the coordinates: columns = { longitude = "lon", latitude = "lat" }.'
    )
    layer: Text | None = Field(None, description='Name the layer of the file: layer = "...".')
    sheet: Text | None = Field(None, description='Name the sheet of the workbook: sheet = "...".')
    crs: Text | None = Field(None, description='Write an EPSG code: crs = "EPSG:32614".')
    swap: bool = Field(default=False, description="Write swap = true or swap = false.")
    decimal: Literal[".", ","] | None = Field(None, description='Write decimal = "." or decimal = ",".')


class ShapeTable(TomlTable):
    """One shape of uptake: a logistic, its steepness by the days from 10 to 90 % or by a mean over its peak."""

    midpoint_day: Annotated[float, Field(gt=0, le=400)] = Field(
        description="Write the day after planting by which half is taken up: midpoint_day = 55."
    )
    days_10_90: Annotated[float, Field(ge=1, le=400)] | None = Field(
        None, description="Write the days from 10% to 90% of the total, 1 or more: days_10_90 = 30."
    )
    peak_days: Annotated[float, Field(ge=1, le=400)] | None = Field(
        None, description="Write over how many days the peak is a mean, 1 or more: peak_days = 10."
    )
    peak_mean: Positive | None = Field(
        None, description="Write the mean uptake over those days, lb/ac (us) or kg/ha (metric) a day: peak_mean = 4.3."
    )


class CropTable(TomlTable):
    """``[crop]``: what grows."""

    name: Text = Field(description='Write name = "corn" under [crop].')
    yield_goal: Positive | None = Field(None, description="Write a positive number: yield_goal = 250.")
    planted: Day = Field(description="Write the date without quotes: planted = 2026-04-25 under [crop].")
    demand: Text | None = Field(None, description='Name the file of daily demand: demand = "demand.csv".')
    sources: dict[Text, Text] = Field(
        {}, description='Write a source by element: sources = { K = "karlen_1988" }; zonemap crops lists them.'
    )
    totals: dict[Text, Positive] = Field(
        {}, description="Write season totals in lb/ac (us) or kg/ha (metric): totals = { K = 250, P2O5 = 80 }."
    )
    shape: dict[Text, ShapeTable] = Field(
        {}, description="Write shape = { K = { midpoint_day = 55, days_10_90 = 30 } }, or peak_days and peak_mean."
    )


class SeasonTable(TomlTable):
    """``[season]``: when the spreader can go."""

    weather: Text | None = Field(None, description='Name the file of daily temperatures: weather = "weather.csv".')
    apply_on: Annotated[list[Day], Field(max_length=400)] = Field(
        [], description="Write dates without quotes: apply_on = [2026-05-20]."
    )
    q10: Annotated[float, Field(gt=0.5, le=10)] | None = Field(
        None, description="Write how many times supply rises over 10 degrees C: q10 = 2.0."
    )
    temperature_response: bool = Field(
        default=False, description="Write temperature_response = true or temperature_response = false."
    )
    apply_days_needed: Annotated[int, Field(ge=0, le=365)] = Field(
        0, description="Write whole days, none negative: apply_days_needed = 5."
    )


class DecisionTable(TomlTable):
    """``[decision]``: what being short and being over cost."""

    assurance: Annotated[float, Field(gt=0, lt=1)] | None = Field(
        None, description="Write a share between 0 and 1, e.g. assurance = 0.75 for 75%."
    )
    cost_short: Prices = Field({}, description="Write positive prices: cost_short = { K = 1.2 }.")
    cost_over: Prices = Field({}, description="Write positive prices: cost_over = { K = 0.4 }.")
    cost_of_varying: NotNegative | None = Field(
        None, description="Write money per acre (us) or hectare (metric): cost_of_varying = 3.5."
    )


class ProductTable(TomlTable):
    """``[[product]]``: what can be put on."""

    name: Text | None = Field(None, description='Write name = "..." in this [[product]] table.')
    like: Text | None = Field(
        None, description='Write what it is like in quotes: like = "urea"; zonemap products lists what it may be.'
    )
    analysis: dict[Text, Annotated[float, Field(ge=0, le=100)]] = Field(
        {}, description="Write the label's percentages, 0 to 100: analysis = { K2O = 60 }."
    )
    price_per_ton: NotNegative | None = Field(None, description="Write a price that is not negative, or leave it out.")
    bag_lb: Positive | None = Field(None, description="Write what one bag holds, in pounds: bag_lb = 5.")
    bag_kg: Positive | None = Field(None, description="Write what one bag holds, in kilograms: bag_kg = 2.5.")
    price_per_bag: NotNegative | None = Field(None, description="Write a price that is not negative, or leave it out.")
    price_per_gal: NotNegative | None = Field(None, description="Write a price that is not negative, or leave it out.")
    price_per_l: NotNegative | None = Field(None, description="Write a price that is not negative, or leave it out.")
    on_hand: NotNegative | None = Field(
        None, description="Write what lies in the shed, in lb (us) or kg (metric): on_hand = 2000."
    )
    source: Literal["mineral", "organic"] = Field(
        "mineral", description='Write source = "mineral" or source = "organic".'
    )
    bulk_density_lb_ft3: Positive | None = Field(None, description="Write a positive number of lb per cubic foot.")
    bulk_density_kg_m3: Positive | None = Field(None, description="Write a positive number of kg per cubic metre.")
    density_lb_gal: Positive | None = Field(
        None, description="Write what a gallon of the liquid weighs, in pounds: density_lb_gal = 10.67."
    )
    density_kg_l: Positive | None = Field(
        None, description="Write what a litre of the liquid weighs, in kg: density_kg_l = 1.28."
    )
    release: Any = Field("at_once", description='Write release = "at_once" or release = { half_life_days = 30 }.')
    release_lag_days: Annotated[int, Field(ge=0, le=365)] = Field(
        0, description="Write whole days, none negative: release_lag_days = 7."
    )
    available_fraction: Annotated[float, Field(gt=0, le=1)] = Field(
        1.0, description="Write a fraction above 0 and at most 1: available_fraction = 0.6."
    )

    @field_validator("release")
    @classmethod
    def _at_once_or_half_life(cls, release: object) -> object:
        half_life = release.get("half_life_days") if isinstance(release, dict) and len(release) == 1 else None
        number = isinstance(half_life, int | float) and not isinstance(half_life, bool)
        if release != "at_once" and not (number and half_life is not None and 0 < half_life <= MOST):
            msg = "is no way of release this knows"
            raise ValueError(msg)
        return release


class RateTableTable(TomlTable):
    """``[[rate_table]]``: a user's own rule from a measured value to a product rate."""

    value: Text = Field(description='Write the measured quantity: value = "pH".')
    product: Text = Field(description='Write the product it is the rate of: product = "lime".')
    points: list[Annotated[list[float], Field(min_length=2, max_length=2)]] = Field(
        min_length=2, max_length=1000, description="Write two or more pairs: points = [[5.0, 4000], [6.2, 0]]."
    )
    rate_unit: Literal["lb/ac", "kg/ha", "ton/ac", "t/ha"] | None = Field(
        None, description='Write rate_unit = "lb/ac", "kg/ha", "ton/ac" or "t/ha".'
    )


class RuleTable(TomlTable):
    """``[[rule]]``: a recommendation rule of a public service, for the extract it was calibrated with."""

    name: Text = Field(description='Write name = "tri_state_k" or another rule: zonemap rules lists them.')
    value: Text | None = Field(None, description='Write the measured quantity it reads: value = "K".')
    product: Text | None = Field(None, description='Write the product it is to be met with: product = "potash".')
    crop: Text | None = Field(None, description='Write crop = "corn".')
    yield_goal: Positive | None = Field(None, description="Write a positive number in bu/ac: yield_goal = 180.")
    yield_goal_t_ha: Positive | None = Field(None, description="Write a positive number: yield_goal_t_ha = 11.5.")
    cec: Positive | None = Field(None, description="Write cmolc/kg (meq/100 g): cec = 15.")
    critical_level: Positive | None = Field(None, description="Write ppm, Mehlich-3: critical_level = 120.")
    maintenance_limit: Positive | None = Field(None, description="Write ppm, Mehlich-3: maintenance_limit = 170.")
    removal: NotNegative | None = Field(None, description="Write lb of P2O5 or K2O per bushel: removal = 0.2.")
    organic_matter: NotNegative | None = Field(None, description="Write percent: organic_matter = 3.")
    credits: NotNegative | None = Field(None, description="Write lb/ac of nitrogen: credits = 35.")
    equation: Annotated[int, Field(ge=1, le=100)] | None = Field(None, description="Write a number: equation = 14.")
    target_ph: Positive | None = Field(None, description="Write the pH to reach: target_ph = 6.0.")
    buffer_ph: Positive | None = Field(None, description="Write the laboratory's buffer pH: buffer_ph = 6.3.")
    last_lime: NotNegative | None = Field(None, description="Write ton/ac of lime spread last: last_lime = 1.5.")
    last_lime_months: NotNegative | None = Field(None, description="Write months since then: last_lime_months = 6.")
    lime_lost_a_month: Positive | None = Field(None, description="Write percent: lime_lost_a_month = 8.")


_Pans = Annotated[list[Annotated[list[float], Field(min_length=2, max_length=2)]], Field(min_length=2, max_length=500)]


class SpreaderTable(TomlTable):
    """``[spreader]``: what the machine can do, and what it holds."""

    swath_ft: Positive | None = Field(None, description="Write a positive width in feet: swath_ft = 80.")
    swath_m: Positive | None = Field(None, description="Write a positive width in metres: swath_m = 24.")
    speed_mph: Positive | None = Field(None, description="Write a positive speed: speed_mph = 12.")
    speed_km_h: Positive | None = Field(None, description="Write a positive speed: speed_km_h = 19.")
    response_s: NotNegative | None = Field(None, description="Write seconds, not negative: response_s = 4.")
    min_rate: NotNegative = Field(0.0, description="Write a rate that is not negative: min_rate = 40.")
    max_rate: Positive | None = Field(None, description="Write a positive rate: max_rate = 400.")
    step: NotNegative = Field(0.0, description="Write a step that is not negative: step = 5.")
    heading_deg: Annotated[float, Field(ge=0, le=360)] | None = Field(
        None, description="Write degrees clockwise from north, 0 to 360: heading_deg = 90."
    )
    overlap: Annotated[float, Field(ge=0, le=1)] | None = Field(
        None, description="Write the share of the swath over which passes overlap, 0 to 1: overlap = 0.5."
    )
    pattern_ft: _Pans | None = Field(
        None, description="Write pairs of place (ft) and catch: pattern_ft = [[-40, 0], [-20, 3], [0, 4], ...]."
    )
    pattern_m: _Pans | None = Field(
        None, description="Write pairs of place (m) and catch: pattern_m = [[-12, 0], [-6, 3], [0, 4], ...]."
    )
    position_offset_ft: Annotated[float, Field(ge=-300, le=300)] | None = Field(
        None, description="Write feet from where product falls ahead to the antenna: position_offset_ft = 20."
    )
    position_offset_m: Annotated[float, Field(ge=-100, le=100)] | None = Field(
        None, description="Write metres from where product falls ahead to the antenna: position_offset_m = 6."
    )
    look_ahead_s: Annotated[float, Field(ge=0, le=60)] = Field(
        0.0, description="Write the seconds by which the controller reads ahead, 0 to 60: look_ahead_s = 2."
    )
    headland_swaths: Annotated[int, Field(ge=0, le=5)] = Field(
        1, description="Write how many rounds are driven along the outline, 0 to 5: headland_swaths = 1."
    )
    hopper_ft3: Positive | None = Field(None, description="Write a positive volume in cubic feet: hopper_ft3 = 200.")
    hopper_m3: Positive | None = Field(None, description="Write a positive volume in cubic metres: hopper_m3 = 6.")
    hopper_lb: Positive | None = Field(None, description="Write a positive load in pounds: hopper_lb = 12000.")
    hopper_kg: Positive | None = Field(None, description="Write a positive load in kilograms: hopper_kg = 6000.")
    tender_lb: Positive | None = Field(None, description="Write a positive load in pounds: tender_lb = 48000.")
    tender_kg: Positive | None = Field(None, description="Write a positive load in kilograms: tender_kg = 24000.")


class ZonesTable(TomlTable):
    """``[zones]``: zones drawn elsewhere, which take the place of those made from the surfaces."""

    file: Text = Field(description='Name the file of the zones: file = "zones.geojson".')
    column: Text | None = Field(None, description='Name the column that says the zone: column = "zone".')
    layer: Text | None = Field(None, description='Name the layer of that file: layer = "...".')
    crs: Text | None = Field(None, description='Write an EPSG code: crs = "EPSG:32614".')


_Position = Annotated[list[float], Field(min_length=2, max_length=2)]
_ZoneNumber = Annotated[int, Field(ge=1, le=1000)]


class ZoneEditTable(TomlTable):
    """``[[zone_edit]]``: a change to the zones by hand."""

    merge: Annotated[list[_ZoneNumber], Field(min_length=2, max_length=100)] | None = Field(
        None, description="Write two zone numbers or more: merge = [2, 3]."
    )
    split: _ZoneNumber | None = Field(None, description="Write a zone number: split = 2.")
    move_to: _ZoneNumber | None = Field(None, description="Write a zone number: move_to = 1.")
    line: Annotated[list[_Position], Field(min_length=2, max_length=1000)] | None = Field(
        None, description="Write longitude, latitude pairs: line = [[-97.5, 41.0], [-97.4, 41.1]]."
    )
    polygon: Annotated[list[_Position], Field(min_length=3, max_length=1000)] | None = Field(
        None, description="Write three or more longitude, latitude pairs: polygon = [[-97.5, 41.0], ...]."
    )
    file: Text | None = Field(None, description='Name the file of the area: file = "patch.geojson".')
    layer: Text | None = Field(None, description='Name the layer of that file: layer = "...".')
    crs: Text | None = Field(None, description='Write an EPSG code: crs = "EPSG:32614".')
    reason: Text | None = Field(None, description='Write why: reason = "old feedlot".')


class NoSpreadTable(TomlTable):
    """``[[no_spread]]``: where nothing may be spread."""

    file: Text | None = Field(None, description='Name the file of the area: file = "setback.geojson".')
    layer: Text | None = Field(None, description='Name the layer of that file: layer = "...".')
    crs: Text | None = Field(None, description='Write an EPSG code: crs = "EPSG:32614".')
    point: Annotated[list[float], Field(min_length=2, max_length=2)] | None = Field(
        None, description="Write longitude, then latitude: point = [-97.5, 41.0]."
    )
    radius_ft: Positive | None = Field(None, description="Write a positive radius in feet: radius_ft = 150.")
    radius_m: Positive | None = Field(None, description="Write a positive radius in metres: radius_m = 50.")
    line: Annotated[list[_Position], Field(min_length=2, max_length=1000)] | None = Field(
        None, description="Write longitude, latitude pairs: line = [[-97.5, 41.0], [-97.4, 41.1]]."
    )
    polygon: Annotated[list[_Position], Field(min_length=3, max_length=1000)] | None = Field(
        None, description="Write three or more longitude, latitude pairs: polygon = [[-97.5, 41.0], ...]."
    )
    distance_ft: Positive | None = Field(None, description="Write a positive distance in feet: distance_ft = 100.")
    distance_m: Positive | None = Field(None, description="Write a positive distance in metres: distance_m = 30.")
    reason: Text = Field(description='Write why, for the operator: reason = "domestic well, 150 ft".')


class UnsampledFieldFile(TomlTable):
    """The whole of field.toml, of a field that need not have been sampled yet."""

    field: FieldTable = Field(description="Add a [field] table with name, boundary and units.")
    samples: SamplesTable | None = Field(None, description="Add a [samples] table with file, basis and unit.")
    other_samples: Annotated[list[OtherSamplesTable], Field(max_length=20)] = Field(
        [], description="Write each of at most 20 other sets as a table under [[other_samples]], with two brackets."
    )
    covariate: Annotated[list[CovariateTable], Field(max_length=20)] = Field(
        [], description="Write each of at most 20 covariates as a table under [[covariate]], with two brackets."
    )
    crop: CropTable | None = Field(None, description="Write a [crop] table with name and planted.")
    season: SeasonTable = Field(default=SeasonTable(), description="Write a [season] table.")
    stated_passes: Annotated[list[PassTable], Field(max_length=100)] = Field(
        [], alias="pass", description="Write each pass under [[pass]], with two brackets, and its day: on = 2026-05-20."
    )
    programme: ProgrammeTable = Field(default=ProgrammeTable(), description="Write a [programme] table.")
    decision: DecisionTable = Field(default=DecisionTable(), description="Write a [decision] table.")
    product: Annotated[list[ProductTable], Field(max_length=100)] = Field(
        [], description="Write each product as a table under [[product]], with two brackets."
    )
    rate_table: Annotated[list[RateTableTable], Field(max_length=100)] = Field(
        [], description="Write each rate table under [[rate_table]], with two brackets."
    )
    rule: Annotated[list[RuleTable], Field(max_length=20)] = Field(
        [], description="Write each rule under [[rule]], with two brackets."
    )
    spreader: SpreaderTable = Field(default=SpreaderTable(), description="Write a [spreader] table.")
    prescription: PrescriptionTable = Field(default=PrescriptionTable(), description="Write a [prescription] table.")
    zones: ZonesTable | None = Field(None, description="Write a [zones] table with file.")
    zone_edit: Annotated[list[ZoneEditTable], Field(max_length=1000)] = Field(
        [], description="Write each change under [[zone_edit]], with two brackets."
    )
    no_spread: Annotated[list[NoSpreadTable], Field(max_length=1000)] = Field(
        [], description="Write each area under [[no_spread]], with two brackets."
    )
    spread: Annotated[list[SpreadTable], Field(max_length=100)] = Field(
        [], description="Write each log of what was spread as a table under [[spread]], with two brackets."
    )


class FieldFile(UnsampledFieldFile):
    """The whole of field.toml."""

    samples: SamplesTable = Field(description="Add a [samples] table with file, basis and unit.")


_Parsed = TypeVar("_Parsed", bound=UnsampledFieldFile)


def parse_field_file(content: bytes) -> FieldFile:
    """Read field.toml.

    Raises
    ------
    InputError
        Naming the line or the key, and what to write.
    """
    return _parsed(content, FieldFile)


def parse_unsampled(content: bytes) -> UnsampledFieldFile:
    """Read field.toml as `parse_field_file`, where [samples] may be missing."""
    return _parsed(content, UnsampledFieldFile)


def _parsed(content: bytes, model: type[_Parsed]) -> _Parsed:
    raw = _toml(content)
    try:
        parsed = model.model_validate(raw)
    except ValidationError as error:
        raise _in_words(error, raw) from error
    _refuse_nameless(parsed.product)
    _refuse_same_names([table.name for table in parsed.covariate], kind="covariate")
    _refuse_same_names([table.name for table in parsed.other_samples], kind="other_samples")
    return parsed


def settings_sha256(content: bytes) -> str:
    """Hash of what a field.toml that can be read says, its [[spread]] tables, layout and comments left aside.

    They say what was done after the plan, and nothing of the plan.
    """
    import hashlib
    import json

    said = {key: value for key, value in _toml(content).items() if key != "spread"}
    return hashlib.sha256(json.dumps(said, sort_keys=True, default=str).encode()).hexdigest()


def _refuse_nameless(tables: list[ProductTable]) -> None:
    for number, table in enumerate(tables, start=1):
        if table.name is None and table.like is None:
            mend = (
                'Write name = "..." in this [[product]] table, or like = "urea"; zonemap products lists what it may be.'
            )
            raise InputError(f"{NAME}, product {number}, name", "is missing", mend)


def _refuse_same_names(names: list[str], *, kind: str) -> None:
    first: dict[str, int] = {}
    for number, name in enumerate(names, start=1):
        earlier = first.setdefault(name.strip().casefold(), number)
        if earlier != number:
            what = f"{shown(name)} is the name of {kind} {earlier} too"
            raise InputError(f"{NAME}, {kind} {number}, name", what, f"Give every {kind} its own name.")


def _toml(content: bytes) -> dict[str, Any]:
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise InputError(f"{NAME}, line {line}", "is not UTF-8 text", "Save the file as UTF-8.") from error
    except tomllib.TOMLDecodeError as error:
        mend = "Write key = value, with text in quotes and dates without."
        raise InputError(NAME, f"is not TOML: {str(error)[0].lower()}{str(error)[1:140]}", mend) from error
    except (ValueError, RecursionError, OverflowError) as error:
        what = f"is not TOML a field needs ({str(error)[:80]})"
        raise InputError(NAME, what, "Remove the value that is nested so deeply or has so many digits.") from error


def _in_words(error: ValidationError, raw: dict[str, Any]) -> InputError:
    """Return the most telling of pydantic's errors as where, what, mend: a misspelt key explains a missing one."""
    errors = sorted(error.errors(include_url=False), key=lambda e: e["type"] != "extra_forbidden")
    first = errors[0]
    keys = _keys(first["loc"], raw, missing=first["type"] == "missing")
    where = ", ".join([NAME, *_path_words(keys)])
    if first["type"] == "extra_forbidden":
        return InputError(where, "is not a key this knows", _suggestion(keys))
    what = "is missing" if first["type"] == "missing" else f"{shown(first['input'])} {_fault(first)}"
    return InputError(where, what, _mend(keys))


def _keys(loc: tuple[int | str, ...], raw: Any, *, missing: bool) -> list[int | str]:
    """Part of pydantic's location that the user wrote (it also names union members), with a missing last key."""
    keys: list[int | str] = []
    for key in loc:
        here = key in raw if isinstance(raw, dict) else isinstance(raw, list) and isinstance(key, int)
        if not here:
            return [*keys, key] if missing else keys
        raw = raw[key]
        keys.append(key)
    return keys


def _path_words(keys: list[int | str]) -> list[str]:
    """Keys as words: ``product, 0, price`` is ``product 1, price``."""
    words: list[str] = []
    for key in keys:
        if isinstance(key, int) and words:
            words[-1] += f" {key + 1}"
        else:
            words.append(str(key) if len(str(key)) <= 60 and str(key).isprintable() else shown(key))
    return words


_WRONG_KINDS = {
    "model_type": "is not a table",
    "dict_type": "is not a table",
    "list_type": "is not a list",
    # the one pattern that texts have
    "string_pattern_mismatch": "shows nothing, or holds a character that cannot be seen",
}


def _fault(first: Any) -> str:
    """What pydantic says, as the end of a sentence that begins with the value."""
    if first["type"] in _WRONG_KINDS:
        return _WRONG_KINDS[first["type"]]
    message = str(first["msg"]).removeprefix("Value error, ")
    return message if message.startswith("is ") else f"will not do: {message[0].lower()}{message[1:]}"


def _models(keys: list[int | str]) -> tuple[type[BaseModel], str | None]:
    """Model that the keys lead into, and the last of its own keys on the way."""
    model: type[BaseModel] = FieldFile
    last: str | None = None
    for key in keys:
        if isinstance(key, int):
            continue
        if last is None and model is FieldFile and key in _TABLES:
            model = _TABLES[key]
        elif last is None:
            last = key
    return model, last


_TABLES: dict[str, type[BaseModel]] = {
    "field": FieldTable, "samples": SamplesTable, "other_samples": OtherSamplesTable, "covariate": CovariateTable,
    "crop": CropTable, "season": SeasonTable, "pass": PassTable,
    "programme": ProgrammeTable, "decision": DecisionTable, "product": ProductTable,
    "rate_table": RateTableTable, "rule": RuleTable, "spreader": SpreaderTable, "prescription": PrescriptionTable,
    "zones": ZonesTable, "zone_edit": ZoneEditTable, "no_spread": NoSpreadTable,
    "spread": SpreadTable,
}  # fmt: skip


def _mend(keys: list[int | str]) -> str:
    model, last = _models(keys)
    if last is None and keys:  # the table itself is wrong
        model, last = FieldFile, str(keys[0])
    field = _fields(model).get(last or "")
    return (field.description if field else None) or "Correct the value."


def _fields(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """Keys as they stand in the file."""
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _suggestion(keys: list[int | str]) -> str:
    """Name the key that is meant, or else those there are."""
    model, _ = _models(keys[:-1])
    known = list(_fields(model))
    near = difflib.get_close_matches(str(keys[-1]), known, n=1, cutoff=0.6)
    return f"Did you mean {near[0]}?" if near else f"Remove it, or use one of {', '.join(known)}."
