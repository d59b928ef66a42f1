"""Set the sheet: content as JSON beside the template, typeset in a folder of its own."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, date, datetime
from importlib.resources import files as resources
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Literal

from zonemap.errors import OutputError
from zonemap.report.document.parts import Picture, Section, Table
from zonemap.report.document.passes import field_line
from zonemap.report.document.result import sections_of
from zonemap.report.sheet.grower import grower_page
from zonemap.report.shown import plain
from zonemap.values.delivery import Delivery
from zonemap.values.operator_sheet import OperatorSheet
from zonemap.values.plan import Plan

SHEET = "sheet.pdf"
_TEMPLATE, _CONTENT = "sheet.typ", "content.json"
#: tagged, with a text for every picture: ISO 14289-1, PDF/UA-1
_STANDARD: Literal["ua-1"] = "ua-1"
Json = dict[str, Any]


def write_sheet(
    plan: Plan,
    folder: Path,
    *,
    pictures: Mapping[str, Path],
    written_on: date | None = None,
    operator: OperatorSheet | None = None,
    deliveries: Sequence[Delivery] = (),
    files: Sequence[Sequence[str]] = (),
) -> Path:
    """Write sheet.pdf into a folder; the same values give the same bytes.

    Parameters
    ----------
    pictures
        Name -> PNG of the pictures that were drawn: ``season``, ``programme``, ``map``,
        ``choices``, ``variograms``. One that is missing is left out.
    written_on
        Day that the document states; ``None`` for none.
    operator
        Loads, orders and figures to check the machine by; ``None`` leaves them out.
    files
        (applications) names of the files of each application, for the controller.

    Raises
    ------
    OutputError
        When the sheet cannot be set or written.
    """
    content = sheet_content(
        plan, pictures=pictures, written_on=written_on, operator=operator, deliveries=deliveries, files=files
    )
    path = folder / SHEET
    try:
        path.write_bytes(_typeset(content, pictures, written_on))
    except OSError as error:
        mend = "Check free space and permission of the folder, then run again."
        raise OutputError(SHEET, f"the sheet cannot be written ({error.strerror})", mend) from error
    return path


def sheet_content(
    plan: Plan,
    *,
    pictures: Mapping[str, Path],
    written_on: date | None,
    operator: OperatorSheet | None,
    deliveries: Sequence[Delivery],
    files: Sequence[Sequence[str]],
) -> Json:
    """Everything on the sheet, as plain JSON: the grower's pages, and the specialist's sections."""
    applications = plan.prescription.applications
    named_files = tuple(files) or ((),) * len(applications)
    growers = [
        grower_page(plan, application, operator=operator, deliveries=deliveries, files=own)
        for application, own in zip(applications, named_files, strict=True)
    ]
    return {
        "title": f"{plan.case.field.name}: what to spread",
        "written_on": written_on and {"year": written_on.year, "month": written_on.month, "day": written_on.day},
        "paper": "us-letter" if plan.case.units == "us" else "a4",
        "footer": f"{plan.case.field.name}. Rates are of product, not of nutrient.",
        "grower": [
            {key: _plain(each) if isinstance(each, Table) else each for key, each in page.items()} for page in growers
        ],
        "heading": "What stands behind it" if growers else "Nothing to spread",
        "field": field_line(plan),
        "verdict": plan.value.verdict,
        "sections": [_section(section, pictures) for section in sections_of(plan)],
    }


def _plain(table: Table) -> Json:
    return {**asdict(table), "words": sorted(table.words)}


def _section(section: Section, pictures: Mapping[str, Path]) -> Json:
    drawn = [_picture(each) for each in section.pictures if each.name in pictures]
    return {**asdict(section), "tables": [_plain(table) for table in section.tables], "pictures": drawn}


def _picture(picture: Picture) -> Json:
    return {**asdict(picture), "file": f"{picture.name}.png"}


def _typeset(content: Json, pictures: Mapping[str, Path], written_on: date | None) -> bytes:
    """PDF of the content; nothing outside a folder made for it can be read."""
    import matplotlib as mpl
    import typst

    moment = datetime(1980, 1, 1, tzinfo=UTC)
    if written_on is not None:
        moment = datetime(written_on.year, written_on.month, written_on.day, tzinfo=UTC)
    with TemporaryDirectory(prefix="zonemap-sheet-") as name:
        folder = Path(name)
        (folder / _TEMPLATE).write_bytes((resources("zonemap.report.sheet") / _TEMPLATE).read_bytes())
        text = plain(json.dumps(content, ensure_ascii=False, allow_nan=False))
        (folder / _CONTENT).write_text(text, encoding="utf-8")
        for key, path in pictures.items():
            shutil.copyfile(path, folder / f"{key}.png")
        try:
            return typst.compile(
                folder / _TEMPLATE,
                root=folder,
                # DejaVu Sans, which the pictures are lettered in too
                font_paths=[Path(mpl.get_data_path()) / "fonts" / "ttf"],
                ignore_system_fonts=True,
                pdf_standards=[_STANDARD],
                timestamp=moment,
            )
        except typst.TypstError as error:
            mend = "Run again; if it happens again, look for unusual characters in the names of field.toml."
            raise OutputError(SHEET, f"the sheet cannot be set ({error.message})", mend) from error
