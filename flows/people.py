"""The password file: who may sign in to the pages, and as what."""

from __future__ import annotations

import datetime as dt
import functools
import hashlib
import re
import secrets
import unicodedata
from typing import Any, NamedTuple

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from flows.kept_json import KeptJson
from schemas.people import ROLES, Role
from warehouse.shop import ShopFolder

SHORTEST_PASSWORD = 15
"""Characters: NIST SP 800-63B-4, section 3.1.1.2, for a password that stands alone."""
LONGEST_PASSWORD = 1_000
MOST_NAME = 60
TELLING_NAME = 4
"""A shorter name stands in many words by chance."""
_NAME = re.compile(r"\w(?:[\w .@'-]*\w)?")

# argon2id with the library's parameters, which are the second choice of RFC 9106, section 4.
_HASHER = PasswordHasher()


class PeopleError(ValueError):
    """A person cannot be added or removed, with the reason."""


class Person(NamedTuple):
    """Somebody who may sign in."""

    name: str
    role: Role
    since: str
    stamp: str
    """Another one after each change of password or role: sign-ins made before it end."""


class People:
    """The people of one shop; every question looks whether the file changed."""

    def __init__(self, shop: ShopFolder) -> None:
        self._file = KeptJson(shop.people, dict.fromkeys(("name", "role", "since", "hash"), str))

    def all(self) -> list[Person]:
        """Return everybody, by name."""
        return [_person(record) for _, record in sorted(self._file.read().items())]

    def find(self, name: str) -> Person | None:
        """Return somebody by name; capitals do not matter."""
        record = self._file.read().get(key_of(name))
        return _person(record) if record else None

    def add(self, name: str, role: Role, password: str) -> bool:
        """Write a person down, or give a known one another password and role; whether known.

        Raises PeopleError if name or password will not do.
        """
        name, password = (unicodedata.normalize("NFKC", text) for text in (name, password))
        if len(name) > MOST_NAME or not _NAME.fullmatch(name):
            raise PeopleError(
                f"a name has up to {MOST_NAME} letters, digits, spaces and . @ ' - _, and begins "
                f"and ends with a letter or digit; {name!r} does not"
            )
        if role not in ROLES:
            raise PeopleError(f"a role is one of {', '.join(ROLES)}; {role!r} is none")
        if not SHORTEST_PASSWORD <= len(password) <= LONGEST_PASSWORD:
            raise PeopleError(
                f"a password has {SHORTEST_PASSWORD} to {LONGEST_PASSWORD:,} characters; several "
                "words in a row are good and easily kept in mind"
            )
        if len(name) >= TELLING_NAME and key_of(name) in password.casefold():
            raise PeopleError("the password holds the name; take another one")
        record = {
            "name": name,
            "role": role,
            "since": dt.datetime.now(dt.UTC).date().isoformat(),
            "hash": _HASHER.hash(password),
        }
        with self._file.change() as records:
            is_known = key_of(name) in records
            records[key_of(name)] = record
        return is_known

    def remove(self, name: str) -> None:
        """Strike a person off. Raises PeopleError if there is none of that name."""
        with self._file.change() as records:
            if records.pop(key_of(name), None) is None:
                raise PeopleError(f"nobody is called {name!r}; `rollbook person list` names all")

    def check(self, name: str, password: str) -> Person | None:
        """Return the person if the password is theirs; it takes as long for a name nobody has."""
        record = self._file.read().get(key_of(name))
        try:
            plain = unicodedata.normalize("NFKC", password)
            _HASHER.verify(record["hash"] if record else hash_of_nobody(), plain)
        except (VerificationError, InvalidHashError):
            return None
        return _person(record) if record else None


@functools.cache
def hash_of_nobody() -> str:
    """Return a hash to hold a password against that is nobody's."""
    return _HASHER.hash(secrets.token_hex(32))


def key_of(name: str) -> str:
    """Return a name as names are compared.

    >>> key_of(" Ａnna ") == key_of("anna")
    True
    """
    return unicodedata.normalize("NFKC", name).casefold().strip()


def _person(record: dict[str, Any]) -> Person:
    stamp = hashlib.sha256(f"{record['hash']} {record['role']}".encode()).hexdigest()
    return Person(record["name"], record["role"], record["since"], stamp)
