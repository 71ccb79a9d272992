"""Forty-odd damages to one small shop: each is told in a sentence, and healed.

`python -m tests.flows.test_damage` prints the table: what was damaged and how, what was said, and
whether the shop healed by itself or by the one act that it asked for.
"""

import contextlib
import json
import os
import shutil
import tempfile
from pathlib import Path
from typing import NamedTuple

import duckdb
import polars as pl
import pytest

from tests.conftest import (
    LittleShop,
    card_text,
    command_line,
    part,
    pull_text,
    ride_text,
    stage_text,
)
from tests.result_table import write_beside

BLOCK = 262_144
"""DuckDB's block size, as `PRAGMA database_size` gives it."""


def build(root):
    """Take in a job of two stages and a ride, publish, and check: that makes the backups."""
    shop = LittleShop(root)
    names = ["s1_1.csv", "s1_2.csv", "s2_1.csv"]
    for number, name in enumerate(names):
        shop.put(f"job 1/{name}", pull_text((1.0, 1.001, 1.1)[number]))
    shop.put("job 1/ride.csv", ride_text())
    stages = [
        stage_text("stage 1", names[:2]),
        stage_text("stage 2", names[2:], ["ride.csv"], [part()]),
    ]
    shop.put("job 1/card.toml", card_text(stages=stages))
    shop.update()
    assert run(shop, "check") == (0, "All is well.")
    return shop


def run(shop, command, *arguments):
    """Run a command as from a terminal; return its exit code and all that it said, in one line."""
    if command in ("update", "intake"):
        arguments = (*arguments, "--complete")  # no test here writes slowly
    return command_line(command, shop.folder.root, *arguments)


# Where things lie, and ways to spoil them


def database(shop):
    return shop.folder.database


def snapshot(shop):
    return shop.folder.published / pointer_of(shop)["file"]


def pointer(shop):
    return shop.folder.published / "current.json"


def pointer_of(shop):
    return json.loads(pointer(shop).read_text(encoding="utf-8"))


def ledger(shop):
    return shop.folder.archive / "arrivals.jsonl"


def samples(kind):
    return lambda shop: next(shop.folder.samples.glob(f"{kind}-*.parquet"))


def archived(place):
    def find(shop):
        import hashlib

        sha = hashlib.sha256((shop.folder.inbox / place).read_bytes()).hexdigest()
        return shop.folder.archive / sha[:2] / sha

    return find


def settings(shop):
    return shop.folder.settings


def layout(shop):
    return shop.folder.layouts / "plain-pull.toml"


def lock(shop):
    return shop.folder.lock


def changed(path, change):
    path.write_bytes(change(path.read_bytes()))


def cut(path):
    changed(path, lambda data: data[: len(data) // 2])


def flip(path):
    at = path.stat().st_size // 2
    changed(path, lambda data: data[:at] + bytes([data[at] ^ 0x10]) + data[at + 1 :])


def flip_every_block(path):
    def flipped(data):
        spoilt = bytearray(data)
        for at in range(12_288 + 5000, len(data), BLOCK):
            spoilt[at] ^= 0xFF
        return bytes(spoilt)

    changed(path, flipped)


def flip_a_block_of_rows(path):
    """Change one byte that opening the file does not read, but reading all of it does."""
    whole = path.read_bytes()
    for start in range(12_288, len(whole), BLOCK):
        at = start + 5000
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 0xFF]) + whole[at + 1 :])
        with contextlib.suppress(duckdb.Error), duckdb.connect(str(path), read_only=True) as reader:
            tables = reader.execute(
                "SELECT schema_name, table_name FROM duckdb_tables() WHERE schema_name = 'out'"
            ).fetchall()
            try:
                for layer, table in tables:
                    reader.execute(
                        f"SELECT sum(hash(t)::HUGEINT) FROM {layer}.{table} AS t"  # noqa: S608
                    ).fetchall()
            except duckdb.Error:
                return
    raise AssertionError("no block holds rows of out")


def empty(path):
    path.write_bytes(b"")


def text(path):
    path.write_bytes(b"this is no such file\n" * 500)


def folder(path):
    path.unlink(missing_ok=True)
    path.mkdir()
    (path / "in the way").write_text("x")


