"""Intake: what becomes of every file and card that reaches the inbox."""

import errno
import hashlib
import json
import re

import polars as pl
import pytest

from flows.steps.notes import note_name
from tests.conftest import command_line
from warehouse import snapshot

# The rides of a little shop begin at -41.87 and -112.25 and go on by 0.00001 a row.
POSITION = re.compile(r"41\.87\d{2}|112\.25\d{2}")


def archived(shop, content):
    sha = hashlib.sha256(content if isinstance(content, bytes) else content.encode()).hexdigest()
    return (shop.folder.archive / sha[:2] / sha).is_file()


def all_that_is_kept_outside_the_archive(shop):
    """Return the warehouse, the sample files, the snapshots and the notes as one text."""
    tables = shop.contents("raw", "core", "out")
    # The cards as received: the archive's twin, which is never published.
    del tables["raw.card"]
    texts = [json.dumps(tables)]
    for path in shop.folder.samples.glob("*.parquet"):
        frame = pl.read_parquet(path)
        texts += [repr(frame.columns), frame.write_csv()]
    published = snapshot.current(shop.folder.root)
    with snapshot.open_reader(published.path) as reader:
        shown = "SELECT DISTINCT table_name FROM duckdb_columns() WHERE schema_name = 'out'"
        for (name,) in reader.execute(shown).fetchall():
            query = f"SELECT * FROM out.{name}"  # noqa: S608
            texts.append(repr(reader.execute(query).fetchall()))
    notes = sorted(shop.folder.refused.rglob("*.txt"))
    return "\n".join(texts + [note.read_text(encoding="utf-8") for note in notes])


def test_a_job_is_taken_in(shop, make):
    shop.put("job/pull_1.csv", make.pull())
    shop.put("job/card.toml", make.card())
    result = shop.take_in()
    assert result.states == {"taken in": 1, "card": 1}
    assert shop.rows("SELECT job_id, bike_id FROM core.job") == [("J-1", "B-1")]
    assert shop.rows("SELECT stage_id, pull_no, file_name FROM core.pull") == [
        ("J-1/1", 1, "pull_1.csv")
    ]


def test_an_intake_done_twice_changes_nothing(shop, make):
    shop.job(1)
    shop.job(2)
    shop.put("job 2/odd.csv", "nothing known\n")
    shop.put("job 2/bad.csv", make.pull().replace(",100", ",x"))
    shop.take_in()
    before = shop.contents("raw", "core")
    samples = sorted((p.name, p.read_bytes()) for p in shop.folder.samples.iterdir())
    second = shop.take_in()
    assert (second.arrived, second.read, second.linked) == (0, 0, [])
    assert shop.contents("raw", "core") == before
    assert sorted((p.name, p.read_bytes()) for p in shop.folder.samples.iterdir()) == samples


def test_touching_a_file_without_changing_it_changes_no_figure(shop, make):
    shop.job(1)
    shop.take_in()
    before = shop.contents("core")
    path = shop.folder.inbox / "job 1" / "s1_1.csv"
    path.write_bytes(path.read_bytes())
    shop.take_in()
    assert shop.contents("core") == before


def test_the_same_file_under_two_names_is_one_pull(shop, make):
    shop.put("job/pull_1.csv", make.pull())
    shop.put("job/pull_2.csv", make.pull())
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=["pull_1.csv", "pull_2.csv"])]))
    shop.take_in()
    assert len(shop.rows("SELECT * FROM core.pull")) == 1
    second = shop.outcome("job/pull_2.csv")
    assert second.state == "duplicate"
    assert "pull_1.csv" in second.reason


def test_bytes_claimed_by_two_jobs_belong_to_the_first_to_arrive(shop, make):
    shop.put("a/pull_1.csv", make.pull())
    shop.put("a/card.toml", make.card("J-1"))
    shop.take_in()
    shop.put("b/pull_1.csv", make.pull())
    shop.put("b/card.toml", make.card("J-2", bike="B-2"))
    shop.take_in()
    assert shop.outcome("a/pull_1.csv").state == "taken in"
    assert shop.outcome("b/pull_1.csv").state == "duplicate"
    assert shop.rows("SELECT stage_id FROM core.pull") == [("J-1/1",)]


