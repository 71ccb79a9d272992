"""Files made or broken so as to bring a reader down are refused; the next file goes on."""

import contextlib
import itertools
import os
import signal
import threading
import time

import numpy as np
import polars as pl
import psutil
import pytest
from typer.testing import CliRunner

from flows import apart
from flows.cli_layout import layout_app
from flows.privacy import private_by_values
from flows.readers.source import UnreadableError
from flows.steps import judge, read, together
from schemas.card import read_card
from schemas.toml_text import MistakesError
from tests.broken.hostile_files import COLUMNS, HOSTILE
from tests.broken.mutants import ENDINGS, layouts, mutant

MOST_MB = 1500.0
LONGEST_S = 10.0
"""Of the processor, for one file."""
TAKEN_FOR = ("text", "parquet", "spreadsheet", "mdf")
QUICK, ALL = 1, 400
"""Mutants of each format in every run, and in the long one."""
LEFT_TO_LONG = {
    "1.2 GB in 4 MB of gzip",
    "data groups in a circle",
    "channel list in a circle",  # brings a draft and a trial down below
    "every cell of a sheet filled",
    "sheet larger than its zip says",
    "300 million empty rows",
    "a text that says it is 2 GB long",
    "a row of four million cells",
    "numbers of a million digits",
}
"""Another file of the format takes as much memory or time just so; each costs two processes.
All of them: `python -m pytest -n0 -m long tests/broken/test_hostile_files.py`."""


class Watch:
    """The greatest memory of this process's children and the longest of their calls."""

    def __init__(self):
        self.most_mb, self._over = 0.0, threading.Event()
        self._thread = threading.Thread(target=self._look)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *error):
        self._over.set()
        self._thread.join()

    def _look(self):
        me, children = psutil.Process(), []
        for look in itertools.count():
            if self._over.wait(0.01):
                return
            # Asks for every process of the machine; one of ours takes longer than that to start.
            if look % 20 == 0:
                children = me.children(recursive=True)
            for child in children:
                with contextlib.suppress(psutil.NoSuchProcess):
                    self.most_mb = max(self.most_mb, child.memory_info().rss / 1e6)


@pytest.fixture
def hostile_shop(shop):
    """Make a shop with a layout for each format that takes hostile files for its own."""
    pattern = (shop.folder.layouts / "plain-pull.toml").read_text(encoding="utf-8")
    names = ", ".join(f'"{name}"' for name in COLUMNS[1:4])
    for form in TAKEN_FOR:
        text = pattern.replace('file_name = "*.csv"\n', "")
        text = text.replace('"plain-pull"', f'"plain-{form}"')
        text = text.replace('kind = "pull"', f'kind = "pull"\nformat = "{form}"')
        if form == "mdf":
            text = text.replace('[channels.time]\ncolumn = "seconds"\nunit = "s"\n', "")
            text = text.replace('columns = ["seconds", "crank rpm", "wheel kW", "lambda"]',
                                f"columns = [{names}]")  # fmt: skip
        (shop.folder.layouts / f"{form}.toml").write_text(text, encoding="utf-8")
    (shop.folder.layouts / "plain-pull.toml").unlink()
    return shop


def _assert_shop_goes_on(shop, make, hostile, most_mb):
    for place, (name, made) in enumerate(map(HOSTILE.get, hostile)):
        shop.put(f"{place}/{name}", made())
    shop.put("sound/pull_1.csv", make.pull())
    shop.put("sound/card.toml", make.card("J-1"))
    with Watch() as watch:
        shop.work()
    ends = shop.rows("SELECT job_folder, state, reason_code FROM raw.outcome WHERE state <> 'card'")
    for name, (_, state, code) in zip([*hostile, "sound"], sorted(ends, key=_number), strict=True):
        print(f"{name}: {state}, {code}")
    refused = {str(place) for place in range(len(hostile))}
    states = {folder: state for folder, state, _ in ends}
    assert states == dict.fromkeys(refused, "refused") | {"sound": "taken in"}
    print(f"greatest memory {watch.most_mb:.0f} MB")
    assert watch.most_mb < most_mb
    # What was refused is not tried again.
    assert shop.take_in().read == 0


def _number(row):
    return int(row[0]) if row[0].isdigit() else len(HOSTILE)


