"""When the compiled loops of the extra `fast` are used: where it is installed, and there is enough to do.

Importing the compiler and loading what it once made takes about half a second a process (measured: 0.45 s; 6 s the
first time on a machine), so that small tasks are done sooner without. Whether a task is small is told by its size
alone, never by what ran before: the same task twice on one machine gives the same digits. With the extra and without
it, results differ in their last digits, by less than 1e-10 of the sill.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module
from importlib.util import find_spec
from types import ModuleType

#: Correlations from which the start is earned back, at 2.4 ns saved by each (measured, with one model).
LEAST_CORRELATIONS = 200_000_000

#: Elements of systems, squares of the neighbours for every target, from which it is: 7 ns saved by each.
LEAST_SYSTEM_ELEMENTS = 60_000_000


def loops_for_correlations(count: int) -> ModuleType | None:
    """`zonemap.geostat.compiled` where so many correlations are worth it, else ``None``."""
    return _compiled() if count >= LEAST_CORRELATIONS else None


def loops_for_systems(elements: int) -> ModuleType | None:
    """`zonemap.geostat.compiled` where systems of so many elements are worth it, else ``None``."""
    return _compiled() if elements >= LEAST_SYSTEM_ELEMENTS else None


@cache
def _compiled() -> ModuleType | None:
    return import_module("zonemap.geostat.compiled") if find_spec("numba") else None
