"""A shop's settings, `rollbook.toml`: what the figures are shown at, judged by and trusted to."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import Field, field_validator, model_validator

from schemas.network import Network
from schemas.tell import Tell
from schemas.toml_text import MistakesError, Strict, read_toml

NOT_PUBLISHED = {"schedule", "scale", "network", "tell"}
"""Sections about who works and when: no figure and no word rests on them."""

FUEL_COMPONENTS = (
    "gasoline",
    "isooctane",
    "toluene",
    "ethanol",
    "methanol",
    "MTBE",
    "ETBE",
    "propane",
    "methane",
)
"""What a fuel may be said to be mixed of, by mass."""


LOGO_ENDINGS = (".png", ".jpg", ".jpeg")


class Shop(Strict):
    """Who and where."""

    name: str = "My shop"
    altitude_m: float | None = Field(default=None, ge=-430, le=5000)
    timezone: str = "UTC"
    address: list[Annotated[str, Field(max_length=80)]] = Field(default=[], max_length=4)
    """Lines below the name on paper."""
    logo: str = Field(default="", max_length=120)
    """File in the shop's folder that stands on paper."""

    @field_validator("logo")
    @classmethod
    def logo_is_a_file_of_the_folder(cls, value: str) -> str:
        """Refuse a path that leads out of the shop's folder, and what no sheet can show."""
        if value and (set(value) & set("/\\:") or not value.lower().endswith(LOGO_ENDINGS)):
            raise ValueError(
                f"must name a {', '.join(LOGO_ENDINGS)} file in the shop's folder, got {value!r}"
            )
        return value

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
    gauge_accuracy_pct: float = Field(default=1.0, ge=0.05, le=10)

    @model_validator(mode="after")
    def thresholds_rise(self) -> Mixture:
        """Refuse thresholds out of order."""
        if not self.notice_pct < self.warn_pct < self.stop_pct:
            raise ValueError("notice_pct, warn_pct and stop_pct must rise in this order")
        if not self.cruise_low < self.cruise_high:
            raise ValueError("cruise_low must be below cruise_high")
        return self


class Fuel(Strict):
    """A fuel that cards name: what it is made of, and the mixture wanted on it.

    What is left out of the targets is the shop's own.
    """

    name: str = Field(min_length=1, max_length=200)
    ethanol_volume_share: float | None = Field(default=None, ge=0, le=1)
    mass_shares: dict[str, float] | None = None
    target_full_throttle: float | None = Field(default=None, ge=0.7, le=1.05)
    cruise_low: float | None = Field(default=None, ge=0.7, le=1.2)
    cruise_high: float | None = Field(default=None, ge=0.7, le=1.2)

    @field_validator("mass_shares")
    @classmethod
    def shares_are_of_known_components(cls, value: dict[str, float] | None) -> object:
        """Refuse a component of which nothing is known, and shares that are no whole."""
        if value is None:
            return value
        if unknown := sorted(set(value) - set(FUEL_COMPONENTS)):
            raise ValueError(f"must name {', '.join(FUEL_COMPONENTS)}, got {', '.join(unknown)}")
        if wrong := [f"{name} = {share:g}" for name, share in value.items() if not 0 <= share <= 1]:
            raise ValueError(f"must be shares from 0 to 1, got {', '.join(wrong)}")
        if not abs(sum(value.values()) - 1) <= 0.005:
            raise ValueError(f"must be shares of a whole, got a sum of {sum(value.values()):g}")
        return value

    @model_validator(mode="after")
    def is_told_in_one_way(self) -> Fuel:
        """Refuse a fuel whose blend is given in both ways."""
        if self.ethanol_volume_share is not None and self.mass_shares is not None:
            raise ValueError("give ethanol_volume_share or mass_shares, not both")
        return self


