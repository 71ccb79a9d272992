"""The desk behind "Teach a layout": from a guess and a form to a layout that reads the file."""

from pathlib import Path

import pytest

from dashboard import desk, teach_desk
from dashboard.charts import trial_chart
from dashboard.desk import DeskError
from dashboard.look import LIGHT, Look
from dashboard.teach_desk import corrected, saved
from schemas.desk import AskDraft, AskTrial
from schemas.layout import Layout, new_layout_file, read_layouts
from schemas.layout_text import layout_text
from schemas.toml_text import read_toml
from tests.conftest import pull_text
from tests.dashboard.opened import open_page

pytestmark = pytest.mark.usefixtures("commands_here")

APP = str(Path(__file__).parents[2] / "dashboard" / "app.py")
LOOK = Look(palette=LIGHT, power_unit="kW", mixture="lambda", afr_scale=14.7)
ABOUT = {"name": "hall 2", "kind": "pull", "equipment": "dyno in hall 2"}


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    path = tmp_path_factory.mktemp("file") / "pull.csv"
    path.write_text(pull_text(), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def guess(file, tmp_path_factory, open_little_shop):
    return drafted(file, open_little_shop(tmp_path_factory.mktemp("shop") / "shop").folder.root)


def drafted(file, root):
    return desk.LOOKING.ask(AskDraft(file=file, shop=root))


def tried(file, tables, root):
    return desk.LOOKING.ask(AskTrial(file=file, layout=tables, shop=root))


def rows(guess, **changes):
    return [
        {"name": c.name, "channel": c.channel, "unit": c.unit} | changes.get(c.name, {})
        for c in guess.columns
    ]


def test_a_guess_left_as_it_is_is_a_layout(guess):
    tables = corrected(guess, ABOUT, rows(guess), {})
    layout = Layout.model_validate(tables)
    assert layout.name == "hall 2"
    assert set(layout.channels) == {
        "time", "engine_speed", "wheel_power", "lambda_wide", "throttle",
    }  # fmt: skip


def test_a_correction_counts_over_the_guess(guess):
    changes = {"wheel kW": {"unit": "PS"}, "lambda": {"channel": teach_desk.NOT_USED}}
    answers = {"power": "DIN 70020", "channels.lambda_wide.probe": "tailpipe"}
    tables = corrected(guess, ABOUT, rows(guess, **changes), answers)
    assert tables["channels"]["wheel_power"]["unit"] == "PS"
    assert "lambda_wide" not in tables["channels"]
    assert tables["power"] == {"state": "corrected", "standard": "DIN 70020"}
    assert "lambda" not in tables["recognise"]["columns"]


def test_what_nobody_said_stays_assumed_until_somebody_does(guess):
    """The file says nothing of the probe's place, nor whether its power is corrected."""

    def assumed(answers, **ways):
        tables = corrected(guess, ABOUT, rows(guess), answers, **ways)
        return set(Layout.model_validate(tables).assumptions)

    probe = next(q for q in guess.questions if q.key == "channels.lambda_wide.probe")
    first, *others = teach_desk.choices(probe, guess.tables)
    assert first == "nobody knows: collector for now"
    assert tuple(others) == probe.choices
    everything = {"channels.lambda_wide.probe", "power.state"}
    assert assumed({}) == assumed({probe.key: first}) == everything
    # The same value, said by a person, is no assumption any more.
    assert assumed({probe.key: "collector"}) == {"power.state"}
    assert assumed({probe.key: "port", "power": "observed"}) == set()


def test_units_that_nobody_stated_are_confirmed_together_or_one_by_one(tmp_path, shop):
    lines = (
        pull_text()
        .replace("pressure hPa", "pressure")
        .replace("room degC", "room temp")
        .split("\n")
    )
    path = tmp_path / "pull.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    guess = drafted(path, shop.folder.root)
    assert teach_desk.assumed_units(guess.tables) == ["ambient_pressure", "ambient_temp"]
    tables = corrected(guess, ABOUT, rows(guess), {}, units_are_right=True)
    assert teach_desk.assumed_units(tables) == []
    assert teach_desk.assumed_units(corrected(guess, ABOUT, rows(guess), {})) == [
        "ambient_pressure", "ambient_temp",
    ]  # fmt: skip


def test_a_layout_that_is_opened_again_asks_what_it_holds_as_assumed(guess):
    tables = corrected(guess, ABOUT, rows(guess), {"power": "observed"})
    opened = teach_desk.as_taught(guess, tables)
    asked = {q.key: teach_desk.choices(q, opened.tables)[0] for q in opened.questions}
    assert asked["channels.lambda_wide.probe"] == "nobody knows: collector for now"
    assert asked["power"] == "observed"


def test_an_answer_reaches_its_channel(guess):
    tables = corrected(guess, ABOUT, rows(guess), {"channels.lambda_wide.probe": "tailpipe"})
    assert tables["channels"]["lambda_wide"]["probe"] == "tailpipe"


def test_one_channel_on_two_columns_is_told_with_both(guess):
    assert teach_desk.doubled(guess, rows(guess)) == []
    twice = rows(guess, **{"opening %": {"channel": "lambda_wide"}})
    assert sorted(teach_desk.doubled(guess, twice)[0].split(" stands on ")[1].split(" and ")) == [
        "lambda", "opening %: leave one.",
    ]  # fmt: skip


def test_a_pulls_trial_holds_all_that_was_read_over_speed(guess, file, shop):
    answer = tried(file, corrected(guess, ABOUT, rows(guess), {}), shop.folder.root)
    assert {"lambda_wide", "throttle_pct"} <= set(answer.tried.curve.beside)
    drawn = trial_chart(answer.tried, "pull", LOOK)
    lines = [[line.who for line in panel.items] for panel in drawn.panels]
    assert lines == [["Power"], ["Mixture"], ["Throttle"]]


@pytest.mark.parametrize(
    ("held", "lacking"),
    [
        ([], ["air temperature", "air pressure", "humidity"]),
        (["ambient_temp", "ambient_pressure"], ["humidity"]),
        (["ambient_temp", "ambient_pressure", "ambient_humidity"], []),
    ],
)
def test_what_the_air_lacks_is_told_wherever_it_would_stand(held, lacking):
    said = {"layout": {"kind": "pull"}, "power": {"state": "observed"}, "channels": {}}
    in_head = said | {"metadata": {"fields": {key: {} for key in held}}}
    in_columns = said | {"channels": {key: {} for key in held}}
    assert teach_desk.missing_air(in_head) == teach_desk.missing_air(in_columns) == lacking
    assert teach_desk.missing_air(in_head | {"layout": {"kind": "ride"}}) == []
    assert teach_desk.missing_air(in_head | {"power": {"state": "corrected"}}) == []


def test_what_a_layout_makes_of_a_file_is_told_in_the_units_of_the_trade(guess, file, shop):
    trial = tried(file, corrected(guess, ABOUT, rows(guess), {}), shop.folder.root).tried
    told = {one.channel: one for one in trial.channels}
    assert not {one.unit for one in told.values()} & {"K", "Pa", "W", "m/s"}
    power = told["wheel_power_w"]
    assert power.unit == "kW"
    # No motorcycle makes less than 1 kW or more than 300 at the top.
    assert 1.0 < power.high < 300.0


@pytest.mark.parametrize("equipment", ['the "old" one', "Prüfstand \\ Halle 2", "a\x7fb"])
def test_a_name_is_put_in_after_the_trial(guess, file, shop, equipment):
    unnamed = ABOUT | {"name": teach_desk.NO_NAME, "equipment": teach_desk.NO_NAME}
    text = tried(file, corrected(guess, unnamed, rows(guess), {}), shop.folder.root).toml
    layout = read_toml(teach_desk.named(text, "Halle Rollenprüfstand", equipment), Layout, "")
    assert (layout.layout.name, layout.layout.equipment) == ("Halle Rollenprüfstand", equipment)
    with pytest.raises(DeskError, match="letters, digits"):
        teach_desk.named(text, "a/b", equipment)


def test_names_are_held_against_those_of_the_shop_in_any_spelling(shop):
    root = shop.folder.root
    assert teach_desk.name_trouble(root, "Halle Rolle") == ""
    (shop.folder.layouts / "Halle-Rolle.toml").write_text("x = 1\n", encoding="utf-8")
    for name in ("Halle Rolle", "halle rolle", "HALLE-ROLLE", "Hálle Rolle"):
        assert "there already" in teach_desk.name_trouble(root, name)
    assert "must" in teach_desk.name_trouble(root, "a/b")
    # Names in other alphabets have no letter in common with their files, and are two files.
    first, second = (new_layout_file(shop.folder.layouts, name) for name in ("Стенд", "測試"))
    assert first is not None
    assert second is not None
    assert first != second
    assert first.name.isascii()


def test_no_layout_is_saved_under_the_name_of_a_device(shop):
    # Microsoft, "Naming Files, Paths, and Namespaces", from memory: NUL.toml is the device NUL.
    for name in ("nul", "CON", "Com1"):
        path = new_layout_file(shop.folder.layouts, name)
        assert path.name.lower().startswith(f"{name.lower()}-")


def test_a_standing_layout_is_opened_as_it_stands_and_kept_when_corrected(file, shop):
    root = shop.folder.root
    guess = drafted(file, root)
    assert guess.known == ("plain-pull",)
    opened = teach_desk.standing_layout(root, "plain-pull")
    taught = teach_desk.as_taught(guess, opened.tables)
    about = opened.tables["layout"] | {"kind": "pull"}
    answers = {question.key: question.chosen for question in taught.questions}
    same = corrected(taught, about, rows(taught), answers)
    answer = tried(file, same, root)
    assert teach_desk.says_the_same(answer.toml, opened.text)
    assert answer.rivals == ()
    other = corrected(taught, about, rows(taught, **{"opening %": {"channel": None}}), answers)
    answer = tried(file, other, root)
    kept = teach_desk.put_right(root, opened, answer.toml)
    assert kept.read_text(encoding="utf-8") == opened.text
    assert "throttle" not in teach_desk.standing_layout(root, "plain-pull").tables["channels"]
    with pytest.raises(DeskError, match="Somebody else"):
        teach_desk.put_right(root, opened, answer.toml)


def test_comments_of_a_standing_layout_stay_when_the_page_corrects_it(shop):
    root = shop.folder.root
    (path,) = shop.folder.layouts.glob("plain-pull.toml")
    text = path.read_text(encoding="utf-8").replace(
        "[channels.throttle]", "# grip, not plate\n[channels.throttle]"
    )
    text = text.replace('column = "lambda"', 'column = "lambda"  # bung 2')
    path.write_text(f"# ask Ann\n{text}", encoding="utf-8")
    opened = teach_desk.standing_layout(root, "plain-pull")
    tables = opened.tables
    tables["layout"]["equipment"] = "the other dyno"
    del tables["channels"]["time"]
    tables["channels"]["oil_temp"] = {"column": "oil", "unit": "degF"}
    teach_desk.put_right(root, opened, layout_text(Layout.model_validate(tables)))
    now = teach_desk.standing_layout(root, "plain-pull")
    assert now.tables == tables
    for said in ("# ask Ann\n", "# grip, not plate\n[channels.throttle]", "# bung 2"):
        assert said in now.text


def test_channels_that_this_file_lacks_stay_in_a_corrected_layout(guess):
    tables = corrected(guess, ABOUT, rows(guess), {})
    tables["channels"]["oil_temp"] = {"column": "oil", "unit": "degC"}
    taught = teach_desk.as_taught(guess, tables)
    assert corrected(taught, ABOUT, rows(taught), {})["channels"]["oil_temp"]["column"] == "oil"
    twice = rows(taught, **{"lambda": {"channel": "oil_temp"}})
    assert teach_desk.doubled(taught, twice) == ["oil_temp stands on oil and lambda: leave one."]


def test_a_trial_shows_the_curve_and_the_rivals(guess, file, shop):
    answer = tried(file, corrected(guess, ABOUT, rows(guess), {}), shop.folder.root)
    # The hump of pull_text is 50 kW at 7,500 rpm.
    assert max(answer.tried.curve.power_w) == pytest.approx(50_000, rel=0.01)
    # The shop's own plain-pull names four of these five columns: the new one wins.
    assert answer.rivals == ()


def test_a_saved_layout_is_the_shops_and_no_other_is_overwritten(guess, file, shop):
    answer = tried(file, corrected(guess, ABOUT, rows(guess), {}), shop.folder.root)
    path = saved(shop.folder.root, "hall 2", answer.toml)
    assert path.name == "hall-2.toml"
    names = [layout.name for layout in read_layouts(shop.folder.layouts)[0]]
    assert "hall 2" in names
    with pytest.raises(DeskError, match="there already"):
        saved(shop.folder.root, "hall 2", answer.toml)


@pytest.mark.parametrize("name", ["../../evil", "a/b", "..", "con?*"])
def test_a_name_never_leads_out_of_the_layouts(guess, file, shop, name):
    path = saved(shop.folder.root, name, "x = 1\n")
    assert path.parent == shop.folder.layouts


@pytest.mark.own_process
def test_a_file_without_a_table_says_why(tmp_path, shop):
    path = tmp_path / "words.txt"
    path.write_text("only words\nand more of them\n", encoding="utf-8")
    with pytest.raises(DeskError, match="no line of names"):
        drafted(path, shop.folder.root)


class Page:
    """The page as a person sees it."""

    def __init__(self, root, monkeypatch):
        self.app = open_page("teach_layout", root, monkeypatch, within_s=90)

    def whole(self):
        assert not self.app.exception
        return self

    def said(self):
        app = self.app
        kinds = (app.success, app.info, app.warning, app.error, app.caption, app.text)
        return "\n".join(element.value for kind in kinds for element in kind).replace("\\", "")

    def drop(self, name, text):
        self.app.file_uploader[0].set_value((name, text.encode(), "text/csv")).run()
        return self.whole()

    def name(self, typed):
        field = next(one for one in self.app.text_input if one.label == "Name of the layout")
        field.set_value(typed).run()
        return self.whole()

    def press(self, key):
        self.app.button(key=key).click().run()
        return self.whole()

    @property
    def can_save(self):
        return not self.app.button(key="teach_save").disabled


def in_other_words(make, word="Leistung", level=1.0):
    text = make.pull(level).replace("wheel kW", f"{word} [kW]")
    return text.replace("crank rpm", "Drehzahl")


@pytest.mark.slow
def test_a_new_shop_teaches_its_first_layout_before_anything_is_published(shop, make, monkeypatch):
    for path in shop.folder.layouts.glob("*.toml"):
        path.unlink()
    page = Page(shop.folder.root, monkeypatch)
    assert "No file waits" in page.said()
    page.drop("lauf.csv", in_other_words(make))
    assert not page.can_save
    assert "Not in this layout" not in page.said()
    text = in_other_words(make)
    page.drop("lauf.csv", "\n".join(line for line in text.split("\n") if "humidity" not in line))
    assert "Not in this layout: humidity. Without it power stays as measured" in page.said()
    page.name("Halle Rollenprüfstand").press("teach_save")
    assert "Saved as layouts/Halle-Rollenprufstand.toml" in page.said()
    assert [one.name for one in read_layouts(shop.folder.layouts)[0]] == ["Halle Rollenprüfstand"]
    page.app.switch_page("views/what_came_in.py").run()
    assert {link.proto.page for link in page.app.get("page_link")} >= {
        "bring-in-a-job", "teach-a-layout",
    }  # fmt: skip


@pytest.mark.slow
def test_two_layouts_are_taught_one_after_the_other_and_each_says_what_became_of_it(
    shop, make, monkeypatch
):
    for word in ("Leistung", "Kraft P"):
        folder = word.split()[0]
        shop.put(f"{folder}/lauf.csv", in_other_words(make, word, 1 + len(word) / 100))
        shop.put(
            f"{folder}/card.toml",
            make.card(f"J-{folder}", bike=folder, stages=[make.stage(pulls=["lauf.csv"])]),
        )
    shop.show()
    page = Page(shop.folder.root, monkeypatch)
    first = page.app.selectbox(key="teach_waiting").value
    second = page.press("teach_pass").app.selectbox(key="teach_waiting").value
    assert second != first
    assert page.press("teach_pass").app.selectbox(key="teach_waiting").value == first
    for at in (1, 2):
        page.name(f"hall {at}").press("teach_save")
        assert f"Saved as layouts/hall-{at}.toml" in page.said()
        page.press("teach_take_in")
        assert "1 of 1 now taken in." in page.said()
        if at == 1:
            # Nothing is in hand that nobody chose.
            left = page.app.selectbox(key="teach_waiting")
            assert left.value is None
            left.set_value(second).run()
            page.whole()
    assert shop.outcome("Leistung/lauf.csv").state == "taken in"
    assert shop.outcome("Kraft/lauf.csv").state == "taken in"


@pytest.mark.slow
def test_a_file_that_the_shop_knows_is_told_and_its_layout_can_be_corrected(
    shop, make, monkeypatch
):
    page = Page(shop.folder.root, monkeypatch).drop("pull.csv", make.pull())
    assert "The shop knows this file: plain-pull." in page.said()
    page.app.radio[0].set_value("Correct plain-pull").run()
    assert "Nothing is changed yet" in page.whole().said()
    before = (shop.folder.layouts / "plain-pull.toml").read_bytes()
    wrote = next(one for one in page.app.text_input if one.label == "What wrote it")
    wrote.set_value("the other dyno").run()
    page.whole().press("teach_save")
    assert "the one before is kept as backups/layouts/plain-pull-" in page.said()
    kept = list((shop.folder.backups / "layouts").iterdir())
    assert [path.read_bytes() for path in kept] == [before]
    taught = {one.name: one.layout.equipment for one in read_layouts(shop.folder.layouts)[0]}
    assert taught["plain-pull"] == "the other dyno"


@pytest.mark.slow
def test_a_name_that_cannot_be_is_told_in_words(shop, make, monkeypatch):
    page = Page(shop.folder.root, monkeypatch).drop("lauf.csv", in_other_words(make))
    page.name("Halle/2")
    assert "must hold letters, digits, blanks, points and dashes only" in page.said()
    assert not page.can_save
    page.name("Plain Pull")
    assert "A layout named like Plain Pull is there already" in page.said()


def test_typing_a_name_does_not_read_the_file_again(shop, make, monkeypatch):
    page = Page(shop.folder.root, monkeypatch).drop("lauf.csv", in_other_words(make))
    monkeypatch.setattr(desk.Desk, "ask", lambda *_: pytest.fail("asked again"))
    page.name("hall 4")
    assert page.can_save


@pytest.mark.own_process
@pytest.mark.slow
def test_the_page_guesses_the_waiting_file_and_saves_its_layout(shop, make, monkeypatch):
    text = make.pull().replace("wheel kW", "Leistung [kW]").replace("crank rpm", "Drehzahl")
    shop.put("job/lauf.csv", text)
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=["lauf.csv"])]))
    shop.show()
    page = open_page("teach_layout", shop.folder.root, monkeypatch, within_s=90)
    assert page.button(key="teach_save").disabled
    name = next(field for field in page.text_input if field.label == "Name of the layout")
    name.set_value("hall 3").run()
    assert not page.exception
    page.button(key="teach_save").click().run()
    assert (shop.folder.layouts / "hall-3.toml").is_file()
    assert any("Saved" in said.value for said in page.success)
    shop.show()
    assert shop.outcome("job/lauf.csv").state == "taken in"


