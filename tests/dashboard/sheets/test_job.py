"""The customer's sheet: one page, plain about what cannot be told, the same each time."""

import io
import os
import re
import struct
import subprocess
import sys
import zlib
from html.parser import HTMLParser

import duckdb
import pypdf
import pytest
from PIL import Image, PngImagePlugin

from dashboard.sheets import job
from dashboard.sheets.logo import read_logo
from schemas.settings import ShopSettings, read_settings
from tests.conftest import command_line
from warehouse import sheet_words, snapshot
from warehouse.wording import advice

ODD = "<script>alert(1)</script> **bold** [x](http://example.invalid) 🏍️ \x07 \u202eabc"
LONG = "Überlänge " * 300


@pytest.fixture(scope="module")
def copied_book(small_shop):
    """Copy the shop's tables into a database of their own."""
    found = snapshot.current(small_shop)
    with duckdb.connect() as connection:
        connection.execute(f"ATTACH '{found.path}' AS snap (READ_ONLY)")
        connection.execute("CREATE SCHEMA out")
        tables = connection.execute(
            "SELECT table_name FROM information_schema.tables "
            "WHERE table_catalog = 'snap' AND table_schema = 'out'"
        ).fetchall()
        for (name,) in tables:
            connection.execute(f'CREATE TABLE out."{name}" AS FROM snap.out."{name}"')
        yield connection


@pytest.fixture
def book(copied_book):
    """Return those tables, to be changed; what a test changes is undone."""
    copied_book.execute("BEGIN")
    yield copied_book
    copied_book.execute("ROLLBACK")


@pytest.fixture
def settings(small_shop) -> ShopSettings:
    return read_settings(small_shop / "rollbook.toml")


@pytest.fixture
def sheet(book, settings, small_shop):
    """Return what makes the sheet of a job from the book as it stands then."""

    def make(job_id="J-0026", logo=None, *, shop=None, **stages) -> tuple[list[str], str]:
        facts = job.gather(book, shop or settings, snapshot.current(small_shop), job_id, **stages)
        pdf, text = job.files(facts, logo)
        read = pypdf.PdfReader(io.BytesIO(pdf))
        assert len(read.pages) == job.pages(pdf)
        return [page.extract_text() for page in read.pages], text.decode()

    return make


def _one_line(text: str) -> str:
    return " ".join(text.split())


