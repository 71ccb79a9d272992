"""A job brought in from the page alone, and a card put right there: from the drop to the curves."""

import shutil
import sys

import pytest

from dashboard import desk
from schemas.card import read_card
from tests.dashboard.opened import open_page
from warehouse import store, wording

pytestmark = pytest.mark.usefixtures("commands_here", "closed_snapshots")


class Page:
    """The page as a person sees it: fields by their labels."""

    def __init__(self, root, monkeypatch, **query):
        self.app = open_page("bring_in_job", root, monkeypatch, within_s=120, **query)
        self.whole()

    def whole(self):
        assert not self.app.exception
        said = self.said()
        assert all(caution in said for caution in (*wording.CAUTIONS, wording.CAUTION_LINE))
        return self

    def said(self):
        app = self.app
        kinds = (app.markdown, app.text, app.error, app.warning, app.info, app.success, app.caption)
        return "\n".join(element.value for kind in kinds for element in kind).replace("\\", "")

    def field(self, kind, label, at=0):
        shown = [(one.label.replace("\\", ""), one) for one in getattr(self.app, kind)]
        found = [one for text, one in shown if text.startswith(label)]
        return found[at]

    def fill(self, kind, label, value, at=0):
        box = self.field(kind, label, at)
        if kind == "selectbox" and value not in box.options:
            box.options.append(value)  # the test's stand-in for typing a new word
        return box.set_value(value)

    def write(self, kind, label, value, at=0):
        self.fill(kind, label, value, at).run()
        return self.whole()

    def press(self, label, at=0):
        self.field("button", label, at).click().run()
        return self.whole()

    def drop(self, *files):
        dropped = [(name, data, "text/csv") for name, data in files]
        self.app.file_uploader[0].set_value(dropped).run()
        return self.whole()

    def new_bike(self, make="Corvane"):
        self.fill("selectbox", "Make", make)
        self.fill("text_input", "Model", "Strada 690")
        self.fill("number_input", "First model year", 2016)
        self.fill("number_input", "Last model year", 2019)
        self.fill("number_input", "Displacement", 690.0)
        return self.write("selectbox", "Fuel", "E5")

    def card(self):
        return read_card(self.app.code[0].value)

    def files_of(self, kind):
        return [box.value for box in self.app.multiselect if box.label.startswith(kind)]

    @property
    def errors(self):
        return [error.value.replace("\\", "") for error in self.app.error]


def inbox_of(shop):
    root = shop.folder.root
    return {path.relative_to(root).as_posix() for path in root.rglob("*")
            if path.is_file() and not {"warehouse", "archive"} & set(path.parts)}  # fmt: skip


@pytest.fixture(scope="module")
def two_jobs(tmp_path_factory, open_little_shop):
    """Fill a shop with two jobs on two bikes of one model, a silencer on both second stages."""
    shop = open_little_shop(tmp_path_factory.mktemp("two-jobs") / "shop")
    shop.job(1)
    shop.job(2, levels=(1.02, 1.12))
    shop.update()
    return shop.folder.root


@pytest.fixture
def filled(two_jobs, tmp_path, open_little_shop):
    """Copy that shop, for a test to change."""
    shutil.copytree(two_jobs, tmp_path / "filled")
    return open_little_shop(tmp_path / "filled")


def test_mistakes_in_the_settings_are_told(tmp_path, monkeypatch):
    (tmp_path / "rollbook.toml").write_text('[show]\npower = "horses"\n', encoding="utf-8")
    assert "horses" in Page(tmp_path, monkeypatch).said()


@pytest.mark.parametrize("name", ["empty_shop", "small_shop"])
def test_the_page_stands_on_an_empty_and_on_a_filled_snapshot(name, request, monkeypatch):
    page = Page(request.getfixturevalue(name), monkeypatch)
    proposed = {"empty_shop": ("J-0001", "B-0001"), "small_shop": ("J-0053", "B-403")}[name]
    found = (page.field("text_input", "Job number"), page.field("text_input", "Bike reference"))
    assert tuple(field.value for field in found) == proposed


