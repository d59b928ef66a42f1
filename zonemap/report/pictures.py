"""The pictures of a plan: which of them it has, each drawn into a file of its own, or as bytes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from zonemap.report.style import PictureFile
from zonemap.values.plan import Plan

Draw = Callable[[Plan, PictureFile], None]


def pictures_of(plan: Plan) -> dict[str, Draw]:
    """File name -> what draws it, of every picture that has something to show."""
    from zonemap.report.choices import draw_choices
    from zonemap.report.figures import draw_map
    from zonemap.report.programme_figure import draw_programme, has_picture
    from zonemap.report.season import draw_season
    from zonemap.report.variograms import draw_variograms

    has = {
        "season.png": (bool(plan.sufficiency), draw_season),
        "programme.png": (has_picture(plan.programmes), draw_programme),
        "delivery.png": (plan.mapped and bool(plan.deliveries), _draw_deliveries),
        "map.png": (plan.mapped, draw_map),
        "choices.png": (plan.mapped and plan.value.flat_loss > 0, draw_choices),
        "variograms.png": (plan.mapped, draw_variograms),
    }
    return {name: draw for name, (wanted, draw) in has.items() if wanted}


def draw_pictures(plan: Plan, folder: Path) -> None:
    """Write every picture of a plan (PNG) into a folder."""
    for name, draw in pictures_of(plan).items():
        draw(plan, folder / name)


def _draw_deliveries(plan: Plan, path: PictureFile) -> None:
    from zonemap.report.delivery import draw_delivery

    draw_delivery(plan.deliveries, plan.grid, plan.case.field, plan.case.units, path)