class _Tags(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.names: list[str] = []
        self.links: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.names.append(tag)
        self.links += [value for name, value in attrs if name in ("href", "src")]


def test_a_sheet_says_who_what_how_sure_and_in_what_air_on_one_page(sheet):
    pages, text = sheet()
    assert len(pages) == 1
    for said in (_one_line(pages[0]), _one_line(re.sub("<[^>]+>", " ", text))):
        for wanted in (
            "Test shop", "J-0026", "B-103", "SAE J1349", "1. as arrived", "3. remapped",
            "Mixture at full throttle", "3 pulls", "°C", "kPa", "% humidity",
        ):  # fmt: skip
            assert wanted in said
        for caution in sheet_words.CAUTIONS:
            assert caution.replace("&#39;", "'") in said.replace("&#39;", "'")
        assert said.count("19 of 20") == 1


def test_a_sheet_asks_nothing_of_a_network_and_runs_nothing(sheet):
    tags = _Tags(sheet()[1])
    assert not {"script", "link", "iframe", "object"} & set(tags.names)
    assert all(link.startswith(("#", "data:")) for link in tags.links)


def _one_pull(book):
    book.execute("DELETE FROM out.session WHERE stage_id IN ('J-0026/2', 'J-0026/3')")
    book.execute("UPDATE out.session SET pulls_used = 1, pulls = 1 WHERE stage_id = 'J-0026/1'")
    return "Only one state was run"


def _no_weather(book):
    book.execute(
        "UPDATE out.gain SET verdict = 'cannot be told: no air', air_state = 'none', "
        "verdict_at_peak = 'cannot be told: no air' WHERE job_id = 'J-0026'"
    )
    book.execute(
        "UPDATE out.pull SET ambient_temp_k = NULL, ambient_pressure_pa = NULL, "
        "ambient_humidity_pct = NULL WHERE starts_with(stage_id, 'J-0026/')"
    )
    book.execute(
        "UPDATE out.session SET is_corrected = false, reference_factor = NULL "
        "WHERE job_id = 'J-0026'"
    )
    book.execute("DELETE FROM out.gain_curve")
    return "Whether it gained cannot be told"


def _twelve_stages(book):
    for number in range(4, 13):
        of_two = [f"J-0026/{number}"]
        book.execute("INSERT INTO out.session SELECT * REPLACE (? AS stage_id) FROM out.session "
                     "WHERE stage_id = 'J-0026/2'", of_two)  # fmt: skip
        book.execute("INSERT INTO out.stage SELECT * REPLACE (? AS stage_id, ? AS stage_no) "
                     "FROM out.stage WHERE stage_id = 'J-0026/2'", [*of_two, number])  # fmt: skip
    return "7 further stages"


def _odd_names(book):
    for text in (ODD, LONG):
        book.execute("UPDATE out.stage SET stage_name = ?, parts_label = ?, map_label = ?, "
                     "fuel = ?, model_label = ? WHERE job_id = 'J-0026'", [text] * 5)  # fmt: skip
        book.execute("UPDATE out.gain SET change_label = ?, is_like_for_like = false, "
                     "unlike_reason = ? WHERE job_id = 'J-0026'",
                     [text, '[{"code": "refused", "why": "' + "x" * 3000 + '"}]'])  # fmt: skip
    return "Not like for like"


def _markup(book):
    book.execute(
        "UPDATE out.stage SET stage_name = ?, parts_label = ? WHERE job_id = 'J-0026'", [ODD, ODD]
    )
    return "J-0026"


def _all_at_once(book):
    _twelve_stages(book)
    _odd_names(book)
    return "These two runs cannot be held against each other"


@pytest.mark.parametrize(
    "spoil", [_one_pull, _no_weather, _twelve_stages, _odd_names, _markup, _all_at_once]
)
def test_a_sheet_of_an_extreme_job_is_one_page_and_says_so(spoil, book, sheet):
    wanted = spoil(book)
    pages, text = sheet()
    assert len(pages) == 1
    assert wanted in _one_line(pages[0])
    assert "script" not in _Tags(text).names
    assert "\x07" not in text


def test_a_sheet_with_a_logo_and_four_lines_of_address_is_one_page_in_the_worst_case(book, sheet):
    _all_at_once(book)
    book.execute("UPDATE out.stage_mixture SET level = 'stop', worst_lean_error_pct = 16.2")
    address = ["W" * 80] * 4
    shop = ShopSettings.model_validate({"shop": {"name": LONG, "address": address}})
    assert len(sheet(logo=_picture(), shop=shop)[0]) == 1


def test_a_bike_with_forced_induction_is_told_apart(book, sheet):
    book.execute("UPDATE out.gain SET air_state = 'observed' WHERE job_id = 'J-0026'")
    assert "No air correction holds for forced induction" in _one_line(sheet()[0][0])


def _places(text: str, *wanted: str) -> list[int]:
    found = [_one_line(text).index(one) for one in wanted]
    assert found == sorted(found)
    return found


def test_a_bike_that_leaves_lean_has_that_said_before_all_else(book, sheet):
    book.execute(
        "UPDATE out.stage_mixture SET level = 'stop', level_not_excluded = NULL, "
        "worst_lean_error_pct = 16.2, worst_speed_rpm = 7200 WHERE stage_id = 'J-0026/3'"
    )
    pages, _ = sheet()
    _places(pages[0], "This bike leaves lean (stop: 16 % lean at 7,200 rpm)", "at the wheel",
            "Mixture at full throttle")  # fmt: skip


def test_the_state_a_bike_leaves_in_is_told_also_where_an_earlier_one_is_shown(book, sheet):
    book.execute(
        "UPDATE out.stage_mixture SET level = 'warn', worst_lean_error_pct = 12.0, "
        "worst_speed_rpm = 7200 WHERE stage_id = 'J-0026/3'"
    )
    pages, _ = sheet(before_no=1, after_no=2)
    assert "This bike leaves lean as remapped, its last state" in _one_line(pages[0])


def test_the_same_snapshot_gives_the_same_bytes_in_another_process_and_time_zone(
    small_shop, tmp_path
):
    made = job.make(small_shop, "J-0026")
    again = job.make(small_shop, "J-0026")
    assert (made.pdf, made.html) == (again.pdf, again.html)
    run = subprocess.run(
        [sys.executable, "-c",
         "import sys, pathlib; from dashboard.sheets.job import make\n"
         "made = make(pathlib.Path(sys.argv[1]), 'J-0026')\n"
         "out = pathlib.Path(sys.argv[2]); (out / 'a').write_bytes(made.pdf); "
         "(out / 'b').write_bytes(made.html)", str(small_shop), str(tmp_path)],
        env={**os.environ, "TZ": "Pacific/Auckland", "PYTHONHASHSEED": "7"},
        capture_output=True, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    assert (tmp_path / "a").read_bytes() == made.pdf
    assert (tmp_path / "b").read_bytes() == made.html


def test_an_unknown_job_is_answered_with_the_three_nearest_and_no_file(small_shop):
    code, said = command_line("sheet", small_shop, "J-026")
    assert code == 1
    assert "no job is called 'J-026'; the nearest: J-0026," in said
    assert said.count("J-00") >= 3
    assert not list((small_shop / "reports").glob("sheet*"))


def test_a_job_without_a_pull_that_counts_says_what_it_lacks(book, sheet):
    book.execute("DELETE FROM out.session WHERE job_id = 'J-0026'")
    with pytest.raises(job.NoSheetError, match="none of its 9 pulls counts"):
        sheet()
    book.execute("DELETE FROM out.pull WHERE starts_with(stage_id, 'J-0026/')")
    with pytest.raises(job.NoSheetError, match="no pull of it was taken in"):
        sheet()


def test_stages_that_are_not_held_against_each_other_are_answered_with_those_that_are(sheet):
    with pytest.raises(job.NoSheetError, match=r"stages 3 and 1 .* these are: .*1 and 3"):
        sheet(before_no=3, after_no=1)
    with pytest.raises(job.NoSheetError, match="in a stage 9: only in 1, 2, 3"):
        sheet(before_no=9)


def test_of_a_bike_that_was_put_back_the_change_is_what_was_tried_between(book, sheet):
    book.execute("DELETE FROM out.gain WHERE job_id = 'J-0026' AND before_stage_id != 'J-0026/1'")
    book.execute("DELETE FROM out.gain WHERE after_stage_id = 'J-0026/3'")
    book.execute("UPDATE out.gain SET again_stage_id = 'J-0026/3' WHERE job_id = 'J-0026'")
    pages, _ = sheet()
    assert "put back and run again; the figure is against both" in _one_line(pages[0])
    assert "after: parts fitted" in _one_line(pages[0])


# The sentences by themselves.

GAIN = {
    "verdict": "real gain", "mean_gain_pct": 4.2, "mean_gain_lower_pct": 2.9,
    "mean_gain_upper_pct": 5.5, "smallest_detectable_pct": 1.9, "is_like_for_like": True,
    "unlike_reason": "", "air_state": "reference", "again_stage_id": None,
    "riding_from_rpm": 3100.0, "riding_to_rpm": 8650.0,
}  # fmt: skip
STAGE = {"stage_id": "J-1/2", "stage_name": "remapped"}


@pytest.mark.parametrize(
    ("changed", "begins"),
    [
        ({}, "Power at the wheel rose by 4.2 % on average from 3,100 to 8,650 rpm; 19 of 20"),
        ({"verdict": "real loss", "mean_gain_pct": -4.2}, "Power at the wheel fell by 4.2 %"),
        ({"verdict": "within noise"}, "No gain and no loss can be told: +4.2 %"),
        ({"verdict": "cannot be told: no air", "air_state": "one side"},
         "Whether it gained cannot be told: the air of one run was not measured"),
        ({"is_like_for_like": False, "unlike_reason": "fuel E5 before, E85 after"},
         "Not like for like (fuel E5 before, E85 after), so take it with care: power at the"),
    ],
)  # fmt: skip
def test_the_first_sentence_begins_with_what_decides(changed, begins):
    said = sheet_words.gain_sentence({**GAIN, **changed}, STAGE, STAGE)
    assert said.startswith(begins)
    assert said.count("19 of 20") == 1


def test_nothing_is_promised_where_nothing_was_compared():
    for said in (
        sheet_words.gain_sentence(None, None, STAGE),
        sheet_words.gain_sentence(None, STAGE, STAGE),
    ):
        assert "no gain is claimed" in said


def test_a_mixture_that_was_not_measured_is_not_called_safe():
    said = sheet_words.watch_sentence(STAGE, advice(None), is_after=True)
    assert "nothing here says that full throttle is safe" in said
    assert sheet_words.mixture_sentence(STAGE, None, None).endswith("was not measured.")


# The logo.


def _picture(kind: str = "PNG", size: tuple[int, int] = (300, 120)) -> bytes:
    made = io.BytesIO()
    about = PngImagePlugin.PngInfo()
    about.add_text("Comment", "taken at a customer's door")
    Image.new("RGB", size, "navy").save(made, kind, **({"pnginfo": about} if kind == "PNG" else {}))
    return made.getvalue()


def _claiming(width: int, height: int) -> bytes:
    """Return a PNG whose head claims a size; the checksum of its head holds (PNG, clause 5.3)."""
    head = b"IHDR" + struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    length, check = struct.pack(">I", 13), struct.pack(">I", zlib.crc32(head))
    return b"\x89PNG\r\n\x1a\n" + length + head + check + _picture()[33:]


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
def test_a_logo_stands_on_both_papers_without_what_else_its_file_held(kind, tmp_path, sheet):
    (tmp_path / "logo.png").write_bytes(_picture(kind, (3000, 1200)))
    logo, trouble = read_logo(tmp_path, "logo.png")
    assert trouble == ""
    assert b"customer" not in logo
    assert max(Image.open(io.BytesIO(logo)).size) <= 600
    pages, text = sheet(logo=logo)
    assert len(pages) == 1
    assert "data:image/png;base64," in text


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "no sound PNG or JPEG"),
        (b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>", "no sound PNG or JPEG"),
        (_picture()[:200], "no sound PNG or JPEG"),
        (_picture()[:40] + bytes(400), "no sound PNG or JPEG"),
        (_claiming(60_000, 60_000), "million pixels"),
        (_claiming(5_000, 5_000), "million pixels"),
        (_claiming(3_000, 3_000), "no sound PNG or JPEG"),
        (_picture() + bytes(3_000_000), "more than 2 MB"),
    ],
    ids=["empty", "svg", "cut", "zeros", "bomb", "large", "lying", "heavy"],
)
def test_a_hostile_logo_is_named_and_the_sheet_comes_without_it(content, said, tmp_path):
    (tmp_path / "logo.png").write_bytes(content)
    logo, trouble = read_logo(tmp_path, "logo.png")
    assert logo is None
    assert said in trouble