@pytest.mark.own_process
def test_a_first_job_comes_from_the_drop_to_the_curves_without_a_terminal(shop, make, monkeypatch):
    before = inbox_of(shop)
    pulls = [(f"run_{at}.csv", make.pull(1 + at / 1000).encode()) for at in (11, 12, 21, 22)]
    page = Page(shop.folder.root, monkeypatch).drop(*pulls, ("ride.csv", make.ride().encode()))
    page.new_bike().press("Add a stage")
    # Told by their numbers; the ride is put last.
    assert page.files_of("Pulls") == [["run_11.csv", "run_12.csv"], ["run_21.csv", "run_22.csv"]]
    assert page.files_of("Rides") == [[], ["ride.csv"]]
    page.write("text_input", "Maker and name", "Halden s2", at=1)
    page.write("text_input", "Maker", "Halden", at=2)
    page.write("text_input", "Name", "S2 slip-on").press("Add as a new part")
    assert inbox_of(shop) == before
    card = page.card()
    page.press("Write card and files")
    assert inbox_of(shop) - before == {
        f"inbox/J-0001/{name}" for name in ("card.toml", "ride.csv", *(n for n, _ in pulls))
    }
    assert (shop.folder.inbox / "J-0001" / "run_11.csv").read_bytes() == pulls[0][1]
    page.press("Take it in now")
    assert "5 of 5 files taken in" in page.said()
    assert shop.rows("SELECT count(*) FROM out.pull WHERE is_used") == [(4,)]
    assert [part.name for part in card.stage[1].parts] == ["S2 slip-on"]


def test_all_that_is_missing_is_told_at_once_and_nothing_is_written(shop, monkeypatch):
    page = Page(shop.folder.root, monkeypatch)
    assert "To fill in: make, model, generation, displacement, fuel of stage 1." in page.said()
    assert page.errors == []
    before = inbox_of(shop)
    page.press("Write card and files")
    assert page.errors == ["Fill this in."] * 5
    assert inbox_of(shop) == before


def test_a_wrong_value_is_told_beside_its_field_at_once(shop, monkeypatch):
    page = Page(shop.folder.root, monkeypatch).new_bike()
    page.write("number_input", "Model year", 2021)
    assert any("2016-2019" in error for error in page.errors)
    assert any("1 mistake" in error for error in page.errors)
    before = inbox_of(shop)
    page.press("Write card and files")
    assert inbox_of(shop) == before


def test_the_next_numbers_follow_the_shops_own_way(filled, monkeypatch):
    page = Page(filled.folder.root, monkeypatch)
    assert page.field("text_input", "Job number").value == "J-3"
    assert page.field("text_input", "Bike reference").value == "B-3"


def test_two_new_bikes_before_the_first_is_taken_in_stay_two(filled, monkeypatch):
    other = Page(filled.folder.root, monkeypatch).new_bike()
    page = Page(filled.folder.root, monkeypatch).new_bike()
    assert page.card().bike.reference == other.card().bike.reference == "B-3"
    page.press("Write card and files").press("Bring in another job")
    assert page.field("text_input", "Bike reference").value == "B-4"
    assert page.field("text_input", "Job number").value == "J-4"
    # The other tab was offered the same numbers; only the bike is left to tell them apart.
    other.write("text_input", "Job number", "J-8")
    assert any("The shop has a bike B-3" in error for error in other.errors)
    before = inbox_of(filled)
    other.press("Write card and files")
    assert inbox_of(filled) == before
    other.write("selectbox", "Bike", "B-3")
    assert "Corvane Strada 690 (2016–2019)" in other.said()
    assert other.card().bike.reference == "B-3"
    other.press("Write card and files")
    assert inbox_of(filled) - before == {"inbox/J-8/card.toml"}


def test_a_card_is_reached_by_the_number_of_its_job(filled, monkeypatch):
    page = Page(filled.folder.root, monkeypatch, job="J-1")
    assert page.app.session_state["bring_in_job_mode"] == "Correct a card"
    assert page.app.session_state["bring_in_job_folder"] == "job 1"


def test_a_job_whose_folder_is_gone_is_brought_in_anew(filled, make, monkeypatch):
    gone = filled.folder.inbox / "job 1"
    names = sorted(path.name for path in gone.iterdir())
    card = (gone / "card.toml").read_bytes()
    shutil.rmtree(gone)
    filled.show()
    page = Page(filled.folder.root, monkeypatch, folder="job 1")
    assert "bring the job in anew under its number, J-1" in page.said()
    page.app.segmented_control[0].set_value("New job").run()
    page.write("selectbox", "Bike", "B-1").write("text_input", "Job number", "J-1")
    assert "of bike B-1, and its card is gone" in page.said()
    page.write("selectbox", "Fuel", "E5").drop(("new_1.csv", make.pull(1.1).encode()))
    page.press("Write card and files")
    filled.take_in()
    assert filled.outcome("job 1/new_1.csv").state == "taken in"
    kept = {path.read_bytes() for path in filled.folder.archive.rglob("*") if path.is_file()}
    assert card in kept
    assert "card.toml" in names


