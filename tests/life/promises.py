"""What is promised, each as something that must hold whenever an update has come to its end."""

import json
import os
import re
from collections import Counter, defaultdict
from hashlib import sha256
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import polars as pl
import pyarrow as pa

from tests.life.house import Seen, ledger_lines
from tests.life.model import CARD, NOTES
from warehouse.damage import DamagedError
from warehouse.snapshot import current, open_reader

if TYPE_CHECKING:
    from tests.life.machine import Life

PORTABLE = re.compile(r"[^<>:\"|?*\x00-\x1f]*[^<>:\"|?*\x00-\x1f. ]")
"""What Windows takes as a name ("Naming Files, Paths, and Namespaces", Microsoft Learn; from
memory)."""


def nothing_is_lost(life: "Life") -> None:
    """Hold the archive and its ledger against all that ever came; true after a kill as well."""
    for sha, content in life.model.contents.items():
        data = archived(life, sha)
        assert data is not None, f"promise 1, nothing is lost: {sha[:8]} is not in the archive"
        assert data == content.data, f"promise 1: {sha[:8]} holds other bytes"
    told = [
        (one["job_folder"], one["file_name"], one["file_sha256"], "taken_out_at" in one)
        for one in ledger_lines(life.folder)
    ]
    assert told == [tuple(line) for line in life.model.lines], "promise 1: the ledger is not so"


def archived(life: "Life", sha: str) -> bytes | None:
    """Return archived bytes, plain or packed with zstd; None of what is not there."""
    path = life.folder.archive / sha[:2] / sha
    if path.is_file():
        return path.read_bytes()
    path = path.with_name(sha + ".zst")
    if not path.is_file():
        return None
    try:
        with pa.input_stream(path, compression="zstd") as packed:
            return packed.read()
    except OSError:
        return b"no zstd"


def nothing_stands_twice(life: "Life", seen: Seen) -> None:
    """Hold every line, log and arrival to be there once."""
    numbers = [one["arrival_no"] for one in ledger_lines(life.folder)]
    assert numbers == list(range(1, len(numbers) + 1)), "promise 2, nothing twice: the ledger"
    logs = Counter(row[0] for row in (*seen.rows["pull"], *seen.rows["ride"]))
    assert max(logs.values(), default=1) == 1, "promise 2, nothing twice: a log"


def readers_see_one_whole_state(life: "Life") -> None:
    """Hold what readers opened, and what they would open now, against what was published."""
    for reader, shown in life.readers:
        told = reader.execute(SHOWN_STATES).fetchall()
        assert told == shown, "promise 4, many readers: what one had opened has changed"
    if life.published is not None:
        reader, _ = opened(life)
        reader.close()


def pointed(life: "Life") -> Path:
    """Return what readers are pointed at, which must be there and whole at any moment."""
    try:
        found = current(life.folder.root)
    except DamagedError:
        raise AssertionError("promise 4, many readers: sent to what is not whole") from None
    assert found is not None, "promise 4, many readers: nothing is published any more"
    return found.path


def opened(life: "Life") -> tuple[duckdb.DuckDBPyConnection, list[tuple[str, ...]]]:
    """Open what readers are pointed at; return it with what it shows: something published."""
    reader = open_reader(pointed(life))
    shown = reader.execute(SHOWN_STATES).fetchall()
    assert shown in (life.published or []), (
        "promise 4, many readers: they are shown what was never published"
    )
    return reader, shown


SHOWN_STATES = "SELECT job_folder, file_name, state FROM out.file ORDER BY ALL"


def hands_are_told(life: "Life") -> None:
    """Hold the journal against every card and note that came or went, settings and layouts."""
    path = life.folder.archive / "acts.jsonl"
    acts = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    numbers = [one["no"] for one in acts]
    assert numbers == list(range(1, len(acts) + 1)), "promise 13, hands are told: not each once"
    told, wanted = defaultdict(list), defaultdict(list)
    for one in acts:
        told[one["about"]].append(one["after"])
    for folder, name, sha, is_taken_out in life.model.lines:
        if not is_log((folder, name)):
            wanted[f"inbox/{folder}/{name}"].append(None if is_taken_out else sha)
    for about, afters in wanted.items():
        # One card may do several things at once: a line for each.
        assert [key for key, _ in groupby(afters)] == [key for key, _ in groupby(told[about])], (
            f"promise 13, hands are told: not what was done to {about}"
        )
    for path in (life.folder.settings, *life.folder.layouts.glob("*.toml")):
        about, data = path.relative_to(life.folder.root).as_posix(), path.read_bytes()
        assert told[about][-1:] == [sha256(data).hexdigest()], f"promise 13: {about} is not told"
        assert archived(life, told[about][-1]) == data, f"promise 13: {about} cannot be made again"


def figures_lead_home(life: "Life", seen: Seen) -> None:
    """Follow each log that counts to its bytes, samples, layout and card."""
    readings = {row[0]: row for row in seen.rows["reading"]}
    for sha, _, _, card_sha, folder, _ in seen.rows["pull"]:
        assert sha in life.model.contents, "promise 5, figures lead home: bytes that never came"
        valid = [o for o in life.model.versions.get((folder, CARD), []) if o.kind == "card"]
        assert valid, f"promise 5: no card of {folder} is known"
        assert valid[-1].sha == card_sha, f"promise 5: {folder} leads to another card"
        *_, path, _, layout = readings[sha]
        assert (life.folder.root / path).is_file(), "promise 5: no samples"
        assert layout == "plain-pull", "promise 5: no layout"


