"""Delimited text: bytes to a table in the source's own words, or the reason why not."""

import tempfile
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import polars as pl
import pytest

from fixtures.odd_files import pull_rows
from flows.readers import text
from flows.readers.columns import nearest
from flows.readers.source import UnreadableError
from schemas.layout import Layout
from schemas.toml_text import read_toml
from tests.in_words import words

LAYOUT = """
[layout]
name = "{name}"
kind = "pull"
equipment = "bench"
[recognise]
columns = ["t", "rpm", "kW"]
{recognise}
[text]
{text}
[channels.time]
column = "t"
unit = "s"
[channels.engine_speed]
column = "rpm"
unit = "rpm"
[channels.wheel_power]
column = "kW"
unit = "kW"
[power]
state = "observed"
[metadata]
separator = ":"
"""


def layout(text="", recognise="", name="bench"):
    return read_toml(LAYOUT.format(text=text, recognise=recognise, name=name), Layout, "l.toml")


def numbers(table):
    """Return the columns as numbers: a reader may leave them as texts or not."""
    return {name: [float(cell) for cell in table.frame[name]] for name in table.frame.columns}


def whole(data, way):
    """Read all pieces of a file and put them together."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "file"
        path.write_bytes(data)
        source = text.read(path, way)
        pieces = list(source.pieces)
    return SimpleNamespace(
        frame=pl.concat([piece.frame for piece in pieces], how="vertical_relaxed"),
        line_no=pl.concat([piece.line_no for piece in pieces]),
        bad_rows=[row for piece in pieces for row in piece.bad_rows],
        head=source.head,
        units=source.units,
        notes=source.notes,
        pieces=len(pieces),
    )


def refusal(data, way):
    with pytest.raises(UnreadableError) as found:
        whole(data, way)
    return found.value


def test_columns_keep_their_names_and_words_stay_words():
    table = whole(b"t,rpm,kW\n0.0,3000,25.0\n0.1, 3100 ,n/a\n", layout())
    assert table.frame.columns == ["t", "rpm", "kW"]
    assert table.frame["kW"].to_list() == ["25.0", "n/a"]
    assert [float(cell) for cell in table.frame["rpm"]] == [3000, 3100]
    assert table.line_no.to_list() == [2, 3]
    assert table.bad_rows == []


def test_a_column_that_no_channel_names_is_not_read():
    table = whole(b"t,rpm,kW,latitude\n0,3000,25,-41.5\n", layout())
    assert "latitude" not in table.frame.columns


def test_columns_in_another_order_keep_their_meaning():
    table = whole(b"kW,t,rpm\n25,0,3000\n", layout())
    assert numbers(table) == {"kW": [25], "t": [0], "rpm": [3000]}


def test_entries_before_the_header_are_kept_by_their_key():
    data = 'begun: 2025-03-14 10:40\n"air": "978 mbar"\n\nt,rpm,kW\n0,3000,25\n'
    table = whole(data.encode(), layout())
    assert table.head == {"begun": "2025-03-14 10:40", "air": "978 mbar"}
    assert table.line_no.to_list() == [5]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_kind_of_line_end_is_read(end):
    data = end.join(["t,rpm,kW", "0,3000,25", "1,3100,26", ""]).encode()
    assert whole(data, layout()).line_no.to_list() == [2, 3]


@pytest.mark.parametrize(
    ("encoding", "codec"),
    [
        ("utf-8", "utf-8"),
        ("utf-8", "utf-8-sig"),
        ("windows-1252", "cp1252"),
        ("iso-8859-1", "latin-1"),
        ("utf-16", "utf-16"),
    ],
)
def test_every_encoding_is_read(encoding, codec):
    data = "Öl: 90 °C\nt;rpm;kW\n0;3000;25\n".encode(codec)
    table = whole(data, layout(f'encoding = "{encoding}"\ndelimiter = ";"'))
    assert table.head == {"Öl": "90 °C"}
    assert numbers(table)["rpm"] == [3000]


def test_utf_16_of_either_byte_order_is_read():
    for mark, codec in ((b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        data = mark + "t,rpm,kW\n0,3000,25\n".encode(codec)
        table = whole(data, layout('encoding = "utf-16"'))
        assert numbers(table)["kW"] == [25]


def test_bytes_of_another_encoding_are_refused_with_their_line():
    error = refusal("t,rpm,kW\n0,3000,25\n1,3100,26 °\n".encode("cp1252"), layout())
    assert error.code == "encoding"
    assert "line 3" in str(error)


def test_a_quoted_delimiter_is_text():
    data = b't,rpm,kW\n0,3000,"2,5"\n1,"3100",26\n'
    table = whole(data, layout())
    assert table.frame["kW"].to_list() == ["2,5", "26"]
    assert [float(cell) for cell in table.frame["rpm"]] == [3000, 3100]


def test_a_row_of_units_is_no_row():
    table = whole(b"t,rpm,kW\ns,1/min,kW\n0,3000,25\n", layout("unit_row = true"))
    assert numbers(table)["t"] == [0]
    assert table.line_no.to_list() == [3]


def test_blank_lines_are_no_rows_and_do_not_shift_line_numbers():
    table = whole(b"t,rpm,kW\n\n0,3000,25\n\n1,3100,26\n\n", layout())
    assert table.line_no.to_list() == [3, 5]


def test_a_row_of_another_width_is_kept_aside_with_its_line():
    table = whole(b"t,rpm,kW\n0,3000,25\n1,3100\n2,3200,27,9\n3,3300,28\n", layout())
    assert numbers(table)["t"] == [0, 3]
    assert [(row.line_no, row.rule) for row in table.bad_rows] == [
        (3, "row has as many cells as the header"),
        (4, "row has as many cells as the header"),
    ]


def test_nul_bytes_are_refused_with_their_line():
    error = refusal(b"t,rpm,kW\n0,3000,25\n1,\0\0\0,26\n", layout())
    assert error.code == "nul bytes"
    assert "line 3" in str(error)
    assert "memory card" in error.remedy


def test_a_column_named_twice_is_refused():
    error = refusal(b"t,rpm,kW,kW\n0,3000,25,26\n", layout())
    assert error.code == "doubled column"
    assert "'kW'" in str(error)


def test_a_column_named_twice_that_no_channel_reads_does_no_harm():
    table = whole(b"t,rpm,kW,x,x\n0,3000,25,1,2\n", layout())
    assert table.frame.height == 1


def test_a_header_with_nothing_below_is_refused():
    error = refusal(b"t,rpm,kW\n\n", layout())
    assert error.code == "no rows"
    assert "line 1" in str(error)


def test_a_file_without_one_whole_row_is_refused():
    error = refusal(b"t,rpm,kW\n0;3000;25\n1;3100;26\n", layout())
    assert error.code == "no whole row"
    assert "delimiter" in error.remedy


def test_a_file_of_another_layout_has_no_header():
    assert text.header(b"time,speed\n0,3000\n", layout()) is None
    assert text.header(b"Lauf 7\nt,rpm,kW\n", layout(recognise='first_line = "Run"')) is None
    found = text.header(b"Lauf 7\nt,rpm,kW\n", layout(recognise='first_line = "Lauf"'))
    assert found.line_no == 2


@pytest.mark.parametrize("more", ["", ",oil"], ids=["all columns used", "one left unused"])
def test_rows_that_are_uneven_but_make_up_for_each_other_are_not_read_at_once(more):
    # One cell too few in a row, one too many in the next: as many in all as whole rows have.
    rows = {"even": [4, 4, 4], "uneven": [4, 3, 5], "blank": [4, 0, 8]}
    start = f"t,rpm,kW{more}\n".encode()
    ways = layout()
    opening = text.opened_at(text.header(start, ways), start, ways)
    width = len(opening.header.cells)
    for name, cells in rows.items():
        lines = [",".join("1" * (count - 4 + width)) for count in cells]
        lines = [line if count else "" for line, count in zip(lines, cells, strict=True)]
        if name == "blank":
            lines[2] = ",".join("1" * (2 * width - 1))
        body = ("\n".join(lines) + "\n").encode()
        assert body.count(b",") == 3 * (width - 1)
        found = text.regular_rows([body], opening, ways)
        assert (found is not None) == (name == "even"), name


def test_the_nearest_layout_is_named_with_what_is_missing():
    ways = [layout(), layout(name="other", text='delimiter = ";"')]
    said = words(nearest(partial(text.headings, Path(), b"t,rpm,power\n0,3000,25\n"), ways))
    assert said == "line 1 comes nearest to layout 'bench', but column 'kW' is missing"


def test_the_nearest_layout_is_named_when_only_the_delimiter_differs():
    said = words(
        nearest(partial(text.headings, Path(), b"note\nt;rpm;kW\n0;3000;25\n"), [layout()])
    )
    assert said == (
        "line 2 comes nearest to layout 'bench', but its cells are divided by ';', the layout says "
        "','"
    )


def test_nothing_is_said_of_a_layout_that_is_not_near():
    assert (
        words(nearest(partial(text.headings, Path(), b"alpha,beta,gamma\n1,2,3\n"), [layout()]))
        == ""
    )
    assert words(nearest(partial(text.headings, Path(), b"\x00\x01\x02\xff"), [layout()])) == ""
    assert words(nearest(partial(text.headings, Path(), b"t,rpm,power\n"), [])) == ""


def test_a_sound_pull_has_a_row_for_each_line():
    rows = ["t,rpm,kW", *(",".join(row[:3]) for row in pull_rows())]
    table = whole("\n".join(rows).encode(), layout())
    assert table.frame.height == 61
    assert table.line_no.to_list() == list(range(2, 63))


def test_a_delimiter_of_blanks_and_one_at_the_end_of_each_row():
    found = whole(b"t  rpm \t kW\n 0 3000  25\n1  3100 26 \n", layout('delimiter = "whitespace"'))
    assert [float(v) for v in found.frame["kW"]] == [25.0, 26.0]
    found = whole(b"t,rpm,kW\n0,3000,25,\n1,3100,26,\n", layout())
    assert found.bad_rows == []
    assert [float(v) for v in found.frame["rpm"]] == [3000.0, 3100.0]


def test_a_quoted_cell_may_hold_delimiters_and_line_ends():
    data = b't,rpm,kW,remark\n0,3000,25,"a, b\nc"\n1,3100,26,"x ""y"""\n'
    found = whole(data, layout())
    assert found.bad_rows == []
    assert found.line_no.to_list() == [2, 4]


