"""A note that a person wrote to a job, a stage, a part or a model: one file each in the inbox."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any

from pydantic import Field, StringConstraints, ValidationInfo, field_validator, model_validator

from schemas.card import Part, Reference
from schemas.toml_text import Strict, read_toml, toml_text, written_over

NOTES_FOLDER = "_notes"
"""The folder of the inbox that holds notes and is no job."""

MOST_LETTERS = 500


class ShopNote(Strict):
    """What a person wrote, about what, when."""

    job: Reference | None = None
    stage: int | None = Field(default=None, ge=1, le=1_000)
    part: Part | None = None
    model: Annotated[str, StringConstraints(min_length=1, max_length=500)] | None = None
    on: dt.date
    by: Reference | None = None
    text: Annotated[str, StringConstraints(min_length=1, max_length=MOST_LETTERS)]
    taken_back: bool = False

    @field_validator("stage")
    @classmethod
    def a_stage_is_one_of_a_job(cls, value: int | None, info: ValidationInfo) -> int | None:
        """Refuse a stage without its job."""
        if value is not None and "job" in info.data and info.data["job"] is None:
            raise ValueError('needs its job beside it, such as job = "J-0001"')
        return value

    @model_validator(mode="after")
    def it_is_about_one_thing(self) -> ShopNote:
        """Refuse a note about nothing, or about a job and a part."""
        of_kind = self.part is not None or self.model is not None
        if (self.job is None) == (not of_kind):
            raise ValueError(
                "must name what the note is about: job (and stage), or part, or model, or a part "
                f"on a model; got {'both a job and a kind of bike' if of_kind else 'none of them'}"
            )
        return self


def read_shop_note(text: str, source: str) -> ShopNote:
    """Return a note.

    Raises MistakesError: With every mistake at once, each with its line.
    """
    return read_toml(text, ShopNote, source)


def shop_note_text(note: ShopNote, over: str = "") -> str:
    r"""Return a note as the text of its file; written over another, that one's comments stay.

    >>> print(shop_note_text(ShopNote(job="J-1", stage=2, on="2026-03-14", text="belt\nslips")))
    job = "J-1"
    stage = 2
    on = 2026-03-14
    text = "belt\nslips"
    <BLANKLINE>
    """
    said: dict[str, Any] = note.model_dump(exclude_defaults=True)
    # Keys behind a table would belong to it.
    content = {key: said[key] for key in sorted(said, key=lambda key: key == "part")}
    return written_over(over, content, note) if over else toml_text(content)
