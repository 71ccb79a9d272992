"""Draws 19 of 20 as dots."""

from __future__ import annotations

from dashboard.look import Palette

DOTS, IN_A_ROW = 20, 10
STEP, RADIUS = 22, 8


def twenty_dots(held: int, palette: Palette) -> str:
    """Return twenty dots as SVG: so many full, the others open."""
    drawn = []
    for dot in range(DOTS):
        x, y = STEP * (dot % IN_A_ROW) + STEP / 2, STEP * (dot // IN_A_ROW) + STEP / 2
        fill = palette.after if dot < held else "none"
        drawn.append(
            f'<circle cx="{x:g}" cy="{y:g}" r="{RADIUS}" fill="{fill}" '
            f'stroke="{palette.after}" stroke-width="2"/>'
        )
    width, height = STEP * IN_A_ROW, STEP * DOTS // IN_A_ROW
    said = f"{held} of {DOTS} dots are full"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" role="img" aria-label="{said}">{"".join(drawn)}</svg>'
    )
