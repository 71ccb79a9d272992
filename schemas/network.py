"""Settings of the pages' server: this machine alone, or people who sign in."""

from __future__ import annotations

import re
from ipaddress import ip_address, ip_network

from pydantic import Field, field_validator, model_validator

from schemas.toml_text import Strict

LOOPBACK = "127.0.0.1"
_NAME = re.compile(r"[a-z0-9]([a-z0-9.-]*[a-z0-9])?(:\d{1,5})?|\[[0-9a-f:]+\](:\d{1,5})?")


class Network(Strict):
    """Who reaches the pages. As it comes: this machine only, and nobody has to sign in."""

    address: str = LOOPBACK
    """Where the pages listen; 0.0.0.0 is every network card."""
    names: list[str] = Field(default=[], max_length=20)
    """What people type into their browsers to reach the pages."""
    https: bool = False
    """Whether a proxy before the pages speaks TLS."""
    proxy: str = ""
    """Address of that proxy: it alone is believed when it says who asks."""
    hours: float = Field(default=12.0, gt=0, le=24 * 30)
    """How long a sign-in holds."""
    most_upload_mb: int = Field(default=200, ge=1, le=10_000)
    """The greatest file that may be dropped on a page."""
    uploads_an_hour: int = Field(default=1_000, ge=1)
    upload_mb_an_hour: int = Field(default=4_000, ge=1)
    """What one person may drop within an hour."""

    @field_validator("address", "proxy")
    @classmethod
    def addresses_are_addresses(cls, value: str) -> str:
        """Refuse what is no IP address; a proxy may be a network."""
        try:
            _ = ip_network(value, strict=False) if "/" in value else value and ip_address(value)
        except ValueError:
            raise ValueError(f"must be an IP address such as 192.168.1.20, got {value!r}") from None
        return value

    @field_validator("names")
    @classmethod
    def names_are_hosts(cls, value: list[str]) -> list[str]:
        """Refuse an address with a path or scheme: a browser sends the host alone."""
        names = [name.lower() for name in value]
        if wrong := [name for name in names if not _NAME.fullmatch(name)]:
            raise ValueError(f"must be names such as 'rollbook.example', got {wrong[0]!r}")
        return names

    @model_validator(mode="after")
    def has_a_name_and_a_place(self) -> Network:
        """Refuse what no browser could reach, and a network where one address is meant."""
        if "/" in self.address:
            raise ValueError(f"address must be one address, got {self.address!r}")
        if self.is_open and not self.hosts(0):
            raise ValueError("names must hold the name or address that people type to get here")
        return self

    @property
    def is_open(self) -> bool:
        """Whether anybody but this machine's own people may reach the pages: all must sign in."""
        is_here = self.address in (LOOPBACK, "::1")
        return not is_here or bool(self.names or self.https or self.proxy)

    def hosts(self, port: int) -> set[str]:
        """Return what a browser elsewhere may call this server."""
        own = ip_address(self.address)
        here = f"[{own}]" if own.version == 6 else str(own)
        names = [*self.names, *([] if own.is_unspecified or own.is_loopback else [here])]
        bare = [name for name in names if not re.search(r":\d+$", name)]
        # A browser leaves out the port that its scheme has by itself.
        usual = bare if self.https or port == 80 else []
        return {
            *(name for name in names if name not in bare),
            *(f"{n}:{port}" for n in bare),
            *usual,
        }
