"""Set the page: sections as semantic HTML, pictures within it, and a policy that lets nothing else in."""

from __future__ import annotations

import hashlib
import re
from base64 import b64encode
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from importlib.resources import files as resources
from pathlib import Path

from zonemap.errors import OutputError
from zonemap.report.document.parts import Picture, Section, Table
from zonemap.report.document.passes import application_facts, checks_of, field_line, keep_out, zone_amounts
from zonemap.report.document.result import sections_of
from zonemap.report.document.spreading import RATES
from zonemap.report.field_map import field_map
from zonemap.report.shown import named, plain
from zonemap.values.operator_sheet import OperatorSheet
from zonemap.values.plan import Plan
from zonemap.values.prescription import Application

PAGE = "report.html"
#: tables of more columns than these may have to be scrolled on a phone, and folded on paper
_NARROW, _MANY = 4, 6
_PASSES = "Pass by pass"
_CAPTION = "Number and rate of each zone; hatched, with a letter: keep out. North is up."


def write_report(
    plan: Plan, folder: Path, *, pictures: Mapping[str, Path], operator: OperatorSheet | None = None
) -> Path:
    """Write report.html into a folder; the same values give the same bytes.

    Parameters
    ----------
    pictures
        Name -> PNG of the pictures that were drawn: ``season``, ``programme``, ``map``,
        ``choices``, ``variograms``. One that is missing is left out.
    operator
        Loads, orders and figures to check the machine by; ``None`` leaves them out.

    Raises
    ------
    OutputError
        When the page cannot be written.
    """
    images = {name: path.read_bytes() for name, path in pictures.items()}
    path = folder / PAGE
    try:
        path.write_text(page(plan, images=images, operator=operator), encoding="utf-8", newline="\n")
    except OSError as error:
        mend = "Check free space and permission of the folder, then run again."
        raise OutputError(PAGE, f"the page cannot be written ({error.strerror})", mend) from error
    return path


def page(plan: Plan, *, images: Mapping[str, bytes], operator: OperatorSheet | None = None) -> str:
    """The whole document.

    Parameters
    ----------
    images
        Name -> PNG.
    """
    pieces: dict[str, str] = {}
    for section in sections_of(plan):
        pieces[section.title] = _section(section, images)
        if section.title == RATES and plan.prescription.applications:
            pieces[_PASSES] = _passes(plan, operator)
    refused = any(note.kind == "refusal" for note in plan.notes)
    lines = [
        "<!DOCTYPE html>",
        '<html lang="en">',
        *_head(plan),
        '<body class="refused">' if refused else "<body>",
        "<header>",
        f"<h1>{text(plan.case.field.name)}</h1>",
        f"<p>{text(field_line(plan))}</p>",
        f'<p class="verdict">{text(plan.value.verdict)}</p>',
        "</header>",
        _contents(pieces),
        "<main>",
        *pieces.values(),
        "</main>",
        "<footer><p>Rates are of product, not of nutrient. This page needs no network and runs no script.</p></footer>",
        "</body>",
        "</html>",
    ]
    return "\n".join([*lines, ""])


def text(words: str) -> str:
    """Text as it is written into the page; what HTML cannot hold is left out.

    >>> text("<b> & 'x'")
    '&lt;b&gt; &amp; &#x27;x&#x27;'
    """
    return escape(plain(words))


def _head(plan: Plan) -> list[str]:
    style = (resources("zonemap.report.page") / "page.css").read_text(encoding="utf-8")
    # the policy allows this one style by its hash (Content Security Policy Level 3, section 2.3.1) and pictures that
    # are part of the page; nothing else is loaded, run or sent
    digest = b64encode(hashlib.sha256(style.encode("utf-8")).digest()).decode("ascii")
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'; form-action 'none'"
    return [
        "<head>",
        '<meta charset="utf-8">',
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<meta name="referrer" content="no-referrer">',
        f"<title>{text(plan.case.field.name)}: what to spread</title>",
        f"<style>{style}</style>",
        "</head>",
    ]


