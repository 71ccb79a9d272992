"""A thousand broken and odd files: each ends taken in, waiting or refused, and none wrongly."""

import json
import os
import time
from collections import Counter, defaultdict

import numpy as np
import polars as pl
import pytest

from flows import teach
from flows.readers.source import UnreadableError
from flows.settings import open_shop
from schemas.columns import CHANNELS
from schemas.layout import read_layouts
from tests.broken import broken_files
from tests.broken.broken_files import DEFECTS, LAYOUT_FORMATS, layout_text, sound_log
from tests.in_words import words
from tests.result_table import write_beside
from warehouse.sentences import rule_in_words

QUICK, ALL = (1, 1), (14, 4)
"""Files of each defect, and how many are tried as the page that teaches layouts does."""
LONGEST_S = 10.0
"""Of this process: how long the clock takes says what else the machine does."""
TOLERANCE = {
    "time_s": (0.0, 0.0011),
    "engine_speed_rpm": (0.0, 0.51),
    "roller_speed_m_s": (0.0, 0.01),
    "wheel_power_w": (1e-4, 1.0),
    "wheel_torque_nm": (1e-4, 0.01),
    "lambda_wide": (0.0, 0.0006),
    "throttle_pct": (0.0, 0.06),
    "coolant_temp_k": (0.0, 0.06),
    "map_pressure_pa": (0.0, 6.0),
    "gear": (0.0, 0.01),
}
"""Relative and absolute: half a unit of the last digit that the sound files show."""

EXPECTED = {
    # What must come of a defect where more than one thing would be no loss but only one is right.
    "byte order mark": {"taken in"},
    "packed by gzip": {"taken in"},
    "columns in another order": {"taken in"},
    "a column more": {"taken in"},
    "every cell in quotes": {"taken in"},
    "blanks around cells": {"taken in"},
    "blank lines": {"taken in"},
    "remarks above the header": {"taken in"},
    "trailing delimiters": {"taken in"},
    "trailing delimiters under the header only": {"taken in"},
    "header again in the middle": {"taken in"},
    "powers of ten": {"taken in"},
    "signs before numbers": {"taken in"},
    "units glued to cells": {"taken in"},
    "mixed line ends": {"taken in"},
    "line ends of another system": {"taken in"},
    "spreadsheet, table not in its corner": {"taken in"},
    "Parquet": {"taken in"},
    "lambda stands still": {"taken in"},
    "lambda all zero": {"taken in"},
    "a row of units first": {"taken in"},
    "a weight in lb more": {"taken in"},
    "spreadsheet, percent cells": {"taken in"},
    "spreadsheet, percent cells and one of text": {"taken in"},
    "spreadsheet, percent given to half of a column": {"taken in"},
    "spreadsheet, percent over numbers that are some": {"taken in"},
    "spreadsheet, shown in thousands": {"taken in"},
    "OpenDocument, percent cells": {"taken in"},
    "OpenDocument, percent cells and one of text": {"taken in"},
    "measurement file with its own times": {"taken in"},
    "measurement file with times from 1970": {"taken in"},
    "empty": {"refused", "waiting"},
    "no header": {"waiting"},
    "NUL bytes": {"refused"},
    "standardised values": {"refused"},
    "air-fuel ratio as lambda": {"refused"},
    "turns a second as rpm": {"refused"},
    "another unit glued to cells": {"refused"},
    "whole seconds only": {"taken in", "refused"},
    "milliseconds as seconds": {"refused"},
}


CANNOT_BE_TOLD = {("PS as kW, or mph as km/h", "roller_speed_m_s")}
"""Miles for kilometres lie within the gearing of some bike: one file alone cannot tell them apart;
other logs of the same model can (tests/flows/test_gearing.py)."""


