"""Writes down the settings that stand behind the figures, so that a snapshot explains itself."""

from __future__ import annotations

from typing import Any

from flows.steps.engine import Given, Records, Step, whole
from schemas.settings import published

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


def _make(given: Given, _: list[None]) -> Records:
    settings: dict[str, dict[str, Any]] = given.settings.model_dump()
    rows = []
    for fact, meaning in _SHOWN.items():
        section, name = fact.split(".")
        rows.append({"fact": fact, "fact_value": str(settings[section][name]), "meaning": meaning})
    kept = [
        {"setting": name, "setting_json": told} for name, told in published(given.settings).items()
    ]
    return {"out.shop_fact": rows, "out.setting": kept}


FACTS = Step(
    name="write down settings",
    doing="writing down settings",
    version=2,
    tables=("out.shop_fact", "out.setting"),
    reads=(),
    inputs=lambda *_: whole("", lambda: None),
    make=_make,
    set_by=lambda settings: [published(settings), _SHOWN],
)
