"""What the tables of field.toml share: no unknown keys, no infinities, numbers within reason."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

#: above any number that a field, a machine or a price can have
MOST = 1e7
Positive = Annotated[float, Field(gt=0, le=MOST)]
NotNegative = Annotated[float, Field(ge=0, le=MOST)]
#: controls, line separators, what turns the direction of text, and what XML cannot hold
_CONTROLS = r"\x00-\x1f\x7f-\x9f" + "\u2028\u2029\u202a-\u202e\u2066-\u2069\ufffe\uffff"
#: white space and characters without a mark
_UNSEEN = r"\s" + "\u200b-\u200f\u2060\ufeff"
Text = Annotated[
    str,
    Field(min_length=1, max_length=200, pattern=f"^[^{_CONTROLS}]*[^{_CONTROLS}{_UNSEEN}][^{_CONTROLS}]*$"),
]
#: days of a plan; far from the ends of the calendar, so that days can be added and taken away
Day = Annotated[date, Field(ge=date(1950, 1, 1), le=date(2150, 1, 1))]
Prices = dict[str, Positive]


class TomlTable(BaseModel):
    """A table of field.toml."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False, populate_by_name=False)
