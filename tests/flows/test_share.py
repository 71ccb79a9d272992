"""Share and pool: nothing private leaves, hostile files harm nobody, every shop counts once."""

import os

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from flows.pool import (
    ShareRefusedError,
    one_file_a_shop,
    pooled_figures,
    read_files,
    read_share,
    sound_shops,
    with_names,
)
from flows.share import names_of, to_share, write_share
from schemas.share import SCHEMA, NameBook, folded
from tests.conftest import command_line
from tests.studies.pooled_shops import share_frame
from warehouse.everywhere import here_and_everywhere
from warehouse.questions import ask
from warehouse.snapshot import current, open_reader


def frame(shop, bikes=60, **fixed):
    return share_frame(np.random.default_rng(shop), shop, bikes=bikes, **fixed)


def clear(text):
    """Return a text as it is searched: no case, blanks or signs."""
    return folded(text)


def test_nothing_private_of_the_demo_shop_leaves(demo_copy, tmp_path):
    snapshot = current(demo_copy.root)
    found = to_share(demo_copy.root, snapshot)
    assert found.rows.height > 5
    assert list(found.rows.schema) == list(SCHEMA)
    write_share(tmp_path / "share.parquet", found.rows)
    # As text, not as packed bytes: every value, and all that the file says of itself.
    file = pq.ParquetFile(tmp_path / "share.parquet")
    said = [file.read().to_pylist(), file.metadata, file.schema_arrow.metadata]
    text = clear(repr(said) + repr(file.metadata.metadata))
    with open_reader(snapshot.path) as reader:
        private = {
            value
            for query in (
                "SELECT unnest([bike_id, job_id, job_folder]) FROM out.bike",
                "SELECT unnest([file_name, job_folder]) FROM out.file",
                "SELECT job_folder FROM out.stage",
                "SELECT map_name FROM out.stage WHERE map_name <> 'stock'",
                "SELECT fact_value FROM out.shop_fact WHERE fact = 'shop.name'",
                "SELECT note_text FROM out.shop_note",
                "SELECT received_on::VARCHAR FROM out.bike",
            )
            for (value,) in reader.sql(query).fetchall()
        }
    for card in (demo_copy.root / "inbox").rglob("card.toml"):
        for line in card.read_text(encoding="utf-8").splitlines():
            key, _, value = line.partition("=")
            if key.strip() in ("owner", "reference", "note", "job", "tyre", "dyno"):
                private.add(value.strip().strip('"'))
    private = {value for value in private if len(clear(value)) > 3}
    assert len(private) > 40
    assert [value for value in private if clear(value) in text] == []


def test_what_one_customer_may_have_named_stays_and_the_dictionary_lets_it_go(demo_copy):
    snapshot = current(demo_copy.root)
    with open_reader(snapshot.path) as reader:
        made = ask(reader, "to_share")
    few = made.select("model_id", "bike_id").unique().group_by("model_id").len()
    rare = few.filter(pl.col("len") < 3)["model_id"].to_list()
    found = to_share(demo_copy.root, snapshot)
    assert rare
    assert not set(rare) & set(found.rows["model"])
    assert found.rows_left_behind == made.filter(pl.col("model_id").is_in(rare)).height
    spelt = rare[0].upper().replace(" ", "-")
    names = demo_copy.root / "pool" / "names.toml"
    names.write_text(f'[models]\n"{rare[0]} known" = ["{spelt}"]\n', encoding="utf-8")
    assert f"{rare[0]} known" in set(to_share(demo_copy.root, snapshot).rows["model"])


def test_ids_are_the_same_each_time_and_others_in_another_shop(demo_copy):
    snapshot = current(demo_copy.root)
    first, again = (to_share(demo_copy.root, snapshot).rows for _ in range(2))
    assert first.equals(again)
    (demo_copy.root / "pool" / "share-secret").unlink()
    other = to_share(demo_copy.root, snapshot).rows
    for name in ("shop_id", "bike_id", "dyno_id"):
        assert not set(first[name]) & set(other[name])


def hostile(folder):
    """Write files that no shop would send, each under what must be said of it."""
    good = frame(1)
    (folder / "crash.parquet").write_bytes(b"PAR1" + bytes(range(256)) * 40 + b"PAR1")
    (folder / "empty.parquet").write_bytes(b"")
    (folder / "link.parquet").symlink_to("/etc/hostname")
    good.with_columns(note=pl.lit("x")).write_parquet(folder / "more.parquet")
    good.with_columns(share_version=pl.lit(9, pl.Int64)).write_parquet(folder / "newer.parquet")
    pl.concat([good, frame(2)]).write_parquet(folder / "two.parquet")
    whole = bytearray((folder / "newer.parquet").read_bytes())
    whole[200:260] = b"\xff" * 60
    (folder / "torn.parquet").write_bytes(whole)
    # 400,000 rows of one value take some kilobytes.
    many = pa.table({"share_version": pa.array([1]).take(pa.array([0] * 400_000))})
    pq.write_table(many, folder / "many.parquet")


