"""Parquet, spreadsheets and measurement files: what was put in comes out, or the reason why not."""

import datetime as dt
import shutil
import zipfile
from functools import partial
from types import SimpleNamespace

import numpy as np
import openpyxl
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flows.readers import formats
from flows.readers.columns import nearest
from flows.readers.look import look
from flows.readers.source import Look, UnreadableError
from flows.steps.judge import canonical
from schemas.layout import Layout
from schemas.toml_text import read_toml
from tests.in_words import words

TIME = np.round(np.arange(0.0, 12.0, 0.05), 3)
SPEED = np.round(3000 + 500 * TIME, 1)
POWER = np.round(10 + 4 * TIME, 3)
OPEN = np.round(90 + 5 * np.sin(TIME), 2)


def layout(file_format, text="", sheet="", time='[channels.time]\ncolumn = "t"\nunit = "s"'):
    return read_toml(
        f"""
        [layout]
        name = "other"
        kind = "pull"
        equipment = "bench"
        format = "{file_format}"
        [recognise]
        columns = ["rpm", "kW"]
        [text]
        {text}
        [sheet]
        {sheet}
        {time}
        [channels.engine_speed]
        column = "rpm"
        unit = "rpm"
        [channels.wheel_power]
        column = "kW"
        unit = "kW"
        [channels.throttle]
        column = "grip"
        unit = "%"
        [power]
        state = "observed"
        """,
        Layout,
        "l.toml",
    )


def whole(path, way):
    start = formats.start_of(path)
    found = formats.format_of(start)
    assert found == way.layout.format
    reader = formats.reader_of(found)
    assert reader.fits(path, start, way)
    source = reader.read(path, way)
    pieces = list(source.pieces)
    return SimpleNamespace(
        frames=[piece.frame for piece in pieces],
        frame=pieces[0].frame if len(pieces) == 1 else None,
        line_no=pieces[0].line_no.to_list(),
        pieces=pieces,
        **{name: getattr(source, name) for name in ("head", "units", "notes", "started_at")},
    )


# Parquet


def parquet(path, columns, metadata=None, units=None):
    table = pa.table(columns)
    fields = [
        field.with_metadata({"unit": units[field.name]}) if units and field.name in units else field
        for field in table.schema
    ]
    pq.write_table(table.cast(pa.schema(fields, metadata=metadata)), path, row_group_size=100)
    return path


COLUMNS = {"t": TIME, "rpm": SPEED, "kW": POWER, "grip": OPEN, "latitude": TIME * 0 - 41.87}


def test_parquet_gives_what_the_reference_library_put_in(tmp_path):
    path = parquet(tmp_path / "log", COLUMNS, {"room": "22 degC"}, {"kW": "kW"})
    found = whole(path, layout("parquet"))
    assert found.frame.columns == ["t", "rpm", "kW", "grip"]
    np.testing.assert_array_equal(found.frame["rpm"].to_numpy(), SPEED)
    assert found.line_no == list(range(1, TIME.size + 1))
    assert found.head["room"] == "22 degC"
    assert found.units["kW"] == "kW"


def test_parquet_of_other_types_becomes_numbers_and_times(tmp_path):
    start = dt.datetime(2025, 3, 14, 10, 40)
    stamps = [start + dt.timedelta(seconds=float(second)) for second in TIME]
    from decimal import Decimal

    path = parquet(
        tmp_path / "log",
        {
            "t": pa.array(stamps, pa.timestamp("ms")),
            "rpm": pa.array(SPEED.astype("float32")),
            "kW": pa.array([Decimal(f"{value:.3f}") for value in POWER]),
            "grip": pa.array([None, *OPEN[1:]]),
        },
    )
    way = layout("parquet", time='[channels.time]\ncolumn = "t"\nform = "date and time"')
    found = canonical(formats.reader_of("parquet").read(path, way), way)
    np.testing.assert_allclose(found.values[:, 0], TIME, atol=1e-9)
    np.testing.assert_allclose(found.values[:, 3], POWER * 1000)
    assert found.facts["started_at"] == "2025-03-14T10:40:00"


