"""The job card: which bike, which stages, which files belong to which stage."""

from __future__ import annotations

import datetime as dt
import re
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    Field,
    StringConstraints,
    ValidationInfo,
    field_validator,
    model_validator,
)

from schemas.card_files import is_pattern, one_form, takes
from schemas.toml_text import Strict, read_toml

GEARS = range(1, 9)
"""No road bike has more."""

CATEGORIES = (
    "silencer",
    "headers",
    "full exhaust",
    "catalyst removed",
    "air filter",
    "airbox",
    "intake length",
    "cams",
    "compression",
    "displacement",
    "final drive",
    "other",
)
"""Categories of parts, in the order in which a build is written out."""

ETHANOL_SHARE = {"E0": 0.0, "E5": 0.05, "E10": 0.10, "E15": 0.15, "E20": 0.20, "E85": 0.85}
"""Ethanol by volume of the fuels that a card may name so; other names carry no blend."""


def _without_nul(value: str) -> str:
    # No command and no file can be asked for by such a name.
    if "\0" in value:
        raise ValueError("must hold no NUL character")
    return value


_NoNul = AfterValidator(_without_nul)
Text = Annotated[str, StringConstraints(min_length=1, max_length=200), _NoNul]
Reference = Annotated[str, StringConstraints(min_length=1, max_length=60), _NoNul]


class Part(Strict):
    """A part fitted to the bike."""

    category: Literal[CATEGORIES]  # type: ignore[valid-type]
    maker: Text
    name: Text


class ShopMap(Strict):
    """A map of the shop's own, with the revision it was made from."""

    name: Text
    revision: int = Field(ge=1, le=1_000_000)
    from_revision: int | None = Field(default=None, alias="from", ge=0)

    @field_validator("name")
    @classmethod
    def stock_is_no_shop_map(cls, value: str) -> str:
        """Refuse the one word that means the untouched map."""
        if value.casefold() == "stock":
            raise ValueError(
                'must not be "stock", which means the untouched map: write map = "stock"'
            )
        return value

    @field_validator("from_revision")
    @classmethod
    def comes_from_an_earlier_one(cls, value: int | None, info: ValidationInfo) -> int | None:
        """Refuse a revision made from itself or from a later one."""
        revision = info.data.get("revision")
        if value is not None and revision is not None and value >= revision:
            raise ValueError(f"must be an earlier revision than {revision}, got {value}")
        return value


class Bike(Strict):
    """The bike, by reference, and its model."""

    reference: Reference
    make: Text
    model: Text
    generation: tuple[int, int]
    year: int | None = Field(default=None, ge=1900, le=2100)
    displacement_cc: float = Field(gt=20, lt=3000)
    cylinders: int | None = Field(default=None, ge=1, le=8)
    induction: Literal["natural", "forced"] = "natural"
    owner: Reference | None = None
    control: bool = False

    @field_validator("generation")
    @classmethod
    def generation_is_in_order(cls, years: tuple[int, int]) -> tuple[int, int]:
        """Refuse a generation that ends before it begins."""
        first, last = years
        if not 1900 <= first <= last <= 2100:
            raise ValueError(f"must be [first, last] model year, got [{first}, {last}]")
        return years

    @model_validator(mode="after")
    def year_lies_in_generation(self) -> Bike:
        """Refuse a model year outside the generation."""
        first, last = self.generation
        if self.year is not None and not first <= self.year <= last:
            raise ValueError(f"year must lie in the generation {first}-{last}, got {self.year}")
        return self

    @property
    def model_id(self) -> str:
        """Key of the model: make, name, generation, displacement."""
        first, last = self.generation
        return f"{self.make} {self.model} {first}-{last} {self.displacement_cc:g}"


