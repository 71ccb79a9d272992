"""A shop's settings, `rollbook.toml`: what the figures are shown at, judged by and trusted to."""

from __future__ import annotations

from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

from pydantic import Field, field_validator, model_validator

from schemas.toml_text import MistakesError, Strict, read_toml


class Shop(Strict):
    """Who and where."""

    name: str = "My shop"
    altitude_m: float | None = Field(default=None, ge=-430, le=5000)
    timezone: str = "UTC"

    @field_validator("timezone")
    @classmethod
    def timezone_is_known(cls, value: str) -> str:
        """Refuse a zone that no clock knows."""
        try:
            ZoneInfo(value)
        except (KeyError, ValueError, OSError):
            raise ValueError(
                f"must be a time zone such as 'Europe/Vienna', got {value!r}"
            ) from None
        return value


class Figures(Strict):
    """How curves are made."""

    reference_air: Literal["SAE J1349", "ISO 1585", "ISO 4106"] = "SAE J1349"
    bandwidth_rpm: float = Field(default=150.0, ge=75, le=400)


class Mixture(Strict):
    """Where the mixture should be and when its error matters (common practice, no source)."""

    notice_pct: float = Field(default=5.0, gt=0, le=50)
    warn_pct: float = Field(default=10.0, gt=0, le=50)
    stop_pct: float = Field(default=15.0, gt=0, le=50)
    target_full_throttle: float = Field(default=0.87, ge=0.7, le=1.05)
    cruise_low: float = Field(default=0.94, ge=0.7, le=1.2)
    cruise_high: float = Field(default=1.00, ge=0.7, le=1.2)

    @model_validator(mode="after")
    def thresholds_rise(self) -> Mixture:
        """Refuse thresholds out of order."""
        if not self.notice_pct < self.warn_pct < self.stop_pct:
            raise ValueError("notice_pct, warn_pct and stop_pct must rise in this order")
        if not self.cruise_low < self.cruise_high:
            raise ValueError("cruise_low must be below cruise_high")
        return self


class Trust(Strict):
    """What the dyno is trusted to, until the shop has measured its own (common practice)."""

    repeatability_share: float = Field(default=0.005, gt=0, le=0.1)
    remount_share: float = Field(default=0.008, gt=0, le=0.1)


class Show(Strict):
    """What people see; nothing inside depends on it."""

    power: Literal["kW", "PS", "hp"] = "kW"
    mixture: Literal["lambda", "afr"] = "lambda"
    afr_scale: float = Field(default=14.7, ge=6, le=18)


class Intake(Strict):
    """How much of a file may be bad before all of it is refused."""

    most_rejected_share: float = Field(default=0.05, ge=0, le=1)


class Schedule(Strict):
    """When the served flows run."""

    intake_minutes: int = Field(default=5, ge=1, le=1440)


class ShopSettings(Strict):
    """All settings; every one has a default, so an empty file is a valid one."""

    shop: Shop = Shop()
    figures: Figures = Figures()
    mixture: Mixture = Mixture()
    trust: Trust = Trust()
    show: Show = Show()
    intake: Intake = Intake()
    schedule: Schedule = Schedule()


def read_settings(path: Path) -> ShopSettings:
    """Return the settings of a shop.

    Parameters
    ----------
    path : Path
        The shop's `rollbook.toml`.

    Returns
    -------
    ShopSettings
        Settings, with defaults where the file is silent.

    Raises
    ------
    MistakesError
        If the file has mistakes: all of them at once.
    FileNotFoundError
        If there is no such file.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise MistakesError(path.name, ["must be UTF-8 text; save it again as UTF-8"]) from None
    return read_toml(text, ShopSettings, path.name)
