"""The job card: what it says, and every mistake in it named at once with its line."""

import pytest

from schemas.card import CATEGORIES, read_card
from schemas.toml_text import MistakesError, line_of_key

CARD = """\
job = "J-0143"
received = 2025-03-14

[bike]
reference = "B-0071"
make = "Corvane"
model = "Strada 690"
generation = [2016, 2019]
year = 2017
displacement_cc = 690

[[stage]]
name = "as arrived"
fuel = "E5"
pulls = ["run_01.csv", "run_02.csv"]
rides = ["ride_*.txt"]

[[stage]]
name = "silencer fitted"
map = { name = "Kestrel road", revision = 3, from = 2 }
fuel = "E5"
parts = [ { category = "silencer", maker = "Halden", name = "S2 slip-on" } ]
pulls = ["run_03.csv"]
"""


def mistakes(*changes, text=CARD):
    """Return the mistakes in the card after replacing each first text with the second."""
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    with pytest.raises(MistakesError) as found:
        read_card(text)
    return found.value.mistakes


def test_a_sound_card_says_what_it_says():
    card = read_card(CARD)
    assert card.job == "J-0143"
    assert card.bike.model_id == "Corvane Strada 690 2016-2019 690"
    assert [stage.map_label for stage in card.stage] == ["stock", "Kestrel road r3"]
    assert card.stage[1].parts[0].category == "silencer"
    assert card.bike.induction == "natural"
    assert not card.bike.control


def test_a_byte_order_mark_before_the_card_does_no_harm():
    assert read_card("\ufeff" + CARD) == read_card(CARD)


def test_every_mistake_is_named_at_once_in_the_order_of_its_lines():
    found = mistakes(
        ('make = "Corvane"', 'maker = "Corvane"'),
        ("displacement_cc = 690", "displacement_cc = 69000"),
        ('category = "silencer"', 'category = "muffler"'),
        ('name = "as arrived"\nfuel = "E5"', 'name = "as arrived"'),
    )
    assert len(found) == 5
    lines = [int(text.split(":")[0].removeprefix("line ")) for text in found]
    # By hand, from the card above with one line fewer after line 13.
    assert lines == [4, 6, 10, 12, 21]
    assert found[0] == "line 4: bike.make is missing"
    assert "bike.maker is not a key that belongs here" in found[1]
    assert "got 69000" in found[2]
    assert found[3] == "line 12: stage.1.fuel is missing"
    assert "'silencer', 'headers'" in found[4]
    assert "got 'muffler'" in found[4]


@pytest.mark.parametrize("category", CATEGORIES)
def test_every_category_may_stand_on_a_card(category):
    read_card(CARD.replace('category = "silencer"', f'category = "{category}"'))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('job = "J-0143"\n', "", "job is missing"),
        ('job = "J-0143"', 'job = ""', "line 1: job"),
        ("received = 2025-03-14", 'received = "last week"', "line 2: received must be a"),
        ("[2016, 2019]", "[2019, 2016]", "must be [first, last] model year, got [2019, 2016]"),
        ("year = 2017", "year = 2021", "year must lie in the generation 2016-2019, got 2021"),
        ('"run_03.csv"', '"../run_03.csv"', "must name files beside the card, got '../run_03.csv'"),
        ('"run_03.csv"', '"sub\\\\run_03.csv"', "must name files beside the card"),
        ('"run_03.csv"', '".."', "must name files beside the card"),
        ('"run_03.csv"', '"run_01.csv"', "file 'run_01.csv' stands under stage 1 and stage 2"),
        ("revision = 3", "revision = 0", "stage.2.map.revision"),
        ("revision = 3, from = 2", 'revision = "three"', "stage.2.map.revision"),
        ('fuel = "E5"\npulls', 'fuel = "E5"\ngear = 11\npulls', "stage.1.gear"),
        ('model = "Strada 690"', 'model = "Strada 690"\ninduction = "turbo"', "bike.induction"),
        (
            'fuel = "E5"\npulls',
            'fuel = "E5"\nsuggestion_entered = true\npulls',
            "stage 1 cannot have suggestion_entered = true",
        ),
        ('fuel = "E5"\npulls', 'fuel = "E5"\ntarget_lambda = 14.7\npulls', "stage.1.target_lambda"),
    ],
)
def test_a_mistake_is_told_in_plain_words(old, new, said):
    found = mistakes((old, new))
    assert any(said in sentence for sentence in found), found


