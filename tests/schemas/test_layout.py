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


ROLLER = """\
[layout]
name = "inertia-roller"
kind = "pull"
equipment = "inertia roller"

[recognise]
columns = ["t", "rpm", "v"]

[channels.time]
column = "t"
unit = "s"
[channels.engine_speed]
column = "rpm"
unit = "rpm"
[channels.roller_speed]
column = "v"
unit = "km/h"

[power]
state = "from roller"
roller_inertia_kg_m2 = 8.0
roller_radius_m = 0.225
"""


def test_a_roller_is_told_by_inertia_and_radius_or_by_its_mass():
    # By hand: 8 kg m^2 at 0.225 m are 158.0247 kg; a wheel of 0.7 at 0.312 m adds 7.1910 kg.
    assert read(text=ROLLER).power.mass_kg == pytest.approx(158.0247, abs=1e-4)
    wheel = "roller_radius_m = 0.225\nwheel_inertia_kg_m2 = 0.7\nwheel_radius_m = 0.312"
    whole = read(("roller_radius_m = 0.225", wheel), text=ROLLER)
    assert whole.power.mass_kg == pytest.approx(158.0247 + 7.1910, abs=1e-3)
    inertia = "roller_inertia_kg_m2 = 8.0\nroller_radius_m = 0.225"
    by_mass = read((inertia, "equivalent_mass_kg = 240.0"), text=ROLLER)
    assert by_mass.power.mass_kg == 240.0
    assert read().power.mass_kg is None


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("roller_inertia_kg_m2 = 8.0\n", "", "needs roller_inertia_kg_m2 and roller_radius_m, or"),
        ("roller_radius_m = 0.225\n", "", "needs roller_inertia_kg_m2 and roller_radius_m, or"),
        ("m2 = 8.0", "m2 = 0.0", "power.roller_inertia_kg_m2"),
        ("m2 = 8.0", "m2 = -8.0", "power.roller_inertia_kg_m2"),
        ("radius_m = 0.225", "radius_m = 225", "power.roller_radius_m"),
        # A diameter for a radius: a quarter of the mass.
        ("radius_m = 0.225", "radius_m = 0.45", "makes 39.51 kg, 60 to 3000 expected"),
        ("radius_m = 0.225", "radius_m = 0.05", "makes 3200 kg, 60 to 3000 expected"),
        ("0.225\n", "0.225\nequivalent_mass_kg = 158.0\n", "give one or the other"),
        ("0.225\n", "0.225\nwheel_radius_m = 0.3\n", "wheel_inertia_kg_m2 and wheel_radius_m go"),
        ("0.225\n", '0.225\nstandard = "ISO 1585"\n', "power from the roller is observed"),
        ('"from roller"', '"observed"', "go with state = 'from roller' only"),
        ("[channels.roller_speed]", "[channels.throttle]", "needs roller_speed"),
        ('[channels.time]\ncolumn = "t"\nunit = "s"\n', "", "power from the roller needs time"),
    ],
)
def test_a_roller_told_by_halves_or_impossibly_is_refused(old, new, said):
    text = ROLLER.replace('"km/h"', '"%"') if "throttle" in new else ROLLER
    with pytest.raises(MistakesError) as found:
        read((old, new), text=text)
    assert any(said in sentence for sentence in found.value.mistakes), found.value.mistakes


def test_power_from_the_roller_beside_the_file_s_own_is_refused():
    power = '[channels.wheel_power]\ncolumn = "P"\nunit = "kW"\n[power]'
    with pytest.raises(MistakesError, match="wheel_power is the file's own power"):
        read(("[power]", power), text=ROLLER)


def test_a_pull_with_only_a_roller_is_told_how_to_get_power():
    inertia = "roller_inertia_kg_m2 = 8.0\nroller_radius_m = 0.225\n"
    with pytest.raises(MistakesError, match=r"or roller_speed with power\.state = 'from roller'"):
        read(('"from roller"', '"observed"'), (inertia, ""), text=ROLLER)
