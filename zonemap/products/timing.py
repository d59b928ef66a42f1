"""By when: the last useful day, and which of the possible days to take."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta


def spread_by(first_short: date, *, release_lag_days: int) -> date:
    """Last day on which spreading still feeds the first short day.

    >>> spread_by(date(2026, 6, 10), release_lag_days=5)
    datetime.date(2026, 6, 5)
    """
    return first_short - timedelta(days=release_lag_days)


def choose_day(apply_on: Sequence[date], latest: date | None) -> date | None:
    """Return the last possible day that is still in time, else the first possible one; ``None`` without possible days.

    Later is better while it is in time: less is lost before the crop takes it up.

    >>> choose_day([date(2026, 5, 1), date(2026, 6, 1)], date(2026, 6, 5))
    datetime.date(2026, 6, 1)
    >>> choose_day([date(2026, 5, 1), date(2026, 6, 1)], date(2026, 4, 5))
    datetime.date(2026, 5, 1)
    """
    in_time = [day for day in sorted(apply_on) if latest is None or day <= latest]
    if latest is None:
        return min(apply_on, default=None)
    return in_time[-1] if in_time else min(apply_on, default=None)
