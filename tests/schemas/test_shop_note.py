"""What a note may say: each slip is told with its line, what was found and what is expected."""

import datetime as dt
import re

import pytest

from schemas.shop_note import ShopNote, read_shop_note, shop_note_text
from schemas.toml_text import MistakesError

GOOD = 'job = "J-1"\nstage = 2\non = 2026-03-14\nby = "mk"\ntext = "the belt slips"\n'
PART = '[part]\ncategory = "silencer"\nmaker = "Halden"\nname = "S2"\n'


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (GOOD.replace('text = "the belt slips"\n', ""), "text is missing"),
        (GOOD.replace("the belt slips", "x" * 501), "line 5: text .*at most 500"),
        (GOOD.replace("the belt slips", "  "), "line 5: text .*at least 1"),
        (GOOD.replace("2026-03-14", '"soon"'), "line 3: on .*got 'soon'"),
        (GOOD.replace('job = "J-1"\n', ""), "line 1: stage needs its job"),
        (GOOD.replace("stage = 2", "stage = 0"), "line 2: stage .*got 0"),
        (GOOD + PART, "got both a job and a kind of bike"),
        ('on = 2026-03-14\ntext = "x"\n', "must name what the note is about.*got none of them"),
        (GOOD + 'colour = "red"\n', "line 6: colour is not a key that belongs here"),
        (GOOD.replace("[", "") + PART.replace("silencer", "horn"), "category"),
        ("run;rpm\n1;2\n", "not valid TOML"),
        ("a" + ".a" * 2000 + " = 1", "at most 1000 dots"),
    ],
)
def test_a_slip_in_a_note_is_told_with_its_line(text, told):
    with pytest.raises(MistakesError) as raised:
        read_shop_note(text, "x.toml")

    assert re.search(told, "; ".join(raised.value.mistakes)), raised.value.mistakes


@pytest.mark.parametrize(
    "words",
    ['"""', "a\nb", "\x1b[31m", "\u202eabc", "'); DROP", "[part]", "é\u0301 🏍", "\\", "#", "\x07"],
)
@pytest.mark.parametrize("about", [{"job": "J-1"}, {"job": 'J"1', "stage": 3}, {"model": "A\nB"}])
def test_whatever_is_written_is_read_back_letter_for_letter(words, about):
    note = ShopNote(on=dt.date(2026, 3, 14), text=f"x{words}x", **about)
    assert read_shop_note(shop_note_text(note), "x.toml") == note


def test_written_anew_a_note_keeps_what_a_person_put_beside_it():
    standing = "# ask the maker\n" + GOOD
    note = read_shop_note(standing, "x.toml").model_copy(update={"taken_back": True})
    written = shop_note_text(note, standing)
    assert "# ask the maker" in written
    assert read_shop_note(written, "x.toml").taken_back


def test_a_part_written_by_a_page_stands_behind_the_other_keys():
    part = {"category": "silencer", "maker": "Halden", "name": "S2"}
    note = ShopNote(part=part, model="M", on=dt.date(2026, 3, 14), text="loud", taken_back=True)
    assert read_shop_note(shop_note_text(note), "x.toml") == note
