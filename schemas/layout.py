"""A layout: how to recognise one kind of file and what its columns mean."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import unicodedata
import zoneinfo
from functools import cached_property
from pathlib import Path
from typing import Any, Literal, Self

import pydantic
from pydantic import Field, field_validator, model_validator

from schemas.channels import BY_WORD, CHANNEL_COLUMNS, CHANNELS
from schemas.toml_text import MistakesError, Strict, read_toml
from schemas.units import conversion

Standard = Literal["SAE J1349", "ISO 1585", "ISO 4106", "DIN 70020", "SAE J607"]


HEAD_FIELDS = {c.word: name for name, c in CHANNELS.items() if c.in_head and c.unit}
"""Head entries with a unit."""
PLAIN_FIELDS = ("started_at", "gear")
"""Head entries without one."""

AIR = {
    "ambient_temp": "air temperature",
    "ambient_pressure": "air pressure",
    "ambient_humidity": "humidity",
}
"""What the power of a pull is corrected by, in the words by which its nearest key is sought."""

MOST_NAME = 60
"""Letters of a layout's name."""

FACTOR = "correction factor"
"""What the entry of `power.factor_key` is read as."""

AS_STATED = "as stated"
"""Unit word of a channel whose unit the file itself states, in its header or a row of units."""

WHITESPACE = "whitespace"
"""Delimiter word: any run of blanks and tabs."""


def name_mistake(name: str) -> str:
    """Return what is wrong with a layout's name.

    >>> name_mistake("Halle Rollenprüfstand"), name_mistake("a/b")
    ('', "must hold letters, digits, blanks, points and dashes only, got '/'")
    """
    if not 1 <= len(name) <= MOST_NAME:
        return f"must have 1 to {MOST_NAME} letters, got {len(name)}"
    # Marks (M) are parts of letters in many scripts.
    odd = [s for s in name if unicodedata.category(s)[0] not in "LNM" and s not in " ._-"]
    if odd:
        return f"must hold letters, digits, blanks, points and dashes only, got {odd[0]!r}"
    if unicodedata.category(name[0])[0] not in "LN":
        return f"must begin with a letter or a digit, got {name[0]!r}"
    return ""


class About(Strict):
    """Name, kind and format; `private` names columns that a person wants shown nowhere."""

    name: str
    kind: Literal["pull", "ride"]
    equipment: str = Field(min_length=1, max_length=80)
    format: Literal["text", "parquet", "spreadsheet", "mdf"] = "text"
    note: str = ""
    private: list[str] = Field(default_factory=list)

    @field_validator("name")
    @classmethod
    def name_is_plain(cls, name: str) -> str:
        """Refuse signs that a list or a file's name could not show."""
        name = unicodedata.normalize("NFC", name)
        if mistake := name_mistake(name):
            raise ValueError(mistake)
        return name


class Recognise(Strict):
    """What must hold for a file to be of this layout; at least the columns must be named."""

    columns: list[str] = Field(min_length=2)
    file_name: str | None = None
    first_line: str | None = None


class TextRules(Strict):
    """How the text is written; `unit_row` and `missing` hold for spreadsheets too."""

    # A tab is a delimiter, not white space to be trimmed.
    model_config = pydantic.ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=False)

    encoding: Literal["utf-8", "utf-16", "windows-1252", "iso-8859-1"] = "utf-8"
    delimiter: str = Field(default=",", pattern=r"^(?s:.)$|^whitespace$")
    decimal: Literal[".", ","] = "."
    thousands: Literal["", ".", ",", " ", "'"] = ""
    unit_row: bool = False
    missing: list[str] = Field(default_factory=list)

    @model_validator(mode="after")
    def marks_differ(self) -> TextRules:
        """Refuse a mark that would mean two things."""
        if self.decimal == self.delimiter:
            raise ValueError("decimal and delimiter are the same mark")
        if self.thousands in (self.decimal, self.delimiter):
            raise ValueError("thousands is the same mark as decimal or delimiter")
        if self.thousands == " " and self.delimiter == WHITESPACE:
            raise ValueError("thousands cannot be a blank where blanks divide the cells")
        return self


class Sheet(Strict):
    """Which sheet of a spreadsheet; left out, the first that has the columns."""

    name: str | None = None


class MayBeAssumed(Strict):
    """A table of which `assumed` names what a draft put in and nobody has stated."""

    assumed: list[str] = Field(default_factory=list)

    @model_validator(mode="after")
    def assumed_is_given(self) -> Self:
        """Refuse to call assumed what is not said here."""
        known = set(type(self).model_fields) - {"assumed", "column", "key"}
        for name in self.assumed:
            if name not in known or getattr(self, name) is None:
                raise ValueError(f"assumed names {name!r}, and no {name} is given here")
        return self


