"""Which products lose ammonia to the air when they are left on the surface."""

from __future__ import annotations

from collections.abc import Sequence

from zonemap.products.table import product_row

_UREA = (
    "left on the surface, it can lose ammonia. In trials over four years 1 to 44% of the nitrogen went, 18% on "
    "average, most of it where damp soil dried, cold soil too (Montana State University, Ammonia volatility from "
    "urea). Half an inch (13 mm) of rain or irrigation at once stops it, a drizzle does not; so does placing it 2 in "
    "(5 cm) deep"
)
_UAN = (
    "half of its nitrogen is urea, which can lose ammonia from the surface: as a rule less than dry urea, in alkaline "
    "soil sometimes more (University of Tennessee, Nitrogen loss as ammonia). Half an inch (13 mm) of rain at once "
    "stops it (Montana State University, Ammonia volatility from urea)"
)
_COATED = "the coat keeps most of it from the air; what has dissolved on the surface can lose ammonia as urea does"
_LITTER = (
    "left on the surface, it gives off ammonia: about 65% of its organic nitrogen feeds the first crop where it is "
    "mixed in soon, 50% else (Oklahoma State University, Nutrient availability)"
)
_AMMONIUM = (
    "on soil that holds lime (pH above about 7.5), ammonium left on the surface is lost as ammonia; from ammonium "
    "sulfate the more, the more lime the soil holds, until it holds 6% (Fenn & Kissel 1975, Soil Sci. Soc. Am. J. "
    "39:631-633). Work it in, or have it rained in. On acid and neutral soil little is lost"
)
_OWN = {"urea": _UREA, "uan_28": _UAN, "uan_32": _UAN, "coated_urea": _COATED, "poultry_litter": _LITTER}
#: the last two from memory: the more their solution turns alkaline, the more is lost
_HOLDS_AMMONIUM = ("ammonium_sulfate", "ammonium_nitrate", "calcium_ammonium_nitrate", "diammonium_phosphate")


def surface_losses(kinds: Sequence[str]) -> tuple[str, ...]:
    """Cautions for products that are spread on the surface, a sentence or two each; none where nothing is lost.

    Parameters
    ----------
    kinds
        Rows of the product table; an empty kind (a product of the user's own making) is passed over.

    Raises
    ------
    InputError
        For a kind the table does not have.

    References
    ----------
    Named in the sentences.
    """
    rows = [product_row(kind) for kind in dict.fromkeys(kinds) if kind]
    said = [f"{row.title}: {_OWN[row.kind]}." for row in rows if row.kind in _OWN]
    ammonium = [row.title for row in rows if row.kind in _HOLDS_AMMONIUM]
    if ammonium:
        said.append(f"{', '.join(ammonium)}: {_AMMONIUM}.")
    return tuple(said)