def test_hostile_files_are_refused_by_name_and_a_sound_one_beside_them_counts(tmp_path):
    hostile(tmp_path)
    write_share(tmp_path / "sound.parquet", frame(5))
    write_share(tmp_path / "partly.parquet", frame(6).with_columns(
        log_mean_gain=pl.when(pl.int_range(pl.len()) < 7).then(5.0).otherwise("log_mean_gain")
    ))  # fmt: skip
    found, told = read_files(tmp_path)
    assert set(found) == {"sound.parquet", "partly.parquet"}
    assert found["sound.parquet"].equals(frame(5).select(found["sound.parquet"].columns))
    assert found["partly.parquet"].height == frame(6).height - 7
    said = " | ".join(told)
    for name in ("crash", "empty", "link", "more", "newer", "two", "torn", "many", "partly"):
        assert f"{name}.parquet: " in said, name
    assert "newer.parquet: of form 9, this program reads form 1" in said
    assert "log_mean_gain in 7" in said


def test_a_file_whose_name_is_no_text_is_read_as_any_other(tmp_path):
    write_share(tmp_path / "sound.parquet", frame(5))
    odd = os.fsencode(tmp_path) + b"/\xff\xfe.parquet"
    try:
        (tmp_path / "sound.parquet").rename(os.fsdecode(odd))
    except OSError:
        pytest.skip("this file system takes names of text only")
    found, told = read_files(tmp_path)
    assert [rows.height for rows in found.values()] == [frame(5).height]
    assert told == []


