"""Writes down the settings that stand behind the figures, so that a snapshot explains itself."""

from __future__ import annotations

from typing import Any

import duckdb

from schemas.settings import ShopSettings
from warehouse import store

_SHOWN = {
    "shop.name": "Name of the shop.",
    "shop.altitude_m": "Height of the shop above sea level [m].",
    "figures.reference_air": "Standard whose reference air every power is shown at.",
    "figures.bandwidth_rpm": "Half width of the smoothing kernel [rpm].",
    "mixture.target_full_throttle": "Full-throttle target where a stage names none [lambda].",
    "mixture.notice_pct": "Lean error from which a window is noticed [%].",
    "mixture.warn_pct": "Lean error from which it is a warning [%].",
    "mixture.stop_pct": "Lean error from which pulling must stop [%].",
    "mixture.cruise_low": "Lower edge of the cruise band [lambda].",
    "mixture.cruise_high": "Upper edge of the cruise band [lambda].",
    "intake.most_rejected_share": "Share of bad rows above which a file is refused.",
}


def write_facts(connection: duckdb.DuckDBPyConnection, settings: ShopSettings) -> None:
    """Bring out.shop_fact up to the settings."""
    given: dict[str, dict[str, Any]] = settings.model_dump()
    rows: list[dict[str, object]] = []
    for fact, meaning in _SHOWN.items():
        section, name = fact.split(".")
        rows.append({"fact": fact, "fact_value": str(given[section][name]), "meaning": meaning})
    with store.transaction(connection):
        connection.execute("DELETE FROM out.shop_fact")
        store.insert(connection, "out.shop_fact", store.frame(connection, "out.shop_fact", rows))