def test_bytes_that_a_card_lets_go_pass_to_the_next_claim(shop, make):
    for folder, job, bike in (("a", "J-1", "B-1"), ("b", "J-2", "B-2")):
        shop.put(f"{folder}/pull_1.csv", make.pull())
        shop.put(f"{folder}/card.toml", make.card(job, bike=bike))
        shop.take_in()
    shop.put("a/card.toml", make.card("J-1", stages=[make.stage(pulls=[])]))
    shop.take_in()
    assert shop.rows("SELECT stage_id FROM core.pull") == [("J-2/1",)]
    assert shop.outcome("b/pull_1.csv").state == "taken in"
    assert shop.outcome("a/pull_1.csv").code == "not on the card"


def test_bytes_go_back_to_the_first_to_arrive_when_its_card_claims_them_late(shop, make):
    shop.put("a/pull_1.csv", make.pull())
    shop.take_in()
    shop.put("b/pull_1.csv", make.pull())
    shop.put("b/card.toml", make.card("J-2", bike="B-2"))
    shop.take_in()
    assert shop.rows("SELECT stage_id FROM core.pull") == [("J-2/1",)]
    shop.put("a/card.toml", make.card("J-1"))
    shop.take_in()
    assert shop.rows("SELECT stage_id FROM core.pull") == [("J-1/1",)]
    assert shop.outcome("b/pull_1.csv").state == "duplicate"


def test_a_file_without_a_card_waits_until_the_card_comes(shop, make):
    shop.put("walk-in/pull_1.csv", make.pull())
    shop.take_in()
    assert shop.outcome("walk-in/pull_1.csv").code == "no card"
    note = shop.folder.refused / note_name("walk-in", "pull_1.csv")
    assert "card.toml" in note.read_text(encoding="utf-8")
    shop.put("walk-in/card.toml", make.card())
    shop.take_in()
    assert shop.outcome("walk-in/pull_1.csv").state == "taken in"
    assert not note.exists()


def test_a_file_in_the_inbox_itself_waits_for_a_folder(shop, make):
    path = shop.folder.inbox / "pull_1.csv"
    path.write_text(make.pull(), encoding="utf-8")
    shop.take_in()
    assert shop.outcome("./pull_1.csv").code == "no job folder"


def test_a_card_with_mistakes_is_refused_with_every_line(shop, make):
    wrong = make.card(more="colour = 'red'").replace('fuel = "E5"', 'fule = "E5"')
    shop.put("job/pull_1.csv", make.pull())
    shop.put("job/card.toml", wrong)
    shop.take_in()
    card = shop.outcome("job/card.toml")
    assert (card.state, card.code) == ("refused", "card has mistakes")
    for key in ("bike.colour", "stage.1.fule", "stage.1.fuel is missing"):
        assert key in card.reason
    wanted = next(n for n, line in enumerate(wrong.splitlines(), 1) if line.startswith("fule"))
    assert f"line {wanted}: stage.1.fule" in card.reason
    assert shop.outcome("job/pull_1.csv").code == "card not usable"
    assert shop.rows("SELECT * FROM core.job") == []


def test_a_corrected_card_is_taken_in_and_the_old_one_is_kept(shop, make):
    shop.put("job/pull_1.csv", make.pull())
    shop.put("job/card.toml", make.card(more="colour = 'red'"))
    shop.take_in()
    shop.put("job/card.toml", make.card())
    shop.take_in()
    assert shop.outcome("job/pull_1.csv").state == "taken in"
    cards = shop.rows("SELECT problems <> '[]', is_in_force FROM raw.card ORDER BY is_in_force")
    assert cards == [(True, False), (False, True)]


def test_a_corrected_card_moves_its_pulls(shop, make):
    names = ["pull_1.csv", "pull_2.csv"]
    for name, level in zip(names, (1.0, 1.1), strict=True):
        shop.put(f"job/{name}", make.pull(level))
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=names)]))
    shop.take_in()
    assert shop.rows("SELECT DISTINCT stage_id FROM core.pull") == [("J-1/1",)]
    stages = [make.stage(pulls=names[:1]), make.stage("silencer", names[1:], parts=[make.part()])]
    shop.put("job/card.toml", make.card(stages=stages))
    shop.take_in()
    assert shop.rows("SELECT stage_id, file_name FROM core.pull ORDER BY ALL") == [
        ("J-1/1", "pull_1.csv"),
        ("J-1/2", "pull_2.csv"),
    ]


