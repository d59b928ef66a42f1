"""From sample rows to measurements at distinct points; what is merged and what looks wrong is said."""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from zonemap.errors import InputError
from zonemap.geostat.covariance import SAME_PLACE_M
from zonemap.geostat.scale import is_constant
from zonemap.values.arrays import BoolArray, FloatArray, IntArray
from zonemap.values.note import Note
from zonemap.values.samples import Column, Measurements, Samples

#: Outside of these no soil, leaf or resin value exists in any unit, and squares would overflow or vanish.
_LEAST, _GREATEST = 1e-30, 1e30

#: Points whose spread across their main direction is below this share of that along it lie on a line.
_LINE = 0.02

#: Median absolute deviation to standard deviation of a normal: 1 / Phi^-1(3/4).
_MAD_TO_DEVIATION = 1.482602218505602

#: A ratio to the median within a factor of 10^0.2 = 1.6 of a power of ten may be a slipped unit or decimal point.
_DECADES_OFF = 0.2


def screen(samples: Samples, quantity: str, *, outlier_score: float = 5.0) -> tuple[Measurements, tuple[Note, ...]]:
    """Measurements of one quantity at distinct points, and what was noticed on the way.

    Rows without the quantity are left out. Rows within 1 cm of one another are one place: they are averaged, and their
    variance is kept as evidence of measurement error, unless the rows agree in every quantity: then a row was copied,
    and counts once. Outliers are named and stay.

    Parameters
    ----------
    outlier_score
        Distance from the median, in robust standard deviations, at which a value is named. The scale is logarithmic
        where all values are positive; the robust deviation is 1.4826 times the median absolute deviation (Rousseeuw &
        Croux 1993, Journal of the American Statistical Association 88:1273-1283), or the repeatability where that is
        more.

    Raises
    ------
    InputError
        When no row has a usable value, or a value is no measurement in any unit.
    """
    if quantity not in samples.columns:
        known = ", ".join(samples.quantities) or "none"
        raise InputError("samples", f"there is no quantity '{quantity}'", f"Name one of: {known}.")
    column = samples.columns[quantity]
    placed = np.isfinite(samples.easting_m) & np.isfinite(samples.northing_m)
    usable = np.flatnonzero(np.isfinite(column.value) & placed)
    _refuse_unusable(column, quantity, usable)
    places = _places(samples, usable)
    measurements = _averaged(samples, quantity, places)
    notes = [
        *_place_notes(samples, quantity, places),
        *_outlier_notes(measurements, outlier_score=outlier_score),
        *_layout_notes(measurements),
    ]
    return measurements, tuple(notes)


def _refuse_unusable(column: Column, quantity: str, usable: IntArray) -> None:
    if usable.size == 0:
        raise InputError(
            "samples", f"no row has a usable value of {quantity}", "Leave the quantity out, or add samples of it."
        )
    size = np.abs(column.value[usable])
    if np.any((size > _GREATEST) | ((size > 0) & (size < _LEAST))):
        raise InputError(
            "samples",
            f"a value of {quantity} is beyond {_GREATEST:g} or nearer to 0 than {_LEAST:g} {column.unit}",
            "Correct the value or its unit.",
        )


