"""Shops as earlier versions left them, opened by the code of today (`old_shops/made_how.md`)."""

import datetime as dt
import hashlib
import json
import tarfile
from pathlib import Path

import pyarrow as pa
import pytest

from flows.derive import derive
from flows.intake import take_in
from flows.publish import publish_snapshot
from flows.update import healing
from schemas.settings import read_settings
from tests.conftest import NOW
from warehouse import history, store
from warehouse.shop import ShopFolder
from warehouse.snapshot import current, open_reader

OLD = sorted(Path(__file__).with_name("old_shops").glob("*.tar.zst"))
LATER = NOW + dt.timedelta(days=60)
MAY_DIFFER = {
    # What a row was made from names the versions of its steps: theirs were raised.
    ("*", "made_from"),
    # Of a dyno of which nothing is known yet twice the default scatter is held, since then.
    *(("trust", name) for name in ("day_share", "day_dof")),
    *(("dyno_verdict", name) for name in ("told", "figure")),
    # They rest on that scatter; the effects themselves do not.
    *(
        ("pooled_effect", f"{which}{end}_pct")
        for which in ("", "next_", "measured_")
        for end in ("lower", "upper")
    ),
    # Columns are described anew as they are understood better.
    *(("column_meaning", name) for name in ("table_name", "column_name", "unit", "meaning")),
}


@pytest.fixture(params=OLD, ids=lambda path: path.name.partition(".")[0])
def old(request, tmp_path):
    """Unpack a shop as it was left."""
    with (
        pa.input_stream(request.param, compression="zstd") as packed,
        tarfile.open(fileobj=packed, mode="r|") as tar,
    ):
        tar.extractall(tmp_path, filter="data")
    return ShopFolder(tmp_path / "shop")


def shown(path):
    """Return all that a snapshot shows: rows by column by table."""
    with open_reader(path) as reader:
        names = reader.execute(
            "SELECT table_name FROM information_schema.tables WHERE table_schema = 'out'"
        ).fetchall()
        return {name: store.rows(reader, f"SELECT * FROM out.{name}") for (name,) in names}  # noqa: S608


def updated(shop, now):
    """Update as the command does; return what the intake said."""

    def act(connection):
        settings = read_settings(shop.settings)
        taken = take_in(connection, shop, settings, now=now)
        derive(connection, shop, settings)
        publish_snapshot(connection, shop, now=now)
        return taken

    return healing(shop, act, lambda told: pytest.fail(f"damaged? {told}"))


def _held(value):
    # Sums may be taken in another order: twelve digits of a figure, not its last bits.
    return f"{value:.12g}" if isinstance(value, float) else repr(value)


def unlike(before, after):
    """Return the columns that no more show what they showed."""
    found = set()
    for table, rows in before.items():
        for name in rows.columns:
            then = sorted(map(_held, rows[name]))
            now = after.get(table)
            if now is None or name not in now or sorted(map(_held, now[name])) != then:
                found.add((table, name))
    return {(t, c) for t, c in found if not {(t, c), ("*", c)} & MAY_DIFFER}


def test_a_shop_of_an_earlier_version_is_brought_up_with_its_figures_and_its_past(old):
    pointer = json.loads((old.published / "current.json").read_text("utf-8"))
    before = shown(old.published / pointer["file"])
    ledger = (old.archive / "arrivals.jsonl").read_bytes()
    archived = {path.name for path in old.archive.glob("??/*")}

    taken = updated(old, LATER)

    assert (taken.arrived, taken.lost, taken.mended) == (0, (), ())
    newest = current(old.root)
    assert before["file"].height == 16  # twelve logs, three cards, one pull that is missing
    assert unlike(before, shown(newest.path)) == set()
    assert (old.archive / "arrivals.jsonl").read_bytes() == ledger
    for sha in archived:
        data = (old.archive / sha[:2] / sha).read_bytes()
        assert hashlib.sha256(data).hexdigest() == sha
    assert history.as_of(old.root, LATER.date()).content == newest.content
    assert not updated(old, LATER).changed


def test_the_past_that_an_earlier_version_kept_is_shown_as_it_was(old):
    if not old.history.is_dir():
        pytest.skip("history was not kept then")
    first = shown(old.published / "snap-00000001.duckdb")
    updated(old, LATER)
    then = shown(history.as_of(old.root, NOW.date()).path)
    untold = {(table, name) for table, names in history.NOT_ASKED.items() for name in names}
    untold |= {
        (t, c) for t in history.NOT_KEPT - history.AS_TODAY if t in first for c in first[t].columns
    }
    assert unlike(first, then) - untold == set()
    states = {row["state"] for row in then["file"].to_dicts() if row["file_name"] == "empty.csv"}
    assert states == {"refused"}  # it was taken out only a month later