def gone(path):
    path.unlink()


def binary(path):
    changed(path, lambda data: data[:40] + b"\xff\xfe\x00" + data[43:])


def torn_log(path):
    """Leave work in the write-ahead log, as a kill does, and change a byte of it."""
    with duckdb.connect(str(path)) as writer:
        writer.execute("PRAGMA disable_checkpoint_on_shutdown")
        writer.execute("UPDATE main.made_with SET definitions = definitions")
        writer.execute("INSERT INTO raw.finished VALUES ('nothing', 'x')")
    flip(path.with_name(path.name + ".wal"))


def other_samples(path):
    frame = pl.read_parquet(path)
    frame.with_columns(pl.col("engine_speed_rpm") * 1.01).write_parquet(path)


def lines_as(change):
    def spoil(path):
        lines = path.read_bytes().splitlines(keepends=True)
        path.write_bytes(b"".join(change(lines)))

    return spoil


cut_line = lines_as(lambda lines: [*lines[:1], lines[1][:40] + b"\n", *lines[2:]])
flip_line = lines_as(
    lambda lines: [*lines[:1], lines[1].replace(b'"job 1"', b'"job 2"'), *lines[2:]]
)
binary_line = lines_as(lambda lines: [*lines[:2], b"\xff\xfe" + lines[2][2:], *lines[3:]])
drop_line = lines_as(lambda lines: [*lines[:1], *lines[2:]])
drop_last = lines_as(lambda lines: lines[:-1])
double_line = lines_as(lambda lines: [*lines[:2], *lines[1:]])
swap_lines = lines_as(lambda lines: [lines[1], lines[0], *lines[2:]])


def point_elsewhere(path):
    entries = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps({**entries, "file": "../warehouse/shop.duckdb"}), encoding="utf-8")


def wrong_types(path):
    path.write_text('{"number": [], "file": 3, "published_at": null}', encoding="utf-8")


def a_list(path):
    path.write_text("[1, 2]", encoding="utf-8")


def flip_time(path):
    changed(path, lambda data: data.replace(b'"2025-', b'"2035-'))


# What is asked of a person, where something is


def forget(shop):
    """Lose the database: only then is the archive read again."""
    shop.forget_warehouse()


def forget_and_take_out(place):
    def spoil(shop):
        shop.forget_warehouse()
        (shop.folder.inbox / place).unlink()

    return spoil


def forget_with_backups(shop):
    shop.forget_warehouse()
    shutil.rmtree(shop.folder.backups)


def put_back(place):
    def act(shop, originals):
        shutil.copy(originals / "inbox" / place, shop.folder.inbox / place)

    return act


def bring_back(name, target):
    def act(shop, originals):
        shutil.copy(originals / "backups" / name, target(shop))

    return act


class Case(NamedTuple):
    kind: str
    damage: str
    where: object
    how: object
    told: str
    """Words that the sentence holds."""
    first: object = None
    """What else goes wrong, before."""
    by: str = "update"
    """The command that tells it."""
    act: object = None
    """What the sentence asks of a person, apart from running the update."""
    act_in_words: str = ""
    code: int = 0
    """How the telling command ends."""

    @property
    def name(self):
        return f"{self.kind}: {self.damage}"


MADE_AGAIN = "The database was damaged"
MENDED = "it was made whole from its copies"
PUBLISHED_AGAIN = "it was published again"
READ_AGAIN = "they were read again from the archive"
FROM_INBOX = "the inbox still held it"
PUT_BACK = "Put the original file back into the inbox"

