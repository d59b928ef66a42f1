"""Zone numbers run from 1 without a gap."""

import pytest

from zonemap.values.zones import Zones


@pytest.mark.parametrize("number", [[1, 3], [0, 1], [2, 2], []])
def test_a_gap_in_the_numbers_is_refused(number):
    with pytest.raises(ValueError, match="without a gap"):
        Zones(number)


def test_count_is_the_largest_number():
    assert Zones([2, 1, 3, 3]).count == 3