class Channel(MayBeAssumed):
    """Which column, in which unit, and for the mixture which gauge and probe.

    `clock` names the column of a channel's own times where it does not run on those of
    `channels.time`. The last five say how `channels.time` is written; with form "date and time"
    the date may stand in a column of its own.
    """

    column: str = Field(min_length=1)
    unit: str = "1"
    clock: str | None = None
    form: Literal["elapsed", "clock", "date and time", "epoch"] = "elapsed"
    format: str | None = None
    date_column: str | None = None
    day_first: bool | None = None
    timezone: str | None = None
    gauge_scale: float | None = Field(default=None, ge=5, le=20)
    probe: Literal["port", "header", "collector", "tailpipe"] | None = None
    delay_s: float | None = Field(default=None, ge=0, le=2)
    shaft: Literal["engine", "wheel"] | None = None


class Power(MayBeAssumed):
    """Whether power is observed, corrected and to what, or to be worked out from the roller.

    "from roller" is for files of an inertia roller that give its speed and neither power nor
    torque. What turns with the roller's surface is told by the roller's inertia and radius or by
    its equivalent mass, and by the wheel's if it is to count.

    The bounds are common practice, no source. They catch millimetres for metres. A diameter given
    for the radius makes the mass, and the power, a quarter: they catch that of a roller below 240
    kg only. Nor do they catch an inertia of another roller, or in another unit. What slips through
    shows in the power alone: a pull is noted whose power is not one that an engine of its size
    gives, and that leaves all that is off by less than a factor of two or three.
    """

    state: Literal["observed", "corrected", "from roller"]
    standard: Standard | None = None
    factor_key: str | None = None
    roller_inertia_kg_m2: float | None = Field(default=None, gt=0, le=1000)
    roller_radius_m: float | None = Field(default=None, ge=0.05, le=2)
    equivalent_mass_kg: float | None = Field(default=None, ge=60, le=3000)
    wheel_inertia_kg_m2: float | None = Field(default=None, gt=0, le=10)
    wheel_radius_m: float | None = Field(default=None, ge=0.15, le=0.5)

    @model_validator(mode="after")
    def corrected_names_its_standard(self) -> Power:
        """Refuse corrected power with no standard: it could never be undone."""
        if self.state == "corrected" and self.standard is None:
            raise ValueError("standard is needed when state is 'corrected'")
        return self

    @model_validator(mode="after")
    def roller_is_told_whole(self) -> Power:
        """Refuse a roller whose mass is not known, or told where it would not be used."""
        roller = (self.roller_inertia_kg_m2, self.roller_radius_m)
        wheel = (self.wheel_inertia_kg_m2, self.wheel_radius_m)
        if self.state != "from roller":
            if any(given is not None for given in (*roller, *wheel, self.equivalent_mass_kg)):
                raise ValueError("inertia, radius and mass go with state = 'from roller' only")
            return self
        if self.standard is not None or self.factor_key is not None:
            raise ValueError(
                "standard and factor_key belong to corrected power; power from the roller is "
                "observed"
            )
        if self.equivalent_mass_kg is not None and roller != (None, None):
            raise ValueError(
                "equivalent_mass_kg stands for roller_inertia_kg_m2 and roller_radius_m; give one "
                "or the other"
            )
        if self.equivalent_mass_kg is None and None in roller:
            raise ValueError(
                "power from the roller needs roller_inertia_kg_m2 and roller_radius_m, or "
                "equivalent_mass_kg"
            )
        if (wheel[0] is None) != (wheel[1] is None):
            raise ValueError("wheel_inertia_kg_m2 and wheel_radius_m go together")
        mass_kg = self.mass_kg
        if mass_kg is None or not 60 <= mass_kg <= 3000:
            raise ValueError(
                f"roller_inertia_kg_m2 over roller_radius_m squared makes {mass_kg:.4g} kg, 60 to "
                "3000 expected: is the radius a diameter, or a unit wrong?"
            )
        return self

    @property
    def mass_kg(self) -> float | None:
        """Mass that resists at the roller's surface; None where power is not from the roller."""
        mass = self.equivalent_mass_kg
        if self.roller_inertia_kg_m2 is not None and self.roller_radius_m is not None:
            mass = self.roller_inertia_kg_m2 / self.roller_radius_m**2
        if mass is None:
            return None
        if self.wheel_inertia_kg_m2 is not None and self.wheel_radius_m is not None:
            mass += self.wheel_inertia_kg_m2 / self.wheel_radius_m**2
        return mass


class HeadField(MayBeAssumed):
    """Where in the head an entry stands."""

    key: str = Field(min_length=1)
    unit: str | None = None
    format: str | None = None


