"""Small drawings for papers: frames' rows in, SVG text out, no script and no outside font."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup, escape

from dashboard.look import LIGHT
from dashboard.wording import number

WIDTH = 680
LABEL_WIDTH = 250

Row = Mapping[str, Any]


def nice_ticks(low: float, high: float) -> list[float]:
    """Return round numbers that span a range.

    Raises ValueError if the range is empty.

    >>> nice_ticks(-1.3, 6.2)
    [0.0, 2.0, 4.0, 6.0]
    """
    if not high > low:
        raise ValueError(f"high must be above low, got {low} and {high}")
    rough = (high - low) / 6
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * times for times in (1, 2, 5, 10) if power * times >= rough)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(step * at, 10) for at in range(first, last + 1)]


def gain_drawing(summary: Sequence[Row], gains: Sequence[Row]) -> Markup:
    """Draw what each change gave: every bike with its interval, and the means of both quarters."""
    keys = [(row["change_kind"], row["change_key"]) for row in summary]
    members = {
        key: [
            row
            for row in gains
            if row["is_pooled"] and (row["change_kind"], row["change_key"]) == key
        ]
        for key in keys
    }
    ends = [0.0]
    for row in summary:
        ends += [row[name] for name in ("mean_gain_pct", "previous_mean_gain_pct") if row[name]]
    for rows in members.values():
        for row in rows:
            ends += [row["mean_gain_lower_pct"], row["mean_gain_upper_pct"]]
    low, high = min(ends) - 0.5, max(ends) + 0.5
    heights = [24 + 6 * len(members[key]) for key in keys]
    height = sum(heights) + 40

    def across(value: float) -> float:
        return LABEL_WIDTH + (WIDTH - LABEL_WIDTH - 12) * (value - low) / (high - low)

    parts = _frame(height, [(across(tick), f"{tick:g}") for tick in nice_ticks(low, high)])
    parts.append(_line(across(0), 4, across(0), height - 36, LIGHT.text, 1))
    top = 4.0
    for row, key, tall in zip(summary, keys, heights, strict=True):
        before = f", {row['previous_bikes']} before" if row["previous_bikes"] else ""
        parts.append(_text(0, top + 12, _short(row["change_key"], 42), weight=600))
        parts.append(
            _text(0, top + 24, f"{row['change_kind']}, n = {row['bikes']}{before}", LIGHT.muted)
        )
        if row["previous_mean_gain_pct"] is not None:
            at = across(row["previous_mean_gain_pct"])
            parts.append(_line(at, top + 2, at, top + 12, LIGHT.before, 3))
        at = across(row["mean_gain_pct"])
        parts.append(_line(at, top + 2, at, top + 12, LIGHT.text, 3))
        for place, gain in enumerate(members[key]):
            y = top + 17 + 6 * place
            parts.append(
                _line(
                    across(gain["mean_gain_lower_pct"]),
                    y,
                    across(gain["mean_gain_upper_pct"]),
                    y,
                    LIGHT.after,
                    1,
                )
            )
            parts.append(_dot(across(gain["mean_gain_pct"]), y, 2.2, LIGHT.after))
        top += tall
    parts.append(
        _text(
            across((low + high) / 2), height - 4, "Gain over the riding range [%]", anchor="middle"
        )
    )
    return _svg(height, parts, "Gains by change, each bike with its interval")


def need_drawing(needs: Sequence[Row]) -> Markup:
    """Draw the chance of a lean window for each combination; the sure part is drawn heavy."""
    height = 32 * len(needs) + 40

    def across(share: float) -> float:
        return LABEL_WIDTH + (WIDTH - LABEL_WIDTH - 12) * share

    parts = _frame(height, [(across(tick / 100), f"{tick}") for tick in range(0, 101, 20)])
    for place, row in enumerate(needs):
        y = 18 + 32 * place
        title = f"{row['need_rank']}. {row['model_label']}, {row['map_label']} map"
        parts.append(_text(0, y - 2, _short(title, 40), weight=600))
        parts.append(
            _text(0, y + 10, _short(f"n = {row['bikes']}: {row['parts_label']}", 43), LIGHT.muted)
        )
        parts.append(_line(across(0), y, across(row["warn_lower_share"]), y, LIGHT.warn, 7))
        parts.append(
            _line(
                across(row["warn_lower_share"]),
                y,
                across(row["warn_upper_share"]),
                y,
                LIGHT.muted,
                1.5,
            )
        )
        parts.append(_dot(across(row["warn_share"]), y, 4, "#FFFFFF", LIGHT.text))
    parts.append(
        _text(across(0.5), height - 4, "Chance of a lean window at warn level [%]", anchor="middle")
    )
    return _svg(height, parts, "Chance of a lean window for each combination")


def level_drawing(checks: Sequence[Row]) -> Markup:
    """Draw the control bike's level over time with its limits."""
    height, left, bottom = 220, 46, 190
    first: dt.date = checks[0]["run_on"]
    span = max((checks[-1]["run_on"] - first).days, 1)
    values = [
        row[name]
        for row in checks
        for name in ("level_pct", "individual_lower_pct", "individual_upper_pct")
    ]
    low, high = min(values) - 0.3, max(values) + 0.3

    def across(day: dt.date) -> float:
        return left + (WIDTH - left - 12) * (day - first).days / span

    def up(value: float) -> float:
        return bottom - (bottom - 10) * (value - low) / (high - low)

    parts = []
    for tick in nice_ticks(low, high):
        parts.append(_line(left, up(tick), WIDTH - 12, up(tick), LIGHT.grid, 1))
        parts.append(_text(left - 6, up(tick) + 4, f"{tick:g}".replace("-", "−"), anchor="end"))
    reference = [row["run_on"] for row in checks if row["is_reference"]]
    if reference:
        start, end = across(min(reference)), across(max(reference))
        parts.append(
            Markup('<rect x="{}" y="10" width="{}" height="{}" fill="{}" opacity="0.12"/>').format(
                _at(start), _at(end - start), _at(bottom - 10), LIGHT.muted
            )
        )
        parts.append(_text(start + 4, bottom - 6, "reference period", LIGHT.muted))
    for name in ("individual_lower_pct", "individual_upper_pct"):
        points = [(across(row["run_on"]), up(row[name])) for row in checks]
        parts.append(_path(points, LIGHT.warn, dash="5 4"))
    parts.append(
        _path([(across(row["run_on"]), up(row["level_pct"])) for row in checks], LIGHT.after)
    )
    parts += [
        _dot(across(row["run_on"]), up(row["level_pct"]), 4, LIGHT.stop)
        if row["signal"]
        else _dot(across(row["run_on"]), up(row["level_pct"]), 2.5, LIGHT.after)
        for row in checks
    ]
    for row in (checks[0], checks[-1]):
        parts.append(
            _text(
                across(row["run_on"]),
                bottom + 16,
                f"{row['run_on']:%d %b %Y}",
                anchor="start" if row is checks[0] else "end",
            )
        )
    parts.append(_text(0, 8, "Level [%]", LIGHT.muted))
    return _svg(
        height, parts, f"Level of the control bike, last {number(checks[-1]['level_pct'], 1)} %"
    )