def test_a_logo_that_is_a_link_or_not_there_is_not_followed(tmp_path):
    (tmp_path / "secret.png").write_bytes(_picture())
    (tmp_path / "logo.png").symlink_to(tmp_path / "secret.png")
    for name in ("logo.png", "none.png"):
        assert read_logo(tmp_path, name) == (None, f"no file {name} is in the shop's folder")


@pytest.mark.parametrize("name", ["../logo.png", "a/b.png", "c:\\logo.png", "logo.exe", "logo.svg"])
def test_a_logo_outside_the_folder_or_of_another_kind_is_a_mistake_of_the_settings(name):
    with pytest.raises(ValueError, match=r"must name a \.png, \.jpg, \.jpeg file"):
        ShopSettings.model_validate({"shop": {"logo": name}})


def test_the_address_stands_below_the_name(sheet):
    told = {"shop": {"name": "Zűrzavar Műhely", "address": ["Fő utca 1", "Tel. 555 0100"]}}
    pages, text = sheet(shop=ShopSettings.model_validate(told))
    _places(pages[0], "Zűrzavar Műhely", "Fő utca 1", "Tel. 555 0100", "Dyno sheet")
    assert "Fő utca 1" in text


def test_the_command_writes_both_files_and_names_them(small_shop):
    code, said = command_line("sheet", small_shop, "J-0026")
    assert code == 0
    for ending in ("pdf", "html"):
        path = small_shop / "reports" / f"sheet-J-0026.{ending}"
        assert str(path) in " ".join(said.split())
        assert path.stat().st_size > 5_000
        path.unlink()