@pytest.mark.slow
def test_no_hostile_file_stops_the_shop(hostile_shop, make, monkeypatch):
    # A fifteenth of the time that a file has in a shop: most take all that they are given.
    monkeypatch.setattr(apart.Limits, "for_bytes", lambda _: apart.Limits(processor_s=0.4))
    # Beside other tests the watch may come late; without it these files take 4.4 GB and more.
    _assert_shop_goes_on(
        hostile_shop, make, [n for n in HOSTILE if n not in LEFT_TO_LONG], 2 * MOST_MB
    )


@pytest.mark.long
def test_no_hostile_file_stops_the_shop_within_its_own_limits(hostile_shop, make):
    _assert_shop_goes_on(hostile_shop, make, list(HOSTILE), MOST_MB)


def _mutants(shop, each):
    for path in shop.folder.layouts.iterdir():
        path.unlink()
    for name, text in layouts().items():
        (shop.folder.layouts / name).write_text(text, encoding="utf-8")
    for form, ending in ENDINGS.items():
        for number in range(each):
            shop.put(f"{form}/{number}.{ending}", mutant(form, number))


def _assert_all_accounted_for(shop, each, monkeypatch):
    longest = {}
    opened = read.open_guarded

    def timed(worker, sha, *rest):
        began = time.process_time()
        answer = opened(worker, sha, *rest)
        longest[sha] = time.process_time() - began
        return answer

    monkeypatch.setattr(read, "open_guarded", timed)
    with Watch() as watch:
        shop.take_in()
    states = shop.rows(
        "SELECT job_folder, state, count(*) FROM raw.outcome GROUP BY ALL ORDER BY ALL"
    )
    print(*states, sep="\n")
    print(f"greatest memory {watch.most_mb:.0f} MB, longest here {max(longest.values()):.1f} s")
    assert sum(count for _, _, count in states) == each * len(ENDINGS)
    assert {state for _, state, _ in states} <= {"taken in", "waiting", "refused", "same bytes"}
    assert not shop.rows(
        "SELECT reason FROM raw.outcome WHERE reason_code = ?", "fault of Rollbook"
    )
    assert watch.most_mb < MOST_MB
    assert max(longest.values()) < LONGEST_S
    assert shop.take_in().read == 0


def test_every_mutant_of_a_sound_file_is_accounted_for(shop, monkeypatch):
    _mutants(shop, QUICK)
    _assert_all_accounted_for(shop, QUICK, monkeypatch)


@pytest.mark.long
def test_two_thousand_mutants_are_accounted_for(shop, monkeypatch):
    _mutants(shop, ALL)
    _assert_all_accounted_for(shop, ALL, monkeypatch)


# The process apart


def _end_itself():
    os.kill(os.getpid(), signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)


def _take_memory(megabytes):
    held = [b"x" * 1_000_000 + bytes([number % 7]) for number in range(megabytes)]
    while held:
        pass


def _never_end():
    while True:
        pass


def _refuse():
    raise UnreadableError("too many rows", rows=-1, most=1)


def test_what_a_function_raises_apart_comes_back_whole():
    with pytest.raises(UnreadableError, match="it has -1 rows") as error:
        apart.Worker().call(apart.Limits(), _refuse)
    assert error.value.code == "too many rows"


def test_a_worker_that_passes_a_limit_is_ended_and_the_next_call_answered():
    with apart.worker() as worker:
        for function, arguments, processor_s, code in (
            (_end_itself, (), 30.0, "reader crashed"),
            (_take_memory, (900,), 30.0, "too much memory"),
            (_never_end, (), 0.5, "takes too long"),
        ):
            limits = apart.Limits(memory_mb=600.0, processor_s=processor_s)
            with pytest.raises(UnreadableError) as error:
                worker.call(limits, function, *arguments)
            assert error.value.code == code
            assert worker.call(limits, len, "four") == 4


# Cards


@pytest.mark.parametrize(
    "made",
    [
        pytest.param(
            lambda: "\n".join(f"key_{number} = {number}" for number in range(1_000_000)),
            id="a million keys",
        ),
        pytest.param(
            lambda: "\n".join(f"key_{number} = {number}" for number in range(10_000)),
            id="thousands of keys",
        ),
        pytest.param(
            lambda: "\n".join(f"[[stage]]\nx{number} = 1" for number in range(9_000)),
            id="thousands of stages",
        ),
        pytest.param(lambda: "a." * 90_000 + "b = 1", id="a deep key"),
        pytest.param(lambda: "a." * 100_000 + "b = 1", id="a deeper key"),
        pytest.param(lambda: "a = " + "[" * 100_000, id="deep brackets"),
        pytest.param(
            lambda: "\n".join(f"[[stage]]\nx{number} = 1" for number in range(100_000)),
            id="many stages",
        ),
        pytest.param(lambda: "job = '" + "x" * 50_000_000 + "'", id="a long text"),
    ],
)
def test_a_card_without_end_is_refused_in_time(made):
    text = made()
    began = time.process_time()
    with pytest.raises(MistakesError) as error:
        read_card(text)
    assert time.process_time() - began < LONGEST_S
    assert sum(map(len, error.value.mistakes)) < 10_000


