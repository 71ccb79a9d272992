"""What is decided on a page stands on the card, and nobody's words are lost by it."""

import hashlib

import pytest

from dashboard import hand_desk
from dashboard.intake_desk import NotWrittenError
from dashboard.open_shop import OpenShop
from schemas.card import read_card
from tests.dashboard.opened import open_page
from warehouse import archived
from warehouse.snapshot import current


def opened(shop):
    return OpenShop(shop.folder.root, shop.settings, current(shop.folder.root))


def card_of(shop):
    return shop.folder.inbox / "job 1" / "card.toml"


@pytest.fixture
def shop(shop_of_one_job):
    return shop_of_one_job


def aside_of(shop):
    found = shop.rows("SELECT file_name, set_aside_reason, set_aside_by FROM core.pull")
    return {name: (reason, by) for name, reason, by in found if reason}


def test_a_pull_set_aside_on_a_page_counts_no_more_after_the_update(shop):
    before = card_of(shop).read_bytes()
    hand_desk.set_aside(opened(shop), "J-1", "s1_2.csv", "the belt slipped", "mk")
    shop.show()
    assert aside_of(shop) == {"s1_2.csv": ("the belt slipped", "mk")}
    # People's comments stay, and the card before it is in the archive letter for letter.
    assert "# the owner waits for a call" in card_of(shop).read_text(encoding="utf-8")
    sha = hashlib.sha256(before).hexdigest()
    assert (shop.folder.archive / sha[:2] / sha).read_bytes() == before


def test_a_pull_taken_back_counts_again(shop):
    before = read_card(card_of(shop).read_text(encoding="utf-8"))
    hand_desk.set_aside(opened(shop), "J-1", "s1_2.csv", "the belt slipped")
    shop.show()
    hand_desk.take_back(opened(shop), "J-1", "s1_2.csv")
    shop.show()
    assert aside_of(shop) == {}
    assert read_card(card_of(shop).read_text(encoding="utf-8")) == before


def test_two_pulls_can_be_set_aside_before_the_first_is_taken_in(shop):
    seen = opened(shop)
    hand_desk.set_aside(seen, "J-1", "s1_2.csv", "the belt slipped")
    hand_desk.set_aside(seen, "J-1", "s2_1.csv", "wrong gear")
    assert [one.file for one in hand_desk.set_aside_on_card(seen, "J-1")] == [
        "s1_2.csv",
        "s2_1.csv",
    ]


def test_a_reason_written_anew_takes_the_old_ones_place(shop):
    seen = opened(shop)
    hand_desk.set_aside(seen, "J-1", "s1_2.csv", "the belt slipped")
    hand_desk.set_aside(seen, "J-1", "s1_2.csv", "the strap gave way")
    assert [one.reason for one in hand_desk.set_aside_on_card(seen, "J-1")] == [
        "the strap gave way"
    ]


def test_a_card_that_somebody_changed_meanwhile_is_not_written_over(shop):
    theirs = card_of(shop).read_text(encoding="utf-8") + "\n# and a new chain is on order\n"
    card_of(shop).write_text(theirs, encoding="utf-8")
    with pytest.raises(NotWrittenError, match=r"changed by somebody.*Wait for the next update"):
        hand_desk.set_aside(opened(shop), "J-1", "s1_2.csv", "the belt slipped")
    assert card_of(shop).read_text(encoding="utf-8") == theirs
    shop.show()
    hand_desk.set_aside(opened(shop), "J-1", "s1_2.csv", "the belt slipped")
    assert "a new chain is on order" in card_of(shop).read_text(encoding="utf-8")


def test_a_change_over_our_own_unread_card_by_somebody_is_not_written_over(shop):
    seen = opened(shop)
    hand_desk.set_aside(seen, "J-1", "s1_2.csv", "the belt slipped")
    theirs = card_of(shop).read_text(encoding="utf-8") + "\n# mine\n"
    card_of(shop).write_text(theirs, encoding="utf-8")
    with pytest.raises(NotWrittenError):
        hand_desk.take_back(seen, "J-1", "s1_2.csv")
    assert card_of(shop).read_text(encoding="utf-8") == theirs


@pytest.mark.parametrize(
    ("file", "reason", "person", "why"),
    [
        ("s1_2.csv", "   ", "", "for a reason"),
        ("s1_2.csv", "x" * 201, "", "200 characters"),
        ("s1_2.csv", "slipped", "x" * 61, "reference 60"),
        ("s9_9.csv", "slipped", "", "no such pull"),
    ],
)
def test_what_no_card_can_say_is_refused_and_nothing_written(shop, file, reason, person, why):
    before = card_of(shop).read_bytes()
    with pytest.raises(NotWrittenError, match=why):
        hand_desk.set_aside(opened(shop), "J-1", file, reason, person)
    assert card_of(shop).read_bytes() == before


def test_a_card_that_is_gone_and_a_job_that_nobody_knows_are_told(shop):
    with pytest.raises(NotWrittenError, match="not in the book"):
        hand_desk.set_aside(opened(shop), "J-9", "s1_2.csv", "slipped")
    card_of(shop).unlink()
    with pytest.raises(NotWrittenError, match="no longer in the inbox"):
        hand_desk.set_aside(opened(shop), "J-1", "s1_2.csv", "slipped")
    assert not card_of(shop).exists()


def test_a_card_with_a_slip_is_put_right_first(shop):
    card_of(shop).write_text("job = ", encoding="utf-8")
    shop.show()
    with pytest.raises(NotWrittenError, match="has mistakes"):
        hand_desk.set_aside(opened(shop), "J-1", "s1_2.csv", "slipped")


def test_a_job_that_its_changed_card_took_out_is_told_and_put_back(shop, monkeypatch):
    card_before = card_of(shop).read_bytes()
    shop.job(2)
    shop.show()
    # The bike of the second job is made the first one's, and of another model.
    card = shop.folder.inbox / "job 2" / "card.toml"
    before = card.read_bytes()
    card.write_text(before.decode().replace('"B-2"', '"B-1"').replace("Strada 690", "Strada 790"))
    shop.show()
    (row,) = opened(shop).ask("jobs_out").to_dicts()
    assert row["job_id"] == "J-2"
    for page in ("today", "what_came_in"):
        app = open_page(page, shop.folder.root, monkeypatch)
        (told,) = (error.value for error in app.error if "out of the shop" in error.value)
        assert told.startswith("**J\\-2 is out of the shop since its card was changed\\: bike")
        assert "Put the card of J\\-2 back as it was" in [one.label for one in app.button]
    # Also of an archive that was packed meanwhile.
    archived.pack(shop.folder, 60.0)
    hand_desk.put_card_back(opened(shop), row["job_folder"], row["as_it_was"])
    assert card.read_bytes() == before
    shop.show()
    assert opened(shop).ask("jobs_out").is_empty()
    assert card_of(shop).read_bytes() == card_before


def test_a_card_changed_again_is_not_written_over_by_the_one_before(shop):
    shop.job(2)
    shop.show()
    card = shop.folder.inbox / "job 2" / "card.toml"
    card.write_text(card.read_text().replace('"J-2"', '"J-1"'))
    shop.show()
    (row,) = opened(shop).ask("jobs_out").to_dicts()
    newer = card.read_text().replace('"J-1"', '"J-3"')
    card.write_text(newer)
    with pytest.raises(NotWrittenError, match="changed again"):
        hand_desk.put_card_back(opened(shop), row["job_folder"], row["as_it_was"])
    assert card.read_text() == newer