def test_a_row_that_stands_many_times_in_one_file_counts_once_and_is_told(tmp_path):
    # Forty times the same measurement is no forty measurements: its variance would be a fortieth.
    write_share(tmp_path / "again.parquet", pl.concat([frame(5)] * 40))
    found, told = read_files(tmp_path)
    assert found["again.parquet"].height == frame(5).height
    assert told == [f"again.parquet: {39 * frame(5).height:,} rows said again, each counts once"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs a named pipe")
def test_a_pipe_for_a_dictionary_of_names_keeps_nobody_waiting(tmp_path):
    os.mkfifo(tmp_path / "names.toml")
    assert names_of(tmp_path / "names.toml") == NameBook()


def test_a_shop_counts_once_by_its_newest_file_and_never_against_itself():
    old, new = frame(1), frame(1).with_columns(share_no=pl.lit(8, pl.Int64))
    # The secret was lost: other ids, the same rows.
    renamed = frame(1).with_columns(shop_id=pl.lit("f" * 16), share_no=pl.lit(1, pl.Int64))
    own = frame(9)
    stranger = frame(3)
    files = {"old": old, "new": new, "renamed": renamed, "own": frame(9), "other": stranger}
    rows, told = one_file_a_shop(own, files)
    assert set(rows["file"]) == {"this shop", "new", "other"}
    assert rows.height == own.height + new.height + stranger.height
    assert len(told) == 3


def test_a_made_up_shop_and_one_of_absurd_scatter_are_left_out_with_words():
    sound = [frame(number).with_columns(file=pl.lit(f"{number}")) for number in range(1, 7)]
    zero = frame(7, log_mean_gain=0.0).with_columns(file=pl.lit("zero"))
    wild = frame(8).with_columns(pl.col("mean_gain_variance") / 64, file=pl.lit("wild"))
    rows, told = sound_shops(pl.concat([*sound, zero, wild]))
    assert set(rows["file"]) == set("123456")
    assert any(said.startswith("zero: its bikes agree far better") for said in told)
    # By hand: 64 times less variance are 8 times less scatter.
    assert any(said.startswith("wild: states 0.1") for said in told)


def test_a_shop_off_in_everything_is_the_odd_one_out_and_no_other():
    shops = [frame(number, bikes=200) for number in range(1, 11)]
    shops[4] = shops[4].with_columns(pl.col("log_mean_gain") + 0.06)
    rows = pl.concat([one.with_columns(file=pl.lit(f"{n}")) for n, one in enumerate(shops)])
    _, odd = pooled_figures(rows, shops[0])
    assert [said.partition(":")[0] for said in odd] == ["4"]


def test_near_names_are_suggested_and_never_matched_in_silence():
    own = frame(1, model="Corvane Strada 690").with_columns(file=pl.lit("a"))
    other = frame(2, model="corvane STRADA-690").with_columns(file=pl.lit("b"))
    near = frame(3, model="Corvane Strada 691").with_columns(file=pl.lit("c"))
    long = frame(4, model="Corvane Strd 690").with_columns(file=pl.lit("d"))
    rows = pl.concat([own, other, near, long])
    named, lines = with_names(rows, NameBook())
    assert named["model"].n_unique() == 3
    assert any("691" in line and "another spelling of" in line for line in lines)
    book = NameBook(models={"Corvane Strada 690": ["Corvane Strd 690"]}, parts={})
    named, lines = with_names(rows, book)
    assert set(named["model"]) == {"Corvane Strada 690", "Corvane Strada 691"}
    assert not any("Strd" in line for line in lines)


def test_two_generations_of_a_model_are_not_taken_for_spellings_of_one_another():
    models = ("Corvane Strada 690 2012-2015 690", "Corvane Strada 690 2016-2019 690")
    sure = [
        frame(at, model=model).with_columns(file=pl.lit(str(at))) for at, model in enumerate(models)
    ]
    assert not any("spelling" in line for line in with_names(pl.concat(sure), NameBook())[1])
    # A year more is another entry of the same generation, and may be one.
    sure.append(frame(7, model="Corvane Strada 690 2012-2016 690").with_columns(file=pl.lit("7")))
    assert any("spelling" in line for line in with_names(pl.concat(sure), NameBook())[1])


def test_shared_here_and_pooled_it_stands_beside_the_own_and_the_quote_stays(demo_copy, tmp_path):
    root = demo_copy.root
    before = quotes(root)
    code, said = command_line("share", root)
    assert code == 0, said
    assert "This is all that leaves" in said
    assert "Nothing was written" in said
    # Bug: the preview spoke in names of columns.
    assert [name for name in SCHEMA if "_" in name and name in said] == []
    assert "Lean grade after it: " in said
    code, said = command_line("share", root, tmp_path / "ours.parquet")
    ours = pl.read_parquet(tmp_path / "ours.parquet")
    model, change = (
        ours.group_by("model", "change").len().sort("len", "model", "change").row(-1)[:2]
    )
    folder = tmp_path / "pool"
    folder.mkdir()
    for number in range(1, 6):
        others = frame(number, bikes=30, model=model, change=change)
        write_share(folder / f"{number}.parquet", others)
    code, said = command_line("pool", folder, root)
    assert code == 0, said
    assert "Pooled: 6 shops" in said
    with open_reader(current(root).path) as reader:
        figure = "mean gain over the riding range"
        rows = ask(reader, "here_and_everywhere", model_id=model, change_key=change, figure=figure)
    row = rows.row(0, named=True)
    assert row["fitted_parts"] is None
    assert (row["shops"], row["bikes"] - row["own_bikes"]) == (6, 150)
    assert (
        row["own_bikes"]
        == ours.filter((pl.col("model") == model) & (pl.col("change") == change))[
            "bike_id"
        ].n_unique()
    )
    assert "Here: " in here_and_everywhere(row)[0]
    assert quotes(root) == before
    # The same folder again changes nothing; without the pool nothing of it stands any more.
    number = current(root).number
    command_line("pool", folder, root)
    assert current(root).number == number
    (root / "pool" / "everywhere.parquet").unlink()
    command_line("update", root)
    with open_reader(current(root).path) as reader:
        assert reader.sql("SELECT count(*) FROM out.everywhere").fetchall() == [(0,)]


def test_a_name_that_no_pool_would_look_for_is_refused_and_nothing_is_written(tmp_path):
    code, said = command_line("share", tmp_path, tmp_path / "ours.json")
    assert code == 2
    assert "ours.parquet" in said
    assert not (tmp_path / "ours.json").exists()


def test_a_pool_is_not_published_from_an_emptied_database(demo_copy, tmp_path):
    # Bug: after new table definitions the pool published a shop without gains.
    before = quotes(demo_copy.root)
    demo_copy.database.unlink()
    code, said = command_line("pool", tmp_path, demo_copy.root)
    assert code == 1
    assert "rollbook update" in said
    assert quotes(demo_copy.root) == before != []


def test_a_pool_kept_by_another_version_stops_no_update(shop):
    kept = shop.folder.everywhere
    kept.parent.mkdir(exist_ok=True)
    pl.DataFrame({"figure": ["x"], "bikes": ["many"]}).write_parquet(kept)
    shop.work_out("out.everywhere")
    assert shop.rows("SELECT count(*) FROM out.everywhere") == [(0,)]


def quotes(root):
    with open_reader(current(root).path) as reader:
        return reader.sql(
            "SELECT * EXCLUDE made_from FROM out.pooled_effect ORDER BY effect_id"
        ).fetchall()


def test_a_file_of_another_form_says_which_forms(tmp_path):
    frame(1).drop("parts").write_parquet(tmp_path / "x.parquet")
    with pytest.raises(ShareRefusedError, match="columns are others"):
        read_share(str(tmp_path / "x.parquet"))
