"""What stands in a TASKDATA.XML, as values: the writer makes them, the reader gives them back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from shapely import Polygon

from zonemap.io.iso11783.cells import Cells

Kind = Literal["grid_1", "grid_2", "zones"]
Version = Literal[3, 4]

FOLDER = "TASKDATA"
TASK_FILE = "TASKDATA.XML"
#: octets of a designator: the limit is 32 characters, and a reader that counts octets is served too
DESIGNATOR_OCTETS = 32
#: treatment zone codes run from 0 to 254
LARGEST_CODE = 254
#: code of the treatment zone that gets nothing: outside of the field, and where nothing may be spread
NOTHING = 0


@dataclass(frozen=True, slots=True)
class Presentation:
    """How a value is shown: (value + offset) x scale."""

    id: str
    offset: int
    scale: float
    decimals: int
    unit: str


@dataclass(frozen=True, slots=True)
class Partfield:
    """The field, its area in whole square metres, its outline in degrees."""

    id: str
    designator: str
    area_m2: int
    polygons: tuple[Polygon, ...]


@dataclass(frozen=True, slots=True)
class TaskProduct:
    """A product that tasks refer to."""

    id: str
    designator: str


@dataclass(frozen=True, slots=True)
class ProcessValue:
    """A setpoint: entity, whole number, and the ids of product and presentation."""

    ddi: int
    value: int
    product: str
    presentation: str


@dataclass(frozen=True, slots=True)
class TreatmentZone:
    """A code, its setpoint, and its outlines in degrees where they are written as polygons."""

    code: int
    designator: str
    process: ProcessValue
    polygons: tuple[Polygon, ...] = ()
    areas_m2: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class TaskGrid:
    """Where the cells lie and which file holds their values; `code` names the template zone of grid type 2."""

    cells: Cells
    filename: str
    length: int
    type: Literal[1, 2]
    code: int | None


@dataclass(frozen=True, slots=True)
class Task:
    """One product on one day; the three codes say what counts where no zone says anything."""

    id: str
    designator: str
    partfield: str
    default_code: int
    position_lost_code: int
    out_of_field_code: int
    zones: tuple[TreatmentZone, ...]
    grid: TaskGrid | None


@dataclass(frozen=True, slots=True)
class TaskFile:
    """A whole TASKDATA.XML."""

    version: Version
    partfield: Partfield
    products: tuple[TaskProduct, ...]
    tasks: tuple[Task, ...]
    presentations: tuple[Presentation, ...]


@dataclass(frozen=True, slots=True)
class Written:
    """A task file and the cells of its grids.

    Attributes
    ----------
    cells
        file name of a grid -> (cells,) codes or whole numbers, in the order of the file.
    """

    file: TaskFile
    cells: Mapping[str, npt.NDArray[np.int64]]
