"""What field.toml says of how a spreader spreads and what it holds."""

from __future__ import annotations

import pytest

from zonemap.errors import InputError
from zonemap.io.decisions import spreader_of
from zonemap.io.field_file import parse_field_file
from zonemap.values.season import Spreader

LEAST = """
[field]
boundary = "boundary.geojson"
units = "us"
[samples]
basis = "resin"
unit = "lb/ac/day"
burial_days = 4
[spreader]
"""


def _spreader(text: str) -> Spreader:
    return spreader_of(parse_field_file((LEAST + text).encode()).spreader, units="us")


def test_both_unit_systems_give_one_way_of_spreading() -> None:
    us = _spreader(
        "swath_ft = 80\npattern_ft = [[-50, 0], [0, 4], [50, 0]]\nposition_offset_ft = -10\nlook_ahead_s = 2\n"
        "headland_swaths = 2\nhopper_ft3 = 200\nhopper_lb = 12000\ntender_lb = 48000\n"
    )
    metric = _spreader(
        "swath_m = 24.384\npattern_m = [[-15.24, 0], [0, 4], [15.24, 0]]\nposition_offset_m = -3.048\n"
        "look_ahead_s = 2\nheadland_swaths = 2\nhopper_m3 = 5.663369318\nhopper_kg = 5443.10844\n"
        "tender_kg = 21772.43376\n"
    )

    for name in ("swath_m", "position_offset_m", "look_ahead_s", "hopper_m3", "hopper_kg", "tender_kg"):
        assert getattr(us, name) == pytest.approx(getattr(metric, name))
    assert us.pattern is not None
    assert metric.pattern is not None
    assert us.pattern.position_m.tolist() == pytest.approx(metric.pattern.position_m.tolist())
    assert us.pattern.mass.tolist() == [0, 4, 0]
    assert us.headland_swaths == 2


def test_what_is_not_stated_is_a_sharp_swath_and_one_round() -> None:
    spreader = _spreader("swath_ft = 80\n")

    assert (spreader.overlap_share, spreader.pattern, spreader.headland_swaths) == (0.0, None, 1)
    assert (spreader.position_offset_m, spreader.look_ahead_s, spreader.hopper_kg) == (0.0, 0.0, None)
    assert _spreader("overlap = 0.5\nheadland_swaths = 0\n").overlap_share == 0.5


@pytest.mark.parametrize(
    ("text", "mend"),
    [
        ("position_offset_ft = 3\nposition_offset_m = 1\n", "Keep one of position_offset_ft and position_offset_m"),
        ("hopper_ft3 = 3\nhopper_m3 = 1\n", "Keep one of hopper_ft3 and hopper_m3"),
        ("hopper_lb = 3\nhopper_kg = 1\n", "Keep one of hopper_lb and hopper_kg"),
        ("tender_lb = 3\ntender_kg = 1\n", "Keep one of tender_lb and tender_kg"),
        (
            "swath_m = 9\npattern_ft = [[0, 1], [1, 1]]\npattern_m = [[0, 1], [1, 1]]\n",
            "one of pattern_ft and pattern_m",
        ),
        ("swath_m = 9\noverlap = 0.2\npattern_m = [[0, 1], [1, 1]]\n", "Keep one of overlap and pattern_m"),
        ("pattern_m = [[0, 1], [1, 1]]\n", "Write how far apart the passes are"),
        ("swath_m = 9\npattern_m = [[1, 1], [1, 2]]\n", "Order the pans from left to right"),
        ("swath_m = 9\npattern_m = [[0, 1], [1, -2]]\n", "Write 0 or more, in any one unit"),
        ("swath_m = 9\npattern_m = [[0, 0], [1, 0]]\n", "Write what each pan caught"),
        ("swath_m = 9\npattern_m = [[0, 0], [5000, 1]]\n", "distances from the line of travel"),
        ("swath_m = 9\npattern_m = [[0, 0]]\n", "Write pairs of place"),
        ("overlap = 1.5\n", "share of the swath over which passes overlap"),
        ("look_ahead_s = -1\n", "seconds by which the controller reads ahead"),
        ("position_offset_m = 1000\n", "Write metres from where product falls"),
        ("headland_swaths = 1.5\n", "how many rounds are driven along the outline"),
        ("headland_swaths = -1\n", "how many rounds are driven along the outline"),
        ("hopper_ft3 = 0\n", "positive volume in cubic feet"),
    ],
)
def test_what_no_spreader_can_do_is_refused(text: str, mend: str) -> None:
    with pytest.raises(InputError, match=mend):
        _spreader(text)