def _check_format(form: str | None) -> None:
    moment = dt.datetime(2025, 3, 14, 10, 5, 7)  # noqa: DTZ001 - as in a file
    try:
        dt.datetime.strptime(moment.strftime(form or ""), form or "")  # noqa: DTZ007
    except (ValueError, re.error) as error:
        raise ValueError(f"started_at: {form!r} is no format of a time ({error})") from error
    if not form:
        raise ValueError("started_at: format is empty, such as '%Y-%m-%d %H:%M'")


class Head(Strict):
    """The lines before the header row."""

    separator: str = Field(default=":", min_length=1, max_length=3)
    fields: dict[str, HeadField] = Field(default_factory=dict)

    @field_validator("fields")
    @classmethod
    def entries_are_complete(cls, fields: dict[str, HeadField]) -> dict[str, HeadField]:
        """Refuse an unknown entry, a reading without its unit and a time without its format."""
        for name, field in fields.items():
            if name not in (*HEAD_FIELDS, *PLAIN_FIELDS):
                known = ", ".join((*HEAD_FIELDS, *PLAIN_FIELDS))
                raise ValueError(f"{name!r} is no entry that is read; those are {known}")
            if name in HEAD_FIELDS:
                if field.unit is None:
                    raise ValueError(f"{name}: unit is missing")
                conversion(field.unit, CHANNELS[HEAD_FIELDS[name]].unit)
            if name == "started_at" and field.format is None:
                raise ValueError("started_at: format is missing, such as '%Y-%m-%d %H:%M'")
            if name == "started_at":
                _check_format(field.format)
        return fields


class Layout(Strict):
    """One kind of file."""

    layout: About
    recognise: Recognise
    text: TextRules = TextRules()
    sheet: Sheet = Sheet()
    channels: dict[str, Channel]
    power: Power | None = None
    metadata: Head = Head()

    @field_validator("channels")
    @classmethod
    def channels_are_known(cls, channels: dict[str, Channel]) -> dict[str, Channel]:
        """Refuse unknown channels, units that do not fit them, and a column named twice."""
        taken: dict[str, str] = {}
        for word, channel in channels.items():
            if word not in CHANNEL_COLUMNS:
                raise ValueError(
                    f"{word!r} is not a channel; channels are {', '.join(sorted(CHANNEL_COLUMNS))}"
                )
            # Times of day and dates have their unit in how they are written.
            if channel.unit != AS_STATED and channel.form in ("elapsed", "epoch"):
                try:
                    conversion(channel.unit, CHANNELS[CHANNEL_COLUMNS[word]].unit)
                except ValueError as error:
                    raise ValueError(f"{word}.unit: {error}") from None
            _require_time_words(word, channel)
            if channel.column in taken:
                raise ValueError(
                    f"{word}: column {channel.column!r} is {taken[channel.column]} already; one "
                    "column is one channel"
                )
            taken[channel.column] = word
            if channel.gauge_scale is not None and not word.startswith("lambda_wide"):
                raise ValueError(f"{word}: gauge_scale belongs to lambda_wide only")
        return channels

    @model_validator(mode="after")
    def kind_has_its_channels(self) -> Layout:
        """Refuse a layout that could not serve its kind."""
        for word, channel in self.channels.items():
            if channel.column in self.layout.private:
                raise ValueError(
                    f"{word}: column {channel.column!r} is named under layout.private; take it off "
                    "there, or leave it without a channel"
                )
        needed = {"engine_speed"}
        if self.layout.kind == "ride":
            needed |= {"throttle"}
            # Measurement files carry their clock themselves. A pull may have none: a curve needs
            # its order of rows only. A ride without a clock cannot show what was steady.
            if self.layout.format != "mdf":
                needed |= {"time"}
        missing = sorted(needed - set(self.channels))
        if missing:
            raise ValueError(f"channels: a {self.layout.kind} needs {', '.join(missing)}")
        if self.layout.kind == "pull":
            from_roller = self.power is not None and self.power.state == "from roller"
            given = sorted({"wheel_power", "wheel_torque"} & set(self.channels))
            if from_roller:
                self._require_roller(given)
            elif not given:
                raise ValueError(
                    "channels: a pull needs wheel_power or wheel_torque, or roller_speed with "
                    "power.state = 'from roller'"
                )
            torque = self.channels.get("wheel_torque")
            if torque and torque.shaft == "wheel" and "wheel_power" not in self.channels:
                raise ValueError(
                    "channels: torque at the wheel's own shaft gives no power at engine speed; map "
                    "wheel_power too, or export torque referred to the engine"
                )
            if self.power is None:
                raise ValueError("power is missing: say whether power is observed or corrected")
        return self

    def _require_roller(self, given: list[str]) -> None:
        """Refuse power from the roller without its speed and time, or beside the file's own."""
        if given:
            raise ValueError(
                f"channels: {given[0]} is the file's own power; with power.state = 'from roller' "
                "there must be none, so that it is known which one counts"
            )
        needed = {"roller_speed"} | ({"time"} if self.layout.format != "mdf" else set())
        if missing := sorted(needed - set(self.channels)):
            raise ValueError(f"channels: power from the roller needs {' and '.join(missing)}")

    def __hash__(self) -> int:
        """Hash by name: a layout can be the key of a cache; equality looks at everything."""
        return hash(self.layout.name)

    @property
    def name(self) -> str:
        """Name of the layout."""
        return self.layout.name

    @cached_property
    def head_asked(self) -> dict[str, HeadField]:
        """The entries that are looked for above the table, by what they are read as."""
        asked = dict(self.metadata.fields)
        if self.power is not None and self.power.factor_key is not None:
            asked[FACTOR] = HeadField(key=self.power.factor_key)
        return asked

    @property
    def assumptions(self) -> dict[str, Any]:
        """What is marked as assumed, and the value that stands there."""
        tables: dict[str, MayBeAssumed] = {
            **{f"channels.{word}": channel for word, channel in self.channels.items()},
            **({"power": self.power} if self.power is not None else {}),
            **{f"metadata.fields.{name}": field for name, field in self.metadata.fields.items()},
        }
        return {
            f"{path}.{name}": getattr(table, name)
            for path, table in tables.items()
            for name in table.assumed
        }

    @cached_property
    def fingerprint(self) -> str:
        """Short hash of everything that decides how a file is read, its channels' bounds too."""
        text = self.model_dump_json(exclude={"layout": {"note", "private"}})
        for word in (*self.channels, *self.metadata.fields):
            if channel := BY_WORD.get(word):
                text += f"|{word} {channel.unit} {channel.low} {channel.high}"
        return hashlib.sha256(text.encode()).hexdigest()[:16]