def test_a_fault_of_ours_refuses_one_file_and_the_next_goes_on(shop, make, monkeypatch):
    told = judge.facts_of

    def failing(source, *given):
        if source.head.get("begun") == "2025-03-14 11:00":
            raise RuntimeError("not foreseen")
        return told(source, *given)

    monkeypatch.setattr(judge, "facts_of", failing)
    monkeypatch.setattr(together, "facts_of", failing)
    shop.put("job/bad.csv", make.pull(begun="2025-03-14 11:00"))
    shop.put("job/pull_1.csv", make.pull(1.1))
    shop.put("job/card.toml", make.card())
    shop.take_in()
    assert shop.outcome("job/pull_1.csv").state == "taken in"
    bad = shop.outcome("job/bad.csv")
    assert (bad.state, bad.code) == ("refused", "fault of Rollbook")
    assert "RuntimeError: not foreseen" in bad.reason


def test_rows_that_hold_nothing_asked_for_are_no_rows(shop, make):
    # Bug: a header with rows of blanks under it ended the update with an IndexError.
    header = make.pull().splitlines()[4]
    shop.put("job/pull_1.csv", f"{header}\n" + ",,,,\n" * 30)
    shop.take_in()
    assert shop.outcome("job/pull_1.csv").state == "refused"


# Drafts and trials


@pytest.mark.slow
@pytest.mark.parametrize(
    "name",
    [
        "channel list in a circle",
        pytest.param("cell in the last column", marks=pytest.mark.long),
    ],
)
def test_no_hostile_file_stops_a_draft_or_a_trial(hostile_shop, tmp_path, monkeypatch, name):
    monkeypatch.setattr(apart.Limits, "for_bytes", lambda _: apart.Limits(processor_s=0.5))
    file_name, made = HOSTILE[name]
    file = tmp_path / file_name
    file.write_bytes(made())
    drafted = CliRunner().invoke(layout_app, ["draft", str(file)])
    assert isinstance(drafted.exception, UnreadableError)
    layout = hostile_shop.folder.layouts / "mdf.toml"
    tried = CliRunner().invoke(
        layout_app, ["try", str(file), str(layout), "--shop", str(hostile_shop.folder.root)]
    )
    assert isinstance(tried.exception, UnreadableError)


# Small texts, which are read in this process, take time by their length and no power of it


def test_a_long_header_cell_does_not_hold_the_shop_up(shop, make):
    # Bug: a cell of 20,000 blanks behind a bracket took hours, and no update ended any more.
    header, *rows = make.pull().splitlines()[4:]
    cells = header.replace("lambda", "Lambda") + ",a(" + " " * 20_000 + "x"
    began = time.process_time()
    shop.put("job/pull_1.csv", "\n".join([cells, *rows]) + "\n")
    shop.take_in()
    assert time.process_time() - began < LONGEST_S
    assert shop.outcome("job/pull_1.csv").state == "waiting"


@pytest.mark.parametrize("line", ["[[" + " " * 20_000 + "x", "[" + " " * 20_000 + "x"])
def test_a_long_line_of_a_card_does_not_hold_the_shop_up(line):
    began = time.process_time()
    with pytest.raises(MistakesError, match="x is not a key that belongs here"):
        read_card(f'x = 1\nnote = """\n{line}\n"""\n')
    assert time.process_time() - began < LONGEST_S


def test_texts_that_nearly_are_a_position_are_looked_through_at_once():
    texts = pl.DataFrame({"note": ["1 1'" + " " * 4_000 + "x"] * 300})
    began = time.process_time()
    assert private_by_values(texts, set()) == {}
    assert time.process_time() - began < LONGEST_S


def test_very_many_columns_are_held_against_their_neighbours_only():
    rng = np.random.default_rng(3)
    drift = np.cumsum(rng.normal(0.0, 1e-4, (200, 400)), axis=0)
    columns = {f"c{number}": 47.12 + drift[:, number] for number in range(400)}
    began = time.process_time()
    private_by_values(pl.DataFrame(columns), set())
    assert time.process_time() - began < LONGEST_S
