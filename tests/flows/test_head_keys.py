"""Entries above a table: found under any sign, and told where a layout asks for them in vain."""

import pytest
from typer.testing import CliRunner

from flows import teach
from flows.cli import app
from flows.readers.head import entry_of
from flows.steps.layout_gaps import layout_gaps
from flows.steps.selfcheck import self_check
from schemas.desk import AskDraft, HeadEntry
from schemas.layout import read_layouts
from warehouse.store import writer


@pytest.mark.parametrize(
    "written",
    ["pressure hPa", "# pressure hPa", "; Pressure  hPa", "// PRESSURE HPA", "  pressure hPa :",
     '"Pressure hPa"', "%pressure hPa", "* pressure hpa"],
)  # fmt: skip
def test_a_key_is_found_under_any_sign(written):
    assert entry_of({"note": "x", written: "978"}, "pressure hPa") == "978"
    assert entry_of({"pressure hPa": "1"}, written) == "1"


def test_the_very_key_comes_before_one_alike():
    assert entry_of({"# gear": "3", "gear": "4"}, "gear") == "4"
    assert entry_of({"pressure": "978"}, "pressure hPa") is None


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
    shop.update()
    assert problems(shop) == ([], [])
    ((pressure,),) = shop.rows("SELECT facts ->> 'ambient_pressure_pa' FROM raw.reading")
    assert float(pressure) > 80_000


def test_drafts_and_trials_list_what_stands_above_the_table(shop, make, tmp_path):
    standing = asking_for(shop, "Baro reading")
    path = tmp_path / "pull.csv"
    path.write_text("rider: Ann Example\n" + make.pull(), encoding="utf-8")
    head = {entry.key: entry for entry in teach.drafted(AskDraft(file=path)).head}
    assert head[standing].read_as == "ambient_pressure"
    assert head["rider"] == HeadEntry(key="rider", read_as="", says="")
    (layout,) = [x for x in read_layouts(shop.folder.layouts)[0] if x.name == "plain-pull"]
    found = {entry.key: entry.found for entry in teach.tried(path, layout).head}
    assert found.pop("Baro reading") is False
    assert found
    assert all(found.values())
    said = CliRunner().invoke(app, ["layout", "draft", str(path)]).output
    assert "Ann" not in said
    assert f"Above the table: {standing}, read as ambient_pressure" in said
