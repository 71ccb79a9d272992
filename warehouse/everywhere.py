"""A change here and everywhere, in words: the shop's own beside what many shops measured."""

from __future__ import annotations

from typing import Any

from warehouse.wording import between, counted, number, signed

ENOUGH_BIKES = 3
"""Own bikes from which the shop's own figure is told to be used. Our judgement, no source."""
ENOUGH_SHOPS = 4
"""Shops from which the spread between dynos is more than a guess: t then has 3 degrees."""


def here_and_everywhere(row: dict[str, Any]) -> list[str]:
    """Return sentences on one change: here, everywhere, and which to use."""
    return [_here(row), _everywhere(row), f"Which to use: {which_to_use(row)}"]


def which_to_use(row: dict[str, Any]) -> str:
    """Return which of the two to go by; what was measured here is never outvoted."""
    if (row["here_bikes"] or 0) >= ENOUGH_BIKES:
        return "your own, measured here; the others' stand beside it."
    if row["shops"] - (row["own_bikes"] > 0) < 1:
        return "your own: nobody else has shared this change on this model."
    few = "" if row["shops"] >= ENOUGH_SHOPS else " Few shops tell little of how dynos differ."
    start = "too few bikes here" if row["here_bikes"] else "no bike here yet"
    return f"{start}: go by the range for the next bike, marked as others' measurements.{few}"


def _here(row: dict[str, Any]) -> str:
    if not row["here_bikes"]:
        return "Here: not measured on this model yet."
    return (
        f"Here: {signed(row['own_mean_pct'])} % "
        f"({between(row['own_lower_pct'], row['own_upper_pct'])}) "
        f"on {counted(row['here_bikes'], 'bike')}."
    )


def _everywhere(row: dict[str, Any]) -> str:
    own = f", {number(row['own_bikes'])} of them yours" if row["own_bikes"] else ""
    how = "one dyno tells nothing of others"
    if row["lower_pct"] is not None:
        how = between(row["lower_pct"], row["upper_pct"])
    next_one = between(row["next_lower_pct"], row["next_upper_pct"])
    return (
        f"Everywhere, by share files: {signed(row['mean_pct'])} % ({how}) on "
        f"{counted(row['bikes'], 'bike')} of {counted(row['shops'], 'shop')}{own}; the next bike "
        f"on your dyno {next_one} %."
    )