def test_a_later_card_with_mistakes_leaves_the_earlier_one_in_force(shop, make):
    shop.put("job/pull_1.csv", make.pull())
    shop.put("job/card.toml", make.card())
    shop.take_in()
    before = shop.contents("core")
    shop.put("job/card.toml", make.card(more="colour = 'red'"))
    shop.take_in()
    assert shop.contents("core") == before
    card = shop.outcome("job/card.toml")
    assert card.state == "refused"
    assert "stays in force" in card.remedy


def test_a_card_written_back_to_what_it_was_is_in_force_again(shop, make):
    shop.put("job/pull_1.csv", make.pull())
    shop.put("job/card.toml", make.card(received="2025-03-14"))
    shop.take_in()
    shop.put("job/card.toml", make.card(received="2025-04-01"))
    shop.take_in()
    shop.put("job/card.toml", make.card(received="2025-03-14"))
    shop.take_in()
    assert str(shop.rows("SELECT received_on FROM core.job")[0][0]) == "2025-03-14"


def test_a_file_that_the_card_names_and_nobody_dropped_is_missing(shop, make):
    shop.put("job/pull_1.csv", make.pull())
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=["pull_1.csv", "pull_2.csv"])]))
    shop.take_in()
    lost = shop.outcome("job/pull_2.csv")
    assert lost.state == "missing"
    note = shop.folder.refused / note_name("job", "pull_2.csv")
    assert "never came" in note.read_text(encoding="utf-8")
    shop.put("job/pull_2.csv", make.pull(1.01))
    shop.take_in()
    assert shop.outcome("job/pull_2.csv").state == "taken in"
    assert not note.exists()


def test_a_file_that_the_card_does_not_name_waits(shop, make):
    shop.put("job/pull_1.csv", make.pull())
    shop.put("job/try-out.csv", make.pull(1.2))
    shop.put("job/card.toml", make.card())
    shop.take_in()
    assert shop.outcome("job/try-out.csv").code == "not on the card"


def test_a_glob_on_the_card_takes_every_file_it_fits_in_order(shop, make):
    for number in (2, 1, 3):
        shop.put(f"job/run_{number}.csv", make.pull(1 + number / 100))
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=["run_*.csv"])]))
    shop.take_in()
    assert shop.rows("SELECT pull_no, file_name FROM core.pull ORDER BY pull_no") == [
        (1, "run_1.csv"),
        (2, "run_2.csv"),
        (3, "run_3.csv"),
    ]


def test_a_ride_named_among_the_pulls_is_refused_with_the_remedy(shop, make):
    shop.put("job/ride_1.csv", make.ride())
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=["ride_1.csv"])]))
    shop.take_in()
    place = shop.outcome("job/ride_1.csv")
    assert place.code == "named as the wrong kind"
    assert "rides on the card" in place.remedy


def test_a_file_of_an_untaught_layout_waits_and_is_taken_in_once_it_is_taught(shop, make):
    layout = shop.folder.layouts / "plain-pull.toml"
    taught = layout.read_text(encoding="utf-8")
    layout.unlink()
    shop.put("job/pull_1.csv", make.pull())
    shop.put("job/card.toml", make.card())
    shop.take_in()
    waiting = shop.outcome("job/pull_1.csv")
    assert (waiting.state, waiting.code) == ("waiting", "layout not taught")
    assert archived(shop, make.pull())
    layout.write_text(taught, encoding="utf-8")
    result = shop.take_in()
    assert (result.arrived, result.read) == (0, 1)
    assert shop.outcome("job/pull_1.csv").state == "taken in"


def test_a_layout_with_mistakes_is_reported_and_recognises_nothing(shop, make):
    layout = shop.folder.layouts / "plain-pull.toml"
    layout.write_text(
        layout.read_text(encoding="utf-8").replace('unit = "kW"', 'unit = "km/h"'), encoding="utf-8"
    )
    shop.put("job/pull_1.csv", make.pull())
    shop.put("job/card.toml", make.card())
    result = shop.take_in()
    assert "'km/h'" in result.layout_mistakes["plain-pull.toml"][0]
    assert shop.outcome("job/pull_1.csv").code == "layout not taught"


