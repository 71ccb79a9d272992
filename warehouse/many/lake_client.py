"""A process that holds a lake open: typed JSON lines in and out, rows as Parquet files.

It runs in an environment of its own, with an earlier DuckDB than ours, and imports nothing of ours.
The first line says where catalogue and rows are; each other is a question, and has one answer.
"""

import contextlib
import json
import sys
from pathlib import Path

import duckdb
import duckdb_extension_ducklake  # type: ignore[import-not-found]  # not in our environment
import duckdb_extension_postgres_scanner  # type: ignore[import-not-found]

OURS_TO_MEND = (
    duckdb.BinderException,
    duckdb.CatalogException,
    duckdb.ConversionException,
    duckdb.ParserException,
)
"""Errors that come again however often one asks. All others are tried again: a server that goes
away within a transaction shows as any of them."""
GONE = (
    "server closed the connection",
    "terminating connection",
    "no connection to the server",
    "the database system is",
)
"""How PostgreSQL says that it went away, or is not there yet, while a statement was prepared: the
error around it may be one of ours then."""
# Of the database server's own accord no shop's number is committed twice: the message of a commit
# is written in the transaction of its rows. Whoever loses finds the winner's ledger line.
ONCE = (
    "CREATE UNIQUE INDEX IF NOT EXISTS one_number_once ON ducklake_snapshot_changes "
    "(author, commit_message)"
)


def opened(catalogue, rows):
    """Return a connection to the lake; where there is none yet, it is made."""
    lake = duckdb.connect(
        config={"autoinstall_known_extensions": "false", "autoload_known_extensions": "false"}
    )
    for package in (duckdb_extension_ducklake, duckdb_extension_postgres_scanner):
        (found,) = Path(str(package.__file__)).parent.glob("**/*.duckdb_extension")
        lake.execute(f"LOAD {quoted(found)}")
    lake.execute("SET threads = 1; SET TimeZone = 'UTC'; SET ducklake_retry_wait_ms = 20")
    where = quoted(f"ducklake:postgres:{catalogue}")
    lake.execute(f"ATTACH {where} AS lake (DATA_PATH {quoted(rows)})")
    lake.execute(f"CALL postgres_execute('__ducklake_metadata_lake', {quoted(ONCE)})")
    lake.execute(
        "CREATE TABLE IF NOT EXISTS lake.ledger (shop VARCHAR, number BIGINT, content_hash VARCHAR)"
    )
    return lake


def append(lake, shop, number, content_hash, tables):
    """Add rows and ledger line in one transaction, unless the number stands already."""
    lake.execute("BEGIN")
    known = lake.execute(
        "SELECT content_hash FROM lake.ledger WHERE shop = ? AND number = ?", [shop, number]
    ).fetchone()
    if known:
        lake.execute("ROLLBACK")
        return {"added": False, "is_same": known[0] == content_hash}
    lake.execute(f"CALL lake.set_commit_message({quoted(shop)}, {quoted(number)})")
    for name, path in tables.items():
        add(lake, name, shop, number, path)
    lake.execute("INSERT INTO lake.ledger VALUES (?, ?, ?)", [shop, number, content_hash])
    lake.execute("COMMIT")
    return {"added": True, "is_same": True}


def add(lake, name, shop, number, path):
    """Add the rows of a file to a table, which grows by what it does not have yet."""
    rows = (
        f"SELECT {quoted(shop)} AS shop, {number:d}::BIGINT AS number, * "  # noqa: S608
        f"FROM read_parquet({quoted(path)})"
    )
    lake.execute(f"CREATE TABLE IF NOT EXISTS lake.rows_{name} AS {rows} LIMIT 0")
    has = {column for column, *_ in lake.execute(f"DESCRIBE lake.rows_{name}").fetchall()}
    for column, kind, *_ in lake.execute(f"DESCRIBE {rows}").fetchall():
        if column not in has:
            lake.execute(f'ALTER TABLE lake.rows_{name} ADD COLUMN "{column}" {kind}')
    lake.execute(f"INSERT INTO lake.rows_{name} BY NAME {rows}")


def state(lake, at):
    """Return the number of the newest snapshot, or of the one that stood at a time."""
    found = lake.execute(
        "SELECT coalesce(max(snapshot_id), 0) FROM lake.snapshots() "
        "WHERE snapshot_time <= coalesce(?::TIMESTAMPTZ, 'infinity')",
        [at],
    ).fetchone()
    return {"state": found[0]}


def read(lake, table, state, into):
    """Write a table as it stood in a snapshot to a Parquet file."""
    name = table if table == "ledger" else f"rows_{table}"
    rows = f"FROM lake.{name} AT (VERSION => {state:d})"
    (found,) = lake.execute(f"COPY ({rows}) TO {quoted(into)} (FORMAT parquet)").fetchone()
    return {"rows": found}


def quoted(value):
    """Return a value as text in SQL."""
    return "'" + str(value).replace("'", "''") + "'"


def main():
    """Answer line after line until the pipe ends, or until an error makes a new start better."""
    verbs = {"append": append, "state": state, "read": read}
    try:
        lake = opened(**json.loads(sys.stdin.readline()))
        for line in sys.stdin:
            asked = json.loads(line)
            answer = verbs[asked.pop("do")](lake, **asked)
            print(json.dumps(answer), flush=True)  # noqa: T201 - the pipe
    except duckdb.Error as error:
        is_gone = any(said in str(error) for said in GONE)
        kind = "fault" if isinstance(error, OURS_TO_MEND) and not is_gone else "again"
        print(json.dumps({kind: str(error)[:400]}), flush=True)  # noqa: T201 - the pipe


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError):  # whoever asked is gone
        main()
