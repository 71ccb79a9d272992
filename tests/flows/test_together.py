"""Files read at once come out as files read one by one: same readings, rows and samples."""

import hashlib

import numpy as np
import polars as pl
import pytest

from flows.steps import opened, read, together
from flows.steps.archive import archived_path
from schemas.layout import read_layouts
from schemas.settings import ShopSettings
from tests.bench import logs
from tests.broken.broken_files import DEFECTS, layout_text, sound_log
from tests.broken.odd_courses import COURSES

EACH = 1
"""Files of each defect and kind."""


def in_archive(shop, files):
    """Lay files into a shop's archive; return sha → names."""
    shop.samples.mkdir(parents=True, exist_ok=True)
    names = {}
    for name, content in files:
        sha = hashlib.sha256(content).hexdigest()
        path = archived_path(shop, sha)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
        names.setdefault(sha, []).append(name)
    return names


def both_ways(shop, names, monkeypatch):
    """Return what comes of files at once and one by one, and which came out at once."""
    layouts, mistakes = read_layouts(shop.layouts)
    assert mistakes == {}
    rules = opened.Rules(layouts, ShopSettings(), names)
    batch = dict.fromkeys(names)
    held = read._held(shop, batch)
    at_once = set(together.open_together(held, rules, batch))
    found = read.read_batch(shop, rules, batch)
    monkeypatch.setattr(read, "open_together", lambda *_: {})
    return found, read.read_batch(shop, rules, batch), at_once


def assert_equal(shop, found, expected):
    assert len(found.readings) == len(expected.readings)
    for one, other in zip(found.readings, expected.readings, strict=True):
        assert one == other
    assert found.rejected == expected.rejected
    assert found.still == expected.still
    # The path names the sum of the bytes: equal paths are equal samples. That they are there:
    paths = {reading.sample_path for reading in found.readings} - {None}
    assert paths
    assert sum(pl.read_parquet(shop.root / path).height for path in paths) == sum(
        reading.rows_kept for reading in found.readings
    )


@pytest.fixture
def shop(open_little_shop, tmp_path):
    return open_little_shop(tmp_path / "shop").folder


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["pull", "ride"])
def test_broken_files_come_out_the_same_at_once_and_one_by_one(shop, monkeypatch, kind):
    for path in shop.layouts.iterdir():
        path.unlink()
    (shop.layouts / "sound.toml").write_text(layout_text(kind, "text"), encoding="utf-8")
    files = []
    for place, (_, spoil) in enumerate(DEFECTS.values()):
        for number in range(EACH):
            random = np.random.default_rng([place, number])
            spoilt = spoil(sound_log(kind, random), random)
            if spoilt.file_format == "text":
                files.append((f"{place}_{number}.dat", spoilt.content))
    for place, course in enumerate(COURSES.values()):
        log = sound_log(kind, np.random.default_rng(place))
        course(log)
        files.append((f"course_{place}.dat", log.text().encode()))
    names = in_archive(shop, files)
    found, expected, at_once = both_ways(shop, names, monkeypatch)
    assert_equal(shop, found, expected)
    states = {reading.state for reading in found.readings if reading.file_sha256 in at_once}
    assert states == {"read"}
    assert 0.2 * len(names) < len(at_once) < 0.8 * len(names)


def test_sound_files_all_come_out_at_once(shop, monkeypatch):
    made = logs.write_bench_shop(shop.root / "bench", 12, 2, 3000)
    for path in (shop.root / "bench" / "layouts").iterdir():
        path.rename(shop.layouts / path.name)
    paths = [*made.pulls, *made.rides]
    names = in_archive(shop, [(path.name, path.read_bytes()) for path in paths])
    found, expected, at_once = both_ways(shop, names, monkeypatch)
    assert at_once == set(names)
    assert_equal(shop, found, expected)


def test_the_demo_shops_files_come_out_the_same(demo, monkeypatch, tmp_path, open_little_shop):
    shop = open_little_shop(tmp_path / "copy").folder
    for path in shop.layouts.iterdir():
        path.unlink()
    for path in demo.folder.layouts.iterdir():
        (shop.layouts / path.name).write_bytes(path.read_bytes())
    files = [
        (path.name, path.read_bytes())
        for path in sorted(demo.folder.inbox.rglob("*"))
        if path.is_file() and path.name != "card.toml" and path.stat().st_size < 4_000_000
    ]
    names = in_archive(shop, files[::3])
    found, expected, at_once = both_ways(shop, names, monkeypatch)
    assert len(at_once) > 0.5 * len(names)
    assert_equal(shop, found, expected)