class MapAxes(Strict):
    """The breakpoints of a fuel map, for suggested changes; left out, a standard grid holds.

    Without `map` and `model` it is for all; an entry that names more comes first.
    """

    map: str | None = None
    model: str | None = None
    throttle_pct: list[float] = Field(min_length=2, max_length=64)
    speed_rpm: list[float] = Field(min_length=2, max_length=64)
    step_pct: float = Field(default=0.5, ge=0.01, le=5)

    @field_validator("throttle_pct", "speed_rpm")
    @classmethod
    def breakpoints_ascend(cls, value: list[float]) -> list[float]:
        """Refuse breakpoints out of order."""
        if not all(low < high for low, high in pairwise(value)):
            raise ValueError(f"must ascend, got {value}")
        return value

    @model_validator(mode="after")
    def breakpoints_are_possible(self) -> MapAxes:
        """Refuse an opening or a speed that no engine has."""
        if self.throttle_pct[0] < 0 or self.throttle_pct[-1] > 100:
            raise ValueError("throttle_pct must lie from 0 to 100")
        if self.speed_rpm[0] < 0 or self.speed_rpm[-1] > 20_000:
            raise ValueError("speed_rpm must lie from 0 to 20000")
        return self


class Suggestion(Strict):
    """How far a suggested fuel change may go (common practice, no source)."""

    most_enrichment_pct: float = Field(default=8.0, gt=0, le=20)
    most_enleanment_pct: float = Field(default=5.0, ge=2, le=10)
    most_total_pct: float = Field(default=20.0, gt=0, le=50)


class Trust(Strict):
    """What the dyno is trusted to, until the shop has measured its own (common practice)."""

    repeatability_share: float = Field(default=0.005, gt=0, le=0.1)
    remount_share: float = Field(default=0.008, gt=0, le=0.1)
    day_share: float = Field(default=0.005, gt=0, le=0.1)


class Show(Strict):
    """What people see; nothing inside depends on it."""

    power: Literal["kW", "PS", "hp"] = "kW"
    mixture: Literal["lambda", "afr"] = "lambda"
    afr_scale: float = Field(default=14.7, ge=6, le=18)


class Intake(Strict):
    """When a file counts as whole, and how much of it may be bad before all of it is refused."""

    most_rejected_share: float = Field(default=0.05, ge=0, le=1)
    settle_s: float = Field(default=2.0, ge=0, le=60)


class Schedule(Strict):
    """When the served flows run."""

    intake_minutes: int = Field(default=5, ge=1, le=1440)
    morning: str = Field(default="", pattern=r"^$|^([01]\d|2[0-3]):[0-5]\d$")
    """When a morning file is written each day, on the shop's clock; left out, none is."""


class Scale(Strict):
    """Who reads and computes: left out, this machine's cores; else a Dask cluster at an address."""

    scheduler: str = Field(default="", pattern=r"^$|^(tcp|tls|ucx|ws|wss|inproc)://\S+$")


