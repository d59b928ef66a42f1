"""Python processes beside this one: the same code, found where this one found it, and values handed over frozen."""

from __future__ import annotations

import copyreg
import io
import json
import pickle
import sys
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

_START = "import sys, json; sys.path[:] = json.loads(sys.stdin.buffer.readline()); "


def command(call: str) -> list[str]:
    """Command of a process that makes a call, once its standard input has begun with `import_line`.

    Parameters
    ----------
    call
        Python statements in one line, e.g. ``"from zonemap.io.apart_readers import answer; answer()"``.
    """
    # -P keeps the current folder, which may be a stranger's, from being imported from.
    return [sys.executable, "-P", "-c", _START + call]


def import_line() -> bytes:
    """First line of the standard input: where to import from, as here, without the current folder."""
    here = str(Path(__file__).resolve().parent.parent)
    return json.dumps([*(entry for entry in sys.path if entry), here]).encode() + b"\n"


def pickled(value: object, *, alike: bool = False) -> bytes:
    """Bytes of a value that comes back frozen as it was, mappings and arrays read-only.

    Parameters
    ----------
    alike
        Whether equal values must give equal bytes, whichever of their parts are one object.
    """
    content = io.BytesIO()
    pickler = _Pickler(content)
    pickler.fast = alike
    pickler.dump(value)
    return content.getvalue()


def _mapping(content: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(content)


def _array(content: npt.NDArray[Any]) -> npt.NDArray[Any]:
    content.flags.writeable = False
    return content


def _reduced_array(array: npt.NDArray[Any]) -> Any:
    return array.__reduce__() if array.flags.writeable else (_array, (array.copy(),))


class _Pickler(pickle.Pickler):
    dispatch_table = copyreg.dispatch_table | {
        MappingProxyType: lambda mapping: (_mapping, (dict(mapping),)),
        np.ndarray: _reduced_array,
    }
