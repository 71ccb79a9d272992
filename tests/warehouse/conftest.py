"""A store without constraints, so that a test fills only what matters to it."""

import csv

import duckdb
import pytest

from warehouse import store


class LooseStore:
    """Every table and view of the store; what is put into one makes it a plain table."""

    def __init__(self, connection):
        self.connection = connection
        self.loosened = set()

    def loosen(self, table):
        if table in self.loosened:
            return
        columns = store.columns(self.connection, table)
        kind = self.connection.execute(
            "SELECT count(*) FROM duckdb_views() WHERE schema_name || '.' || view_name = ?", [table]
        ).fetchone()[0]
        self.connection.execute(f"DROP {'VIEW' if kind else 'TABLE'} {table}")
        listed = ", ".join(f"{name} {type_}" for name, type_ in columns.items())
        self.connection.execute(f"CREATE TABLE {table} ({listed})")
        self.loosened.add(table)

    def put(self, table, *rows):
        """Insert rows; columns that a row does not name are null."""
        self.loosen(table)
        for row in rows:
            marks = ", ".join("?" for _ in row)
            self.connection.execute(
                f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks})",  # noqa: S608
                list(row.values()),
            )

    def put_csv(self, table, path):
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                self.put(table, {name: cell or None for name, cell in row.items()})

    def rows(self, query):
        return self.connection.execute(query).fetchall()


@pytest.fixture(scope="session")
def every_table():
    """Make all tables and views once, in memory."""
    with duckdb.connect() as connection:
        connection.execute("SET TimeZone = 'UTC'")
        store.create(connection)
        yield connection


@pytest.fixture
def loose(every_table):
    every_table.execute("BEGIN")
    yield LooseStore(every_table)
    every_table.execute("ROLLBACK")