def what_is_left_out_is_told(life: "Life", seen: Seen) -> None:
    """Hold every file's state, every row and every note against the model."""
    states = life.model.states()
    found = {(folder, name): state for folder, name, _, state, _ in seen.rows["outcome"]}
    unlike = {p: (states.get(p), found.get(p)) for p in states.keys() | found.keys()
              if states.get(p) != found.get(p)}  # fmt: skip
    assert not unlike, f"promise 6, no silent repair: expected and found {unlike}"
    stages = {sha: (stage, bool(why)) for sha, stage, why, *_ in seen.rows["pull"]}
    stages |= {sha: (stage, False) for sha, stage in seen.rows["ride"]}
    wanted = {sha: (stage, life.model.aside[sha]) for sha, stage in life.model.stage_of.items()}
    wanted = {
        sha: (stage, aside and life.model.contents[sha].kind == "pull")
        for sha, (stage, aside) in wanted.items()
    }
    assert stages == wanted, "promise 6: logs that count, or are set aside, are not so"
    rejected = dict(seen.rows["rejected"])
    for sha, state, read, kept, bad, *_ in seen.rows["reading"]:
        content = life.model.contents[sha]
        if state == "read":
            told = (read, kept, bad, rejected.get(sha, 0))
            whole = content.kept + content.rejected
            assert told == (whole, content.kept, content.rejected, content.rejected), (
                "promise 6: rows are gone without a word"
            )
    told = {place for place, state in states.items() if state in ("refused", "waiting", "missing")}
    notes = len(told - {life.arriving})  # of what is still being written nothing is said yet
    lying = len(list(life.folder.refused.glob("*.txt")))
    assert lying == notes, f"promise 6: {lying} notes lie in refused/ for {notes} files"


def small_change_small_work(life: "Life", seen: Seen, fresh: set[str]) -> None:
    """Hold the work to what is new, where nothing but files changed since the last update."""
    if life.is_calm:
        assert seen.taken.read == len(fresh), "promise 7, small work: other files were read again"
        if not life.entered:
            assert seen.taken.linked == [], "promise 7: jobs were linked again for nothing"


def units_are_honest(life: "Life", seen: Seen) -> None:
    """Hold the greatest power of the newest pull, in watts, against its text in kilowatts."""
    pulls = [row for row in seen.rows["reading"] if row[1] == "read" and row[7] == "plain-pull"]
    for sha, *_, path, sample_id, _ in pulls[-1:]:
        frame = pl.read_parquet(life.folder.root / path)
        rows = frame.filter(pl.col("sample_id") == sample_id)
        lines = life.model.contents[sha].data.decode().splitlines()
        cells = [line.split(",") for line in lines if line.count(",") == 4]
        powers = [float(c[2]) for c in cells if c[2].replace(".", "", 1).isdecimal()]
        if life.model.contents[sha].data.endswith(b"\n"):
            greatest = rows["wheel_power_w"].max()
            assert isinstance(greatest, float)
            assert abs(greatest - 1000 * max(powers)) < 1e-6 * greatest, (
                "promise 8, honest units: power is not in watts"
            )


def it_stays_private(life: "Life", seen: Seen) -> None:
    """Look for positions in the samples, and for folders that others may open."""
    for path in {row[5] for row in seen.rows["reading"] if row[5]}:
        names = pl.read_parquet_schema(life.folder.root / path)
        assert not {n for n in names if "latitude" in n or "longitude" in n}, (
            "promise 9, private: samples hold positions"
        )
    for folder in (life.folder.archive, life.folder.warehouse, life.folder.published):
        assert os.name == "nt" or not folder.stat().st_mode & 0o077, f"promise 9: {folder.name}"


def any_desk_takes_it(life: "Life") -> None:
    """Look for names that another system does not take, and for what is left half-made."""
    root = life.folder.root
    for place in (life.folder.archive, life.folder.refused, life.folder.warehouse,
                  life.folder.published):  # fmt: skip
        for path in place.rglob("*"):
            assert PORTABLE.fullmatch(path.name), f"promise 10, any desk: {path.name}"
            assert not re.search("making|arriving", path.name), (
                f"promise 2: left half-made: {path.relative_to(root)}"
            )


def check(life: "Life", seen: Seen, fresh: set[str], *, is_published: bool) -> None:
    """Hold a shop to all promises, after an update that came to its end."""
    nothing_is_lost(life)
    nothing_stands_twice(life, seen)
    hands_are_told(life)
    figures_lead_home(life, seen)
    what_is_left_out_is_told(life, seen)
    small_change_small_work(life, seen, fresh)
    units_are_honest(life, seen)
    it_stays_private(life, seen)
    any_desk_takes_it(life)
    assert seen.is_alone, "promise 4, one writer: a second one was let in"
    if is_published:
        readers_see_one_whole_state(life)


def is_log(place: tuple[str, str]) -> bool:
    """Whether a file is read as a log."""
    return place[0] != NOTES and place[1] != CARD
