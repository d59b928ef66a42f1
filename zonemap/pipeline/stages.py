"""The stages in order, and the methods each can use. A method's keyword-only parameters are the pipeline's keys.

To add a method: write it in its room, give its parameters types and defaults, name it here, and name it in a pipeline.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from zonemap.agronomy.rate import zone_rate
from zonemap.geostat.external_drift import external_drift_kriging
from zonemap.geostat.integrated import integrated_block_kriging
from zonemap.geostat.kriging import field_mean, ordinary_block_kriging, ordinary_point_kriging, single_value
from zonemap.geostat.many_points import many_point_block_kriging
from zonemap.geostat.screen import screen
from zonemap.machine.limits import clamp_and_round
from zonemap.pipeline.choice import by_fuzziness, by_value, fixed, per_product, shared
from zonemap.pipeline.needs import conventional_rule, rate_table, season_shortfall, shortfall_or_table
from zonemap.products.programme import programmes
from zonemap.zoning.cells import square_cells
from zonemap.zoning.cluster import k_means, whole_field
from zonemap.zoning.features import supply_and_covariates, supply_features
from zonemap.zoning.fuzzy import fuzzy_c_means
from zonemap.zoning.outline import outline_zones
from zonemap.zoning.workable import as_they_are, merge_small

Method = Callable[..., Any]

STAGES: Mapping[str, Mapping[str, Method]] = {
    "screen": {"merge_and_flag": screen},
    "grid": {"square_cells": square_cells},
    "surface": {
        "integrated_block_kriging": integrated_block_kriging,
        "external_drift_kriging": external_drift_kriging,
        "ordinary_block_kriging": ordinary_block_kriging,
        "ordinary_point_kriging": ordinary_point_kriging,
        "many_point_block_kriging": many_point_block_kriging,
        "field_mean": field_mean,
        "single_value": single_value,
    },
    "need": {
        "season_shortfall": season_shortfall,
        "rate_table": rate_table,
        "conventional_rule": conventional_rule,
        "shortfall_or_table": shortfall_or_table,
    },
    "features": {"supply": supply_features, "supply_and_covariates": supply_and_covariates},
    "zones": {"k_means": k_means, "fuzzy_c_means": fuzzy_c_means, "whole_field": whole_field},
    "zone_count": {"by_value": by_value, "by_fuzziness": by_fuzziness, "fixed": fixed},
    "zone_sets": {"shared": shared, "per_product": per_product},
    "workable": {"merge_small": merge_small, "as_they_are": as_they_are},
    "outline": {"coverage": outline_zones},
    "rate": {"pooled_quantile": zone_rate},
    "products": {"least_cost": programmes},
    "limits": {"clamp_and_round": clamp_and_round},
}

#: stages that a pipeline may leave out, and the method it then has
LEFT_OUT: Mapping[str, str] = {"features": "supply", "zone_sets": "shared"}

#: parameters the flow itself provides: not keys of a pipeline
PROVIDED: Mapping[str, frozenset[str]] = {
    "surface": frozenset({"covariates"}),
    "features": frozenset({"weights", "cell_area_ha", "covariates"}),
    "zones": frozenset({"count"}),
    "workable": frozenset({"spreader", "smallest_m"}),
    "rate": frozenset({"assurance"}),
    "limits": frozenset({"step_kg_ha"}),
}
