"""Which layout a file is of, and what a later or better layout changes."""

import pytest


def pull_layout(name, columns, more=""):
    listed = ", ".join(f'"{column}"' for column in columns)
    return f"""
    [layout]
    name = "{name}"
    kind = "pull"
    equipment = "another dyno"
    [recognise]
    columns = [{listed}]
    {more}
    [channels.time]
    column = "seconds"
    unit = "s"
    [channels.engine_speed]
    column = "crank rpm"
    unit = "rpm"
    [channels.wheel_power]
    column = "wheel kW"
    unit = "kW"
    [power]
    state = "observed"
    """


@pytest.fixture
def one_job(shop, make):
    shop.put("job/pull_1.csv", make.pull())
    shop.put("job/card.toml", make.card())
    return shop


def teach(shop, name, columns, more=""):
    path = shop.folder.layouts / f"{name}.toml"
    path.write_text(pull_layout(name, columns, more), encoding="utf-8")
    return path


FOUR = ["seconds", "crank rpm", "wheel kW", "opening %"]
FIVE = [*FOUR, "lambda"]


def test_two_layouts_that_fit_equally_are_not_guessed_between(one_job):
    teach(one_job, "twin", FOUR, 'file_name = "*.csv"')
    one_job.take_in()
    outcome = one_job.outcome("job/pull_1.csv")
    assert (outcome.state, outcome.code) == ("waiting", "two layouts fit")
    assert "'plain-pull' and 'twin'" in outcome.reason
    assert "recognise" in outcome.remedy


def test_a_layout_told_apart_by_its_file_name_wins(one_job):
    (one_job.folder.layouts / "plain-pull.toml").unlink()
    teach(one_job, "general", FOUR)
    teach(one_job, "special", FOUR, 'file_name = "pull_*.csv"')
    one_job.take_in()
    assert one_job.rows("SELECT layout FROM core.pull") == [("special",)]


def test_a_better_layout_reads_old_files_again_as_if_it_had_been_there(one_job):
    one_job.work_out("out.pull")
    assert one_job.rows("SELECT layout FROM core.pull") == [("plain-pull",)]
    teach(one_job, "better", FIVE)
    one_job.work()
    assert one_job.rows("SELECT layout FROM core.pull") == [("better",)]
    grown = one_job.contents("core", "out")
    one_job.forget_warehouse()
    one_job.work()
    assert one_job.contents("core", "out") == grown


def test_a_layout_for_other_files_reads_nothing_again(one_job):
    one_job.take_in()
    before = one_job.rows("SELECT sample_id, sample_path FROM raw.reading")
    teach(one_job, "other", ["seconds", "crank rpm", "wheel kW", "boost"])
    assert one_job.take_in().read == 0
    assert one_job.rows("SELECT sample_id, sample_path FROM raw.reading") == before


def test_a_layout_taken_away_gives_its_files_back_to_the_next(one_job):
    better = teach(one_job, "better", FIVE)
    one_job.take_in()
    better.unlink()
    one_job.take_in()
    assert one_job.rows("SELECT layout FROM core.pull") == [("plain-pull",)]


def test_the_same_bytes_under_a_name_that_the_layout_knows_are_read(shop, make):
    shop.put("job/pull_1.dat", make.pull())
    shop.put("job/card.toml", make.card())
    shop.take_in()
    assert shop.outcome("job/pull_1.dat").code == "layout not taught"
    shop.put("job/pull_1.csv", make.pull())
    shop.take_in()
    assert shop.outcome("job/pull_1.csv").state == "taken in"


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "empty file"),
        (b"\x00\x01\x02\x03" * 400, "binary data"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "old spreadsheet"),
        (b"\x1f\x8b\x08\x00 not really packed", "damaged packing"),
    ],
)
def test_what_is_no_table_is_refused_with_the_remedy(shop, content, code):
    shop.put("job/file.csv", content)
    shop.take_in()
    outcome = shop.outcome("job/file.csv")
    assert (outcome.state, outcome.code) == ("refused", code)
    assert outcome.remedy