def _require_time_words(word: str, channel: Channel) -> None:
    """Refuse words of a clock on another channel, and those that do not go together."""
    given = channel.model_fields_set & {"form", "format", "date_column", "day_first", "timezone"}
    if word != "time":
        if given:
            raise ValueError(f"{word}: {', '.join(sorted(given))} belongs to channels.time only")
        return
    if channel.clock is not None:
        raise ValueError("time: clock belongs to the other channels; time is the clock itself")
    for name in ("format", "date_column", "day_first", "timezone"):
        if name in given and channel.form != "date and time":
            if name == "format" and channel.form == "clock":
                continue
            raise ValueError(f"time: {name} goes with form = 'date and time' only")
    if channel.timezone is not None and channel.timezone not in zoneinfo.available_timezones():
        raise ValueError(
            f"time: timezone {channel.timezone!r} is not known; write one such as 'Europe/Vienna'"
        )


def read_layouts(folder: Path) -> tuple[list[Layout], dict[str, list[str]]]:
    """Return a shop's layouts and what is wrong with those that cannot be used."""
    layouts: list[Layout] = []
    mistakes: dict[str, list[str]] = {}
    names: dict[str, str] = {}
    for path in sorted(path for path in folder.glob("*.toml") if path.is_file()):
        try:
            layout = read_toml(path.read_text(encoding="utf-8"), Layout, path.name)
        except MistakesError as error:
            mistakes[path.name] = error.mistakes
            continue
        except UnicodeDecodeError:
            mistakes[path.name] = ["must be UTF-8 text"]
            continue
        if layout.name in names:
            mistakes[path.name] = [f"layout.name {layout.name!r} is taken by {names[layout.name]}"]
            continue
        names[layout.name] = path.name
        layouts.append(layout)
    return layouts, mistakes


def new_layout_file(folder: Path, name: str) -> Path | None:
    """Return the file in which a new layout is to stand."""
    stem = _file_stem(name)
    taught, _ = read_layouts(folder)
    taken = {path.stem for path in folder.glob("*.toml")} | {_file_stem(k.name) for k in taught}
    is_taken = stem.casefold() in {one.casefold() for one in taken}
    return None if is_taken else folder / f"{stem}.toml"


_DEVICE = re.compile(r"con|prn|aux|nul|(com|lpt)[0-9]", re.IGNORECASE)


def _file_stem(name: str) -> str:
    """Return a name in letters that every system takes for a file."""
    bare = unicodedata.normalize("NFKD", name.replace("ß", "ss"))
    letters = "".join(sign for sign in bare if not unicodedata.combining(sign))
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", letters).strip("-.")
    # Letters of other alphabets have no place in it: two such names are still two files. And "con"
    # opens a device on some systems, whatever its ending.
    if (
        not stem
        or _DEVICE.fullmatch(stem)
        or any(sign.isalpha() and not sign.isascii() for sign in letters)
    ):
        mark = hashlib.sha256(unicodedata.normalize("NFC", name).encode()).hexdigest()[:6]
        stem = "-".join(filter(None, (stem or "layout", mark)))
    return stem
