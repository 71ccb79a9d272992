"""The picture of the latest pull: its power and mixture against the pull before, in thick lines."""

from __future__ import annotations

import polars as pl

from dashboard.charts import Drawn, lines, over_speed
from dashboard.drawing import Chart, Line, Note, Panel
from dashboard.look import Limits, Look

THICK, THIN = 5.0, 3.0


def latest_pull_chart(
    latest: pl.DataFrame, before: pl.DataFrame, look: Look, limits: Limits, *, power_at: str
) -> Chart:
    """Draw power, and the mixture with its target and lean levels where any was seen."""
    palette = look.palette
    drawn = [Drawn(latest, "this pull", palette.after, THICK)]
    if before.height:
        drawn.insert(0, Drawn(before, "the pull before", palette.before, THIN, "dash"))
    power = lines(drawn, "power_w", look.shown_power)
    panels = [Panel(f"Wheel power [{look.power_unit}]", power, f".1f {look.power_unit}", 0.6)]
    seen = [one for one in drawn if one.curve["lambda_wide"].is_not_null().any()]
    if seen:
        mixture = lines(seen, "lambda_wide", look.shown_mixture)
        wanted = latest.drop_nulls("lambda_target")
        for level, at in (("target", 0.0), *limits.levels()) if wanted.height else ():
            speed = wanted["engine_speed_rpm"]
            line = look.shown_mixture(wanted["lambda_target"] * (1 + at / 100))
            colour = palette.level(level) if at else palette.text
            mixture.append(Line(speed, line, colour, width=2, dash="dash" if at else "dot"))
            mixture.append(Note(speed[0], line[0], f"{level} {at:g} %" if at else level))
        panels.append(Panel(look.mixture_title, mixture, f".2f {look.mixture_unit}", 0.4))
    said = "The latest pull against the pull before"
    return over_speed(panels, palette, 480, said, below_px=96, corner=power_at)
