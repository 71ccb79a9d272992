"""Sheets show other numbers than they hold: percent, thousands, formulas without their value."""

import datetime as dt
import zipfile

import numpy as np
import openpyxl
import pytest

from flows.guess import guess
from flows.readers import formats
from flows.readers.cell_formats import cell_formats
from flows.readers.look import look
from flows.steps.judge import canonical
from tests.flows.readers.test_formats import layout
from tests.in_words import words

ROWS = 120
TIME = np.round(np.arange(ROWS) / 20, 3)
SPEED = np.round(3000.0 + 50.0 * np.arange(ROWS))
OPEN = np.round(np.clip(np.arange(ROWS) * 1.5, 2.0, 97.0), 1)
POWER = np.round(SPEED / 200, 3)
HEADER = ["t", "rpm", "kW", "grip"]
NAMES = "urn:oasis:names:tc:opendocument:xmlns"


def xlsx(path, change=None, share=0.01):
    """Write a pull whose throttle is a share that the sheet shows as percent."""
    made = openpyxl.Workbook()
    sheet = made.active
    sheet.append(HEADER)
    for at in range(ROWS):
        sheet.append([TIME[at], SPEED[at], POWER[at], OPEN[at] * share])
        sheet.cell(at + 2, 4).number_format = "0.0%"
    if change:
        change(sheet)
    made.save(path)
    return path


def ods(path, throttle):
    """Write the same as an OpenDocument table; `throttle` gives the cell of a row."""

    def row(at):
        numbers = "".join(
            f'<table:table-cell office:value-type="float" office:value="{value}"/>'
            for value in (TIME[at], SPEED[at], POWER[at])
        )
        return f"<table:table-row>{numbers}{throttle(at)}</table:table-row>"

    head = "".join(
        f'<table:table-cell office:value-type="string"><text:p>{name}</text:p></table:table-cell>'
        for name in HEADER
    )
    content = (
        f'<?xml version="1.0"?><office:document-content xmlns:office="{NAMES}:office:1.0" '
        f'xmlns:table="{NAMES}:table:1.0" xmlns:text="{NAMES}:text:1.0"><office:body>'
        f'<office:spreadsheet><table:table table:name="Data"><table:table-row>{head}'
        f"</table:table-row>{''.join(map(row, range(ROWS)))}</table:table></office:spreadsheet>"
        "</office:body></office:document-content>"
    )
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr(
            "META-INF/manifest.xml",
            f'<?xml version="1.0"?><manifest:manifest xmlns:manifest="{NAMES}:manifest:1.0"/>',
        )
        packed.writestr("content.xml", content)
    return path


def percent_cell(at):
    # OpenDocument 1.3, part 3, 19.389: a percentage of 45 % has the value 0.45.
    return f'<table:table-cell office:value-type="percentage" office:value="{OPEN[at] / 100:.4f}"/>'


def read(path, way=None):
    way = way or layout("spreadsheet")
    return canonical(formats.reader_of("spreadsheet").read(path, way), way)


def throttle(found):
    from flows.steps.convert import PLACE

    return found.values[:, PLACE["throttle_pct"]]


@pytest.mark.parametrize("cell", ["n/a", "sensor lost", "45 %", "-"])
@pytest.mark.parametrize("row", [2, 60, ROWS + 1])
def test_one_cell_of_text_does_not_make_a_percent_column_a_hundred_times_too_small(
    tmp_path, cell, row
):
    def change(sheet):
        sheet.cell(row, 4).value = cell

    found = read(xlsx(tmp_path / "log", change))
    kept = np.isin(np.arange(2, ROWS + 2), found.line_no)
    wanted = OPEN.copy()
    if cell == "45 %":
        wanted[row - 2] = 45.0
    np.testing.assert_allclose(throttle(found), wanted[kept], atol=1e-9)
    assert "formatted as percent and read as shown" in words(found.facts["notes"])


def test_ods_percentages_are_read_as_shown(tmp_path):
    found = read(ods(tmp_path / "log", percent_cell))
    np.testing.assert_allclose(throttle(found), OPEN, atol=1e-6)


def test_ods_percentages_beside_text_and_repeated_cells_are_read_as_shown(tmp_path):
    text = '<table:table-cell office:value-type="string"><text:p>n/a</text:p></table:table-cell>'
    found = read(ods(tmp_path / "log", lambda at: text if at == 50 else percent_cell(at)))
    assert found.rows_read == ROWS
    np.testing.assert_allclose(throttle(found), np.delete(OPEN, 50), atol=1e-6)


def test_the_columns_format_decides_also_for_cells_that_lack_it(tmp_path):
    def change(sheet):
        for row in range(20, 60):
            sheet.cell(row, 4).number_format = "General"

    found = read(xlsx(tmp_path / "log", change))
    np.testing.assert_allclose(throttle(found), OPEN, atol=1e-9)
    assert "40 without that format" in words(found.facts["notes"])


def test_percent_typed_into_cells_that_show_percent_stays_within_the_throttles_range(tmp_path):
    # 45 typed into a cell of the form 0.0% that the sheet shows as 4500.0%.
    found = read(xlsx(tmp_path / "log", share=1.0))
    np.testing.assert_allclose(throttle(found), OPEN)
    assert "read as they hold" in words(found.facts["notes"])


def test_a_number_kept_as_text_among_percentages_is_rejected_and_not_a_hundredth(tmp_path):
    def change(sheet):
        sheet.cell(30, 4).value = "0.45"

    found = read(xlsx(tmp_path / "log", change))
    assert 30 not in found.line_no
    assert [(row.line_no, row.found) for row in found.bad_rows] == [(30, "0.45 as text")]


