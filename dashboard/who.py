"""Who sits before a page and what they may do, as the server says; nothing else is believed."""

from __future__ import annotations

import os
from urllib.parse import unquote

import streamlit as st

from schemas.people import OPEN_VARIABLE, PERSON_HEADER, ROLE_HEADER, Role, may

AT_THIS_COMPUTER = "at this computer"
NEEDED: dict[str, Role] = {"bring-in-a-job": "add", "teach-a-layout": "administer"}
"""Pages by address that reading does not suffice for."""
_MAY_NOT: dict[Role, str] = {
    "look": "sign in first",
    "add": "your sign-in may look, not add; whoever keeps this shop's computer can change that",
    "administer": "this is for those who administer the shop; your sign-in does not",
}


def who() -> str:
    """Return the signed-in person's name, or that it is somebody at this computer."""
    return unquote(st.context.headers.get(PERSON_HEADER, "")) or AT_THIS_COMPUTER


def is_signed_in() -> bool:
    """Whether these pages ask for a sign-in at all."""
    return OPEN_VARIABLE in os.environ


def role() -> str | None:
    """Return the role of who is there; at this computer's own pages everybody administers."""
    return st.context.headers.get(ROLE_HEADER) if is_signed_in() else "administer"


def refusal(needed: Role) -> str:
    """Return why somebody may not do a thing, "" if they may."""
    return "" if may(role(), needed) else _MAY_NOT[needed]
