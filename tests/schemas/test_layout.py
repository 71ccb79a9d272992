"""Layouts: what a shop may teach, and what is refused because it could not be right."""

import pytest

from schemas.columns import CHANNELS
from schemas.layout import CHANNEL_COLUMNS, Layout, read_layouts
from schemas.toml_text import MistakesError, read_toml

LAYOUT = """\
[layout]
name = "main-dyno"
kind = "pull"
equipment = "main dyno"

[recognise]
columns = ["Drehzahl", "Leistung"]

[text]
encoding = "windows-1252"
delimiter = ";"
decimal = ","

[channels.time]
column = "Zeit"
unit = "ms"
[channels.engine_speed]
column = "Drehzahl"
unit = "rpm"
[channels.wheel_power]
column = "Leistung"
unit = "PS"
[channels.lambda_wide]
column = "AFR"
gauge_scale = 14.7
probe = "tailpipe"
delay_s = 0.12

[power]
state = "corrected"
standard = "DIN 70020"
factor_key = "Korrekturfaktor"

[metadata]
separator = ":"
[metadata.fields.ambient_pressure]
key = "Luftdruck"
unit = "mbar"
[metadata.fields.started_at]
key = "Beginn"
format = "%d.%m.%Y %H:%M"
"""


def read(*changes, text=LAYOUT):
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return read_toml(text, Layout, "main.toml")


def test_a_sound_layout_is_read():
    layout = read()
    assert layout.name == "main-dyno"
    assert layout.channels["lambda_wide"].gauge_scale == 14.7
    assert layout.text.delimiter == ";"


def test_a_tab_is_a_delimiter():
    assert read(('delimiter = ";"', 'delimiter = "\\t"')).text.delimiter == "\t"


def test_a_layout_word_is_the_channel_without_its_unit():
    assert CHANNEL_COLUMNS["engine_speed"] == "engine_speed_rpm"
    assert CHANNEL_COLUMNS["lambda_wide_2"] == "lambda_wide_2"
    assert CHANNEL_COLUMNS["roller_speed"] == "roller_speed_m_s"
    assert set(CHANNEL_COLUMNS.values()) == set(CHANNELS)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("[channels.time]", "[channels.clock]", "'clock' is not a channel; channels are"),
        ('unit = "PS"', 'unit = "km/h"', "unit 'km/h' does not measure what W measures"),
        ('unit = "PS"', 'unit = "horses"', "unit must be one of"),
        ('standard = "DIN 70020"\n', "", "standard is needed when state is 'corrected'"),
        ('"DIN 70020"', '"DIN 70021"', "power.standard"),
        (
            'unit = "PS"',
            'unit = "PS"\ngauge_scale = 14.7',
            "wheel_power: gauge_scale belongs to lambda_wide only",
        ),
        ('delimiter = ";"', 'delimiter = ","', "decimal and delimiter are the same mark"),
        ('delimiter = ";"', 'delimiter = ";;"', "text.delimiter"),
        ('unit = "mbar"\n', "", "ambient_pressure: unit is missing"),
        ('unit = "mbar"', 'unit = "degC"', "unit 'degC' does not measure what Pa measures"),
        ('format = "%d.%m.%Y %H:%M"\n', "", "started_at: format is missing"),
        ("[metadata.fields.started_at]", "[metadata.fields.begun_at]", "metadata.fields"),
        ('kind = "pull"', 'kind = "ride"', "a ride needs throttle"),
        ('kind = "pull"', 'kind = "walk"', "line 3: layout.kind"),
        ('name = "main-dyno"', 'name = "../main"', "line 2: layout.name"),
        ('columns = ["Drehzahl", "Leistung"]', 'columns = ["Drehzahl"]', "recognise.columns"),
        ('probe = "tailpipe"', 'probe = "moon"', "channels.lambda_wide.probe"),
        ("delay_s = 0.12", "delay_s = -0.12", "channels.lambda_wide.delay_s"),
        ("delay_s = 0.12", "delay_ms = 120", "delay_ms is not a key that belongs here"),
        ('encoding = "windows-1252"', 'encoding = "utf8"', "text.encoding"),
    ],
)
def test_what_could_not_be_right_is_refused(old, new, said):
    with pytest.raises(MistakesError) as found:
        read((old, new))
    assert any(said in sentence for sentence in found.value.mistakes), found.value.mistakes


def test_a_pull_without_power_or_torque_is_refused():
    text = LAYOUT.replace("[channels.wheel_power]", "[channels.map_pressure]").replace("PS", "kPa")
    with pytest.raises(MistakesError, match="a pull needs wheel_power or wheel_torque"):
        read(text=text)


def test_a_pull_that_does_not_say_how_its_power_stands_is_refused():
    text = LAYOUT[: LAYOUT.index("[power]")] + LAYOUT[LAYOUT.index("[metadata]") :]
    with pytest.raises(MistakesError, match="say whether power is observed or corrected"):
        read(text=text)


def test_a_note_decides_nothing_about_how_a_file_is_read():
    noted = read(('equipment = "main dyno"', 'equipment = "main dyno"\nnote = "new cable"'))
    assert noted.fingerprint == read().fingerprint


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('unit = "PS"', 'unit = "kW"'),
        ("delay_s = 0.12", "delay_s = 0.13"),
        ("gauge_scale = 14.7", "gauge_scale = 14.6"),
        ('key = "Luftdruck"', 'key = "Druck"'),
        ('equipment = "main dyno"', 'equipment = "other dyno"'),
    ],
)
def test_whatever_decides_a_figure_changes_the_fingerprint(old, new):
    assert read((old, new)).fingerprint != read().fingerprint


def test_a_layout_with_mistakes_does_not_stop_the_others(tmp_path):
    (tmp_path / "good.toml").write_text(LAYOUT, encoding="utf-8")
    (tmp_path / "bad.toml").write_text(LAYOUT.replace('"PS"', '"K"'), encoding="utf-8")
    (tmp_path / "latin.toml").write_bytes("# für\n".encode("latin-1"))
    (tmp_path / "twin.toml").write_text(LAYOUT, encoding="utf-8")
    layouts, mistakes = read_layouts(tmp_path)
    assert [layout.name for layout in layouts] == ["main-dyno"]
    assert set(mistakes) == {"bad.toml", "latin.toml", "twin.toml"}
    assert "taken by good.toml" in mistakes["twin.toml"][0]
