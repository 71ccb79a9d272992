"""The text of a job card: whatever card it is written from, the same card is read from it."""

import tomllib
from operator import itemgetter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.card import CATEGORIES, JobCard, read_card
from schemas.card_files import is_pattern, one_form
from schemas.card_text import card_text

# A card's words never begin or end in a space: reading takes those off.
letters = st.characters(exclude_categories=["Cs"], exclude_characters="\0")
words = st.text(letters, min_size=1, max_size=40).map(str.strip).filter(bool)
file_names = words.filter(
    lambda name: name.isprintable() and not set(name) & set("/\\") and name not in {".", ".."}
)
PART = ("category", "maker", "name")
parts = st.fixed_dictionaries(
    {"category": st.sampled_from(CATEGORIES), "maker": words, "name": words}
)
shop_maps = st.builds(
    lambda name, revision, back: (
        {"name": name, "revision": revision} | ({"from": max(0, revision - back)} if back else {})
    ),
    words.filter(lambda name: name.casefold() != "stock"),
    st.integers(1, 1_000_000),
    st.integers(0, 3),
)
stages = st.fixed_dictionaries(
    {"name": words, "fuel": words},
    optional={
        "map": st.just("stock") | shop_maps,
        "gear": st.integers(1, 8),
        "tyre": words,
        "dyno": words,
        "mounting": st.integers(1, 1_000),
        "target_lambda": st.floats(0.7, 1.05),
        "parts": st.lists(parts, max_size=4, unique_by=itemgetter(*PART)),
        "note": st.text(letters, max_size=60).map(str.strip),
    },
)


@st.composite
def contents(draw):
    """Return the content of any card that the rules allow."""
    first = draw(st.integers(1900, 2100))
    last = draw(st.integers(first, 2100))
    bike = draw(
        st.fixed_dictionaries(
            {
                "reference": words,
                "make": words,
                "model": words,
                "generation": st.just([first, last]),
                "displacement_cc": st.floats(20, 3000, exclude_min=True, exclude_max=True),
            },
            optional={
                "year": st.integers(first, last),
                "cylinders": st.integers(1, 8),
                "induction": st.sampled_from(["natural", "forced"]),
                "owner": words,
                "control": st.booleans(),
            },
        )
    )
    listed = draw(st.lists(stages, min_size=1, max_size=3))
    names = draw(st.lists(file_names, max_size=12, unique=True))
    for number, stage in enumerate(listed):
        own = names[number :: len(listed)]
        stage["pulls"], stage["rides"] = own[1:], own[:1]
        stage["suggestion_entered"] = bool(number) and draw(st.booleans())
    pulls = [name for stage in listed for name in stage["pulls"] if not is_pattern(name)]
    aside = draw(st.lists(st.sampled_from(pulls), max_size=2, unique_by=one_form)) if pulls else []
    by = st.none() | words
    return {
        "set_aside": [{"file": name, "reason": draw(words), "by": draw(by)} for name in aside],
        "job": draw(words),
        "received": draw(st.dates()),
        "note": draw(st.text(letters, max_size=60).map(str.strip)),
        "bike": bike,
        "stage": listed,
    }


@given(contents())
def test_the_same_card_is_read_from_its_text(content):
    card = JobCard.model_validate(content)
    assert read_card(card_text(card)) == card


@given(contents(), contents())
def test_a_card_written_over_another_is_that_card(content, other):
    card = JobCard.model_validate(content)
    standing = card_text(JobCard.model_validate(other))
    assert read_card(card_text(card, standing)) == card


STANDING = """\ufeff# asked twice
received = 2026-03-14   # a Saturday
job = 'J-1'

[bike]
reference = "B-1"
make = "Corvane"  # spelt so on the tank
model = "Strada 690"
generation = [ 2016, 2019 ]
displacement_cc = 690
induction = "natural"  # no turbo, asked

# The first visit
[[stage]]
name = "as arrived"
map = "stock"
fuel = "E5"
pulls = [
    "run_1.csv",  # cold
    "run_2.csv",
    "run_3.csv",  # clutch slipped
]

# The second
[[stage]]
name = "with silencer"
map = "stock"
fuel = "E5"
parts = [{ category = "silencer", maker = "Halden", name = "S2" }]  # used
"""


