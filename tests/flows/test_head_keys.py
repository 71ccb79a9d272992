"""Entries above a table: found under any sign, and told where a layout asks for them in vain."""

import pytest
from typer.testing import CliRunner

from flows import teach
from flows.cli import app
from flows.readers.head import bare_key, entry_of
from flows.readers.text import head_entries
from flows.steps.layout_gaps import layout_gaps
from flows.steps.selfcheck import self_check
from schemas.desk import AskDraft, HeadEntry
from schemas.layout import read_layouts
from warehouse.store import writer


@pytest.mark.parametrize(
    "written",
    ["pressure hPa", "# pressure hPa", "; Pressure  hPa", "// PRESSURE HPA", "  pressure hPa :",
     '"Pressure hPa"', "%pressure hPa", "* pressure hpa", "** pressure hPa **", "pressure hPa =",
     "\u00a0pressure\u00a0hPa", "pressure hPa [mbar]", "# Pressure hPa (mbar):"],
)  # fmt: skip
def test_a_key_is_found_under_any_sign(written):
    assert entry_of({"note": "x", written: "978"}, "pressure hPa") == (written, "978", ())
    assert entry_of({"pressure hPa": "1"}, written) == ("pressure hPa", "1", ())


@pytest.mark.parametrize(
    ("written", "asked"),
    [("pressure", "pressure hPa"), ("air (room)", "air (intake)"), ("air [room]", "air"),
     ("humidity [g/m9]", "humidity"), ("humidity 2", "humidity"), ("%", "humidity")],
)  # fmt: skip
def test_what_is_no_unit_tells_one_key_from_another(written, asked):
    assert entry_of({written: "978"}, asked) is None


def test_the_very_key_comes_before_one_alike():
    assert entry_of({"# gear": "3", "gear": "4"}, "gear") == ("gear", "4", ())


def test_of_two_that_fit_none_is_chosen_unless_they_say_the_same():
    found = entry_of({"# gear": "3", "Gear": "4"}, "gear")
    assert (found.text, found.keys) == ("", ("# gear", "Gear"))
    assert entry_of({"# gear": "4", "Gear": "4"}, "gear").text == "4"
    assert entry_of({"# gear": "", "Gear": "4"}, "gear").text == "4"


def test_a_key_that_stands_twice_is_told_apart_and_not_chosen_from():
    head = head_entries(["humidity: 45", "humidity: 81", "humidity: 45", "No #2: 7"], ":")
    assert head == {"humidity": "45", "humidity #2": "81", "No #2": "7"}
    assert entry_of(head, "humidity").keys == ("humidity", "humidity #2")
    assert entry_of(head, "No") is None
    assert entry_of(head, "No #2").text == "7"


def asking_for(shop, key):
    """Make the layout of pulls ask for another key of the air's pressure."""
    (path,) = [
        p for p in shop.folder.layouts.glob("*.toml") if "plain-pull" in p.read_text("utf-8")
    ]
    text = path.read_text("utf-8")
    layout = next(one for one in read_layouts(shop.folder.layouts)[0] if one.name == "plain-pull")
    standing = layout.metadata.fields["ambient_pressure"].key
    path.write_text(text.replace(f'"{standing}"', f'"{key}"'), encoding="utf-8")
    return standing


def problems(shop):
    with writer(shop.folder) as connection:
        return self_check(connection, shop.folder, lambda *_: None), layout_gaps(connection)


def test_a_head_entry_that_no_file_has_is_told_in_check_and_update(shop, make):
    asking_for(shop, "Baro reading")
    shop.put("job/pull.csv", make.pull())
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=["pull.csv"])]))
    said = CliRunner().invoke(app, ["update", str(shop.folder.root)]).output
    wanted = "layout 'plain-pull' asks for the head entry 'Baro reading'"
    assert wanted in " ".join(said.split())
    checked, gaps = problems(shop)
    assert [gap for gap in gaps if gap.startswith(wanted)]
    assert [told for told in checked if told.startswith(f"layouts: {wanted}")]


def test_a_head_entry_that_the_files_have_under_a_remark_sign_is_no_gap(shop, make):
    standing = asking_for(shop, "Baro reading")
    shop.put("job/pull.csv", make.pull().replace(standing, "# baro  READING"))
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=["pull.csv"])]))
    shop.take_in()
    assert problems(shop) == ([], [])
    ((pressure,),) = shop.rows("SELECT facts ->> 'ambient_pressure_pa' FROM raw.reading")
    assert float(pressure) > 80_000