def test_a_slip_in_a_layout_leaves_what_it_had_read(shop, make):
    # Bug: one mistyped word in a layout emptied the shop at the next intake.
    shop.put("job/pull_1.csv", make.pull())
    shop.put("job/card.toml", make.card())
    shop.work_out("out.pull")
    before = shop.rows("SELECT * FROM out.pull")
    layout = shop.folder.layouts / "plain-pull.toml"
    taught = layout.read_text(encoding="utf-8")
    layout.write_text(taught.replace('kind = "pull"', 'kind = "dyno"'), encoding="utf-8")
    result = shop.take_in()
    assert "plain-pull.toml" in result.layout_mistakes
    shop.work_out("out.pull")
    assert shop.rows("SELECT * FROM out.pull") == before
    layout.write_text(taught, encoding="utf-8")
    assert shop.take_in().read == 0


@pytest.mark.parametrize("name", ["Card.toml", "card.toml.txt"])
def test_a_card_under_another_name_is_told_its_right_one(shop, make, name):
    shop.put(f"job/{name}", make.card())
    shop.take_in()
    place = shop.outcome(f"job/{name}")
    assert (place.state, place.code) == ("waiting", "card under another name")
    assert "Name it card.toml" in place.remedy


def test_a_layout_that_is_corrected_reads_its_files_again(shop, make):
    shop.put("job/pull_1.csv", make.pull())
    shop.put("job/card.toml", make.card())
    shop.work_out("out.pull")
    before = shop.rows("SELECT peak_power_w FROM out.pull")[0][0]
    layout = shop.folder.layouts / "plain-pull.toml"
    layout.write_text(
        layout.read_text(encoding="utf-8").replace('unit = "kW"', 'unit = "PS"'), encoding="utf-8"
    )
    shop.work_out("out.pull")
    # NIST SP 811: one metric horsepower is 735.49875 W.
    assert shop.rows("SELECT peak_power_w FROM out.pull")[0][0] == pytest.approx(
        before * 0.73549875, rel=1e-9
    )


def test_a_file_replaced_under_its_name_takes_the_old_ones_place(shop, make):
    shop.put("job/pull_1.csv", make.pull(1.0))
    shop.put("job/card.toml", make.card())
    shop.take_in()
    shop.put("job/pull_1.csv", make.pull(1.25))
    shop.take_in()
    new = hashlib.sha256(make.pull(1.25).encode()).hexdigest()
    assert shop.rows("SELECT file_sha256 FROM core.pull") == [(new,)]
    assert archived(shop, make.pull(1.0))
    assert len(shop.rows("SELECT * FROM raw.file")) == 3


def test_bytes_that_were_refused_are_in_the_archive(shop):
    junk = bytes(range(256)) * 8
    shop.put("job/junk.csv", junk)
    shop.put("job/empty.csv", b"")
    shop.take_in()
    assert archived(shop, junk)
    assert archived(shop, b"")
    assert shop.outcome("job/empty.csv").code == "empty file"


def test_bytes_are_in_the_archive_before_anything_else_is_done(shop, make):
    class BrokenOffError(Exception):
        pass

    def break_after_archive(name, function, *arguments):
        if name != "archive what arrived":
            raise BrokenOffError
        return function(*arguments)

    shop.put("job/pull_1.csv", make.pull())
    with pytest.raises(BrokenOffError):
        shop.take_in(run=break_after_archive)
    assert archived(shop, make.pull())


def test_a_row_that_breaks_a_rule_is_kept_with_line_column_and_rule(shop, make):
    lines = make.pull().splitlines()
    lines[40] = lines[40].replace(lines[40].split(",")[1], "24000")
    shop.put("job/pull_1.csv", "\n".join(lines) + "\n")
    shop.put("job/card.toml", make.card())
    shop.take_in()
    assert shop.rows("SELECT line_no, column_name, rule, found FROM raw.rejected_row") == [
        (41, "crank rpm", "engine_speed_rpm is between 0 and 20000 rpm", "24000.0")
    ]
    assert shop.rows("SELECT rows_kept, rows_rejected FROM core.pull") == [(108, 1)]


