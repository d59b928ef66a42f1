"""Where to take samples, in words and in numbers."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from zonemap.amounts import Reader, reader
from zonemap.report.layout import columns, folded
from zonemap.report.shown import field_json, notes_json
from zonemap.report.text import notes_text
from zonemap.report.words import length_unit, two_digits
from zonemap.units import CM_PER_IN, M_PER_FT
from zonemap.values.sampling import Sampling, Worth

Json = dict[str, Any]

#: metres of a mile (International yard and pound agreement of 1959) and of a kilometre
_LONG_M = {"ft": (1_609.344, "mi"), "m": (1_000.0, "km")}
#: m: cores of one sample come from within so far of its place; common practice, as are the numbers in `how_to_take`
_AROUND_M = 10 * M_PER_FT


def sampling_text(sampling: Sampling, folder: Path | None) -> str:
    """How many places, how they were chosen, what they are worth, how to take them, and where the files are."""
    lines = [title_of(sampling), "", *(folded(sentence) for sentence in chosen_how(sampling))]
    if sampling.worth is not None:
        lines += ["", *worth_lines(sampling, sampling.worth)]
    lines += ["", "How to take them:", *(folded(f"- {each}", indent=2) for each in how_to_take(sampling))]
    lines += notes_text(sampling.notes)
    if folder is not None:
        lines += ["", f"Files: {folder}"]
    return "\n".join(lines)


def title_of(sampling: Sampling) -> str:
    """One line: the field, and what its places are for."""
    count, there = sampling.places.count, len(sampling.about.sampled)
    words = {
        "first": f"where to take {count} samples",
        "composite": f"where to take the {count} cores of one composite sample",
        "next": f"where {count} more samples help most ({there} so far)",
        "closer": f"{count} samples close beside some of the {there} so far",
        "gaps": f"{count} samples between the {there} so far",
    }
    return f"{sampling.about.field.name}: {words[sampling.purpose]}"


def chosen_how(sampling: Sampling) -> list[str]:
    """Say how the places were chosen, and how far the walk is."""
    read, kinds = reader(sampling.about.units), sampling.places.kind
    apart, stands_for = length(sampling.spacing_m, read), read.area(sampling.spacing_m**2 / 10_000)
    covering, paired = kinds.count("cover"), kinds.count("pair")
    texts = []
    if covering:
        texts.append(
            f"{covering} cover the field evenly: each lies in the middle of what it stands for, about {stands_for}, "
            f"{apart} from the next."
        )
    if paired:
        texts.append(
            f"{paired} {'stands' if paired == 1 else 'stand'} about {length(sampling.pair_m, read)} beside another: "
            "how much soil differs over a short distance decides what a map can show."
        )
    if sampling.purpose == "composite":
        texts.append(
            f"The cores lie evenly over the place, {apart} apart, and the walk goes to and fro: 12 to 20 cores in a "
            "zigzag are common practice. All go into one bag, mixed."
        )
    if sampling.purpose == "next":
        texts.append("One after another, each was put where it lowers most what is weighed here, given those before.")
    walk = f"The walk in the order of their names is {length(sampling.path_m, read)}, as the crow flies."
    return [*texts, *([walk] if sampling.places.count > 1 else [])]


def worth_lines(sampling: Sampling, worth: Worth) -> list[str]:
    """Say what the samples are worth before they are taken, and how much of what is unsure would be left."""
    lines = [folded(sentence) for sentence in worth_sentences(sampling, worth)]
    rows = [["", "variance left"], *([name, f"{left:.0%}"] for name, left in worth.variance_left.items())]
    return [*lines, *(f"  {line}" for line in columns(rows, left=(0,)))]


def worth_sentences(sampling: Sampling, worth: Worth) -> list[str]:
    """What is expected to be lost now and with the samples, what the first and the last bring, and what that means."""
    n, first, last = sampling.places.count, *_first_and_last(sampling)
    share = 1 - worth.after / worth.now if worth.now > 0 else 0.0
    if worth.measure == "variance":
        return [
            f"No rate hangs on what shows a pattern here, so the places are weighed by how unsure the map is: {n} "
            f"samples more take {share:.0%} off the variance of a cell."
        ]
    if worth.measure == "relative":
        return [
            f"Before they are taken: {n} samples more would take {share:.0%} off what the rates are expected to lose "
            "by being short or over. Prices of all products would say it in money.",
            _FOLLOWED,
        ]
    read, area = reader(sampling.about.units), sampling.about.field.area_ha
    return [
        f"Before they are taken: rates that follow every cell are expected to lose {_money(worth.now, read)} by being "
        f"short or over; with {n} samples more, {_money(worth.after, read)}. That is {share:.0%} less, "
        f"{(worth.now - worth.after) * area:,.0f} on the field, in the currency of your prices.",
        f"The first of them is worth {_on_field(first * area)} on the field, the last {_on_field(last * area)}: where "
        "a sample costs more than it is worth, stop before it (columns rank and worth of sampling.csv).",
        _FOLLOWED,
    ]


_FOLLOWED = (
    "Zones can use only part of this: it is what the samples are worth to a spreader that follows every cell. What "
    "they tell about how far the pattern reaches is not counted."
)


def how_to_take(sampling: Sampling) -> list[str]:
    """Say what is common practice for samples of this kind, and what field.toml states."""
    basis, read = sampling.about.basis, reader(sampling.about.units)
    if basis is not None and basis.kind == "tissue":
        return [
            "Leaves: the part of the plant and the stage of growth that your laboratory names, alike at every place."
        ]
    texts = [] if sampling.purpose == "composite" else [_cores(sampling, read)]
    stated = None if basis is None else basis.depth_cm
    if stated is None:
        texts.append("All from one depth, 6 in (15 cm) where nothing else is asked (common practice).")
    else:
        depth = f"{stated / CM_PER_IN:.3g} in" if sampling.about.units == "us" else f"{stated:.3g} cm"
        texts.append(f"All from one depth, {depth}, as field.toml states.")
    if basis is None or basis.kind == "resin":
        days = None if basis is None else basis.burial_days
        text = "Resin lies in all of them for the same time"
        texts.append(
            f"{text}, a few days to two weeks (common practice), and it is written down: rates of different times are "
            "not alike."
            if days is None
            else f"{text}, {days:g} days as field.toml states: rates of different times are not alike."
        )
    if "pair" in sampling.places.kind:
        texts.append("Samples of a pair go into a bag each; measure their distance with a tape.")
    texts.append(
        "A place that turns out to be a track, a wet hole or a heap: move off it, and write down where you went."
    )
    return texts


def _cores(sampling: Sampling, read: Reader) -> str:
    """How many cores a sample is mixed from, and how near they are taken: nearer where pairs stand close."""
    near = min(_AROUND_M, sampling.spacing_m / 4, sampling.pair_m / 3 if sampling.pair_m else math.inf)
    return f"Each sample: 8 to 10 cores from within {length(near, read)} of its place, mixed (common practice)."


def length(metres: float, read: Reader) -> str:
    """A distance as people read it, two digits."""
    size, unit = length_unit(read)
    long_m, long_unit = _LONG_M[unit]
    if metres >= long_m:
        return f"{metres / long_m:.1f} {long_unit}"
    return f"{two_digits(metres / size).removesuffix('.0')} {unit}"


def place_words(sampling: Sampling) -> list[str]:
    """(n) what is to be known of each place, for a receiver's screen."""
    places, read = sampling.places, reader(sampling.about.units)
    words = []
    for kind, other, rank in zip(places.kind, places.beside, places.rank, strict=True):
        text = {"cover": "even cover", "core": "core of the one sample", "next": f"worth rank {rank}", "pair": "pair"}[
            kind
        ]
        words.append(f"pair: {length(sampling.pair_m, read)} beside {other}" if kind == "pair" else text)
    return words


