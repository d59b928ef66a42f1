"""GeoTIFF in the child process of `apart`: from memory, by that one driver, so that no file can name another."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from zonemap.io.apart_readers import Refusal

#: a block is decoded whole; what needs more was not written to be read by parts
_MOST_BLOCK_BYTES = 256 * 2**20
#: pixels read at a time
_STRIP_PIXELS = 2_000_000
#: what is larger stands for "no value", whatever the file says (as in `numbers.LARGEST`)
_LARGEST = 1e12
#: under so many distinct whole numbers values are likely classes
_FEW = 8


@contextmanager
def _opened(path: str) -> Iterator[Any]:
    """Dataset of the bytes of a file; overviews in it, which may be made by any rule, are left alone."""
    # One thread: a library that reserves memory for every core would meet the limit on a large machine.
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    import rasterio
    from rasterio.io import MemoryFile

    with (
        rasterio.Env(GDAL_DISABLE_READDIR_ON_OPEN="EMPTY_DIR", GDAL_CACHEMAX=128),
        MemoryFile(Path(path).read_bytes(), ext=".tif") as memory,
        memory.open(driver="GTiff", overview_level="NONE") as dataset,
    ):
        yield dataset


def read_header(*, path: str) -> dict[str, Any]:
    """Size, bands, CRS as WKT (empty when there is none) and the six numbers from pixels to coordinates."""
    with _opened(path) as dataset:
        affine = list(dataset.transform)[:6]
        placed = not dataset.transform.is_identity and all(math.isfinite(number) for number in affine)
        interpretation = [colour.name for colour in dataset.colorinterp]
        return {
            "width": dataset.width,
            "height": dataset.height,
            "bands": [n for n, name in enumerate(interpretation, start=1) if name != "alpha"],
            "palettes": [n for n, name in enumerate(interpretation, start=1) if name == "palette"],
            "complex": [n for n, kind in enumerate(dataset.dtypes, start=1) if str(kind).startswith("complex")],
            "crs": dataset.crs.to_wkt() if dataset.crs else "",
            "affine": affine if placed and dataset.transform.determinant != 0 else None,
        }


def read_window(*, path: str, band: int, window: list[int], factors: list[int], out: str) -> dict[str, Any]:
    """Write one band's values in a window to `out` as a NumPy array, NaN where there is none.

    Parameters
    ----------
    window
        First column, first row, columns, rows.
    factors
        How many columns and rows are averaged into one; what is left over at the far ends is left out.
    """
    import numpy as np
    from rasterio.windows import Window

    column, row, width, height = window
    across, down = min(factors[0], width), min(factors[1], height)
    rows, columns = height // down, width // across
    values = np.empty((rows, columns))
    few: set[float] | None = set()
    with _opened(path) as dataset:
        _refuse_large_blocks(dataset, band)
        scale, offset = float(dataset.scales[band - 1]), float(dataset.offsets[band - 1])
        names = [colour.name for colour in dataset.colorinterp]
        transparency = names.index("alpha") + 1 if "alpha" in names else 0
        step = max(_STRIP_PIXELS // (width * down), 1)
        for start in range(0, rows, step):
            stop = min(start + step, rows)
            strip = Window(column, row + start * down, columns * across, (stop - start) * down)
            read = dataset.read(band, window=strip, masked=True).astype(np.float64).filled(np.nan)
            read[~(np.abs(read) <= _LARGEST)] = np.nan
            if transparency:  # GDAL itself heeds it in whole numbers only
                read[dataset.read(transparency, window=strip) == 0] = np.nan
            few = _still_few(few, read[np.isfinite(read)])
            values[start:stop] = _averaged(read * scale + offset, across=across, down=down)
    np.save(out, values, allow_pickle=False)
    return {"few_whole_numbers": bool(few)}


def _refuse_large_blocks(dataset: Any, band: int) -> None:
    import numpy as np

    rows, columns = dataset.block_shapes[band - 1]
    together = dataset.count if dataset.interleaving and dataset.interleaving.name == "pixel" else 1
    size = int(rows) * int(columns) * together * np.dtype(dataset.dtypes[band - 1]).itemsize
    if size > _MOST_BLOCK_BYTES:
        what = f"is stored in blocks of {columns:,} x {rows:,} pixels, {size / 2**20:,.0f} MB each"
        raise Refusal(what, "Export it again in tiles, cut down to the field.")


def _still_few(few: set[float] | None, values: Any) -> set[float] | None:
    """Distinct values so far as long as they are few whole numbers, then ``None``."""
    import numpy as np

    if few is None or not np.array_equal(values, np.floor(values)):
        return None
    few = few | set(np.unique(values).tolist())
    return few if len(few) < _FEW else None


def _averaged(values: Any, *, across: int, down: int) -> Any:
    """Mean of what is known in each block of pixels; NaN where nothing is."""
    import numpy as np

    if across == down == 1:
        return values
    rows, columns = values.shape[0] // down, values.shape[1] // across
    blocks = values.reshape(rows, down, columns, across)
    known = np.isfinite(blocks)
    count = known.sum(axis=(1, 3))
    total = np.where(known, blocks, 0.0).sum(axis=(1, 3))
    return np.divide(total, count, out=np.full(count.shape, np.nan), where=count > 0)