@pytest.fixture(
    scope="module",
    params=[pytest.param(QUICK, id="quick"), pytest.param(ALL, id="all", marks=pytest.mark.long)],
)
def corpus(request, open_little_shop, make, tmp_path_factory):
    """Take in every kind of defect several times; return what came of each file."""
    each, tried = request.param
    shop = open_little_shop(tmp_path_factory.mktemp("corpus") / "shop")
    for path in shop.folder.layouts.iterdir():
        path.unlink()
    for kind in ("pull", "ride"):
        for name in LAYOUT_FORMATS:
            path = shop.folder.layouts / f"{kind}-{name}.toml"
            path.write_text(layout_text(kind, name), encoding="utf-8")
    truths = {}
    for place, (name, (_, spoil)) in enumerate(DEFECTS.items()):
        pulls, rides = [], []
        for number in range(each):
            kind = "pull" if (place + number) % 2 == 0 else "ride"
            random = np.random.default_rng([place, number])
            log = sound_log(kind, random)
            truth = log.truth
            file_name = f"{kind}_{number}.dat"
            shop.put(f"{place}/{file_name}", spoil(log, random).content)
            truths[f"{place}/{file_name}"] = (name, truth)
            (pulls if kind == "pull" else rides).append(file_name)
        stage = make.stage(pulls=pulls, rides=rides)
        shop.put(f"{place}/card.toml", make.card(f"J-{place}", [stage], bike=f"B-{place}"))
    started = time.process_time()
    shop.take_in()
    took_s = time.process_time() - started
    samples = {}
    for sha, sample_id, path in shop.rows(
        "SELECT file_sha256, sample_id, sample_path FROM raw.reading WHERE sample_path IS NOT NULL"
    ):
        samples[sha] = (sample_id, path)
    ends = {}
    for folder, file_name, sha, state, code, reason, remedy in shop.rows(
        "SELECT job_folder, file_name, file_sha256, state, reason_code, reason, reason AS remedy "
        "FROM raw.outcome WHERE state <> 'card'"
    ):
        ends[f"{folder}/{file_name}"] = (sha, state, code, reason, remedy)
    facts = dict(shop.rows("SELECT file_sha256, facts FROM raw.reading"))
    return shop, truths, ends, samples, facts, took_s, tried


def wrong_channels(shop, truth, sample, facts):
    """Return the channels of which a kept value is not the true one, and nobody said so."""
    sample_id, path = sample
    kept = pl.read_parquet(shop.folder.root / path).filter(pl.col("sample_id") == sample_id)
    wrong = set()
    if kept["time_s"].null_count() == kept.height:
        # Read without its clock, and said so: the rows still are those of the file, in order.
        at = kept["line_no"].to_numpy() - 2
    else:
        start = truth["time_s"][0]
        at = np.searchsorted(truth["time_s"], kept["time_s"].to_numpy() + start - 0.0011)
    at = np.clip(at, 0, truth["time_s"].size - 1)
    for channel, true in truth.items():
        values = kept[channel].to_numpy()
        relative, absolute = TOLERANCE[channel]
        seen = np.isfinite(values)
        off = np.abs(values - true[at]) > absolute + relative * np.abs(true[at])
        if channel in facts or (channel == "time_s" and not seen.any()):
            continue
        if (off & seen).any():
            wrong.add(channel)
    assert set(truth) <= set(CHANNELS)
    return wrong


def test_there_are_a_thousand_of_many_kinds():
    assert len(DEFECTS) >= 60
    assert ALL[0] * len(DEFECTS) >= 1000


def test_every_file_ends_with_a_state_and_a_reason(corpus):
    _, truths, ends, _, _, took_s, _ = corpus
    assert set(ends) == set(truths)
    for place, (_, state, code, reason, remedy) in ends.items():
        assert state in ("taken in", "waiting", "refused", "duplicate"), place
        if state in ("waiting", "refused"):
            assert code, place
            assert reason, place
            assert remedy, place
    # No file of these holds the others up: all together take less than one may.
    assert took_s < LONGEST_S * len(truths) / 50


def test_what_must_come_of_a_defect_does(corpus):
    _, truths, ends, *_ = corpus
    found = defaultdict(set)
    for place, (name, _) in truths.items():
        found[name].add(ends[place][1])
    wrong = {
        name: found[name] - allowed - {"duplicate"}
        for name, allowed in EXPECTED.items()
        if found[name] - allowed - {"duplicate"}
    }
    assert not wrong


