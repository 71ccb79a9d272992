"""What a review says needs a decision."""

from warehouse.review_words import decisions

NEED = {
    "model_label": "Corvane Strada 690 (2016–2019)",
    "parts_label": "full exhaust",
    "map_label": "stock",
    "fuel": "E5",
    "lean_bikes": 4,
    "bikes": 5,
}
MAP = {"sentence": "Kestrel road r3: 7 % lean."}
ACT = {"state": "act", "is_of_dyno": True, "sentence": "The dyno's level changed by +1.5 %."}
WATCH = {"state": "watch", "is_of_dyno": True, "sentence": "Look at it."}
BACK = [{"bike_id": f"B-{number:04d}"} for number in range(6)]


def test_each_kind_has_one_line_that_leads_to_its_list():
    found = decisions([NEED] * 9, [MAP] * 9, [ACT] * 9, 9, BACK, 5.0)
    assert [to for _, to in found] == [
        "needs", "maps", "dyno", "behind-files-refused-or-waiting", "comebacks",
    ]  # fmt: skip
    words = " ".join(said for said, _ in found)
    assert "4 of 5 bikes lean" in words
    assert "Over all quarters, 9 map revisions of ours miss the target: 5 % or more off" in words
    assert "B-0000, B-0001, B-0002, B-0003 and 2 more" in words


def test_what_is_as_it_should_be_needs_no_decision():
    assert decisions([], [], [], 0, [], 5.0) == []
    assert decisions([], [], [WATCH], 0, [], 5.0) == []


def test_one_is_told_as_one():
    words = " ".join(said for said, _ in decisions([NEED], [MAP], [], 1, BACK[:1], 5.0))
    assert "1 combination is more likely" in words
    assert "1 map revision of ours misses" in words
    assert "1 file of this quarter's jobs is" in words