CASES = [
    Case("database", "cut", database, cut, MADE_AGAIN),
    Case("database", "every block flipped", database, flip_every_block, MADE_AGAIN),
    Case("database", "a byte of its rows flipped", database, flip_a_block_of_rows, "database",
         by="check", code=1),
    Case("database", "no bytes", database, empty, MADE_AGAIN),
    Case("database", "a text", database, text, MADE_AGAIN),
    Case("database", "a folder", database, folder, MADE_AGAIN),
    Case("database", "deleted", database, gone, "The database was gone"),
    Case("database", "torn log", database, torn_log, MADE_AGAIN),
    Case("samples of pulls", "cut", samples("pull"), cut, READ_AGAIN),
    Case("samples of pulls", "a byte flipped", samples("pull"), flip, "lost or damaged",
         by="check", code=1),
    Case("samples of pulls", "deleted", samples("pull"), gone, READ_AGAIN),
    Case("samples of pulls", "other samples", samples("pull"), other_samples, READ_AGAIN),
    Case("samples of a ride", "cut", samples("ride"), cut, READ_AGAIN),
    Case("samples of a ride", "a byte flipped", samples("ride"), flip, "lost or damaged",
         by="check", code=1),
    Case("samples of a ride", "deleted", samples("ride"), gone, READ_AGAIN),
    Case("snapshot", "cut", snapshot, cut, PUBLISHED_AGAIN),
    Case("snapshot", "a byte flipped", snapshot, flip, PUBLISHED_AGAIN),
    Case("snapshot", "every block flipped", snapshot, flip_every_block, PUBLISHED_AGAIN),
    Case("snapshot", "a text", snapshot, text, PUBLISHED_AGAIN),
    Case("snapshot", "deleted", snapshot, gone, PUBLISHED_AGAIN),
    Case("pointer", "cut", pointer, cut, PUBLISHED_AGAIN),
    Case("pointer", "a digit of its time flipped", pointer, flip_time, PUBLISHED_AGAIN),
    Case("pointer", "deleted", pointer, gone, PUBLISHED_AGAIN),
    Case("pointer", "names another file", pointer, point_elsewhere, PUBLISHED_AGAIN),
    Case("pointer", "wrong types", pointer, wrong_types, PUBLISHED_AGAIN),
    Case("pointer", "a list", pointer, a_list, PUBLISHED_AGAIN),
    Case("pointer", "a folder", pointer, folder, PUBLISHED_AGAIN),
    Case("ledger", "a line cut", ledger, cut_line, MENDED),
    Case("ledger", "a letter flipped", ledger, flip_line, MENDED),
    Case("ledger", "not UTF-8", ledger, binary_line, MENDED),
    Case("ledger", "a line deleted", ledger, drop_line, MENDED),
    Case("ledger", "its last line deleted", ledger, drop_last, MENDED),
    Case("ledger", "a line twice", ledger, double_line, MENDED),
    Case("ledger", "two lines swapped", ledger, swap_lines, MENDED),
    Case("ledger", "cut", ledger, cut, MENDED),
    Case("ledger", "deleted", ledger, gone, MENDED),
    Case("ledger and database", "a letter flipped, database gone", ledger, flip_line, MENDED,
         first=forget),
    Case("ledger and database", "deleted, database gone", ledger, gone, MENDED, first=forget),
    Case("ledger, database, backups", "a line cut, all copies gone", ledger, cut_line,
         "line 2 is damaged", first=forget_with_backups, code=1,
         act=bring_back("arrivals.jsonl", ledger), act_in_words="the ledger from a backup"),
    Case("ledger, database, backups", "deleted, all copies gone; the inbox is whole", ledger, gone,
         "it begins anew from the inbox", first=forget_with_backups),
    Case("archived pull", "a byte flipped", archived("job 1/s1_1.csv"), flip, FROM_INBOX,
         by="check"),
    Case("archived pull", "cut, database gone", archived("job 1/s1_1.csv"), cut, FROM_INBOX,
         first=forget),
    Case("archived pull", "flipped, database and original gone", archived("job 1/s1_1.csv"), flip,
         PUT_BACK, first=forget_and_take_out("job 1/s1_1.csv"), code=1,
         act=put_back("job 1/s1_1.csv"), act_in_words="the file into the inbox"),
    Case("archived ride", "deleted, database and original gone", archived("job 1/ride.csv"), gone,
         PUT_BACK, first=forget_and_take_out("job 1/ride.csv"), code=1,
         act=put_back("job 1/ride.csv"), act_in_words="the file into the inbox"),
    Case("archived card", "a byte flipped, database gone", archived("job 1/card.toml"), flip,
         FROM_INBOX, first=forget),
    Case("archived card", "deleted, database and original gone", archived("job 1/card.toml"), gone,
         PUT_BACK, first=forget_and_take_out("job 1/card.toml"), code=1,
         act=put_back("job 1/card.toml"), act_in_words="the card into the inbox"),
    Case("settings", "cut", settings, cut, "rollbook.toml has mistakes", code=1,
         act=bring_back("rollbook.toml", settings), act_in_words="the settings from backups/"),
    Case("settings", "not UTF-8", settings, binary, "rollbook.toml", code=1,
         act=bring_back("rollbook.toml", settings), act_in_words="the settings from backups/"),
    Case("settings", "deleted", settings, gone, "has no rollbook.toml any more; copy", code=1,
         act=bring_back("rollbook.toml", settings), act_in_words="the settings from backups/"),
    Case("layout", "cut", layout, cut, "plain-pull.toml has mistakes", code=1,
         act=bring_back("layouts-plain-pull.toml", layout), act_in_words="it from backups/"),
    Case("layout", "not UTF-8", layout, binary, "plain-pull.toml has mistakes", code=1,
         act=bring_back("layouts-plain-pull.toml", layout), act_in_words="it from backups/"),
    Case("layout", "deleted", layout, gone, "3 files wait or were refused",
         act=bring_back("layouts-plain-pull.toml", layout), act_in_words="it from backups/"),
    Case("lock", "a folder", lock, folder, "A folder stood where writer.lock belongs"),
]  # fmt: skip