def test_a_quote_that_nobody_closes_costs_its_own_line_only():
    rows = [f"{n},{3000 + n},25" for n in range(60)]
    rows[10] = '10,"3010,25'
    found = whole(("t,rpm,kW\n" + "\n".join(rows) + "\n").encode(), layout())
    assert [row.line_no for row in found.bad_rows] == [12]
    assert found.frame.height == 59


def test_the_header_again_in_the_middle_is_skipped_and_told():
    found = whole(b"t,rpm,kW\n0,3000,25\nt,rpm,kW\n1,3100,26\n", layout())
    assert found.line_no.to_list() == [2, 4]
    assert "1 time more" in words(found.notes[0])


def test_units_come_from_the_header_and_from_their_row():
    way = read_toml(
        LAYOUT.format(text="unit_row = true", recognise="", name="u").replace(
            'column = "kW"\nunit = "kW"', 'column = "kW"\nunit = "as stated"'
        ),
        Layout,
        "u",
    )
    found = whole(b"t,rpm,kW [PS]\ns,1/min,\n0,3000,25\n", way)
    assert found.units == {"t": "s", "rpm": "1/min", "kW": "PS"}
    assert found.frame.columns == ["t", "rpm", "kW"]


def test_numbers_where_the_units_should_stand_are_told():
    error = refusal(b"t,rpm,kW\n0,3000,25\n1,3100,26\n", layout("unit_row = true"))
    assert error.code == "no row of units"