def _frame(height: float, ticks: Sequence[tuple[float, str]]) -> list[Markup]:
    parts = []
    for x, label in ticks:
        parts.append(_line(x, 4, x, height - 36, LIGHT.grid, 1))
        parts.append(_text(x, height - 22, label.replace("-", "−"), LIGHT.muted, anchor="middle"))
    return parts


def _svg(height: float, parts: Sequence[Markup], said: str) -> Markup:
    return Markup(
        '<svg viewBox="0 0 {} {}" role="img" aria-label="{}" xmlns="http://www.w3.org/2000/svg">{}</svg>'
    ).format(WIDTH, _at(height), said, Markup("").join(parts))


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, width: float) -> Markup:
    return Markup('<line x1="{}" y1="{}" x2="{}" y2="{}" stroke="{}" stroke-width="{}"/>').format(
        _at(x1), _at(y1), _at(x2), _at(y2), colour, width
    )


def _path(points: Sequence[tuple[float, float]], colour: str, dash: str = "none") -> Markup:
    joined = " ".join(f"{_at(x)},{_at(y)}" for x, y in points)
    return Markup(
        '<polyline points="{}" fill="none" stroke="{}" stroke-width="1.4" stroke-dasharray="{}"/>'
    ).format(joined, colour, dash)


def _dot(x: float, y: float, radius: float, fill: str, edge: str = "none") -> Markup:
    return Markup(
        '<circle cx="{}" cy="{}" r="{}" fill="{}" stroke="{}" stroke-width="1.6"/>'
    ).format(_at(x), _at(y), radius, fill, edge)


def _text(
    x: float,
    y: float,
    said: str,
    colour: str = LIGHT.text,
    *,
    anchor: str = "start",
    weight: int = 400,
) -> Markup:
    return Markup(
        '<text x="{}" y="{}" fill="{}" text-anchor="{}" font-weight="{}">{}</text>'
    ).format(_at(x), _at(y), colour, anchor, weight, escape(said))


def _at(value: float) -> str:
    return f"{value:.1f}"


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"