def spoil(case, shop):
    """Do the damage; the place is found before anything else is lost."""
    place = case.where(shop)
    if case.first is not None and place.is_relative_to(shop.folder.warehouse) is False:
        case.first(shop)
    case.how(place)


def told_and_healed(case, shop, originals, before):
    """Spoil a shop, let it tell and heal; return what was said. Anything amiss is an error."""
    spoil(case, shop)
    code, said = run(shop, case.by)
    assert "Traceback" not in said
    assert "fault of Rollbook" not in said, said
    assert case.told in said, said
    assert code == case.code, said
    if case.act is not None:
        case.act(shop, originals)
    if case.act is not None or case.by != "update":
        code, later = run(shop, "update")
        assert code == 0, later
    assert shop.contents("core", "out") == before
    assert run(shop, "check") == (0, "All is well.")
    return said


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    shop = build(tmp_path_factory.mktemp("sound") / "shop")
    return shop, shop.contents("core", "out")


@pytest.fixture
def copy(sound, tmp_path):
    return LittleShop(shutil.copytree(sound[0].folder.root, tmp_path / "shop"))


ASKING = [
    ("answers",),
    ("plan",),
    ("expect",),
    ("maps",),
    ("fuel-change", "J-1/2"),
    ("review",),
    ("derive",),
    ("publish",),
    ("check",),
    ("intake",),
]
SPOILT = {
    "database: every block": (database, flip_every_block),
    "database: a text": (database, text),
    "snapshot: every block": (snapshot, flip_every_block),
    "snapshot: cut": (snapshot, cut),
    "snapshot: deleted": (snapshot, gone),
    "pointer: wrong types": (pointer, wrong_types),
    "pointer: a folder": (pointer, folder),
    "samples: a byte": (samples("pull"), flip),
    "ledger: not UTF-8": (ledger, binary_line),
    "archive: cut": (archived("job 1/card.toml"), cut),
    "settings: not UTF-8": (settings, binary),
    "layout: not UTF-8": (layout, binary),
    "lock: a folder": (lock, folder),
}


PUBLISHED = ("snapshot: every block", "pointer: a folder")
"""What every command reads. Of the rest a shop is spoilt in turn, before one command each; every
command after every damage: `python -m pytest -n0 -m long tests/flows/test_damage.py`."""
IN_TURN = [("derive",), ("check",), ("publish",), ("answers",), ("intake",)]


def each_with_some():
    others = [name for name in SPOILT if name not in PUBLISHED]
    for start in range(2):
        yield [
            (name, IN_TURN[(start * 2 + place) % len(IN_TURN)]) for place, name in enumerate(others)
        ]