def test_the_page_says_when_nothing_waits(shop, make, monkeypatch):
    shop.job(1)
    shop.show()
    page = open_page("teach_layout", shop.folder.root, monkeypatch)
    assert any("No file waits" in said.value for said in page.info)


@pytest.mark.slow
def test_a_person_overrules_on_the_page_what_is_private(shop, make, monkeypatch):
    text = in_other_words(make).replace("opening %", "driver").replace("Leistung", "Kraft")
    page = Page(shop.folder.root, monkeypatch).drop("lauf.csv", text)
    assert "Left in the archive, never shown: driver" in page.said()
    fields = {one.label: one for one in page.app.multiselect}
    fields["Taken for private, and is not"].select("driver").run()
    assert "Left in the archive" not in page.whole().said()
    fields = {one.label: one for one in page.app.multiselect}
    fields["To be shown nowhere"].select("lambda").run()
    assert "Left in the archive, never shown: lambda" in page.whole().said()
    page.name("hall 9").press("teach_save")
    layout = next(one for one in read_layouts(shop.folder.layouts)[0] if one.name == "hall 9")
    assert layout.layout.private == ["lambda"]


def test_a_standing_layouts_word_on_what_is_private_holds_until_it_is_taken_back(guess):
    tables = corrected(guess, ABOUT, rows(guess), {})
    tables["channels"].pop("lambda_wide")
    tables["layout"]["private"] = ["lambda"]
    taught = teach_desk.as_taught(guess, tables)
    column = next(one for one in taught.columns if one.name == "lambda")
    assert column.is_private
    assert column.example == ""
    taught = teach_desk.as_taught(guess, tables, not_private=["lambda"])
    assert not next(one for one in taught.columns if one.name == "lambda").is_private
    assert "private" not in taught.tables["layout"]


def test_what_came_in_tells_what_a_layout_asks_for_in_vain(shop, make, monkeypatch):
    (path,) = [
        p for p in shop.folder.layouts.glob("*.toml") if "plain-pull" in p.read_text("utf-8")
    ]
    layout = next(one for one in read_layouts(shop.folder.layouts)[0] if one.name == "plain-pull")
    key = layout.metadata.fields["ambient_pressure"].key
    text = path.read_text("utf-8").replace(f'"{key}"', '"Baro reading"')
    path.write_text(text, encoding="utf-8")
    shop.job(1)
    shop.update()
    page = open_page("what_came_in", shop.folder.root, monkeypatch)
    assert "Asked for and not found: 1" in [one.label for one in page.expander]
    (shown,) = [
        list(table.value["sentence"])
        for table in page.dataframe
        if {"sentence", "layout"} <= set(table.value.columns)
    ]
    assert shown == [
        "layout 'plain-pull' asks for the head entry 'Baro reading', and none of its last 4 files "
        "has it"
    ]