def sampling_json(sampling: Sampling, columns_of_places: dict[str, Any]) -> Json:
    """Build the content of sampling.json: plain types, no NaN, metric.

    Parameters
    ----------
    columns_of_places
        Column name -> (n) cells, as in sampling.csv.
    """
    about, worth = sampling.about, sampling.worth
    rows = [dict(zip(columns_of_places, row, strict=True)) for row in zip(*columns_of_places.values(), strict=True)]
    return {
        "field": field_json(about.field),
        "purpose": sampling.purpose,
        "samples_there": len(about.sampled),
        "spacing_m": sampling.spacing_m,
        "pair_m": sampling.pair_m or None,
        "path_m": sampling.path_m,
        "worth": None
        if worth is None
        else {
            "measure": worth.measure,
            "expected_loss_now_per_ha": None if worth.measure == "variance" else worth.now,
            "expected_loss_after_per_ha": None if worth.measure == "variance" else worth.after,
            "share_saved": 1 - worth.after / worth.now if worth.now > 0 else 0.0,
            "variance_left": dict(worth.variance_left),
        },
        "places": rows,
        "about": [
            *chosen_how(sampling),
            *([] if worth is None else worth_sentences(sampling, worth)),
            *how_to_take(sampling),
        ],
        "notes": notes_json(sampling.notes),
    }


def _first_and_last(sampling: Sampling) -> tuple[float, float]:
    """What the places of first and last rank save, per ha."""
    ranked = sorted(zip(sampling.places.rank, sampling.places.saves.tolist(), strict=True))
    return ranked[0][1], ranked[-1][1]


def _money(per_ha: float, read: Reader) -> str:
    return f"{per_ha * read.ha_per_area:.2f} per {read.area_unit}"


def _on_field(amount: float) -> str:
    return f"{amount:,.0f}" if amount >= 10 else f"{amount:.2g}"