def pull_job(shop, make, change, pulls=1, job=1):
    """Put a job in whose pulls' heads are changed, and take it in."""
    names = [f"pull_{number}.csv" for number in range(pulls)]
    for number, name in enumerate(names):
        text = make.pull(level=1.0 + 0.01 * number + 0.1 * job)
        shop.put(f"job {job}/{name}", change(text))
    card = make.card(job=f"J-{job}", stages=[make.stage(pulls=names)])
    shop.put(f"job {job}/card.toml", card)
    shop.take_in()


def humidities(shop):
    return [
        value and float(value)
        for (value,) in shop.rows("SELECT facts ->> 'ambient_humidity_pct' FROM raw.reading")
    ]


@pytest.mark.parametrize(
    "line", ["# humidity %: 45", ";HUMIDITY %  : 45", '"humidity %": "45"', "Humidity % [%]: 45"]
)
def test_a_firmware_that_writes_signs_before_its_keys_keeps_the_air(shop, make, line):
    pull_job(shop, make, lambda text: text.replace("humidity %: 45", line))
    assert humidities(shop) == [45.0]
    assert problems(shop) == ([], [])


def test_a_head_in_utf_16_is_read_as_any_other(shop, make):
    path = next(p for p in shop.folder.layouts.glob("*.toml") if "plain-pull" in p.read_text())
    taught = path.read_text("utf-8")
    path.write_text(taught.replace('"utf-8"', '"utf-16"'), encoding="utf-8")
    shop.put("job/pull.csv", make.pull().replace("humidity %", "# Humidity  %").encode("utf-16"))
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=["pull.csv"])]))
    shop.take_in()
    assert humidities(shop) == [45.0]


def test_an_entry_below_the_header_row_is_told_as_not_found(shop, make):
    def below(text):
        head, rows = text.replace("humidity %: 45\n", "").split("seconds", 1)
        names, rows = rows.split("\n", 1)
        return f"{head}seconds{names}\nhumidity %: 45\n{rows}"

    pull_job(shop, make, below)
    assert humidities(shop) == [None]
    assert "asks for the head entry 'humidity %'" in problems(shop)[1][0]


def test_another_unit_in_brackets_is_left_out_and_told(shop, make):
    # The layout says hPa; 97.8 kPa taken for hPa would be no air at all, 28.9 inHg neither.
    asking_for(shop, "baro [hPa]")
    pull_job(shop, make, lambda text: text.replace("pressure hPa: 978.0", "# Baro [kPa]: 978"))
    assert shop.rows("SELECT facts ->> 'ambient_pressure_pa' FROM raw.reading") == [(None,)]
    assert "left out (head entry in other unit): # Baro [kPa]: 978" in problems(shop)[1][0]


def test_two_entries_that_fit_are_told_with_a_remedy_and_not_chosen_from(shop, make):
    pull_job(shop, make, lambda text: "humidity %: 81\n" + text)
    assert humidities(shop) == [None]
    (told,) = problems(shop)[1]
    assert "left out (head entry twice): 'humidity %' and 'humidity % #2'" in told
    assert "Write the key" in told


def test_a_gap_is_told_once_the_last_five_files_have_it_and_not_before(shop, make):
    pull_job(shop, make, lambda text: text, job=1)
    pull_job(shop, make, lambda text: text.replace("humidity", "rel humidity"), pulls=4, job=2)
    assert problems(shop) == ([], [])
    pull_job(shop, make, lambda text: text.replace("humidity", "rel humidity"), job=3)
    (told,) = problems(shop)[1]
    assert "none of its last 5 files has it; nearest there: 'rel humidity %'" in told


def test_a_column_that_one_of_the_files_has_is_no_problem(shop, make):
    def without(text):
        return text.replace(",opening %", ",spare")

    pull_job(shop, make, lambda text: text, job=1)
    pull_job(shop, make, without, pulls=6, job=2)
    assert problems(shop) == ([], [])


def test_a_column_that_no_file_has_is_a_problem(shop, make):
    pull_job(shop, make, lambda text: text.replace(",opening %", ",spare"), pulls=3)
    (told,) = problems(shop)[1]
    assert "asks for the column 'opening %', and none of its last 3 files has it" in told


