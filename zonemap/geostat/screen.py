"""From sample rows to measurements at distinct points; what is merged and what looks wrong is said."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

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

#: More places, values or rows than this are told of together, not one by one.
_MOST_NAMED = 10

#: A ratio to the median within a factor of 10^0.2 = 1.6 of a power of ten may be a slipped unit or decimal point.
_DECADES_OFF = 0.2


def screen(samples: Samples, quantity: str, *, outlier_score: float = 5.0) -> tuple[Measurements, tuple[Note, ...]]:
    """Measurements of one quantity at distinct points, and what was noticed on the way.

    Rows without the quantity are left out. Rows within 1 cm of one another are one place: they are averaged, and their
    variance is kept as evidence of measurement error, unless the rows agree in every quantity: then a row was copied,
    and counts once. Outliers are named and stay. More than ten places or outliers are told of in one note.

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


@dataclass(frozen=True, slots=True)
class _Places:
    """Usable rows of samples by place.

    Attributes
    ----------
    row
        (rows,) numbers of the rows, those of a place together; places are in the order of their first rows.
    start, count
        (places,) where the rows of each place begin, and how many there are.
    copied
        (places,) whether there are several rows, which agree in every quantity.
    """

    row: IntArray
    start: IntArray
    count: IntArray
    copied: BoolArray

    def each(self, which: BoolArray) -> Iterator[IntArray]:
        """Row numbers of each of the places that are chosen."""
        for place in np.flatnonzero(which).tolist():
            yield self.row[self.start[place] : self.start[place] + self.count[place]]

    def first(self, value: FloatArray) -> FloatArray:
        """(places,) of (all rows,): what the first row of each place has."""
        return np.asarray(value[self.row[self.start]])

    def above_first(self, value: FloatArray) -> FloatArray:
        """(rows,) of (all rows,): how far each row is above the first of its place."""
        return np.asarray(value[self.row] - np.repeat(self.first(value), self.count))

    def mean(self, value: FloatArray) -> FloatArray:
        """(places,) means of (all rows,)."""
        return np.asarray(self.first(value) + np.add.reduceat(self.above_first(value), self.start) / self.count)

    def variance(self, value: FloatArray) -> FloatArray:
        """(places,) sample variances of (all rows,); NaN for a single row."""
        about = np.square(value[self.row] - np.repeat(self.mean(value), self.count))
        variance = np.full(len(self.count), np.nan)
        np.divide(np.add.reduceat(about, self.start), self.count - 1, out=variance, where=self.count > 1)
        return variance

    def equal(self, value: FloatArray) -> BoolArray:
        """(places,) whether all rows of a place have the same value, or all have none."""
        here, first = value[self.row], np.repeat(self.first(value), self.count)
        same = (here == first) | (np.isnan(here) & np.isnan(first))
        return np.asarray(np.logical_and.reduceat(same, self.start))