def test_files_stay_in_the_first_stage_where_names_do_not_tell(filled, make, monkeypatch):
    page = Page(filled.folder.root, monkeypatch)
    page.drop(*((f"{name}.csv", make.pull(1 + at / 100).encode())
                for at, name in enumerate(("anna", "berta"))))  # fmt: skip
    page.press("Add a stage")
    assert page.files_of("Pulls") == [["anna.csv", "berta.csv"], []]


def test_a_file_that_nobody_taught_leads_to_teaching(filled, monkeypatch):
    page = Page(filled.folder.root, monkeypatch).write("selectbox", "Bike", "B-1")
    page.write("selectbox", "Fuel", "E5")
    text = "alpha;beta\n" + "".join(f"{at};{at * at}\n" for at in range(90))
    page.drop(("odd.csv", text.encode())).press("Write card and files").press("Take it in now")
    assert "0 of 1 file taken in" in page.said()
    links = {link.proto.label: link.proto.query_string for link in page.app.get("page_link")}
    assert links["Teach the layout of 1 file"].startswith("file=")
    titles = list(page.app.dataframe[0].value.columns)
    assert "reason" in titles
    assert "layout" not in titles


def test_a_known_bike_brings_its_model_and_how_it_left(filled, make, monkeypatch):
    page = Page(filled.folder.root, monkeypatch).write("selectbox", "Bike", "B-1")
    assert "Corvane Strada 690 (2016–2019), 690 cm³, natural induction" in page.said()
    page.press("First stage: as it left")
    page.drop(("run_1.csv", make.pull(1.05).encode()))
    card = page.card()
    assert card.bike.reference == "B-1"
    assert card.bike.model_id == "Corvane Strada 690 2016-2019 690"
    assert [part.name for part in card.stage[0].parts] == ["S2 slip-on"]
    assert card.stage[0].fuel == "E5"
    assert card.stage[0].pulls == ["run_1.csv"]


def test_a_known_model_is_chosen_and_not_typed_again(filled, monkeypatch):
    page = Page(filled.folder.root, monkeypatch)
    page.write("selectbox", "Model", "Corvane Strada 690 2016-2019 690")
    page.write("selectbox", "Fuel", "E5")
    assert page.card().bike.model_id == "Corvane Strada 690 2016-2019 690"


def test_a_part_typed_with_a_slip_becomes_the_part_the_shop_has(filled, monkeypatch):
    page = Page(filled.folder.root, monkeypatch)
    page.write("text_input", "Maker and name", "Haldn s2").press("silencer: Halden S2 slip")
    assert page.files_of("Parts fitted") == [[("silencer", "Halden", "S2 slip-on")]]


def test_another_spelling_of_a_part_is_not_added_as_a_new_one(filled, monkeypatch):
    page = Page(filled.folder.root, monkeypatch)
    page.write("text_input", "Maker and name", "HALDEN S2 Slip On")
    page.write("text_input", "Maker", "HALDEN", at=1)
    page.write("text_input", "Name", "S2 Slip On")
    page.press("Fit that part")
    assert page.files_of("Parts fitted") == [[("silencer", "Halden", "S2 slip-on")]]


def test_a_new_stage_begins_with_the_parts_of_the_one_before(filled, monkeypatch):
    page = Page(filled.folder.root, monkeypatch).write("selectbox", "Bike", "B-1")
    page.press("First stage: as it left").press("Add a stage")
    part = ("silencer", "Halden", "S2 slip-on")
    assert page.files_of("Parts fitted") == [[part], [part]]
    page.write("selectbox", "What was done", "remapped", at=1).press("Move up")
    assert [stage.name for stage in page.card().stage] == ["remapped", "as arrived"]
    page.press("Take this stage out")
    assert [stage.name for stage in page.card().stage] == ["as arrived"]


def test_a_file_that_no_stage_takes_is_a_mistake(shop, make, monkeypatch):
    page = Page(shop.folder.root, monkeypatch).new_bike()
    page.drop(("run_1.csv", make.pull().encode()))
    page.write("multiselect", "Pulls", [])
    assert any("run_1.csv stands under no stage" in error for error in page.errors)


def test_the_folder_of_another_job_is_not_written_into(filled, monkeypatch):
    filled.put("J-9/left_over.csv", "x")
    page = Page(filled.folder.root, monkeypatch).new_bike()
    page.write("text_input", "Job number", "J-9")
    assert any("holds files without a card" in error for error in page.errors)
    page.write("text_input", "Job number", "J-1")
    assert any("in the book already" in error for error in page.errors)


