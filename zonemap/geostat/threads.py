"""Threads: linear algebra on one, chunks of cells on several.

The matrices of a field are small. Handing each of thousands of small products to several threads of the linear algebra
library gains nothing on an idle machine, and on a busy one they wait for one another: seen, 48 s for a fit that takes
0.3. With one thread the digits do not depend on the number of cores either, so whole plans are
made and written so: sums over the cells of a field are linear algebra too.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

_Part = TypeVar("_Part")

#: More threads than this wait for memory.
_MOST_THREADS = 4


@contextmanager
def one_linear_algebra_thread() -> Iterator[None]:
    """Within this context, or the function it decorates, linear algebra uses one thread."""
    import scipy.linalg  # noqa: F401 -- what is loaded later is not limited
    from threadpoolctl import threadpool_limits

    with threadpool_limits(limits=1, user_api="blas"):
        yield


def in_threads(work: Callable[[_Part], None], parts: Iterable[_Part]) -> None:
    """Do the work on every part, several at a time; the parts must not share what they write."""
    with ThreadPoolExecutor(min(os.cpu_count() or 1, _MOST_THREADS)) as pool:
        for done in [pool.submit(work, part) for part in parts]:
            done.result()