@pytest.mark.parametrize(
    "asked",
    [
        *(pytest.param([(name, one) for one in ASKING], id=name) for name in PUBLISHED),
        *(pytest.param(asked, id=f"in turn {at}") for at, asked in enumerate(each_with_some())),
        *(pytest.param([(name, one) for one in ASKING], id=f"{name}, every command",
                       marks=pytest.mark.long) for name in SPOILT if name not in PUBLISHED),
    ],
)  # fmt: skip
def test_no_command_ends_in_a_traceback_or_a_fault(asked, copy, sound):
    names = {name for name, _ in asked}
    for spoilt, command in asked:
        if len(names) > 1:
            shutil.rmtree(copy.folder.root)
            shutil.copytree(sound[0].folder.root, copy.folder.root)
        where, how = SPOILT[spoilt]
        with contextlib.suppress(OSError, StopIteration):
            how(where(copy))  # again: an earlier command may have healed it
        code, said = run(copy, *command)
        assert "Traceback" not in said, (command, said)
        assert "fault of Rollbook" not in said, (command, said)
        assert code in (0, 1), (command, said)
        assert said, command


TOGETHER = [
    ("database: deleted", "ledger: a letter flipped"),
    ("samples of pulls: cut", "snapshot: cut", "ledger: a line cut", "lock: a folder"),
    ("samples of a ride: deleted", "pointer: deleted", "ledger: not UTF-8"),
    ("samples of pulls: other samples", "pointer: names another file", "ledger: deleted"),
    ("samples of a ride: cut", "snapshot: a byte flipped", "ledger: its last line deleted"),
    ("samples of pulls: deleted", "pointer: a digit of its time flipped", "ledger: a line deleted"),
    ("pointer: a folder", "ledger: two lines swapped"),
]
"""Damages that one update tells and heals at once, each by its own sentence."""
ALONE = {
    "database: cut",
    "database: a byte of its rows flipped",
    "database: torn log",
    "samples of pulls: a byte flipped",
    "ledger, database, backups: a line cut, all copies gone",
    "ledger, database, backups: deleted, all copies gone; the inbox is whole",
    "archived pull: a byte flipped",
    "archived pull: flipped, database and original gone",
    "archived card: a byte flipped, database gone",
    "settings: deleted",
    "layout: cut",
}
"""Damages that change what an update does. Each of all alone:
`python -m pytest -n0 -m long tests/flows/test_damage.py`."""


@pytest.mark.parametrize(
    "case",
    [pytest.param(case, id=case.name, marks=[pytest.mark.long] * (case.name not in ALONE))
     for case in CASES],
)  # fmt: skip
def test_a_damage_is_told_and_healed(case, sound, copy):
    told_and_healed(case, copy, sound[0].folder.root, sound[1])


@pytest.mark.parametrize("names", TOGETHER, ids="; ".join)
def test_several_damages_at_once_are_each_told_and_healed(names, sound, copy):
    cases = [next(case for case in CASES if case.name == name) for name in names]
    for case in cases:
        spoil(case, copy)
    code, said = run(copy, "update")
    assert code == 0, said
    for case in cases:
        assert case.told in said, (case.name, said)
    assert copy.contents("core", "out") == sound[1]
    assert run(copy, "check") == (0, "All is well.")


def print_table():
    """Run every case and print the table."""
    with tempfile.TemporaryDirectory() as place:
        shop = build(Path(place) / "sound")
        before = shop.contents("core", "out")
        by_itself = 0
        lines = ["| what | damage | told by | healed |", "| --- | --- | --- | --- |"]
        for number, case in enumerate(CASES):
            copied = LittleShop(shutil.copytree(shop.folder.root, Path(place) / str(number)))
            told_and_healed(case, copied, shop.folder.root, before)
            shutil.rmtree(copied.folder.root)
            by_itself += case.act is None
            healed = f"by bringing back {case.act_in_words}" if case.act else "by itself"
            lines.append(f"| {case.kind} | {case.damage} | `{case.by}` | {healed} |")
    lines.append(
        f"\n{len(CASES)} damages told; {by_itself} healed by itself, "
        f"{len(CASES) - by_itself} by the one act named; core and out equal in each."
    )
    print("\n".join(lines))
    write_beside(__file__, "Damages of a shop's own files", "\n".join(lines))


if __name__ == "__main__":
    os.environ.setdefault("COLUMNS", "200")
    print_table()