def test_a_ratio_that_is_shown_as_percent_stays_the_ratio_it_is(tmp_path):
    def change(sheet):
        sheet.cell(1, 4).value = "grip"

    way = layout("spreadsheet")
    tables = way.model_dump(exclude_defaults=True)
    tables["channels"]["throttle"]["unit"] = "1"
    found = read(xlsx(tmp_path / "log", change), type(way).model_validate(tables))
    np.testing.assert_allclose(throttle(found), OPEN, atol=1e-9)


def test_cells_shown_in_thousands_are_read_as_shown(tmp_path):
    def change(sheet):
        for at in range(ROWS):
            cell = sheet.cell(at + 2, 3)
            cell.value, cell.number_format = POWER[at] * 1000, "#,##0.0,"

    from flows.steps.convert import PLACE

    found = read(xlsx(tmp_path / "log", change))
    np.testing.assert_allclose(found.values[:, PLACE["wheel_power_w"]], POWER * 1000)
    assert "to show thousands" in words(found.facts["notes"])


@pytest.mark.parametrize("form", ['"$"#,##0.00', "# ?/?", "0.00E+00", '0.0"%"', "#,##0.000"])
def test_other_forms_change_nothing(tmp_path, form):
    def change(sheet):
        for at in range(ROWS):
            sheet.cell(at + 2, 3).number_format = form

    from flows.steps.convert import PLACE

    found = read(xlsx(tmp_path / "log", change))
    np.testing.assert_allclose(found.values[:, PLACE["wheel_power_w"]], POWER * 1000)


def test_formulas_without_their_value_are_told(tmp_path):
    def change(sheet):
        for at in range(ROWS):
            sheet.cell(at + 2, 4).value = f"=C{at + 2}*2"

    found = read(xlsx(tmp_path / "log", change))
    assert f"{ROWS} cells are formulas whose value is not stored" in words(found.facts["notes"])


def test_truth_words_and_errors_are_no_numbers(tmp_path):
    def change(sheet):
        sheet.cell(10, 3).value = True
        sheet.cell(11, 3).value = "#N/A"
        sheet.cell(12, 3).value = dt.time(0, 0, 3)

    found = read(xlsx(tmp_path / "log", change))
    assert {10, 12} <= {row.line_no for row in found.bad_rows}


def test_a_draft_sees_what_the_sheet_shows(tmp_path):
    def change(sheet):
        sheet.cell(1, 4).value = "Throttle Position"
        sheet.cell(1, 2).value = "Engine speed"
        sheet.cell(1, 3).value = "Power [kW]"
        sheet.cell(1, 1).value = "Time"
        sheet.cell(40, 4).value = "n/a"

    path = xlsx(tmp_path / "log", change)
    found = guess(look(path))
    column = next(one for one in found.columns if one.name == "Throttle Position")
    assert (column.channel, column.unit) == ("throttle", "%")
    way = found.layout()
    assert np.nanmax(throttle(read(path, way))) == pytest.approx(97.0)


def test_cells_without_their_places_and_other_prefixes_are_counted(tmp_path):
    # ECMA-376 leaves the places of rows and cells (r) to the writer.
    plain, bare = xlsx(tmp_path / "log"), tmp_path / "bare"
    import re

    with zipfile.ZipFile(plain) as packed, zipfile.ZipFile(bare, "w") as made:
        for name in packed.namelist():
            data = packed.read(name)
            if "sheet1" in name:
                data = re.sub(rb'(<(?:row|c)\b) r="[A-Z0-9]+"', rb"\1", data)
            made.writestr(name, data)
    assert cell_formats(bare, "Sheet") == cell_formats(plain, "Sheet")
    assert len(cell_formats(plain, "Sheet").scales[3]) == ROWS


def test_numbers_kept_as_text_with_a_comma_are_drafted_and_read(tmp_path):
    made = openpyxl.Workbook()
    made.active.append(["Time", "Engine speed", "Power [kW]", "Throttle Position [%]"])
    for row in zip(TIME, SPEED, POWER, OPEN, strict=True):
        made.active.append([f"{value:.3f}".replace(".", ",") for value in row])
    made.save(tmp_path / "log")
    found = guess(look(tmp_path / "log"))
    np.testing.assert_allclose(throttle(read(tmp_path / "log", found.layout())), OPEN)


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_trims_shown_as_percent_are_read_as_shown_with_a_cell_of_text_among_them(tmp_path, kind):
    from flows.steps.convert import PLACE

    trims = np.round(3.0 + 5.0 * np.sin(np.arange(ROWS) / 9), 2)
    way = layout("spreadsheet")
    tables = way.model_dump(exclude_defaults=True)
    tables["channels"]["fuel_trim_long"] = tables["channels"].pop("throttle")
    path = tmp_path / "log"
    if kind == "xlsx":

        def change(sheet):
            for at in range(ROWS):
                sheet.cell(at + 2, 4).value = trims[at] / 100
            sheet.cell(70, 4).value = "--"

        xlsx(path, change)
    else:
        ods(path, lambda at: f'<table:table-cell office:value-type="percentage" '
            f'office:value="{float(trims[at]) / 100!r}"/>')  # fmt: skip
    found = read(path, type(way).model_validate(tables))
    kept = np.isin(np.arange(2, ROWS + 2), found.line_no)
    assert kept.sum() >= ROWS - 1
    np.testing.assert_allclose(found.values[:, PLACE["fuel_trim_long_pct"]], trims[kept])
