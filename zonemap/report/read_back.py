"""Read sheet and page back before they are published, with other libraries than wrote them."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

from zonemap.errors import NOT_PUBLISHED, OutputError
from zonemap.report.shown import total
from zonemap.values.plan import Plan


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
        raise OutputError(path.name, f"{len(pages)} pages for {len(applications)} applications", NOT_PUBLISHED)
    for number, (text, application) in enumerate(zip(pages, applications, strict=False), start=1):
        printed = total(plan, application)
        if _unspaced(printed) not in _unspaced(text):
            what = f"page {number} does not show the total of {application.product.name}, {printed}"
            raise OutputError(path.name, what, NOT_PUBLISHED)


def check_page(path: Path, plan: Plan) -> None:
    """Parse the page: every element closed, and a row with the total of each application.

    Raises
    ------
    OutputError
        When it cannot be read, is cut, or lacks a total.
    """
    reader = _Elements()
    try:
        reader.feed(path.read_text(encoding="utf-8"))
        reader.close()
    except (OSError, UnicodeDecodeError) as error:
        raise OutputError(path.name, f"it cannot be read ({error})", NOT_PUBLISHED) from error
    if reader.open or not reader.rows:
        raise OutputError(path.name, f"it is cut within <{(reader.open or ['html'])[-1]}>", NOT_PUBLISHED)
    for application in plan.prescription.applications:
        day, printed = application.on.isoformat() if application.on else "", total(plan, application)
        if not any(printed in row and (not day or day in row) for row in reader.rows):
            what = f"it does not show the total of {application.product.name}, {printed}"
            raise OutputError(path.name, what, NOT_PUBLISHED)


class _Elements(HTMLParser):
    """Elements that are still open, and the cells of every row of a table."""

    #: elements without an end (WHATWG HTML, section 13.1.2, void elements), as far as the page has them
    _VOID = frozenset({"meta", "img"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.rows: list[list[str]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        del attrs
        if tag == "tr":
            self.rows.append([])
        if tag not in self._VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Nothing is left open by ``<path/>``."""

    def handle_endtag(self, tag: str) -> None:
        if self.open and self.open[-1] == tag:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] in {"td", "th"}:
            self.rows[-1].append(data)


def _pages(path: Path) -> list[str]:
    """Text of every page."""
    import pypdfium2

    try:
        with pypdfium2.PdfDocument(path) as document:
            return [page.get_textpage().get_text_bounded() for page in document]
    except (OSError, pypdfium2.PdfiumError) as error:
        raise OutputError(path.name, f"it cannot be opened ({error})", NOT_PUBLISHED) from error


def _unspaced(text: str) -> str:
    """Without white space: lines may break anywhere."""
    return "".join(text.split())