def test_a_file_with_too_many_bad_rows_is_refused_with_the_counts(shop, make):
    lines = make.pull().splitlines()
    for at in range(30, 40):
        lines[at] = lines[at].replace(",100", ",wide")
    shop.put("job/pull_1.csv", "\n".join(lines) + "\n")
    shop.put("job/card.toml", make.card())
    shop.take_in()
    place = shop.outcome("job/pull_1.csv")
    assert (place.state, place.code) == ("refused", "too many bad rows")
    assert "10 of 109 rows are bad" in place.reason
    assert "'wide'" in place.reason
    assert len(shop.rows("SELECT * FROM raw.rejected_row")) == 10
    assert shop.rows("SELECT * FROM core.pull") == []


def test_a_shop_that_allows_more_bad_rows_takes_the_file_in(shop, make):
    lines = make.pull().splitlines()
    for at in range(30, 40):
        lines[at] = lines[at].replace(",100", ",wide")
    shop.put("job/pull_1.csv", "\n".join(lines) + "\n")
    shop.put("job/card.toml", make.card())
    shop.take_in()
    stood = shop.folder.settings.read_text(encoding="utf-8")
    allowed = stood.replace("[intake]", "[intake]\nmost_rejected_share = 0.2")
    shop.folder.settings.write_text(allowed, encoding="utf-8")
    shop.take_in()
    assert shop.outcome("job/pull_1.csv").state == "taken in"
    assert shop.rows("SELECT rows_kept, rows_rejected FROM core.pull") == [(99, 10)]


def test_a_job_number_in_two_folders_is_refused_in_the_second(shop, make):
    for folder, level in (("a", 1.0), ("b", 1.1)):
        shop.put(f"{folder}/pull_1.csv", make.pull(level))
        shop.put(f"{folder}/card.toml", make.card("J-1"))
    shop.take_in()
    card = shop.outcome("b/card.toml")
    assert card.code == "card contradicts another"
    assert "'a'" in card.reason
    shop.put("a/card.toml", make.card("J-7"))
    shop.take_in()
    assert shop.outcome("b/card.toml").state == "card"
    assert shop.outcome("b/pull_1.csv").state == "taken in"


def test_a_job_that_a_changed_card_took_out_is_told_with_the_card_that_did(shop, make):
    for folder, job, level in (("a", "J-1", 1.0), ("b", "J-2", 1.1), ("c", "J-3", 1.2)):
        shop.put(f"{folder}/pull_1.csv", make.pull(level))
        shop.put(f"{folder}/card.toml", make.card(job))
    shop.take_in()
    # Its own card was changed: into the number of an earlier job.
    shop.put("b/card.toml", make.card("J-1"))
    result = shop.take_in()
    own = shop.outcome("b/card.toml")
    assert own.code == "job out of the shop"
    assert own.reason.startswith("J-2 is out of the shop since its card was changed: job 'J-1'")
    assert "put that card back as it was" in own.remedy
    assert [told.split(":")[0] for told in result.out] == [own.reason.split(":")[0]]
    # An earlier job's card was changed, and took the number of the third.
    shop.put("a/card.toml", make.card("J-3"))
    shop.take_in()
    other = shop.outcome("c/card.toml")
    assert other.reason.startswith("J-3 is out of the shop since the card in folder 'a' was")
    assert shop.outcome("b/card.toml").state == "card"
    # One that never stood in the shop is told as before.
    shop.put("d/pull_1.csv", make.pull(1.3))
    shop.put("d/card.toml", make.card("J-3"))
    shop.take_in()
    assert shop.outcome("d/card.toml").code == "card contradicts another"
    # Made again from nothing, all of it is told the same.
    told = shop.contents("raw", without=("received_at", "arrival_no", "last_no"))["raw.outcome"]
    shop.forget_warehouse()
    shop.take_in()
    again = shop.contents("raw", without=("received_at", "arrival_no", "last_no"))["raw.outcome"]
    assert again == told
    # The way back.
    shop.put("a/card.toml", make.card("J-1"))
    assert shop.take_in().out
    shop.put("b/card.toml", make.card("J-2"))
    assert not shop.take_in().out
    assert [shop.outcome(f"{folder}/card.toml").state for folder in "abc"] == ["card"] * 3


def test_a_bike_that_is_two_models_is_refused_in_the_second_folder(shop, make):
    shop.put("a/card.toml", make.card("J-1", bike="B-1", model="Strada 690"))
    shop.put("b/card.toml", make.card("J-2", bike="B-1", model="Strada 790"))
    shop.take_in()
    card = shop.outcome("b/card.toml")
    assert card.code == "card contradicts another"
    assert "Strada 690" in card.reason
    assert "Strada 790" in card.reason


