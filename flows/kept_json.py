"""A small private file of records by name: read again when it changed, replaced whole."""

from __future__ import annotations

import contextlib
import copy
import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import filelock

from warehouse.shop import is_private_file

WAIT_S = 10.0

Records = dict[str, dict[str, Any]]


class NotPrivateError(ValueError):
    """A file that keeps secrets cannot be trusted."""


class KeptJson:
    """Several processes read and change it; each change is made on what stands then."""

    def __init__(
        self, path: Path, fields: Mapping[str, type], *, anew_if_damaged: bool = False
    ) -> None:
        self.path = path
        self._fields = fields
        self._anew_if_damaged = anew_if_damaged
        self._mark: tuple[int, ...] = ()
        self._records: Records = {}

    def read(self) -> Records:
        """Return the records, not to be changed; none where there is no file.

        Raises NotPrivateError if others may read it, or it holds something else.
        """
        try:
            found = self.path.stat()
        except FileNotFoundError:
            return {}
        mark = (found.st_ino, found.st_mtime_ns, found.st_size, found.st_mode)
        if mark != self._mark:
            if not is_private_file(self.path):
                raise NotPrivateError(
                    f"{self.path} can be read by others, and keeps secrets; make it its owner's "
                    "alone (chmod 600)"
                )
            records = self._read_whole()
            if records is None and not self._anew_if_damaged:
                raise NotPrivateError(f"{self.path} is damaged; delete it, and add its people anew")
            self._records, self._mark = records or {}, mark
        return self._records

    def _read_whole(self) -> Records | None:
        """Return the records as the file has them; None if it holds anything else."""
        try:
            found = json.loads(self.path.read_text(encoding="utf-8"))
            is_sound = all(
                isinstance(record[name], kind)
                for record in found.values()
                for name, kind in self._fields.items()
            )
        except (ValueError, AttributeError, KeyError, TypeError, RecursionError):
            return None
        return found if is_sound else None

    @contextlib.contextmanager
    def change(self) -> Iterator[Records]:
        """Give the records to be changed; written when the block ends well."""
        with filelock.FileLock(self.path.with_suffix(".lock"), timeout=WAIT_S):
            records = copy.deepcopy(self.read())
            yield records
            # Private before its name is: the folder is its owner's, and so is the file.
            made = self.path.with_suffix(".new")
            made.unlink(missing_ok=True)
            made.touch(mode=0o600)
            with made.open("w", encoding="utf-8") as file:
                json.dump(records, file, indent=1, ensure_ascii=False)
                file.flush()
                os.fsync(file.fileno())
            made.replace(self.path)