def test_drafts_and_trials_list_what_stands_above_the_table(shop, make, tmp_path):
    standing = asking_for(shop, "Baro reading")
    path = tmp_path / "pull.csv"
    text = make.pull().replace("humidity %", "odd words")
    path.write_text("rider: Ann Example\nbelt: 12\n# Barometer: 978\n" + text, encoding="utf-8")
    drafted = teach.drafted(AskDraft(file=path)).head
    head = {entry.key: entry for entry in drafted}
    assert list(head)[:2] == ["rider", "belt"]
    # Both say what the pressure of the air is; the first in the file is taken.
    assert head["# Barometer"].read_as == "ambient_pressure"
    assert head[standing].state == "not used"
    assert head["rider"] == HeadEntry(key="rider")
    assert head["belt"].says == "12"
    assert head["room degC"] == HeadEntry(
        key="room degC", read_as="ambient_temp", says="22.0", unit="degC", state="read"
    )
    assert (head["humidity"].state, head["humidity"].read_as) == ("not found", "ambient_humidity")
    (layout,) = [x for x in read_layouts(shop.folder.layouts)[0] if x.name == "plain-pull"]
    tried = {entry.key: entry for entry in teach.tried(path, layout).head}
    assert [k for k, one in tried.items() if one.state == "not found"] == [
        "Baro reading", "humidity %",
    ]  # fmt: skip
    assert tried["Baro reading"].instead == "# Barometer"
    assert tried["begun"].unit == "%Y-%m-%d %H:%M"
    said = CliRunner().invoke(app, ["layout", "draft", str(path)]).output
    assert "Ann" not in said
    assert "Above the table: 'room degC' = '22.0', read as ambient_temp [degC]" in said
    assert "expected 'humidity', read as ambient_humidity [%], NOT FOUND in this file" in said
    many = "".join(f"word {chr(97 + n)}x: text\n" for n in range(25))
    path.write_text(many + text, encoding="utf-8")
    said = CliRunner().invoke(app, ["layout", "draft", str(path)]).output
    assert said.count("Above the table") < 40
    assert "more, not used" in said


def head_field(shop, field):
    layout = shop.folder.layouts / "plain-pull.toml"
    layout.write_text(f"{layout.read_text('utf-8')}\n[metadata.fields.{field}\n", encoding="utf-8")


@pytest.mark.parametrize("said", ["1e30", "-3.7", "0", "nan"])
def test_a_gear_that_no_bike_has_is_left_out_and_told(shop, make, said):
    # Bug: 1e30 stopped every update of the shop, -3.7 was gear -3.
    head_field(shop, 'gear]\nkey = "gear"')
    shop.put("job/pull_1.csv", f"gear: {said}\n" + make.pull())
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=["pull_1.csv"])]))
    shop.take_in()
    ((gear, facts),) = shop.rows(
        "SELECT file_gear, reading.facts FROM core.pull JOIN raw.reading USING (file_sha256)"
    )
    assert gear is None
    assert "head entry no" in facts


def test_a_clock_that_was_never_set_is_no_time(shop, make):
    # Bug: the first of January of year 1, an unset clock's, stopped every update of the shop.
    for number, begun in ((1, "0001-01-01 00:00"), (2, "2025-03-14 10:10")):
        shop.put(f"job/pull_{number}.csv", make.pull(1 + 0.001 * number, begun=begun))
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=["pull_1.csv", "pull_2.csv"])]))
    shop.work_out("out.pull")
    (unset, _) = shop.rows("SELECT started_at, notes FROM out.pull ORDER BY pull_no")
    assert unset[0] is None
    assert "its clock was never set" in unset[1]


def test_a_key_of_ten_thousand_blanks_is_bared_at_once():
    # Bug: the time went with the square of the blanks, 26 s for 40,000.
    assert bare_key("word" + " " * 200_000 + "x:") == "word x"


@pytest.mark.parametrize("form", ["", "%Y-%d-%d", "%Y-%m-%d %Q"])
def test_a_time_format_that_cannot_be_read_is_a_mistake_in_the_layout(shop, form):
    layout = shop.folder.layouts / "plain-pull.toml"
    layout.write_text(layout.read_text("utf-8").replace("%Y-%m-%d %H:%M", form), encoding="utf-8")
    layouts, mistakes = read_layouts(shop.folder.layouts)
    assert "plain-pull" not in [one.name for one in layouts]
    assert "started_at" in str(mistakes)