def test_files_that_wait_without_a_card_get_one(filled, make, monkeypatch):
    filled.put("walk-in/run_1.csv", make.pull(1.2))
    filled.put("walk-in/run_2.csv", make.pull(1.201))
    filled.show()
    page = Page(filled.folder.root, monkeypatch, folder="walk-in").new_bike()
    assert page.files_of("Pulls") == [["run_1.csv", "run_2.csv"]]
    page.drop(("run_2.csv", b"another run"))
    assert any("nothing is overwritten" in w.value.replace("\\", "") for w in page.app.warning)
    page.press("Write card and files")
    assert not (filled.folder.inbox / "walk-in" / "card.toml").exists()
    page.press("Use this name")
    page.write("multiselect", "Pulls", ["run_1.csv", "run_2.csv", "run_2-2.csv"])
    page.press("Write card and files").press("Take it in now")
    assert "2 of 3 files taken in" in page.said()
    assert filled.outcome("walk-in/run_1.csv").state == "taken in"
    assert (filled.folder.inbox / "walk-in" / "run_2-2.csv").read_bytes() == b"another run"


def test_a_card_is_corrected_and_the_one_before_is_kept(filled, monkeypatch):
    old = (filled.folder.inbox / "job 1" / "card.toml").read_bytes()
    page = Page(filled.folder.root, monkeypatch, folder="job 1")
    assert page.field("text_input", "Job number").value == "J-1"
    assert page.files_of("Pulls") == [["s1_1.csv", "s1_2.csv"], ["s2_1.csv", "s2_2.csv"]]
    assert page.field("button", "Write the new card").disabled
    page.write("text_input", "Owner", "C-204").press("Write the new card")
    new = read_card((filled.folder.inbox / "job 1" / "card.toml").read_text(encoding="utf-8"))
    assert new.bike.owner == "C-204"
    assert new.stage[1].parts == read_card(old.decode()).stage[1].parts
    page.press("Take it in now")
    assert "4 of 4 files taken in" in page.said()
    kept = {path.read_bytes() for path in filled.folder.archive.rglob("*") if path.is_file()}
    assert old in kept
    again = Page(filled.folder.root, monkeypatch, folder="job 1")
    assert again.app.expander[0].label == "Versions of this card so far: 2"


def test_a_pull_is_set_aside_on_the_page_kept_on_saving_and_taken_back(filled, monkeypatch):
    card = filled.folder.inbox / "job 1" / "card.toml"
    page = Page(filled.folder.root, monkeypatch, folder="job 1")
    page.write("multiselect", "Which pulls do not count", ["s1_2.csv"])
    page.press("Write the new card")
    assert "To fill in: reason why a pull is set aside" in page.said()
    page.write("text_input", "Why s1_2.csv", "strap came loose")
    page.write("text_input", "By whom s1_2.csv", "MK").press("Write the new card")
    text = card.read_text(encoding="utf-8")
    (one,) = read_card(text).set_aside
    assert (one.file, one.reason, one.by) == ("s1_2.csv", "strap came loose", "MK")
    filled.show("out.pull")
    asked = "SELECT trouble FROM out.pull WHERE file_name = 's1_2.csv' AND stage_id = 'J-1/1'"
    assert filled.rows(asked) == [("set aside by MK: strap came loose",)]
    # Another change leaves it as it stands, and the next card takes it back.
    again = Page(filled.folder.root, monkeypatch, folder="job 1")
    again.write("text_input", "Owner", "C-204")
    assert again.card().set_aside == read_card(text).set_aside
    again.write("multiselect", "Which pulls do not count", []).press("Write the new card")
    filled.show("out.pull")
    assert filled.rows(asked) == [(None,)]


def test_a_card_with_comments_keeps_them_when_the_page_changes_it(filled, make, monkeypatch):
    card = filled.folder.inbox / "job 1" / "card.toml"
    text = "# asked twice\n" + card.read_text(encoding="utf-8")
    card.write_text(text.replace("[bike]", "[bike]  # the red one"), encoding="utf-8")
    filled.show()
    page = Page(filled.folder.root, monkeypatch, folder="job 1")
    page.write("number_input", "Displacement", 691.0)
    page.press("Write the new card")
    now = card.read_text(encoding="utf-8")
    assert now.startswith("# asked twice")
    assert "[bike]  # the red one" in now
    assert "displacement_cc = 691" in now