class ShopSettings(Strict):
    """All settings; every one has a default, so an empty file is a valid one."""

    shop: Shop = Shop()
    figures: Figures = Figures()
    mixture: Mixture = Mixture()
    fuel: list[Fuel] = Field(default_factory=list)
    map_axes: list[MapAxes] = Field(default_factory=list)
    suggestion: Suggestion = Suggestion()
    trust: Trust = Trust()
    show: Show = Show()
    intake: Intake = Intake()
    schedule: Schedule = Schedule()
    scale: Scale = Scale()
    network: Network = Network()
    tell: Tell = Tell()

    @model_validator(mode="after")
    def each_fuel_once(self) -> ShopSettings:
        """Refuse a fuel named twice, and one whose cruise band, with the shop's, is empty."""
        names = [fuel.name.casefold() for fuel in self.fuel]
        if twice := sorted({name for name in names if names.count(name) > 1}):
            raise ValueError(f"fuel {twice[0]!r} is told twice")
        for fuel in self.fuel:
            band = self.mixture_on(fuel.name)
            if not band.cruise_low < band.cruise_high:
                raise ValueError(f"fuel {fuel.name!r}: cruise_low must be below cruise_high")
        return self

    @model_validator(mode="after")
    def a_map_takes_a_step_of_a_round(self) -> ShopSettings:
        """Refuse breakpoints whose step is wider than what a round may add."""
        most = min(self.suggestion.most_enrichment_pct, self.suggestion.most_total_pct)
        for axes in self.map_axes:
            if axes.step_pct > most:
                raise ValueError(
                    f"map_axes {axes.map or 'for all maps'}: step_pct must be at most {most:g}, "
                    f"which [suggestion] lets a round add, got {axes.step_pct:g}"
                )
        return self

    def fuel_named(self, name: str) -> Fuel | None:
        """Return what the settings say of a fuel, None if nothing."""
        return next((f for f in self.fuel if f.name.casefold() == name.casefold()), None)

    def mixture_on(self, fuel_name: str, target_lambda: float | None = None) -> Mixture:
        """Return the mixture wanted on a fuel: the fuel's own targets, else the shop's."""
        fuel = self.fuel_named(fuel_name)
        targets = {"target_full_throttle", "cruise_low", "cruise_high"}
        given = fuel.model_dump(include=targets) if fuel else {}
        if target_lambda is not None:
            given["target_full_throttle"] = target_lambda
        return self.mixture.model_copy(
            update={key: value for key, value in given.items() if value is not None}
        )

    def axes_of(self, model_name: str, map_name: str) -> MapAxes | None:
        """Return the breakpoints of a map, None where the settings give none."""
        model, name = model_name.casefold(), map_name.casefold()
        fitting = [
            axes
            for axes in self.map_axes
            if (axes.model or model).casefold() == model and (axes.map or name).casefold() == name
        ]
        # The entry that names more is the special case, wherever it stands.
        return max(fitting, key=lambda axes: (axes.map is not None) + (axes.model is not None),
                   default=None)  # fmt: skip


def read_settings(path: Path) -> ShopSettings:
    """Return the settings of a shop.

    Raises MistakesError if the file has mistakes: all of them at once. Raises FileNotFoundError if
    there is no such file.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise MistakesError(path.name, ["must be UTF-8 text; save it again as UTF-8"]) from None
    return read_toml(text, ShopSettings, path.name)


def published(settings: ShopSettings) -> dict[str, str]:
    """Return the settings that figures and words rest on, by name, each as JSON."""
    found = {}
    for section, held in settings.model_dump(mode="json", exclude=NOT_PUBLISHED).items():
        named = {f"{section}.{n}": v for n, v in held.items()} if isinstance(held, dict) else None
        found |= {section: held} if named is None else named
    return {name: json.dumps(value, ensure_ascii=False) for name, value in found.items()}


def read_published(rows: Iterable[tuple[str, str]]) -> ShopSettings | None:
    """Return the settings that a snapshot was published with.

    None where it holds none, or another version of this program wrote them.
    """
    content: dict[str, Any] = {}
    for name, value in rows:
        section, _, key = name.partition(".")
        if key:
            content.setdefault(section, {})[key] = json.loads(value)
        else:
            content[section] = json.loads(value)
    try:
        return ShopSettings.model_validate(content) if content else None
    except ValueError:
        return None


def changed_between(before: ShopSettings, now: ShopSettings) -> dict[str, tuple[str, str]]:
    """Return the settings that differ, by name: the value before and now, as people write it."""
    old, new = published(before), published(now)
    return {n: (_written(old, n), _written(new, n)) for n in new if old.get(n) != new[n]}


def _written(values: Mapping[str, str], name: str) -> str:
    value = json.loads(values[name])
    if value is None or value == []:
        return "nothing"
    if isinstance(value, list):
        return f"{len(value)} told"
    return f"{value:g}" if isinstance(value, float) else str(value)