def test_a_parquet_column_of_lists_is_refused_only_where_it_is_used(tmp_path):
    lists = [[1.0]] * TIME.size
    assert whole(parquet(tmp_path / "a", {**COLUMNS, "x": lists}), layout("parquet"))
    with pytest.raises(UnreadableError, match="'grip' holds list"):
        whole(parquet(tmp_path / "b", {**COLUMNS, "grip": lists}), layout("parquet"))


def test_parquet_without_rows_and_without_a_column(tmp_path):
    empty = parquet(tmp_path / "a", {name: values[:0] for name, values in COLUMNS.items()})
    with pytest.raises(UnreadableError, match="not a single row"):
        whole(empty, layout("parquet"))
    path = parquet(tmp_path / "b", {"t": TIME, "rpm": SPEED})
    reader = formats.reader_of("parquet")
    assert not reader.fits(path, b"", layout("parquet"))
    wider = read_toml(
        '[layout]\nname="w"\nkind="pull"\nequipment="b"\nformat="parquet"\n[recognise]\n'
        'columns=["t","rpm","kW"]\n[channels.engine_speed]\ncolumn="rpm"\nunit="rpm"\n'
        '[channels.wheel_power]\ncolumn="kW"\nunit="kW"\n[power]\nstate="observed"',
        Layout,
        "w",
    )
    assert "column 'kW' is missing" in words(nearest(partial(reader.headings, path, b""), [wider]))


# Spreadsheets


def book(path, fill, **changes):
    made = openpyxl.Workbook()
    fill(made)
    made.save(path)
    return path


def table(sheet, row=1, column=1, header=("t", "rpm", "kW", "grip"), rows=TIME.size):
    for at, name in enumerate(header):
        sheet.cell(row, column + at, name)
    for place in range(rows):
        for at, values in enumerate((TIME, SPEED, POWER, OPEN)):
            sheet.cell(row + 1 + place, column + at, float(values[place]))


def test_a_table_that_stands_anywhere_on_any_sheet(tmp_path):
    def fill(made):
        made.active.title = "Cover"
        made.active["A1"] = "Rolling road"
        sheet = made.create_sheet("Data")
        sheet["C3"], sheet["D3"], sheet["E3"] = "Pressure", 978.2, "hPa"
        sheet["C4"] = "Room: 22.5 degC"
        table(sheet, row=7, column=3)

    found = whole(book(tmp_path / "log", fill), layout("spreadsheet"))
    np.testing.assert_allclose(found.frame["rpm"].to_numpy(), SPEED)
    assert found.line_no[0] == 8
    assert found.head == {"Pressure": "978.2 hPa", "Room": "22.5 degC"}


def test_the_named_sheet_is_taken_and_hidden_ones_are_not(tmp_path):
    def fill(made):
        table(made.active)
        made.active["B2"] = 1.0
        other = made.create_sheet("Second")
        table(other)
        hidden = made.create_sheet("Hidden")
        hidden.sheet_state = "hidden"
        table(hidden)

    path = book(tmp_path / "log", fill)
    assert whole(path, layout("spreadsheet")).frame["rpm"][0] == 1.0
    assert whole(path, layout("spreadsheet", sheet='name = "Second"')).frame["rpm"][0] == 3000.0
    reader = formats.reader_of("spreadsheet")
    assert not reader.fits(path, b"", layout("spreadsheet", sheet='name = "Hidden"'))


def test_a_row_of_units_merged_groups_and_empty_rows(tmp_path):
    def fill(made):
        sheet = made.active
        sheet["A1"] = "Engine"
        sheet.merge_cells("A1:D1")
        table(sheet, row=2)
        sheet.insert_rows(3)
        for at, unit in enumerate(("s", "1/min", "kW", "%"), start=1):
            sheet.cell(3, at, unit)
        sheet.insert_rows(10)

    found = whole(book(tmp_path / "log", fill), layout("spreadsheet", "unit_row = true"))
    assert found.units == {"t": "s", "rpm": "1/min", "kW": "kW", "grip": "%"}
    assert found.frame.height == TIME.size
    assert 10 not in found.line_no


def test_percent_cells_read_as_shown(tmp_path):
    def fill(made):
        table(made.active)
        for row in range(2, TIME.size + 2):
            cell = made.active.cell(row, 4)
            cell.value, cell.number_format = cell.value / 100.0, "0.00%"

    found = whole(book(tmp_path / "log", fill), layout("spreadsheet"))
    np.testing.assert_allclose(found.frame["grip"].to_numpy(), OPEN)
    assert "formatted as percent" in words(found.notes[0])


