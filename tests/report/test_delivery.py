"""The picture of the delivery."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from zonemap.machine.delivery import delivered, drive_of
from zonemap.report.delivery import delivery_figure, draw_delivery
from zonemap.units import KG_HA_PER_LB_AC


@pytest.fixture(scope="module")
def deliveries(tomatoes):
    spreader = replace(tomatoes.case.spreader, swath_m=6.0, speed_m_s=2.0, response_s=3.0, heading_deg=20.0)
    drive = drive_of(tomatoes.prescription, tomatoes.grid, tomatoes.case.field, spreader)
    return delivered(tomatoes.prescription, drive)


@pytest.fixture(scope="module")
def figure(tomatoes, deliveries):
    return delivery_figure(deliveries, tomatoes.grid, tomatoes.case.field, tomatoes.case.units)


def test_every_application_is_delivered(tomatoes, deliveries):
    assert [each.application for each in deliveries] == list(tomatoes.prescription.applications)
    for delivery in deliveries:
        assert 0.3 < delivery.share_within(0.10) < 1.0
        # rounds, passes and ends balance out within a few percent
        assert delivery.delivered_kg == pytest.approx(delivery.intended_kg, rel=0.1)


def test_each_application_has_its_row_of_passes_rate_and_error(deliveries, figure):
    titles = [axes.get_title() for axes in figure.axes if axes.get_title()]
    assert len(titles) == 3 * len(deliveries)
    for row, delivery in enumerate(deliveries):
        passes, _, error = titles[3 * row : 3 * row + 3]
        assert delivery.application.product.name in passes
        assert f"{delivery.passes} passes at 20 degrees" in passes
        assert f"{delivery.share_within(0.10):.0%} of the area within 10%" in error


def test_rates_are_drawn_in_the_readers_unit_and_errors_in_percent(tomatoes, deliveries, figure):
    images = [axes.images[0].get_array() for axes in figure.axes if axes.images and axes.get_title()]
    inside = tomatoes.grid.inside
    for delivery, rate, error in zip(deliveries, images[::2], images[1::2], strict=True):
        np.testing.assert_allclose(rate[inside], delivery.delivered_kg_ha / KG_HA_PER_LB_AC)
        np.testing.assert_allclose(error[inside].filled(np.nan), 100 * delivery.relative_error)
        assert np.all(np.ma.getmaskarray(rate)[~inside])


def test_no_text_runs_out_of_the_picture(figure):
    figure.canvas.draw()
    width, height = figure.canvas.get_width_height()
    for axes in figure.axes:
        for text in [axes.title, axes.yaxis.label]:
            box = text.get_window_extent()
            if text.get_text():
                assert box.x0 >= 0
                assert box.x1 <= width
                assert box.y0 >= 0
                assert box.y1 <= height


def test_the_same_delivery_gives_the_same_picture(tomatoes, deliveries, tmp_path):
    for name in ("first.png", "second.png"):
        draw_delivery(deliveries, tomatoes.grid, tomatoes.case.field, tomatoes.case.units, tmp_path / name)
    assert (tmp_path / "first.png").read_bytes() == (tmp_path / "second.png").read_bytes()
