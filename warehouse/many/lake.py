"""The store of many shops as a lake: PostgreSQL has the catalogue, a shared folder the rows."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import random
import subprocess
import time
from pathlib import Path
from typing import Any

from warehouse.many import Batch, ManyShopsError, OtherContentError, table_names

CLIENT = Path(__file__).with_name("lake_client.py")
PATIENCE_S = 60.0
"""So long a server may be away, as while it is started anew, before it is told."""
MOST_BETWEEN_S = 2.0
"""Between two tries; each one starts a client, which takes half a second of a processor."""


class Lake:
    """Speaks with a client of its own, in another process; a lost one is replaced."""

    def __init__(self, catalogue: str, rows: Path, python: Path) -> None:
        self._opening = {"catalogue": catalogue, "rows": f"{rows}/"}
        self._python = python
        self._client: subprocess.Popen[str] | None = None
        self.repeats = 0
        """Questions asked again, as server or client were gone or others committed first."""

    def append(self, batch: Batch) -> bool:
        """Add rows and ledger line, both or neither; return False where the number stands."""
        tables = {name: str(batch.tables[name]) for name in table_names(batch)}
        answer = self._answer("append", **batch._replace(tables=tables)._asdict())  # type: ignore[arg-type]
        if not answer["is_same"]:
            raise OtherContentError(batch)
        return answer["added"]

    def state(self, at: dt.datetime | None = None) -> int:
        """Return the number of the newest state, or of the one that stood at a time."""
        return self._answer("state", at=at.isoformat() if at else None)["state"]

    def read(self, table: str, into: Path, state: int) -> int:
        """Write a table as it stood in a state to a Parquet file; return how many rows it has."""
        return self._answer("read", table=table, into=str(into), state=state)["rows"]

    def close(self) -> None:
        """End the client."""
        if self._client is not None:
            self._client.kill()
            self._client.wait()
            for pipe in (self._client.stdin, self._client.stdout):
                with contextlib.suppress(BrokenPipeError):
                    pipe.close()  # type: ignore[union-attr]
            self._client = None

    def _answer(self, verb: str, **asked: Any) -> dict[str, Any]:
        """Ask until there is an answer: an append that was done unheard is found in the ledger."""
        line = json.dumps({"do": verb, **asked})
        until = time.monotonic() + PATIENCE_S
        while True:
            answer = self._asked(line)
            if "fault" not in answer and "again" not in answer:
                return answer
            self.close()
            if "fault" in answer or time.monotonic() > until:
                raise ManyShopsError(f"the lake does not {verb}: {answer.popitem()[1]}")
            self.repeats += 1
            time.sleep(random.uniform(0.1, 1.0) * MOST_BETWEEN_S)  # noqa: S311 - not in step

    def _asked(self, line: str) -> dict[str, Any]:
        client = self._started()
        assert client.stdin is not None  # noqa: S101 - it was started with pipes
        assert client.stdout is not None  # noqa: S101
        with contextlib.suppress(BrokenPipeError):  # it may have said why it ended
            client.stdin.write(f"{line}\n")
            client.stdin.flush()
        heard = client.stdout.readline()
        # Half a line is a client that was ended while it spoke.
        return json.loads(heard) if heard.endswith("\n") else {"again": "its client is gone"}

    def _started(self) -> subprocess.Popen[str]:
        if self._client is not None:
            return self._client
        try:
            self._client = subprocess.Popen(
                [str(self._python), "-I", str(CLIENT)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                encoding="utf-8",
            )
        except OSError as error:
            raise ManyShopsError(f"the lake's client does not start: {error}") from None
        assert self._client.stdin is not None  # noqa: S101
        # By the pipe: what stands in a command line can be seen by all who use the machine.
        self._client.stdin.write(json.dumps(self._opening) + "\n")
        return self._client
