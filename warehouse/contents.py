"""What tables hold, as a sum over their rows: by it is seen whether one changed since."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from types import MappingProxyType

import duckdb

from warehouse import statements
from warehouse.store import first_of_each

SUM = "sum(hash(t)::HUGEINT) % 18446744073709551616"
"""Over the rows of a table t, modulo 2^64: their order is no part of what it holds."""
_NAMES = re.compile(r"\bout\.\w+")


class Contents:
    """Sums over tables, each taken once until it is told that the table changed."""

    def __init__(
        self,
        connection: duckdb.DuckDBPyConnection,
        counted: Mapping[str, str] = MappingProxyType({}),
    ) -> None:
        """Of a `counted` table the rows are counted: with what it holds, its named one changes."""
        self._connection = connection
        self.counted = counted
        self._known: dict[str, str] = {}
        self._set_down: set[str] = set()

    def of(self, tables: Iterable[str]) -> dict[str, str]:
        """Return what each table holds, in the order of their names."""
        tables = sorted(set(tables))
        asked = [table for table in tables if table not in self._known]
        sums = first_of_each(self._connection, [self._query(table) for table in asked])
        self._known |= {table: str(found) for table, found in zip(asked, sums, strict=True)}
        return {table: self._known[table] for table in tables}

    def marks(self, tables: Iterable[str]) -> dict[str, str]:
        """Return what differs if any of these tables holds something else."""
        tables = set(tables)
        return self.of(tables | {self.counted.get(table, table) for table in tables})

    def changed(self, tables: Iterable[str]) -> None:
        """Forget what some tables held."""
        self._set_down.clear()
        for table in tables:
            self._known.pop(table, None)

    def rows_of(self, view: str) -> str:
        """Return a table of a view's rows, worked out once for all who read them."""
        made = f"temp.{view.partition('.')[2]}"
        if view not in self._set_down:
            definition = re.sub(r"--.*", "", statements.definitions()[view])
            query = definition.partition(f"VIEW {view} AS")[2]
            told = self.from_rows(query)
            self._connection.execute(f"CREATE OR REPLACE TEMP TABLE {made} AS {told}")
            self._set_down.add(view)
        return made

    def from_rows(self, query: str) -> str:
        """Return a query without comments that reads tables of views' rows instead of views."""
        return _NAMES.sub(
            lambda found: (
                self.rows_of(found[0]) if statements.is_named_view(found[0]) else found[0]
            ),
            query,
        )

    def _query(self, table: str) -> str:
        total = "0" if table in self.counted else SUM
        return f"SELECT count(*), {total} FROM {table} AS t"  # noqa: S608
