"""How charts look: colours and units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from schemas.units import shown_power


@dataclass(frozen=True)
class Palette:
    """Colours for one background; meaning never hangs on hue alone."""

    paper: str
    text: str
    muted: str
    grid: str
    before: str
    after: str
    notice: str
    warn: str
    stop: str
    rich: str
    good: str

    def level(self, level: str) -> str:
        """Return the colour of a mixture level."""
        levels = {"stop": self.stop, "warn": self.warn, "notice": self.notice}
        return levels.get(level, self.muted)


# Levels go from light to dark (or dim to bright) as they get worse, so that they keep their
# order for every kind of colour vision; tests/dashboard/test_charts.py measures it.
LIGHT = Palette(
    paper="#FBFAF7",
    text="#1A2226",
    muted="#5A666C",
    grid="#DEE1DD",
    before="#77838A",
    after="#0A5C9C",
    notice="#B88700",
    warn="#A83A06",
    stop="#6E0A2A",
    rich="#5B7FB9",
    good="#0F6E6A",
)
DARK = Palette(
    paper="#14191C",
    text="#E9E7E1",
    muted="#A3AEB3",
    grid="#333C41",
    before="#97A3AA",
    after="#6DB7F2",
    notice="#94741A",
    warn="#F09A3E",
    stop="#FF93A8",
    rich="#6F8FD0",
    good="#5CC4BC",
)


@dataclass(frozen=True)
class Look:
    """How the shop and the reader want figures shown."""

    palette: Palette = LIGHT
    power_unit: str = "kW"
    mixture: str = "lambda"
    afr_scale: float = 14.7

    @property
    def mixture_title(self) -> str:
        """Axis title of the mixture."""
        if self.mixture == "afr":
            return f"Mixture [AFR, {self.afr_scale:g} at λ 1]"
        return "Mixture, λ [1]"

    @property
    def mixture_unit(self) -> str:
        """What a single value of the mixture is told in."""
        return "AFR" if self.mixture == "afr" else "λ"

    def shown_mixture(self, lambda_wide: Any) -> Any:
        """Return lambda on the gauge that the shop chose."""
        return lambda_wide * self.afr_scale if self.mixture == "afr" else lambda_wide

    def shown_power(self, power_w: Any) -> Any:
        """Return power in the unit that the shop chose."""
        return shown_power(power_w, self.power_unit)


@dataclass(frozen=True)
class Limits:
    """The shop's lean levels, as percent of lean error."""

    notice_pct: float
    warn_pct: float
    stop_pct: float

    def levels(self) -> tuple[tuple[str, float], ...]:
        """Return the levels with their thresholds, mildest first."""
        return (("notice", self.notice_pct), ("warn", self.warn_pct), ("stop", self.stop_pct))


def _channels(colour: str) -> tuple[int, int, int]:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def faded(colour: str, strength: float) -> str:
    """Return a colour that lets the ground shine through."""
    red, green, blue = _channels(colour)
    return f"rgba({red},{green},{blue},{strength})"


def mixed(colour: str, ground: str, strength: float) -> str:
    """Return a colour mixed with its ground, opaque."""
    pairs = zip(_channels(colour), _channels(ground), strict=True)
    mixed = [round(strength * front + (1 - strength) * back) for front, back in pairs]
    return "#" + "".join(f"{channel:02X}" for channel in mixed)