def _anchor(title: str) -> str:
    """Name of a section's place in the page.

    >>> _anchor("What to spread")
    'what-to-spread'
    """
    return re.sub("[^a-z0-9]+", "-", title.lower()).strip("-")


def _contents(titles: Iterable[str]) -> str:
    items = "".join(f'<li><a href="#{_anchor(title)}">{text(title)}</a></li>' for title in titles)
    return f'<nav aria-label="Contents"><ul>{items}</ul></nav>'


def _section(section: Section, images: Mapping[str, bytes]) -> str:
    body = [f"<p>{text(said)}</p>" for said in section.paragraphs]
    body += [_points(section.points)] if section.points else []
    body += [_table(table) for table in section.tables]
    body += [_figure(picture, images[picture.name]) for picture in section.pictures if picture.name in images]
    return _framed(section.title, body)


def _framed(title: str, body: Sequence[str]) -> str:
    anchor = _anchor(title)
    heading = f'<h2 id="{anchor}">{text(title)}</h2>'
    return "\n".join([f'<section aria-labelledby="{anchor}">', heading, *body, "</section>"])


def _points(points: Iterable[str]) -> str:
    return f"<ul>{''.join(f'<li>{text(point)}</li>' for point in points)}</ul>"


def _table(table: Table) -> str:
    """Table with a caption, heads of columns and rows; it can be scrolled where it is wider than the screen."""
    head = "".join(
        f'<th scope="col"{_words(table, column)}>{text(name)}</th>' if name else "<td></td>"
        for column, name in enumerate(table.head)
    )
    rows = "\n".join(_row(table, row) for row in table.rows)
    scrolled = f' role="region" tabindex="0" aria-label="{text(table.caption)}"' if len(table.head) > _NARROW else ""
    many = " many" if len(table.head) > _MANY else ""
    return (
        f'<div class="wide{many}"{scrolled}><table>'
        f"<caption>{text(table.caption)}</caption>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody></table></div>"
    )


def _row(table: Table, row: Sequence[str]) -> str:
    cells = "".join(f"<td{_words(table, column)}>{text(cell)}</td>" for column, cell in enumerate(row) if column)
    return f'<tr><th scope="row">{text(row[0])}</th>{cells}</tr>'


def _words(table: Table, column: int) -> str:
    return ' class="words"' if column in table.words else ""


def _figure(picture: Picture, image: bytes) -> str:
    source = f"data:image/png;base64,{b64encode(image).decode('ascii')}"
    return (
        f'<figure><div class="wide picture" tabindex="0" role="region" aria-label="{text(picture.caption)}">'
        f'<img src="{source}" alt="{text(picture.seen)}"></div>'
        f"<figcaption>{text(picture.caption)}</figcaption></figure>"
    )


def _passes(plan: Plan, operator: OperatorSheet | None) -> str:
    """Map and figures of every application."""
    applications = plan.prescription.applications
    closed = [_table(keep_out(plan))] if plan.case.field.no_spread else []
    passes = [_pass(plan, application, operator) for application in applications]
    return _framed(_PASSES, [*passes, *closed]) if passes else ""


def _pass(plan: Plan, application: Application, operator: OperatorSheet | None) -> str:
    facts = "".join(
        f"<dt>{text(name)}</dt><dd>{text(said)}</dd>" for name, said in application_facts(plan, application, operator)
    )
    checks = checks_of(plan, application, operator)
    return "\n".join(
        [
            f"<h3>{text(named(application))}</h3>",
            '<div class="pass">',
            f"<figure>{field_map(plan, application)}<figcaption>{_CAPTION}</figcaption></figure>",
            f"<div>{_table(zone_amounts(plan, application))}<dl>{facts}</dl></div>",
            "</div>",
            *([_table(checks)] if checks is not None else []),
        ]
    )
