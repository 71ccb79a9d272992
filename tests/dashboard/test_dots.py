"""Nineteen of twenty as dots: a drawing that can be counted, with its text."""

import xml.etree.ElementTree as ET

import pytest

from dashboard.dots import twenty_dots
from dashboard.look import DARK, LIGHT


@pytest.mark.parametrize("palette", [LIGHT, DARK])
def test_twenty_dots_stand_apart_and_so_many_are_full(palette):
    root = ET.fromstring(twenty_dots(19, palette))  # noqa: S314 our own text
    dots = root.findall("{http://www.w3.org/2000/svg}circle")
    assert len(dots) == len({(dot.get("cx"), dot.get("cy")) for dot in dots}) == 20
    # Full or open, not by hue alone.
    assert [dot.get("fill") for dot in dots].count("none") == 1
    assert root.get("aria-label") == "19 of 20 dots are full"
    wide, tall = float(root.get("width")), float(root.get("height"))
    for dot in dots:
        x, y, r = (float(dot.get(name)) for name in ("cx", "cy", "r"))
        assert r < x < wide - r + 1
        assert r < y < tall - r + 1
