"""What stands behind a surface, gathered."""

from __future__ import annotations

from zonemap.geostat.crossval import cross_validate
from zonemap.geostat.empirical import empirical_variogram
from zonemap.geostat.fit import Fit
from zonemap.values.samples import Measurements
from zonemap.values.surface import Evidence
from zonemap.values.variogram import Variogram


def gather_evidence(measurements: Measurements, fit: Fit, *, predictive: Variogram | None) -> Evidence:
    """Evidence for a surface.

    Parameters
    ----------
    predictive
        The model that leave-one-out uses; ``None`` where there is none to judge.
    """
    empirical, validation = None, None
    if fit.variogram is not None:
        g = fit.transform.forward(measurements.value)
        empirical = empirical_variogram(measurements.easting_m, measurements.northing_m, g)
    if predictive is not None:
        validation = cross_validate(measurements, transform=fit.transform, variogram=predictive)
    return Evidence(
        samples=measurements.count,
        structure=fit.structure,
        structure_p=fit.structure_p,
        variogram=fit.variogram,
        empirical=empirical,
        cross_validation=validation,
        notes=fit.notes,
    )
