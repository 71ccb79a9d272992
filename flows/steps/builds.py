"""Parts and fuel of each build, as several steps need them."""

from __future__ import annotations

import duckdb

from flows.metrics.fuel import ethanol_mass_share
from schemas.card import ETHANOL_SHARE
from schemas.settings import ShopSettings

MOST_ETHANOL_SHARE = 0.12
"""Fuels with more are another mixture on the same map: they lend nothing to gasoline."""

PartRow = tuple[str, str, str]
"""Category, maker and name."""


def parts_of_builds(connection: duckdb.DuckDBPyConnection) -> dict[str, list[PartRow]]:
    """Return the parts of every build that has any."""
    parts: dict[str, list[PartRow]] = {}
    for build_id, category, maker, name in connection.execute(
        "SELECT build_id, category, maker, part_name FROM core.build_part ORDER BY ALL"
    ).fetchall():
        parts.setdefault(build_id, []).append((category, maker, name))
    return parts


def ethanol_by_volume(fuel: str, settings: ShopSettings) -> float | None:
    """Return the ethanol of a fuel, as the settings or its name say; None where neither does."""
    told = settings.fuel_named(fuel)
    if told is not None and told.ethanol_volume_share is not None:
        return told.ethanol_volume_share
    return ETHANOL_SHARE.get(fuel.upper())


def blend_by_mass(fuel: str, settings: ShopSettings) -> dict[str, float] | None:
    """Return what a fuel is mixed of by mass, None where nobody said."""
    told = settings.fuel_named(fuel)
    if told is not None and told.mass_shares is not None:
        return told.mass_shares
    by_volume = ethanol_by_volume(fuel, settings)
    if by_volume is None:
        return None
    ethanol = float(ethanol_mass_share(by_volume))
    return {"gasoline": 1.0 - ethanol, "ethanol": ethanol}


def ethanol_share(fuel: str, settings: ShopSettings) -> float:
    """Return how much of a fuel is ethanol: by mass where a blend is told so, else by volume."""
    told = settings.fuel_named(fuel)
    if told is not None and told.mass_shares is not None:
        return told.mass_shares.get("ethanol", 0.0)
    return ethanol_by_volume(fuel, settings) or 0.0


def fuel_kind(fuel: str, settings: ShopSettings) -> str:
    """Return which fuels may lend to each other: all near gasoline, each other one to itself."""
    return "gasoline" if ethanol_share(fuel, settings) <= MOST_ETHANOL_SHARE else fuel