def test_a_second_standing_of_a_name_can_be_meant():
    way = read_toml(
        LAYOUT.format(text="", recognise="", name="d").replace(
            "[power]", '[channels.lambda_wide]\ncolumn = "kW #2"\n[power]'
        ),
        Layout,
        "d",
    )
    found = whole(b"t,rpm,kW,kW\n0,3000,25,0.9\n", way)
    assert found.frame["kW #2"].to_list() == [0.9]


@pytest.mark.parametrize(
    ("end", "kept"), [("2,3200,27.10", 3), ("2,3200,27.1", 2), ("2,3200", 2), ("2,3200,27", 2)]
)
def test_a_last_line_without_its_end_counts_if_its_last_cell_is_whole(end, kept):
    found = whole(f"t,rpm,kW\n0,3000,25.10\n1,3100,26.10\n{end}".encode(), layout())
    assert found.frame.height == kept
    assert len(found.bad_rows) == 3 - kept


def test_a_packed_text_is_unpacked_and_a_torn_one_is_told():
    import gzip

    data = gzip.compress(b"t,rpm,kW\n" + b"0,3000,25\n" * 4000, mtime=0)
    with pytest.raises(UnreadableError, match="packed by gzip and"):
        whole(data[: len(data) - 20], layout())
    assert whole(gzip.compress(b"t,rpm,kW\n0,3000,25\n"), layout()).frame.height == 1


def test_other_letters_in_the_head_are_let_be_and_among_the_rows_are_told():
    head = "Prüfstand\n".encode("cp1252")
    assert whole(head + b"t,rpm,kW\n0,3000,25\n", layout()).frame.height == 1
    error = refusal(b"t,rpm,kW\n0,3000,25\n1,3100,2\xe4\n", layout())
    assert (error.code, "line 3" in str(error)) == ("encoding", True)


def test_commas_that_divide_and_stand_in_numbers_are_told_apart():
    error = refusal(b"t,rpm,kW\n0,5,3000,0,25,1\n0,6,3100,0,26,1\n", layout())
    assert "Commas both divide" in error.remedy


def test_pieces_are_put_together_as_if_there_were_one(monkeypatch):
    rows = "".join(f"{n}.5,{3000 + n},25.{n % 10}\r\n" for n in range(500))
    data = ("head: 1\r\nt,rpm,kW\r\n" + rows).encode()
    at_once = whole(data, layout())
    for size in (64, 97, 1000):
        monkeypatch.setattr("flows.readers.text.PIECE_BYTES", size)
        found = whole(data, layout())
        assert found.pieces > 3
        assert found.frame.equals(at_once.frame)
        assert found.line_no.to_list() == at_once.line_no.to_list()
        assert found.head == at_once.head