def names(note, channel):
    """Tell whether a note names a channel: as a figure of the fact, or in its words."""
    said = words(note)
    return channel in said or channel in str(note) or rule_in_words(channel) in said


def test_nothing_is_taken_in_wrongly(corpus):
    shop, truths, ends, samples, facts, *_ = corpus
    wrong = Counter()
    table = defaultdict(Counter)
    for place, (name, truth) in truths.items():
        sha, state, *_ = ends[place]
        table[name][state] += 1
        if state == "taken in":
            marks = json.loads(facts[sha])
            told = set(marks.get("marks", {})) | {
                channel for channel in truth if any(names(note, channel) for note in marks["notes"])
            }
            for channel in wrong_channels(shop, truth, samples[sha], told):
                wrong[name, channel] += (name, channel) not in CANNOT_BE_TOLD
                table[name]["wrong"] += 1
            table[name]["told"] += bool(marks["notes"])
    write_table(table)
    assert dict(+wrong) == {}


def test_a_trial_says_of_each_file_what_the_intake_did(corpus):
    shop, truths, ends, *_, tried = corpus
    layouts, _ = read_layouts(shop.folder.layouts)
    settings = open_shop(shop.folder.root)[1]
    wrong, ends_tried = [], set()
    for place in truths:
        sha, state, code, *_ = ends[place]
        # Pulls have even numbers and rides odd ones: every other defect begins with a ride.
        begin, number = int(place.split("/")[0]) % 2, int(place.rpartition("_")[2][:-4])
        end = (DEFECTS[truths[place][0]][0], state, code)
        if not begin <= number < begin + tried or end in ends_tried:
            continue
        if tried == QUICK[1]:  # a trial takes half a second: one of each group of defects and end
            ends_tried.add(end)
        path, name = shop.folder.archive / sha[:2] / sha, place.partition("/")[2]
        kind = name.partition("_")[0]
        for layout in layouts:
            if layout.layout.kind != kind:
                continue
            try:
                verdict = teach.tried(path, layout, settings, layouts, name).verdict
                told = verdict.state, verdict.code
            except UnreadableError as error:
                # Not of this layout: the intake had no other that fits either, or read another's.
                does_not_fit = error.code == "layout does not fit"
                told = "waiting" if does_not_fit else "refused", error.code
            wanted = ("taken in", "") if state in ("taken in", "duplicate") else (state, code)
            if told != wanted and told[1] != "layout does not fit":
                wrong.append((place, truths[place][0], layout.name, told, wanted))
    assert wrong == []


def write_table(table):
    """Keep the table beside the makers of the files where the environment asks for it."""
    if not os.environ.get("ROLLBOOK_CORPUS_TABLE"):
        return
    columns = ("taken in", "told", "waiting", "refused", "duplicate", "wrong")
    lines = [
        "| defect | taken in | of these with a note | waiting | refused | same bytes | wrongly |",
        "| --- | --: | --: | --: | --: | --: | --: |",
    ]
    rows = [(f"{DEFECTS[name][0]}: {name}", counts) for name, counts in table.items()]
    total = sum((Counter(counts) for _, counts in rows), Counter())
    for name, counts in [*rows, ("**all**", total)]:
        shown = " | ".join(str(counts[column] or "") for column in columns)
        lines.append(f"| {name} | {shown} |")
    made = (
        f"`broken_files.py` and `odd_courses.py` spoil sound invented logs in {len(rows)} ways, "
        f"{ALL[0]} of each; all are taken in, and every kept value is held against the known clean "
        "one.\n\n"
    )
    write_beside(
        broken_files.__file__,
        "Broken and odd files: what becomes of them",
        made + "\n".join(lines),
        command="ROLLBOOK_CORPUS_TABLE=1 python -m pytest -n0 -m long "
        "tests/broken/test_broken_files.py",
    )
