"""Read sheet and page back before they are published, with other libraries than wrote them."""

from __future__ import annotations

from pathlib import Path

from zonemap.errors import OutputError
from zonemap.report.shown import total
from zonemap.values.plan import Plan

_MEND = "Nothing was published: check free space and the disk, then run again."


def check_sheet(path: Path, plan: Plan) -> None:
    """Open the sheet as a viewer does: a page an application and one more at least, each with its total.

    Raises
    ------
    OutputError
        When it does not open, has too few pages, or a page lacks its total.
    """
    pages = _pages(path)
    applications = plan.prescription.applications
    if len(pages) <= len(applications):
        raise OutputError(path.name, f"{len(pages)} pages for {len(applications)} applications", _MEND)
    for number, (text, application) in enumerate(zip(pages, applications, strict=False), start=1):
        printed = total(plan, application)
        if _unspaced(printed) not in _unspaced(text):
            what = f"page {number} does not show the total of {application.product.name}, {printed}"
            raise OutputError(path.name, what, _MEND)


def _pages(path: Path) -> list[str]:
    """Text of every page."""
    import pypdfium2

    try:
        with pypdfium2.PdfDocument(path) as document:
            return [page.get_textpage().get_text_bounded() for page in document]
    except (OSError, pypdfium2.PdfiumError) as error:
        raise OutputError(path.name, f"it cannot be opened ({error})", _MEND) from error


def _unspaced(text: str) -> str:
    """Without white space: lines may break anywhere."""
    return "".join(text.split())
