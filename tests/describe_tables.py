"""Writes warehouse/out/TABLES.md, every published table and column, from dictionary and SQL.

`python -m tests.describe_tables` after a change to either; a test says when it is due.
"""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import duckdb

from flows.publish import meanings
from warehouse import statements, store

HEAD = """\
# What is published

Made by `python -m tests.describe_tables` from `schemas/columns.py` and the SQL files beside this
text; do not edit it by hand.

Every snapshot in a shop's `published/` is a DuckDB file that holds these tables in the schema
`out`, and the meanings below in `out.column_meaning`. Open the file that
`published/current.json` names, read-only:

```sql
-- the ten surest needs for a remap
SELECT model_id, parts_key, lean_bikes, bikes, warn_lower_share
FROM out.remap_need
WHERE is_stock_map
ORDER BY need_rank
LIMIT 10;
```

All values are SI, whatever the shop chose to see; `_pct` is percent, `_share` is 0 to 1; times are
UTC but for `started_at`, which is the equipment's own clock. Power is wheel power at the reference
air that `reference_air` names beside it or `out.shop_fact` gives. Intervals are 95 %.
"""


def tables_text() -> str:
    """Return the text of TABLES.md."""
    with duckdb.connect() as connection:
        store.create(connection)
        described = meanings(connection)
        types = {
            table: store.columns(connection, table)
            for table in dict.fromkeys(d[0] for d in described)
        }
    lines = [HEAD]
    for table, kinds in types.items():
        lines += [
            f"## {table}",
            "",
            f"{_capital(purpose(table))} {_capital(grain(table))}",
            "",
            "| column | type | unit | meaning |",
            "| --- | --- | --- | --- |",
        ]
        lines += [
            f"| `{column}` | {kinds[column].lower()} | {unit} | {meaning} |"
            for name, column, unit, meaning in described
            if name == table
        ]
        lines.append("")
    return "\n".join(lines)


def grain(name: str) -> str:
    """Return the grain that a definition states in its header."""
    header = statements.definitions()[name].split("CREATE", maxsplit=1)[0]
    lines = [line.removeprefix("--").strip() for line in header.splitlines()]
    text: list[str] = []
    for line in lines:
        if line.startswith("Grain:"):
            text.append(line.removeprefix("Grain:").strip())
        elif text and not re.match(r"[A-Z][a-z]+:", line):
            text.append(line)
        elif text:
            break
    return " ".join(part for part in text if part)


def purpose(name: str) -> str:
    """Return the first sentence of a definition's header."""
    header = statements.definitions()[name].split("-- Grain:", maxsplit=1)[0]
    lines = [line.removeprefix("--").strip() for line in header.splitlines()]
    return " ".join(line for line in lines if line).split(": ", maxsplit=1)[1]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def tables_path() -> Path:
    """Return where the text stands."""
    return Path(str(files("warehouse") / "out" / "TABLES.md"))


if __name__ == "__main__":
    tables_path().write_text(tables_text(), encoding="utf-8", newline="\n")
