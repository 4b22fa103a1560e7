"""Pictures: scales, gaps, labels that keep apart."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pytest

from mixmon.report.handover.drawing import Drawing, DrawnScale, apart, scale_over

SVG = "{http://www.w3.org/2000/svg}"


def test_a_scale_is_a_straight_line_and_stays_within_its_ends():
    scale = DrawnScale(-2.0, 6.0, 100.0, 500.0)
    assert [scale.at(x) for x in (-2.0, 0.0, 2.0, 6.0, 9.0)] == [100.0, 200.0, 300.0, 500.0, 500.0]
    assert list(scale.ticks(4)) == pytest.approx([-2, 0, 2, 4, 6])


def test_a_scale_holds_all_that_is_known():
    scale = scale_over([1.0, float("nan"), 3.0], 0.0, 1.0, holds=0.0)
    assert scale.low < 0.0
    assert scale.high > 3.0
    narrow = scale_over([1.0, 1.0], 0.0, 1.0, least=2.0)
    assert narrow.high - narrow.low == pytest.approx(2.0)


def test_labels_keep_apart_in_their_order():
    placed = apart([50.0, 51.0, 52.0, 10.0, 98.0, 99.0], 12.0, 0.0, 100.0)
    order = sorted(placed)
    assert [placed.index(x) for x in order] == [3, 0, 1, 2, 4, 5]
    assert min(np.diff(order)) >= 12.0 - 1e-9
    assert max(placed) <= 100.0


def test_a_curve_has_gaps_and_text_is_escaped():
    drawing = Drawing("p", 100.0, 50.0, "<b> & title", "what it shows")
    x = np.arange(7.0)
    drawing.curve(x, np.array([1.0, 2.0, np.nan, 3.0, np.nan, 4.0, 5.0]), "own")
    drawing.text(1.0, 2.0, "a < b & c", target="there")
    root = ET.fromstring(drawing.svg().replace("<svg ", f'<svg xmlns="{SVG[1:-1]}" '))
    assert [one.get("points") for one in root.iter(f"{SVG}polyline")] == ["0,1 1,2", "5,4 6,5"]
    assert len(list(root.iter(f"{SVG}circle"))) == 1
    assert root.find(f"{SVG}title").text == "<b> & title"
    assert root.find(f"{SVG}a/{SVG}text").text == "a < b & c"
