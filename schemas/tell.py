"""Settings of what the shop sends to people by mail or chat; as it comes, nothing."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, SecretStr, field_validator

from schemas.toml_text import Strict


class Tell(Strict):
    """Where news are sent, and which; addresses hold passwords and are shown nowhere."""

    urls: list[SecretStr] = Field(default=[], max_length=10)
    """Addresses as the library apprise takes them."""
    what: list[Literal["stop", "waits", "logger", "disk"]] = Field(
        default=["stop", "waits", "logger", "disk"]
    )
    """Bikes that left lean, files that wait, loggers that changed, a disk that fills."""

    @field_validator("urls", mode="before")
    @classmethod
    def urls_are_texts(cls, value: object) -> object:
        """Refuse what is no list of texts, without quoting it as other mistakes are."""
        if not isinstance(value, list) or not all(isinstance(u, str | SecretStr) for u in value):
            raise ValueError('must be a list of addresses, each in quotes: urls = ["..."]')
        return value