def _places(samples: Samples, rows: IntArray) -> tuple[IntArray, ...]:
    """Row numbers by place, in the order of their first rows; places are chains of rows within 1 cm."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    sites = np.column_stack([samples.easting_m, samples.northing_m])[rows]
    near = cKDTree(sites).query_pairs(SAME_PLACE_M, output_type="ndarray")
    links = coo_array((np.ones(len(near)), (near[:, 0], near[:, 1])), shape=(len(rows), len(rows)))
    _, label = connected_components(links, directed=False)
    by_place: dict[int, list[int]] = defaultdict(list)
    for row, place in zip(rows.tolist(), label.tolist(), strict=True):
        by_place[place].append(row)
    return tuple(np.array(members, dtype=np.int64) for members in by_place.values())


def _averaged(samples: Samples, quantity: str, places: tuple[IntArray, ...]) -> Measurements:
    column = samples.columns[quantity]
    kept = [rows[:1] if _copied(samples, rows) else rows for rows in places]
    values = [column.value[rows] for rows in kept]
    return Measurements(
        quantity=quantity,
        unit=column.unit,
        basis=samples.basis,
        sample=tuple("+".join(samples.sample[row] for row in rows) for rows in places),
        easting_m=np.array([samples.easting_m[rows].mean() for rows in places]),
        northing_m=np.array([samples.northing_m[rows].mean() for rows in places]),
        value=np.array([value.mean() for value in values]),
        replicates=np.array([len(value) for value in values]),
        replicate_variance=np.array([value.var(ddof=1) if len(value) > 1 else np.nan for value in values]),
        repeatability_cv=samples.repeatability_cv,
        censored=np.array([column.censored[rows].any() for rows in kept]),
    )


def _copied(samples: Samples, rows: IntArray) -> bool:
    """Whether several rows of one place agree in every quantity."""
    columns = samples.columns.values()
    return len(rows) > 1 and all(_equal(column.value[rows]) for column in columns)


def _equal(value: FloatArray) -> bool:
    return bool(np.all((value == value[0]) | (np.isnan(value) & np.isnan(value[0]))))


def _place_notes(samples: Samples, quantity: str, places: tuple[IntArray, ...]) -> tuple[Note, ...]:
    notes = []
    for rows in (rows for rows in places if len(rows) > 1):
        names = ", ".join(samples.sample[row] for row in rows)
        value = samples.columns[quantity].value[rows]
        where = f"samples {names}: {len(rows)} rows at one place"
        if _copied(samples, rows):
            text = f"{where} agree in every quantity; {quantity} is counted once, as a copied row."
            notes.append(Note("repair", text))
        elif _equal(value):
            notes.append(Note("repair", f"{where} have the same {quantity}; they are counted as replicates."))
        else:
            text = (
                f"{where} differ in {quantity} ({', '.join(f'{v:.4g}' for v in value)}); their mean is used, and their "
                "spread as evidence of measurement error. Check the positions if they are not replicates."
            )
            notes.append(Note("warning", text))
    return tuple(notes)


def far_from_median(value: FloatArray, *, outlier_score: float, logarithmic: bool, least_cv: float = 0.0) -> BoolArray:
    """(n,) whether a value is more than so many robust standard deviations from the median, see `screen`.

    Parameters
    ----------
    logarithmic
        Whether distances are taken between logarithms; all values must be positive then.
    least_cv
        The robust deviation is taken to be no less than this share of the values.
    """
    g = np.log(value) if logarithmic else value
    from_median = g - np.median(g)
    least = float(np.sqrt(np.log1p(least_cv**2))) if logarithmic else least_cv * float(np.abs(np.median(value)))
    deviation = max(_MAD_TO_DEVIATION * float(np.median(np.abs(from_median))), least)
    return np.asarray(np.abs(from_median) > outlier_score * deviation)


def _outlier_notes(measurements: Measurements, *, outlier_score: float) -> tuple[Note, ...]:
    """One warning for each value far from the median."""
    value = measurements.value
    far = far_from_median(
        value,
        outlier_score=outlier_score,
        logarithmic=bool(np.all(value > 0)),
        least_cv=measurements.repeatability_cv,
    )
    median = float(np.median(value))
    return tuple(Note("warning", _outlier_text(measurements, int(k), median=median)) for k in np.flatnonzero(far))


def _outlier_text(measurements: Measurements, k: int, *, median: float) -> str:
    value = float(measurements.value[k])
    what = f"{measurements.quantity} {value:.4g} {measurements.unit}"
    text = f"sample {measurements.sample[k]}: {what} is far from the median {median:.4g}"
    ratio = value / median if median > 0 and value > 0 else 1.0
    decades = round(float(np.log10(ratio)))
    if decades != 0 and abs(np.log10(ratio) - decades) <= _DECADES_OFF:
        often = f"{10.0 ** abs(decades):,.0f} times"
        amount = often if decades > 0 else f"1/{10.0 ** abs(decades):,.0f} of"
        return (
            f"{text}, about {amount} it: possible unit slip. Check the unit and the decimal point; the value is kept."
        )
    return f"{text}. Check it against the laboratory's report; the value is kept."


def _layout_notes(measurements: Measurements) -> tuple[Note, ...]:
    notes = []
    name = measurements.quantity
    if measurements.count > 2 and _on_a_line(measurements):
        text = (
            f"{name}: the {measurements.count} sampled places lie on a line; confidence falls off the line. "
            "Take samples beside it."
        )
        notes.append(Note("warning", text))
    if measurements.count > 1 and is_constant(measurements):
        text = (
            f"{name}: all {measurements.count} values are {measurements.value[0]:.4g}. "
            "Check the laboratory's report and its limit of detection."
        )
        notes.append(Note("warning", text))
    return tuple(notes)


def _on_a_line(measurements: Measurements) -> bool:
    sites = np.column_stack([measurements.easting_m, measurements.northing_m])
    along, across = np.linalg.svd(sites - sites.mean(axis=0), compute_uv=False)
    return bool(across <= _LINE * along)
