"""What people wrote is read by everyone in the shop where it helps, and by no customer."""

import io
import re
from pathlib import Path

import pypdf
import pytest
from typer.testing import CliRunner

from dashboard.sheets import job, review
from flows.cli import app as commands
from schemas.settings import read_settings
from tests.dashboard.opened import open_page
from warehouse import snapshot
from warehouse.find import Index, find

WORDS = ("kickstand", "gasket", "subframe", "petcock", "withdrawn words")
ACTING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
"""C0 and C1 controls and the marks of UAX #9 that turn the reading direction."""


pytestmark = pytest.mark.usefixtures("closed_snapshots")


def said(app):
    return "\n".join(one.value for one in app.markdown)


def test_the_story_shows_the_notes_to_job_stage_part_and_model(small_shop, monkeypatch):
    app = open_page("bike", small_shop, monkeypatch, job="J-0026")
    told = said(app)
    assert "kickstand" in told
    assert "gasket" in told
    assert "withdrawn words" not in told
    notes = app.dataframe[0].value["noted_said"].to_list()
    assert "gasket" in str(notes[1])
    assert "kickstand" not in str(notes)
    next(one for one in app.toggle if "taken back" in one.label).set_value(True).run()
    assert "~~withdrawn words~~ (taken back)" in said(app)


def test_what_a_note_says_is_letters_on_a_page(small_shop, monkeypatch):
    app = open_page("bike", small_shop, monkeypatch, job="J-0026")
    line = next(one.value for one in app.markdown if "kickstand" in one.value)
    # CommonMark 2.4: a backslash before a sign of ASCII makes it a letter.
    assert r"\<script\>alert\(9\)" in line
    assert r"\!\[x\]\(http\:" in line
    assert not ACTING.search(line)
    assert not ACTING.search(str(app.dataframe[0].value["noted_said"].to_list()))


def test_a_similar_build_tells_what_was_noted_of_its_job(small_shop, monkeypatch, reader):
    rows = reader.execute(
        "SELECT stage_id FROM out.similar_build AS alike SEMI JOIN out.shop_note AS said "
        "ON alike.other_job_id = said.job_id LIMIT 1"
    ).fetchall()
    told = said(open_page("builds_like_this", small_shop, monkeypatch, stage=rows[0][0]))
    assert "chain rattles" in told
    assert "withdrawn words" not in told


def test_a_combination_tells_what_was_noted_of_its_parts_and_model(small_shop, monkeypatch, reader):
    rows = reader.execute(
        "SELECT need_id FROM out.remap_need WHERE model_id = 'ostrel-vanta-900-2018' LIMIT 1"
    ).fetchall()
    told = said(open_page("remap_need", small_shop, monkeypatch, need=rows[0][0], maps="all-maps"))
    assert "petcock" in told
    assert "kickstand" not in told


def test_the_quarter_lists_its_notes_on_the_page_and_in_the_review(small_shop, monkeypatch):
    app = open_page("this_quarter", small_shop, monkeypatch, quarter="2026 Q2", part="notes")
    notes = next(one.value for one in app.dataframe if "note_text" in one.value.columns)
    assert len(notes) == 5
    pdf, html = review.write_review(small_shop, quarter="2026 Q2")
    text = html.read_text(encoding="utf-8")
    paper = "".join(page.extract_text() for page in pypdf.PdfReader(pdf).pages)
    for words in WORDS[:4]:
        assert words in text
        assert words in paper
    assert "withdrawn words" not in text + paper
    assert "<script" not in text
    assert not ACTING.search(text.replace("\n", ""))
    other = review.write_review(small_shop, quarter="2025 Q4")[1].read_text(encoding="utf-8")
    assert "kickstand" not in other


@pytest.mark.parametrize("words", WORDS[:4])
def test_a_note_is_found_by_its_words_and_leads_to_a_bike(words, reader):
    (group, *_) = find(reader, Index(reader), words)
    assert group.kind == "note"
    assert group.hits[0].row["bike_id"]
    assert not ACTING.search(group.hits[0].name)


def test_a_note_that_was_taken_back_is_not_found(reader):
    assert all(group.kind != "note" for group in find(reader, Index(reader), "withdrawn words"))


def test_the_terminal_tells_the_notes_of_a_job_and_passes_no_code_on(small_shop):
    done = CliRunner().invoke(commands, ["job", str(small_shop), "J-0026"])
    shown = done.output
    assert "kickstand" in shown, shown
    assert "gasket" in shown
    assert "withdrawn" not in shown
    assert not ACTING.search(shown)


def test_no_note_stands_on_the_customers_sheet(small_shop):
    found = snapshot.current(small_shop)
    settings = read_settings(small_shop / "rollbook.toml")
    with snapshot.open_reader(found.path) as reader:
        facts = job.gather(reader, settings, found, "J-0026")
    pdf, html = job.files(facts, None)
    text = html.decode() + "".join(
        page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages
    )
    assert "J-0026" in text
    assert [words for words in WORDS if words in text] == []
    # Nor does anything that makes it ask for one.
    asked = Path(job.__file__).read_text(encoding="utf-8")
    assert "shop_note" not in asked


def test_the_day_shows_five_notes_with_a_way_to_the_bike(small_shop, monkeypatch):
    app = open_page("today", small_shop, monkeypatch)
    text = said(app).replace("\\", "")
    assert "chain rattles" in text
    assert "petcock leaks" in text
    assert "withdrawn words" not in text
    assert sum(":material/sticky_note_2:" in one.value for one in app.markdown) == 5