class Stage(Strict):
    """One state of the bike within the job."""

    name: Text
    map: Literal["stock"] | ShopMap = "stock"
    fuel: Text
    gear: int | None = Field(default=None, ge=GEARS[0], le=GEARS[-1])
    tyre: Text | None = None
    dyno: Text | None = None
    mounting: int | None = Field(default=None, ge=1, le=1_000)
    target_lambda: float | None = Field(default=None, ge=0.7, le=1.05)
    suggestion_entered: bool = False
    parts: list[Part] = Field(default_factory=list)
    pulls: list[Text] = Field(default_factory=list)
    rides: list[Text] = Field(default_factory=list)
    note: str = ""

    @field_validator("map", mode="before")
    @classmethod
    def map_is_stock_or_a_table(cls, value: object) -> object:
        """Refuse anything else in words that name both choices."""
        if value != "stock" and not isinstance(value, (dict, ShopMap)):
            raise ValueError(
                f'must be "stock" or a table such as {{ name = "road", revision = 2 }}, '
                f"got {value!r}"
            )
        return value

    @field_validator("parts")
    @classmethod
    def each_part_once(cls, parts: list[Part]) -> list[Part]:
        """Refuse the same part twice."""
        if len({(p.category, p.maker, p.name) for p in parts}) < len(parts):
            raise ValueError("lists the same part twice")
        return parts

    @field_validator("pulls", "rides")
    @classmethod
    def names_stay_in_the_folder(cls, names: list[str]) -> list[str]:
        """Refuse a path: files lie beside the card."""
        for name in names:
            if re.search(r"[\\/]", name) or name in {".", ".."}:
                raise ValueError(f"must name files beside the card, got {name!r}")
            if not name.isprintable() or len(name.encode()) > 200:
                raise ValueError(f"must be a plain file name of at most 200 bytes, got {name!r}")
        return names

    @property
    def map_label(self) -> str:
        """Map and revision in one word."""
        return "stock" if self.map == "stock" else f"{self.map.name} r{self.map.revision}"


class SetAside(Strict):
    """A pull that a person wants out of its session, and why."""

    file: Text
    reason: Text
    by: Reference | None = None

    @field_validator("file")
    @classmethod
    def one_file_and_no_pattern(cls, name: str) -> str:
        """Refuse a pattern: each pull that is set aside has a reason of its own."""
        if is_pattern(name):
            raise ValueError(f"must be the name of one file, got {name!r}")
        return name


class JobCard(Strict):
    """One visit of one bike."""

    job: Reference
    received: dt.date
    note: str = ""
    bike: Bike
    stage: list[Stage] = Field(min_length=1)
    set_aside: list[SetAside] = Field(default_factory=list)

    @model_validator(mode="after")
    def first_stage_has_none_before(self) -> JobCard:
        """Refuse a suggestion for the stage before the first."""
        if self.stage[0].suggestion_entered:
            raise ValueError(
                "stage 1 cannot have suggestion_entered = true: no stage of this job came before"
            )
        return self

    @model_validator(mode="after")
    def each_name_once(self) -> JobCard:
        """Refuse one file under two stages."""
        seen: dict[str, int] = {}
        for number, stage in enumerate(self.stage, start=1):
            for name in stage.pulls + stage.rides:
                if name in seen:
                    raise ValueError(
                        f"file {name!r} stands under stage {seen[name]} and stage {number}; "
                        "one file belongs to one stage"
                    )
                seen[name] = number
        return self

    @field_validator("set_aside")
    @classmethod
    def each_pull_is_set_aside_once(cls, entries: list[SetAside]) -> list[SetAside]:
        """Refuse two reasons for one file."""
        names = [one_form(entry.file) for entry in entries]
        if twice := [name for name in names if names.count(name) > 1]:
            raise ValueError(
                f"names file {twice[0]!r} twice: write one entry with the whole reason"
            )
        return entries

    @model_validator(mode="after")
    def only_its_own_pulls_are_set_aside(self) -> JobCard:
        """Refuse a file that no stage has among its pulls."""
        entries = [name for stage in self.stage for name in stage.pulls + stage.rides]
        written = {one_form(name) for name in entries}
        for number, one in enumerate(self.set_aside, start=1):
            if any(takes(name, one.file, written) for stage in self.stage for name in stage.pulls):
                continue
            where = f"set_aside {number} names file {one.file!r}, which "
            if any(takes(name, one.file, written) for stage in self.stage for name in stage.rides):
                raise ValueError(
                    where + "stands under rides: only pulls can be set aside; take a bad ride's "
                    "name off the card"
                )
            raise ValueError(
                where + "stands under no stage's pulls: write its name as it stands there, or take "
                "this entry out"
            )
        return self


def read_card(text: str) -> JobCard:
    """Return a job card.

    Raises MistakesError: With every mistake at once, each with its line.
    """
    return read_toml(text, JobCard, "card.toml")