def test_times_and_numbers_as_text_and_errors_in_cells(tmp_path):
    start = dt.datetime(2025, 3, 14, 10, 40)

    def fill(made):
        table(made.active)
        for place, second in enumerate(TIME):
            made.active.cell(place + 2, 1, start + dt.timedelta(milliseconds=int(second * 1000)))
            made.active.cell(place + 2, 3, f"{POWER[place]:.3f}".replace(".", ","))
        made.active.cell(40, 2, "#DIV/0!")

    way = layout(
        "spreadsheet",
        'decimal = ","\ndelimiter = ";"',
        time='[channels.time]\ncolumn = "t"\nform = "date and time"',
    )
    path = book(tmp_path / "log", fill)
    found = canonical(formats.reader_of("spreadsheet").read(path, way), way)
    # A cell in error holds nothing: the contract then rejects its row, number 40 of the sheet.
    assert found.line_no[np.isnan(found.values[:, 1])].tolist() == [40]
    np.testing.assert_allclose(found.values[:, 3], POWER * 1000)
    np.testing.assert_allclose(found.values[:, 0], TIME, atol=1e-6)


def test_open_document_tables(tmp_path):
    # OpenDocument 1.3, part 3: table:table of table:table-row of table:table-cell.
    rows = [["t", "rpm", "kW", "grip"], *zip(TIME, SPEED, POWER, OPEN, strict=True)]
    body = "".join(
        "<table:table-row>" + "".join(
            f'<table:table-cell office:value-type="string"><text:p>{cell}</text:p>'
            "</table:table-cell>"
            if isinstance(cell, str)
            else f'<table:table-cell office:value-type="float" office:value="{cell}"/>'
            for cell in row
        ) + "</table:table-row>"
        for row in rows
    )  # fmt: skip
    names = "urn:oasis:names:tc:opendocument:xmlns"
    content = (
        f'<?xml version="1.0"?><office:document-content xmlns:office="{names}:office:1.0" '
        f'xmlns:table="{names}:table:1.0" xmlns:text="{names}:text:1.0"><office:body>'
        f'<office:spreadsheet><table:table table:name="Data">{body}</table:table>'
        "</office:spreadsheet></office:body></office:document-content>"
    )
    with zipfile.ZipFile(tmp_path / "log", "w") as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr(
            "META-INF/manifest.xml",
            f'<?xml version="1.0"?><manifest:manifest xmlns:manifest="{names}:manifest:1.0"/>',
        )
        packed.writestr("content.xml", content)
    found = whole(tmp_path / "log", layout("spreadsheet"))
    np.testing.assert_allclose(found.frame["kW"].to_numpy(), POWER)


def test_a_zip_that_is_no_spreadsheet_says_so(tmp_path):
    with zipfile.ZipFile(tmp_path / "log", "w") as packed:
        packed.writestr("log.csv", "t,rpm\n")
    with pytest.raises(UnreadableError, match="a zip of 1 file, not"):
        whole(tmp_path / "log", layout("spreadsheet"))


def test_a_spreadsheet_that_unpacks_to_far_too_much_is_not_opened(tmp_path):
    path = book(tmp_path / "log", lambda made: table(made.active))
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/media/large.bin", b"\0" * (301 * 1024 * 1024))
    with pytest.raises(UnreadableError, match="unpacked it holds"):
        whole(path, layout("spreadsheet"))


# Measurement files


def mdf(path, groups, start=None, version="4.10"):
    from asammdf import MDF, Signal

    made = MDF(version=version)
    for times, channels in groups:
        made.append(
            [
                Signal(values, times, name=name, unit=unit, **more)
                for name, values, unit, more in channels
            ]
        )
    if start is not None:
        made.header.start_time = start
    made.save(path.with_suffix(".mf4"), overwrite=True, compression=2)
    made.close()
    shutil.move(path.with_suffix(".mf4"), path)
    return path


SLOW = np.arange(0.02, 12.0, 0.5)
MDF_TIME = ""