def test_a_card_that_was_not_archived_yet_is_not_written_over(filled, monkeypatch):
    card = filled.folder.inbox / "job 1" / "card.toml"
    by_hand = card.read_text(encoding="utf-8").replace('"E5"', '"E10"')
    card.write_text(by_hand, encoding="utf-8")
    page = Page(filled.folder.root, monkeypatch, folder="job 1")
    assert any("not in the archive yet" in error for error in page.errors)
    page.write("text_input", "Owner", "C-204").press("Write the new card")
    assert card.read_text(encoding="utf-8") == by_hand


def test_a_card_that_somebody_changes_meanwhile_is_not_written_over(filled, monkeypatch):
    page = Page(filled.folder.root, monkeypatch, folder="job 1")
    page.write("text_input", "Owner", "C-204")
    card = filled.folder.inbox / "job 1" / "card.toml"
    card.write_text(card.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    filled.show()
    page.app.run()
    page.press("Write the new card")
    assert any("somebody else changed this card" in error for error in page.errors)
    assert "C-204" not in card.read_text(encoding="utf-8")


def test_a_card_with_mistakes_is_opened_with_what_can_be_read_of_it(filled, make, monkeypatch):
    wrong = make.card("J-3", bike="B-3", cc=-690, stages=[make.stage(pulls=["a.csv"])])
    filled.put("job 3/card.toml", wrong)
    filled.put("job 3/a.csv", make.pull(1.3))
    filled.show()
    page = Page(filled.folder.root, monkeypatch, folder="job 3")
    assert any("greater than 20" in error for error in page.errors)
    page.write("number_input", "Displacement", 690.0)
    page.press("Write the new card")
    filled.take_in()
    assert filled.outcome("job 3/a.csv").state == "taken in"


@pytest.mark.own_process
def test_an_update_that_fails_says_why_and_that_the_job_is_safe(shop, monkeypatch):
    page = Page(shop.folder.root, monkeypatch).new_bike().press("Write card and files")
    monkeypatch.setattr(desk, "COMMAND", [sys.executable, "-c", "1/0"])
    page.press("Take it in now")
    assert "could not be taken in" in page.said()
    assert "stopped before its end" in page.said()
    monkeypatch.undo()
    monkeypatch.setenv("ROLLBOOK_SHOP", str(shop.folder.root))
    page.press("Try again now")
    assert shop.outcome("J-0001/card.toml").state == "card"


def test_names_from_a_browser_are_shown_letter_for_letter_and_kept_in_the_folder(
    shop, make, monkeypatch
):
    page = Page(shop.folder.root, monkeypatch).new_bike()
    page.drop(("../../![x](http://example.invalid/x.png)", make.pull().encode()))
    app = page.app
    acted_on = (app.markdown, app.error, app.warning, app.info, app.success, app.caption)
    labels = [element.label for kind in (app.expander, app.button) for element in kind]
    said = [element.value for kind in acted_on for element in kind] + labels
    assert not [text for text in said if "![x]" in text or "](http" in text]
    before = inbox_of(shop)
    page.press("Write card and files")
    assert inbox_of(shop) - before == {"inbox/J-0001/card.toml", "inbox/J-0001/x.png)"}


def test_the_form_outlives_a_visit_to_another_page(filled, monkeypatch):
    page = Page(filled.folder.root, monkeypatch)
    page.write("text_input", "Owner", "C-204").press("Add a stage")
    page.app.switch_page("views/what_came_in.py").run()
    page.app.switch_page("views/bring_in_job.py").run()
    assert page.field("text_input", "Owner").value == "C-204"
    assert len(page.files_of("Pulls")) == 2


def test_what_the_page_offers_is_what_the_book_holds(filled):
    with store.writer(filled.folder) as connection:
        parts = connection.execute("SELECT category, maker, part_name, bikes FROM out.part")
        # By hand, from the two jobs: one silencer, on both bikes.
        assert parts.fetchall() == [("silencer", "Halden", "S2 slip-on", 2)]
        bikes = connection.execute(
            "SELECT bike_id, make, model, displacement_cc, job_id FROM out.bike ORDER BY bike_id"
        )
        assert bikes.fetchall() == [
            ("B-1", "Corvane", "Strada 690", 690.0, "J-1"),
            ("B-2", "Corvane", "Strada 690", 690.0, "J-2"),
        ]
        setups = connection.execute(
            "SELECT stage_id, map_name, fuel, gear FROM out.stage_setup ORDER BY stage_id"
        )
        assert setups.fetchall() == [
            (stage, "stock", "E5", None) for stage in ("J-1/1", "J-1/2", "J-2/1", "J-2/2")
        ]
