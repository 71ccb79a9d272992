"""Makes a shop of ten years out of a published one: every bike, job and file many times over.

Rows are multiplied under new ids and nothing is worked out again: fit to time pages, not figures.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import duckdb

from warehouse.shop import SETTINGS_NAME
from warehouse.snapshot import current

QUERY = "page_query"
ENDINGS = ("_id", "_folder", "_sha256", "note_name", QUERY)
OF_ALL_BIKES = {
    "model_id", "build_id", "map_id", "need_id", "expected_id", "effect_id", "need_quarter_id",
}  # fmt: skip
"""Ids that bikes share: a shop of ten years has more bikes a model, not more models."""


def multiply(shop: Path, folder: Path, bikes: int) -> Path:
    """Publish in a new folder what a shop has published, times over until it has so many bikes."""
    found = current(shop)
    assert found is not None
    published = folder / "published"
    published.mkdir(parents=True)
    shutil.copy(shop / SETTINGS_NAME, folder)
    place = published / found.path.name
    with duckdb.connect(str(place)) as connection:
        connection.execute(f"ATTACH '{found.path}' AS source (READ_ONLY)")
        for part in found.parts:
            path = found.path.parent / part.file
            connection.execute(f"ATTACH '{path}' AS \"{path.stem}\" (READ_ONLY)")
        ((own,),) = connection.execute("SELECT count(*) FROM source.out.bike").fetchall()
        named = "SELECT table_schema, table_name FROM information_schema.tables "
        chosen = "WHERE table_catalog = 'source' AND table_schema = 'out'"
        for schema, table in connection.execute(named + chosen).fetchall():
            connection.execute(f"CREATE SCHEMA IF NOT EXISTS {schema}")
            _multiply(connection, f"{schema}.{table}", -(-bikes // own))
    pointer = json.loads((shop / "published" / "current.json").read_text(encoding="utf-8"))
    kept = {key: pointer[key] for key in ("number", "file", "published_at", "content")}
    (published / "current.json").write_text(json.dumps(kept), encoding="utf-8")
    return folder


def _multiply(connection: duckdb.DuckDBPyConnection, table: str, times: int) -> None:
    described = connection.execute(f"DESCRIBE source.{table}").fetchall()
    own = [
        name
        for name, kind, *_ in described
        if kind == "VARCHAR" and name.endswith(ENDINGS) and name not in OF_ALL_BIKES
    ]
    if not own:
        connection.execute(f"CREATE TABLE {table} AS FROM source.{table}")
        return
    # What holds a bike's or a job's number is theirs; a hash gets an ending of its own.
    renamed = ", ".join(
        f"CASE WHEN regexp_matches({name}, '[BJ]-[0-9]') "
        f"THEN regexp_replace({name}, '([BJ])-([0-9]+)', '\\1-' || no || '\\2', 'g') "
        f"ELSE {name}{'' if name == QUERY else ' || no'} END AS {name}"
        for name in own
    )
    connection.execute(
        f"CREATE TABLE {table} AS "  # noqa: S608
        f"SELECT source.* REPLACE ({renamed}) FROM source.{table} AS source, "
        f"range(1000, {1000 + times}) AS copies(no)"
    )
