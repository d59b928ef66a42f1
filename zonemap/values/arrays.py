"""Arrays as values: typed, contiguous, finite where asked, and read-only."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]
BoolArray: TypeAlias = npt.NDArray[np.bool_]


def frozen_floats(values: npt.ArrayLike, *, shape: tuple[int | None, ...]) -> FloatArray:
    """Return a read-only float64 array, its shape checked (``None`` matches any length).

    Raises
    ------
    ValueError
        When the number or the length of the axes differ.
    """
    return _frozen(np.array(values, dtype=np.float64, order="C"), shape)


def frozen_ints(values: npt.ArrayLike, *, shape: tuple[int | None, ...]) -> IntArray:
    """Return a read-only int64 array, its shape checked as in `frozen_floats`."""
    return _frozen(np.array(values, dtype=np.int64, order="C"), shape)


def frozen_bools(values: npt.ArrayLike, *, shape: tuple[int | None, ...]) -> BoolArray:
    """Return a read-only boolean array, its shape checked as in `frozen_floats`."""
    return _frozen(np.array(values, dtype=np.bool_, order="C"), shape)


def _frozen(array: npt.NDArray[Any], shape: tuple[int | None, ...]) -> npt.NDArray[Any]:
    if array.ndim != len(shape) or any(s is not None and s != n for s, n in zip(shape, array.shape, strict=True)):
        msg = f"expected shape {shape}, got {array.shape}"
        raise ValueError(msg)
    array.setflags(write=False)
    return array