def test_comments_and_order_of_a_card_stay_where_its_values_change():
    content = tomllib.loads(STANDING.removeprefix("\ufeff"))
    content["bike"]["displacement_cc"] = 691.0
    content["bike"]["owner"] = "17"
    first, second = content["stage"]
    first["pulls"] = ["run_1.csv", "run_3.csv", "run_4.csv"]
    second["map"] = {"name": "road", "revision": 2}
    content["stage"].append({"name": "back to stock", "fuel": "E5"})
    card = JobCard.model_validate(content)
    text = card_text(card, STANDING)
    assert read_card(text) == card
    # By hand: what stands above with the changes made in it.
    wanted = (
        STANDING.removeprefix("\ufeff").replace("= 690", "= 691").replace('    "run_2.csv",\n', "")
    )
    wanted = wanted.replace("asked\n", 'asked\nowner = "17"\n').replace(
        '"with silencer"\nmap = "stock"', '"with silencer"\nmap = {name = "road", revision = 2}'
    )
    wanted = wanted.replace("slipped\n", 'slipped\n    "run_4.csv",\n')
    for line in wanted.splitlines():
        assert line in text.splitlines()
    assert text.index("# asked twice") < text.index("received") < text.index("job")
    assert text.index("# The second") < text.index("with silencer") < text.index("# used")


def test_a_card_that_says_the_same_is_left_letter_for_letter():
    card = read_card(STANDING)
    assert card_text(card, STANDING) == STANDING.removeprefix("\ufeff")


@pytest.mark.parametrize(
    "standing", ["no toml [", "stage = 3", "bike = []", "[[bike]]\nx = 1", "[stage]"]
)
def test_a_text_that_is_no_card_is_written_anew(standing):
    card = read_card(STANDING)
    assert read_card(card_text(card, standing)) == card


@given(contents())
def test_the_text_can_be_written_as_utf_8_and_read_by_any_toml_reader(content):
    text = card_text(JobCard.model_validate(content))
    read = tomllib.loads(text.encode().decode())
    assert [stage["name"] for stage in read["stage"]] == [s["name"] for s in content["stage"]]


@pytest.mark.parametrize(
    "typed",
    ['a "quoted" word', "back\\slash", "two\nlines", "tab\there", "\x7f", "\x00", "# no comment",
     '"""', "'''", "Öhlmann–Täcker", "🏍"],
)  # fmt: skip
def test_signs_that_toml_acts_on_come_back_letter_for_letter(typed):
    content = {
        "job": "J-1", "received": "2026-03-14", "note": f"a{typed}b",
        "bike": {"reference": "B-1", "make": "Corvane", "model": "Strada 690",
                 "generation": [2016, 2019], "displacement_cc": 690},
        "stage": [{"name": "as arrived", "fuel": "E5"}],
    }  # fmt: skip
    assert read_card(card_text(JobCard.model_validate(content))).note == f"a{typed}b"


def test_a_card_says_the_map_even_when_it_is_the_untouched_one_and_no_other_default():
    content = {
        "job": "J-1", "received": "2026-03-14",
        "bike": {"reference": "B-1", "make": "Corvane", "model": "Strada 690",
                 "generation": [2016, 2019], "displacement_cc": 690.0},
        "stage": [{"name": "as arrived", "fuel": "E5"}],
    }  # fmt: skip
    text = card_text(JobCard.model_validate(content))
    # By hand, from the keys above and the example card.
    assert text.splitlines() == [
        'job = "J-1"', "received = 2026-03-14", "", "[bike]", 'reference = "B-1"',
        'make = "Corvane"', 'model = "Strada 690"', "generation = [2016, 2019]",
        "displacement_cc = 690", "", "[[stage]]", 'name = "as arrived"', 'map = "stock"',
        'fuel = "E5"',
    ]  # fmt: skip


def test_a_long_list_stands_a_name_a_line():
    names = [f"a rather long name of a pull {number}.csv" for number in range(4)]
    content = {
        "job": "J-1", "received": "2026-03-14",
        "bike": {"reference": "B-1", "make": "Corvane", "model": "Strada 690",
                 "generation": [2016, 2019], "displacement_cc": 690},
        "stage": [{"name": "as arrived", "fuel": "E5", "pulls": names}],
    }  # fmt: skip
    text = card_text(JobCard.model_validate(content))
    assert [f'    "{name}",' for name in names] == [
        line for line in text.splitlines() if "rather long" in line
    ]
