"""The stages of a job over one another, on one axis of engine speed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from dashboard.charts import Drawn, lines, mixture_panel, over_speed, shade_lean
from dashboard.drawing import Band, Chart, Item, Level, Line, Note, Panel
from dashboard.look import Limits, Look, Palette, mixed

DASHES = ("dot", "dashdot", "longdashdot", "longdash")
"""From the first stage on; the latest is drawn whole, and `dash` is the target's."""
LEAST_APART = 0.09
"""Between the numbers at the ends of two lines, as a share of the panel: a line of their type."""
HEIGHT_PX = 620.0


@dataclass(frozen=True)
class StageLine:
    """A stage as it is drawn: its curves, and what it gives over the base."""

    label: str
    short: str
    """The same at the end of its line."""
    curve: pl.DataFrame
    gain: pl.DataFrame
    """With bands where a comparison stands, with gain_pct alone where not, empty for the base."""


def _inks(stages: Sequence[StageLine], palette: Palette) -> list[Drawn]:
    """Return lines that get stronger from the first to the last, also in grey."""
    found, count = [], len(stages)
    for at, one in enumerate(stages):
        strength = at / (count - 1) if count > 1 else 1.0
        is_last = at == count - 1
        dash = "solid" if is_last else DASHES[at * len(DASHES) // (count - 1)]
        colour = mixed(palette.after, palette.before, strength)
        width = 1.6 + 1.2 * strength
        found.append(Drawn(one.curve, one.label, colour, width, dash, one.short))
    return found


def gain_of_curves(base: pl.DataFrame, curve: pl.DataFrame) -> pl.DataFrame:
    """Return what one mean curve has over another at each speed, as they stand."""
    both = base.select("engine_speed_rpm", base_w="power_w").join(curve, on="engine_speed_rpm")
    share = 100 * (pl.col("power_w") / pl.col("base_w") - 1)
    return both.filter(pl.col("base_w") > 0).select("engine_speed_rpm", gain_pct=share)


def story_chart(
    stages: Sequence[StageLine],
    windows: pl.DataFrame,
    look: Look,
    limits: Limits,
    *,
    base: str,
    power_at: str,
) -> Chart:
    """Draw power, gain over the base, mixture and torque of stages, the first to the last."""
    palette = look.palette
    drawn = list(zip(stages, _inks(stages, palette), strict=True))
    curves = [ink for _, ink in drawn]
    power = [*lines(curves, "power_w", look.shown_power), *_ends(curves, look)]
    gain = _gains(drawn, palette)
    mixture = mixture_panel(curves, windows, look, limits, 0.27)
    panels = [
        Panel(f"Power [{look.power_unit}]", power, f".1f {look.power_unit}", 0.36),
        *([Panel(f"Over {base} [%]", gain, "+.1f %", 0.19)] if gain else []),
        mixture,
        # Not told under the pointer: with four stages that is a list longer than the picture.
        Panel("Torque [N·m]", lines(curves, "torque_nm"), weight=0.18),
    ]
    shade_lean(panels, mixture, windows, palette)
    height = HEIGHT_PX if gain else HEIGHT_PX - 90
    said = f"Power, mixture and torque of {', '.join(one.label for one in stages)}"
    below_px = 60 + 22 * math.ceil((len(stages) + 2) / 2)
    return over_speed(panels, palette, height, said, below_px=below_px, corner=power_at)


def _gains(drawn: list[tuple[StageLine, Drawn]], palette: Palette) -> list[Item]:
    """Return the gains over the base; the band is drawn of the latest alone, to stay readable."""
    shown = [(one, ink) for one, ink in drawn if not one.gain.is_empty()]
    if not shown:
        return []
    items: list[Item] = []
    banded = [(one, ink) for one, ink in shown if "lower_pct" in one.gain.columns]
    for one, ink in banded[-1:]:
        speed, ends = one.gain["engine_speed_rpm"], (one.gain["lower_pct"], one.gain["upper_pct"])
        items.append(Band(speed, *ends, ink.colour, 0.2, f"{one.short}: 19 of 20, each speed"))
    for one, ink in shown:
        is_compared = "lower_pct" in one.gain.columns
        who = one.short if is_compared else f"{one.short}, not compared"
        width = ink.width if is_compared else 1.0
        speed, gain = one.gain["engine_speed_rpm"], one.gain["gain_pct"]
        items.append(Line(speed, gain, ink.colour, width=width, dash=ink.dash, who=who))
    return [*items, Level(0, palette.text)]


def _ends(curves: list[Drawn], look: Look) -> list[Item]:
    """Return the name of each stage at the end of its line, the names a little apart."""
    found, heights = [], []
    for one in curves:
        seen = one.curve.drop_nulls("power_w")
        if not seen.is_empty():
            last = seen.row(-1, named=True)
            height = look.shown_power(last["power_w"])
            heights += look.shown_power(seen["power_w"]).to_list()
            found.append([height, last["engine_speed_rpm"], one.who, one.colour])
    found.sort(key=lambda end: end[0], reverse=True)
    gap = LEAST_APART * (max(heights) - min(heights)) if found else 0.0
    middle = sum(end[0] for end in found)
    for at in range(1, len(found)):
        found[at][0] = min(found[at][0], found[at - 1][0] - gap)
    # Pushed down one after the other, then back up together: none is left far from its line.
    back = (middle - sum(end[0] for end in found)) / max(len(found), 1) - gap / 2
    found = [(y + back, *end) for y, *end in found]
    return [Note(x, y, said, px=13, is_bold=True, colour=ink) for y, x, said, ink in found]
