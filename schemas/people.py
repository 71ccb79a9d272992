"""What a signed-in person may do, and how the server tells the pages who is there."""

from __future__ import annotations

from typing import Literal, get_args

Role = Literal["look", "add", "administer"]
ROLES: tuple[Role, ...] = get_args(Role)
"""Each may what the one before it may, and more: read; write into the inbox; teach layouts."""

PERSON_HEADER = "rollbook-person"
"""Set by our own server on each request it lets in, as a quoted name; a browser's is taken away."""
ROLE_HEADER = "rollbook-role"
OPEN_VARIABLE = "ROLLBOOK_ASKS_WHO"
"""Environment variable of a page server that lets nobody in without a sign-in."""


def may(role: str | None, needed: Role) -> bool:
    """Whether a role includes another.

    >>> may("add", "look"), may("look", "add"), may(None, "look")
    (True, False, False)
    """
    return role in ROLES and ROLES.index(role) >= ROLES.index(needed)
