"""Which line names the columns, which states their units, and why a file is of no layout."""

from functools import partial

import openpyxl
import pytest

from flows.readers import columns, formats
from flows.readers.look import look
from schemas.layout import Layout
from tests.flows.readers.test_formats import layout
from tests.in_words import words

NAMES = ["Zeit", "Drehzahl", "Leistung", "Drosselklappe", "Luftmasse", "Zündwinkel"]


def lines_of(*head, rows=30):
    body = [
        ";".join(f"{at * step + 3:.3f}" for step in (0.05, 40, 1, 2, 3, 0.1)) for at in range(rows)
    ]
    return "\n".join([*(";".join(row) for row in head), *body]) + "\n"


@pytest.mark.parametrize(
    "units",
    [
        ["s", "1/min", "kW", "%", "kg/h", "°"],
        ["[s]", "[U/min]", "[kW]", "[%]", "[mg/Hub]", "[°KW]"],
        ["s", "Upm", "kW", "DK %", "mg/H", "KW"],
        ["sek", "u/min", "", "", "", ""],
        ["(s)", "(rpm)", "(kW)", "(%)", "(kg/h)", "(grd)"],
        ["-", "rpm", "kW", "-", "-", "-"],
    ],
)
def test_a_row_of_units_is_not_taken_for_the_names(tmp_path, units):
    path = tmp_path / "log"
    path.write_text(lines_of(NAMES, units), encoding="utf-8")
    found = look(path)
    assert found.where == "header row on line 1"
    assert found.frame.columns == NAMES
    assert found.frame.height == 30
    assert found.text["unit_row"] is True
    assert found.units["Leistung"] == "kW" if units[2] else "Leistung" not in found.units


def test_units_above_the_names_are_used(tmp_path):
    path = tmp_path / "log"
    path.write_text(lines_of(["s", "1/min", "kW", "%", "kg/h", "°"], NAMES), encoding="utf-8")
    found = look(path)
    assert found.where == "header row on line 2"
    assert found.units["Drehzahl"] == "1/min"
    assert "unit_row" not in found.text
    assert found.frame.height == 30


def test_names_as_short_as_units_are_names(tmp_path):
    path = tmp_path / "log"
    path.write_text(lines_of(["Halle 2", "", "", "", "", ""], ["t", "n", "P", "DK", "ml", "zw"]),
                    encoding="utf-8")  # fmt: skip
    assert look(path).frame.columns == ["t", "n", "P", "DK", "ml", "zw"]


def test_a_sheets_row_of_units_is_not_taken_for_the_names(tmp_path):
    made = openpyxl.Workbook()
    made.active.append(NAMES)
    made.active.append(["[s]", "[U/min]", "[kW]", "[%]", "[mg/Hub]", "[°KW]"])
    for at in range(30):
        made.active.append([at * step + 3 for step in (0.05, 40, 1, 2, 3, 0.1)])
    made.save(tmp_path / "log")
    found = look(tmp_path / "log")
    assert found.frame.columns == NAMES
    assert found.units["Leistung"] == "kW"
    assert found.frame.height == 30


def asking_for_all():
    tables = layout("text").model_dump(exclude_defaults=True)
    tables["recognise"]["columns"] = ["t", "rpm", "kW", "grip"]
    return Layout.model_validate(tables)


def nearest(path, *ways):
    headings = partial(formats.reader_of("text").headings, path, path.read_bytes())
    return columns.nearest(headings, list(ways))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("t;rpm;kW;grip\n0;1;2;3\n", "its cells are divided by ';', the layout says ','"),
        ("t\trpm\tkW\tgrip\n0\t1\t2\t3\n", "its cells are divided by tabs, the layout says ','"),
        ("t,rpm (filtered),kW,grip\n0,1,2,3\n", "column 'rpm' is missing"),
        ("t,rpm,kW,grips\n0,1,2,3\n", "column 'grip' is missing"),
        ("T,RPM,KW,GRIP\n0,1,2,3\n", "in capitals and small letters"),
        ("kept: t/rpm/kW/grip here\n0,1,2,3\n", ""),
    ],
)
def test_what_is_said_of_a_file_that_fits_no_layout_is_true(tmp_path, text, said):
    path = tmp_path / "log"
    path.write_text(text, encoding="utf-8")
    way = asking_for_all()
    assert not formats.reader_of("text").fits(path, path.read_bytes(), way)
    told = words(nearest(path, way))
    assert said in told if said else told == ""
    assert "not divided" not in told


def test_another_first_line_or_file_name_is_told_as_what_it_is(tmp_path):
    path = tmp_path / "log"
    path.write_text("bench 3\nt,rpm,kW,grip\n0,1,2,3\n", encoding="utf-8")
    way = layout("text")
    tables = way.model_dump(exclude_defaults=True)
    tables["recognise"]["first_line"] = "bench 2"
    assert "does not begin with 'bench 2'" in words(nearest(path, type(way).model_validate(tables)))
    tables["recognise"] = {**way.model_dump()["recognise"], "file_name": "run_*"}
    assert "its name is not like 'run_*'" in words(nearest(path, type(way).model_validate(tables)))