def test_groups_keep_their_clocks_and_units(tmp_path):
    start = dt.datetime(2025, 3, 14, 9, 40, tzinfo=dt.UTC)
    path = mdf(
        tmp_path / "log",
        [
            (TIME, [("rpm", SPEED, "1/min", {}), ("kW", POWER, "kW", {})]),
            (SLOW, [("grip", np.full(SLOW.size, 95.0), "%", {})]),
        ],
        start,
    )
    way = layout("mdf", time=MDF_TIME)
    found = whole(path, way)
    assert sorted((p.clock, p.frame.columns) for p in found.pieces) == [
        (0, ["rpm", "kW"]),
        (1, ["grip"]),
    ]
    np.testing.assert_allclose(found.pieces[0].time_s.to_numpy(), TIME)
    assert found.units == {"rpm": "1/min", "kW": "kW", "grip": "%"}
    file = canonical(formats.reader_of("mdf").read(path, way), way, "Europe/Vienna")
    assert (file.clock_no == 0).sum() == TIME.size
    assert (file.clock_no > 0).sum() == SLOW.size
    assert file.facts["started_at"] == "2025-03-14T10:40:00"


NOON = dt.datetime(2025, 3, 14, 12, 0, tzinfo=dt.UTC)
# Seconds from 1970 to that noon, by hand: 20,161 days · 86,400 + 43,200.
NOON_S = 20_161 * 86_400.0 + 43_200.0


@pytest.mark.parametrize(
    ("from_s", "scale"),
    [(NOON_S, 1.0), (NOON_S, 1e3), (NOON_S, 1e6), (3e7, 1.0)],
    ids=["seconds", "milliseconds", "microseconds", "from somewhere"],
)
def test_times_that_count_from_1970_or_elsewhere_are_read(tmp_path, from_s, scale):
    groups = [
        ((TIME + from_s) * scale, [("rpm", SPEED, "rpm", {}), ("kW", POWER, "kW", {})]),
        ((SLOW + from_s) * scale, [("grip", np.full(SLOW.size, 95.0), "%", {})]),
    ]
    path = mdf(tmp_path / "log", groups, dt.datetime(1970, 1, 1, tzinfo=dt.UTC))
    way = layout("mdf", time=MDF_TIME)
    file = canonical(formats.reader_of("mdf").read(path, way), way, "Europe/Vienna")
    time = file.values[:, 0]
    # The first of all times is zero: groups keep how they stand to each other.
    first = min(TIME[0], SLOW[0])
    np.testing.assert_allclose(time[file.clock_no == 0], TIME - first, atol=1e-5)
    np.testing.assert_allclose(time[file.clock_no > 0], SLOW - first, atol=1e-5)
    if from_s == NOON_S:
        assert file.facts["started_at"] == "2025-03-14T13:00:00"
    assert "do not begin at the recording's start" in words(file.facts["notes"])


@pytest.mark.parametrize(("unit", "scale"), [("ms", 1e3), ("us", 1e6), ("min", 1 / 60)])
def test_a_master_in_another_unit_is_brought_to_seconds(tmp_path, unit, scale):
    from asammdf import MDF

    path = mdf(tmp_path / "log", [(TIME * scale, [("rpm", SPEED, "rpm", {}),
                                                  ("kW", POWER, "kW", {})])])  # fmt: skip
    with MDF(path) as file:
        for group in file.groups:
            for channel in group.channels:
                if channel.channel_type == 2:
                    channel.unit = unit
        file.save(tmp_path / "other.mf4")
    found = whole(tmp_path / "other.mf4", layout("mdf", time=MDF_TIME))
    np.testing.assert_allclose(found.pieces[0].time_s.to_numpy(), TIME, atol=1e-9)


def test_samples_marked_invalid_are_empty_and_told(tmp_path):
    invalid = np.zeros(TIME.size, dtype=bool)
    invalid[10:13] = True
    path = mdf(
        tmp_path / "log",
        [(TIME, [("rpm", SPEED, "rpm", {}),
                 ("kW", POWER, "kW", {"invalidation_bits": invalid}),
                 ("grip", OPEN, "%", {})])],
    )  # fmt: skip
    found = whole(path, layout("mdf", time=MDF_TIME))
    assert np.flatnonzero(np.isnan(found.frame["kW"].to_numpy())).tolist() == [10, 11, 12]
    assert "kW: 3 samples marked invalid" in words(found.notes[0])