def _places(samples: Samples, rows: IntArray) -> _Places:
    """Places of these rows: chains of rows within 1 cm."""
    label = _chains(np.column_stack([samples.easting_m, samples.northing_m])[rows])
    _, first, place = np.unique(label, return_index=True, return_inverse=True)
    rank = np.empty(len(first), dtype=np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    count = np.bincount(rank[place])
    start = np.cumsum(count) - count
    order = np.argsort(rank[place], kind="stable")
    places = _Places(rows[order], start, count, count > 1)
    agree = [places.equal(column.value) for column in samples.columns.values()]
    return replace(places, copied=places.copied & np.all(agree, axis=0))


def _chains(sites: FloatArray) -> IntArray:
    """(n,) labels of (n, 2) points: the same where steps of 1 cm lead from one to the other."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    # a sensor that stands still logs thousands of rows at one place, which are millions of pairs
    distinct, number = np.unique(sites, axis=0, return_inverse=True)
    near = cKDTree(distinct).query_pairs(SAME_PLACE_M, output_type="ndarray")
    links = coo_array((np.ones(len(near)), (near[:, 0], near[:, 1])), shape=(len(distinct), len(distinct)))
    label = np.asarray(connected_components(links, directed=False)[1])
    return np.asarray(label[number.ravel()], dtype=np.int64)


def _averaged(samples: Samples, quantity: str, places: _Places) -> Measurements:
    column = samples.columns[quantity]
    plain = places.copied | (places.count == 1)
    flags = np.logical_or.reduceat(column.censored[places.row], places.start)
    return Measurements(
        quantity=quantity,
        unit=column.unit,
        basis=samples.basis,
        sample=_names_of_places(samples, places),
        easting_m=places.mean(samples.easting_m),
        northing_m=places.mean(samples.northing_m),
        value=np.where(plain, places.first(column.value), places.mean(column.value)),
        replicates=np.where(plain, 1, places.count),
        replicate_variance=np.where(plain, np.nan, places.variance(column.value)),
        repeatability_cv=samples.repeatability_cv,
        censored=np.where(plain, column.censored[places.row[places.start]], flags),
    )


def _names_of_places(samples: Samples, places: _Places) -> tuple[str, ...]:
    names = [samples.sample[row] for row in places.row[places.start].tolist()]
    several = places.count > 1
    for place, rows in zip(np.flatnonzero(several).tolist(), places.each(several), strict=True):
        names[place] = _names(samples, rows, between="+")
    return tuple(names)


def _names(samples: Samples, rows: IntArray, *, between: str) -> str:
    """Identifiers of the rows of one place, or the first and the number of the others where they are many."""
    if len(rows) > _MOST_NAMED:
        return f"{samples.sample[int(rows[0])]}+{len(rows) - 1} more"
    return between.join(samples.sample[row] for row in rows.tolist())


def _place_notes(samples: Samples, quantity: str, places: _Places) -> tuple[Note, ...]:
    """One note for each place with several rows, or one for all of them where they are many."""
    several = places.count > 1
    if np.count_nonzero(several) > _MOST_NAMED:
        return (_many_places_note(samples, quantity, places),)
    notes = []
    for rows, copied in zip(places.each(several), places.copied[several].tolist(), strict=True):
        value = samples.columns[quantity].value[rows]
        where = f"samples {_names(samples, rows, between=', ')}: {len(rows)} rows at one place"
        if copied:
            text = f"{where} agree in every quantity; {quantity} is counted once, as a copied row."
            notes.append(Note("repair", text))
        elif np.all(value == value[0]):
            notes.append(Note("repair", f"{where} have the same {quantity}; they are counted as replicates."))
        else:
            shown = ", ".join(f"{v:.4g}" for v in value[:_MOST_NAMED]) + (", ..." if len(value) > _MOST_NAMED else "")
            text = (
                f"{where} differ in {quantity} ({shown}); their mean is used, and their "
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


def _many_places_note(samples: Samples, quantity: str, places: _Places) -> Note:
    several = places.count > 1
    differ = several & ~places.equal(samples.columns[quantity].value)
    first = next(places.each(differ if differ.any() else several))
    text = (
        f"{quantity}: {np.count_nonzero(several):,} places have several rows. Copied rows are counted once "
        f"({np.count_nonzero(places.copied):,} places); the others are averaged, and their spread is evidence of "
        f"measurement error ({np.count_nonzero(differ):,} places differ, the first being samples "
        f"{_names(samples, first, between=', ')}). Check the positions if they are not replicates."
    )
    return Note("warning" if differ.any() else "repair", text)


def _outlier_notes(measurements: Measurements, *, outlier_score: float) -> tuple[Note, ...]:
    """One warning for each value far from the median, or one for all of them where they are many."""
    value = measurements.value
    relative = bool(np.all(value > 0))
    far = far_from_median(
        value, outlier_score=outlier_score, logarithmic=relative, least_cv=measurements.repeatability_cv
    )
    median = float(np.median(value))
    g = np.log(value) if relative else value
    farthest = np.flatnonzero(far)[np.argsort(-np.abs(g[far] - np.median(g)), kind="stable")]
    if len(farthest) > _MOST_NAMED:
        return (_many_outliers_note(measurements, farthest, median=median),)
    return tuple(Note("warning", _outlier_text(measurements, int(k), median=median)) for k in np.flatnonzero(far))


def _many_outliers_note(measurements: Measurements, farthest: IntArray, *, median: float) -> Note:
    shown = ", ".join(f"{measurements.value[k]:.4g} (sample {measurements.sample[k]})" for k in farthest[:3].tolist())
    text = (
        f"{measurements.quantity}: {len(farthest):,} of {measurements.count:,} values are far from the median "
        f"{median:.4g} {measurements.unit}, farthest {shown}. Check the unit, the decimal point and the logger; all "
        "values are kept."
    )
    return Note("warning", text)


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
