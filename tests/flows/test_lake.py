"""What a shop gives to a store of many comes back as share files, as of any day."""

import datetime as dt
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from flows import lake
from flows.pool import read_share
from flows.share import write_share
from tests.conftest import command_line
from tests.studies.pooled_shops import share_frame
from warehouse.many import Batch, ManyShopsError
from warehouse.many.embedded import Embedded


@pytest.fixture
def rows(monkeypatch):
    """Return what a shop may share, without the shop."""
    made = share_frame(np.random.default_rng(1), 1, bikes=20)
    monkeypatch.setattr(lake, "to_share", lambda *_: SimpleNamespace(rows=made))
    return made


def test_what_a_shop_gave_comes_back_as_a_share_file_as_of_any_time(rows, tmp_path):
    many, snapshot = Embedded(tmp_path / "many"), SimpleNamespace(number=7)
    before = dt.datetime.now(dt.UTC)
    batch, is_new = lake.give(Path(), snapshot, many)
    assert is_new
    assert not lake.give(Path(), snapshot, many)[1]
    assert lake.take(many, tmp_path / "first", None) == (1, 1)
    # A later publish takes the place of the earlier one: no comparison counts twice.
    write_share(tmp_path / "later.parquet", rows.head(3))
    assert many.append(Batch(batch.shop, 8, "x", {"comparisons": tmp_path / "later.parquet"}))
    assert lake.take(many, tmp_path / "now", dt.datetime.now(dt.UTC)) == (2, 1)
    for folder, wanted in (("first", rows), ("now", rows.head(3))):
        (file,) = (tmp_path / folder).iterdir()
        assert_frame_equal(pl.read_parquet(file), wanted)
        assert read_share(str(file)).kept.height == wanted.height
    with pytest.raises(ManyShopsError, match="nobody gave"):
        lake.take(many, tmp_path / "none", before)


def test_a_store_that_is_not_there_and_a_day_that_is_none_are_told(tmp_path):
    code, told = command_line("lake", "read", tmp_path / "none", tmp_path / "shares")
    assert code == 1
    assert "there is no folder" in told
    code, told = command_line("lake", "read", tmp_path, tmp_path / "shares", "--at", "yesterday")
    assert code == 1
    assert "write it as 2026-11-30" in told