def test_a_linear_conversion_is_applied(tmp_path):
    # ASAM MDF 4, conversion rule 1: physical = b + a * raw.
    from asammdf import MDF, Signal
    from asammdf.blocks.v4_blocks import ChannelConversion

    made = MDF(version="4.10")
    rule = ChannelConversion(conversion_type=1, a=0.25, b=10.0)
    raw = ((SPEED - 10.0) * 4).astype("uint32")
    made.append(
        [
            Signal(raw, TIME, name="rpm", unit="rpm", conversion=rule),
            Signal(POWER, TIME, name="kW", unit="kW"),
        ]
    )
    made.save(tmp_path / "a.mf4")
    shutil.move(tmp_path / "a.mf4", tmp_path / "log")
    found = whole(tmp_path / "log", layout("mdf", time=MDF_TIME))
    np.testing.assert_allclose(found.frame["rpm"].to_numpy(), raw * 0.25 + 10.0)


def test_one_name_in_two_groups_is_numbered(tmp_path):
    groups = [
        (TIME, [("rpm", SPEED, "rpm", {}), ("kW", POWER, "kW", {})]),
        (SLOW, [("rpm", np.full(SLOW.size, 1.0), "rpm", {})]),
    ]
    path = mdf(tmp_path / "log", groups)
    with pytest.raises(UnreadableError, match="'rpm' stands 2 times"):
        whole(path, layout("mdf", time=MDF_TIME))
    assert "rpm #2" in look(path).frame.columns


# Looks, and damaged bytes


def test_every_format_shows_itself(tmp_path):
    made = {
        "parquet": parquet(tmp_path / "p", COLUMNS),
        "spreadsheet": book(tmp_path / "s", lambda b: table(b.active, row=4, column=2)),
        "mdf": mdf(tmp_path / "m", [(TIME, [("rpm", SPEED, "rpm", {}), ("kW", POWER, "kW", {})])]),
    }
    for name, path in made.items():
        shown = look(path)
        assert isinstance(shown, Look)
        assert shown.format == name
        assert {"rpm", "kW"} <= set(shown.frame.columns)
        assert shown.frame["rpm"].dtype == pl.Float64


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sound")
    return {
        "parquet": parquet(folder / "p", COLUMNS).read_bytes(),
        "spreadsheet": book(folder / "s", lambda b: table(b.active)).read_bytes(),
        "mdf": mdf(
            folder / "m", [(TIME, [("rpm", SPEED, "rpm", {}), ("kW", POWER, "kW", {})])]
        ).read_bytes(),
    }


@pytest.mark.parametrize("name", ["parquet", "spreadsheet", "mdf"])
@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 2**32 - 1), cut=st.booleans())
def test_damaged_bytes_are_told_and_raise_nothing_else(sound, tmp_path, name, seed, cut):
    random = np.random.default_rng(seed)
    data = bytearray(sound[name])
    if cut:
        data = data[: int(random.integers(8, len(data)))]
    else:
        for at in random.integers(8, len(data), 8):
            data[at] ^= int(random.integers(1, 256))
    path = tmp_path / f"{seed}-{cut}"
    path.write_bytes(bytes(data))
    way = layout(name, time=MDF_TIME if name == "mdf" else '[channels.time]\ncolumn="t"\nunit="s"')
    try:
        reader = formats.reader_of(formats.format_of(formats.start_of(path)))
        if reader.fits(path, b"", way):
            for piece in reader.read(path, way).pieces:
                assert piece.frame.height == piece.line_no.len()
    except UnreadableError as error:
        assert str(error)  # noqa: PT017 - either way is right, and this one must be told
    finally:
        path.unlink()


def test_a_broken_measurement_file_prints_nothing_and_leaves_no_copy(tmp_path, capfd, monkeypatch):
    (tmp_path / "scratch").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "scratch"))
    (tmp_path / "log").write_bytes(b"MDF     4.10    " + bytes(range(256)) * 8)
    with pytest.raises(UnreadableError, match="begins as an ASAM MDF"):
        look(tmp_path / "log")
    assert capfd.readouterr().err == ""
    assert list((tmp_path / "scratch").iterdir()) == []


def test_bytes_of_no_format_are_told():
    assert formats.format_of(b"t,rpm\n0,3000\n") == "text"
    with pytest.raises(UnreadableError, match="binary data"):
        formats.format_of(bytes(range(256)) * 10)