def test_the_same_part_twice_in_a_stage_is_a_mistake():
    one = '{ category = "silencer", maker = "Halden", name = "S2 slip-on" }'
    found = mistakes((f"[ {one} ]", f"[ {one}, {one} ]"))
    assert found == ["line 22: stage.2.parts lists the same part twice"]


def test_a_file_twice_in_one_stage_is_a_mistake():
    found = mistakes(('"run_01.csv", "run_02.csv"', '"run_01.csv", "run_01.csv"'))
    assert "file 'run_01.csv' stands" in found[0]


def test_a_card_without_a_stage_is_a_mistake():
    assert mistakes(text=CARD.split("[[stage]]")[0]) == ["stage is missing"]


def test_what_is_no_toml_is_told_with_its_line():
    found = mistakes(('make = "Corvane"', "make = Corvane"))
    assert "not valid TOML" in found[0]
    assert "line 6" in found[0]


def test_a_date_with_quotes_is_read_as_the_date_it_names():
    # TOML has dates of its own; people put quotes around them all the same.
    assert read_card(CARD.replace("2025-03-14", '"2025-03-14"')) == read_card(CARD)


@pytest.mark.parametrize(
    ("location", "line"),
    [
        (["job"], 1),
        (["bike", "make"], 6),
        (["stage", 0, "fuel"], 14),
        (["stage", 1, "fuel"], 21),
        (["stage", 1, "map", "revision"], 20),
        (["stage", 0, "gear"], 12),
        (["stage", 1], 18),
        (["bike", "nothing"], 4),
        (["owner"], None),
    ],
)
def test_a_key_is_found_on_its_line_or_its_table_s(location, line):
    assert line_of_key(CARD, location) == line


def test_a_key_in_a_table_with_a_comment_behind_it_is_found():
    assert line_of_key("[bike]  # the bike\nmake = 1\n", ["bike", "make"]) == 2


ASIDE = '[[set_aside]]\nfile = "run_02.csv"\nreason = "clutch slipped"\n'


def test_a_pull_may_be_set_aside_with_a_reason_and_by_whom():
    assert read_card(CARD).set_aside == []
    (one,) = read_card(CARD + ASIDE + 'by = "MK"\n').set_aside
    assert (one.file, one.reason, one.by) == ("run_02.csv", "clutch slipped", "MK")


def test_a_pull_that_a_pattern_takes_may_be_set_aside():
    text = (CARD + ASIDE).replace('["run_01.csv", "run_02.csv"]', '["run_*.csv"]')
    assert read_card(text).set_aside[0].file == "run_02.csv"


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        (ASIDE.replace("run_02", "run_07"), "stands under no stage's pulls: write its name as"),
        (ASIDE.replace("run_02.csv", "ride_1.txt"), "only pulls can be set aside"),
        (ASIDE.replace("run_02", "run_*"), "must be the name of one file, got 'run_*.csv'"),
        (ASIDE.replace("clutch slipped", " "), "set_aside.1.reason"),
        (ASIDE.replace('reason = "clutch slipped"\n', ""), "set_aside.1.reason is missing"),
        (ASIDE + ASIDE, "names file 'run_02.csv' twice"),
    ],
)
def test_what_cannot_be_set_aside_is_told_with_the_way_out(entry, said):
    (mistake,) = mistakes(text=CARD + entry)
    assert said in mistake