@pytest.mark.parametrize(
    ("first", "second", "said"),
    [
        ("year = 2017", "year = 2018", "of model year 2017"),
        ("cylinders = 1", "cylinders = 2", "has 1 cylinders"),
    ],
)
def test_two_bikes_of_one_model_under_one_reference_are_told(shop, make, first, second, said):
    for at, (folder, more) in enumerate((("a", first), ("b", second), ("c", "")), start=1):
        shop.put(f"{folder}/card.toml", make.card(f"J-{at}", bike="B-1", more=more))
        shop.put(f"{folder}/pull_1.csv", make.pull(1 + at / 10))
    shop.take_in()
    card = shop.outcome("b/card.toml")
    assert card.code == "card contradicts another"
    assert said in card.reason
    # What a card leaves out contradicts nothing, and a bike may be sold.
    assert shop.outcome("c/card.toml").state == "card"
    shop.put("b/card.toml", make.card("J-2", bike="B-2", more=second + '\nowner = "C-9"'))
    shop.take_in()
    assert shop.outcome("b/pull_1.csv").state == "taken in"
    shop.put("b/card.toml", make.card("J-2", bike="B-1", more=first + '\nowner = "C-9"'))
    shop.put("a/card.toml", make.card("J-1", bike="B-1", more=first + '\nowner = "C-4"'))
    shop.take_in()
    assert shop.outcome("b/pull_1.csv").state == "taken in"


def test_owners_and_positions_leave_the_archive_nowhere(shop, make):
    shop.put("job/pull_1.csv", make.pull())
    shop.put("job/ride_1.csv", make.ride())
    # Bug: a row with a cell too many was kept as the whole line, position and all.
    lines = make.ride(lean=0.96).splitlines()
    lines[40] += ",7"
    shop.put("job/ride_2.csv", "\n".join(lines) + "\n")
    # Bug: the reason for refusing a file without one whole row quoted its first line.
    lines = make.ride(lean=0.95).splitlines()
    shop.put("job/ride_3.csv", "\n".join([lines[0], *(f"{line},7" for line in lines[1:])]) + "\n")
    # Bug: the reason for waiting quoted the file's first line, which in a bare log is a position.
    shop.put("job/track.log", "12:00:00;-41.87001;-112.25001\n12:00:01;-41.87002;-112.25002\n")
    shop.put(
        "job/card.toml",
        make.card(more='owner = "OWNER-4711"', stages=[make.stage(rides=["ride_*.csv"])]),
    )
    shop.update()
    names = ("ride_1.csv", "ride_2.csv", "ride_3.csv", "track.log")
    states = [shop.outcome(f"job/{name}").state for name in names]
    assert states == ["taken in", "taken in", "refused", "waiting"]
    assert len(shop.rows("SELECT * FROM raw.rejected_row WHERE line_no = 41")) == 1
    everything = all_that_is_kept_outside_the_archive(shop)
    assert not POSITION.search(everything)
    assert "OWNER-4711" not in everything
    assert "latitude" not in everything


def test_a_first_intake_stopped_before_its_ledger_does_not_shut_the_shop(shop, make, monkeypatch):
    # Bug: once the file was written over, its bytes looked like an archive without its ledger.
    path = shop.put("job 1/pull_1.csv", make.pull())

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr("flows.steps.archive.append", full)
        with pytest.raises(OSError, match="No space"):
            shop.take_in()
    path.write_text(make.pull(1.1), encoding="utf-8")
    assert shop.take_in().arrived == 1


def test_a_first_file_that_went_away_again_leaves_a_shop_that_can_be_derived(
    shop, make, monkeypatch
):
    # Bug: the ledger, begun for it and still empty, passed for arrivals that a database had lost.
    shop.put("job 1/pull_1.csv", make.pull())

    def gone(_, path, __):
        raise FileNotFoundError(errno.ENOENT, "No such file or directory", str(path))

    with monkeypatch.context() as patched:
        patched.setattr("flows.steps.archive._keep", gone)
        assert shop.take_in().unreadable
    assert command_line("derive", shop.folder.root)[0] == 0
