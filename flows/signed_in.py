"""Who is signed in: a random token in the browser, its hash alone on disk."""

from __future__ import annotations

import hashlib
import secrets
import time
from pathlib import Path

from flows.kept_json import KeptJson
from flows.people import People, Person, key_of

CLOCK_SLACK_S = 60.0
"""A clock that is put right by so much signs nobody out."""


class SignedIn:
    """Sign-ins of one shop; they outlive a restart of the pages' server."""

    def __init__(self, file: Path, people: People, hours: float) -> None:
        # Damaged it is worth a new sign-in, no more: nobody must be kept out by it.
        fields = {"name": str, "stamp": str, "began": float}
        self._file = KeptJson(file, fields, anew_if_damaged=True)
        self._people = people
        self._lasts_s = hours * 3600

    def begin(self, person: Person) -> str:
        """Return the token of a new sign-in."""
        token = secrets.token_urlsafe(32)
        with self._file.change() as records:
            for mark in [mark for mark, record in records.items() if not self._holds(record)]:
                del records[mark]
            records[_mark(token)] = {
                "name": key_of(person.name),
                "stamp": person.stamp,
                "began": time.time(),
            }
        return token

    def person_of(self, token: str) -> Person | None:
        """Return who shows a token, None where it is not, or no longer, good for anything."""
        record = self._file.read().get(_mark(token))
        if record is None or not self._holds(record):
            return None
        person = self._people.find(record["name"])
        return person if person and person.stamp == record["stamp"] else None

    def end(self, token: str) -> None:
        """Make a token good for nothing."""
        with self._file.change() as records:
            records.pop(_mark(token), None)

    def _holds(self, record: dict[str, float]) -> bool:
        return -CLOCK_SLACK_S <= time.time() - record["began"] < self._lasts_s


def _mark(token: str) -> str:
    # No salt: a token is random and as long as the hash.
    return hashlib.sha256(token.encode(errors="surrogateescape")).hexdigest()
