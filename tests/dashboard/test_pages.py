"""Every page, on no shop, on nothing published, on an empty snapshot and on a filled one."""

import contextlib
import json
import re
import shutil
from pathlib import Path

import duckdb
import pytest
from streamlit.testing.v1 import AppTest

from dashboard.sheets.review import read_review
from tests.dashboard.opened import open_page
from warehouse import wording

APP = Path(__file__).resolve().parents[2] / "dashboard" / "app.py"
VIEWS = sorted((APP.parent / "views").glob("*.py"))
# Two pages bring something in: they ask for files, and the first job comes before any snapshot.
ASKING = ("bring_in_job", "teach_layout")
PARTS = ("story", "gain", "map", "health", "rides", "pulls")
OTHER_PARTS = {
    "remap_need": ("its-bikes", "arrived-and-left", "what-to-quote"),
    "dyno_trust": (
        "control-bike",
        "what-happened",
        "what-intervals-rest-on",
        "sessions-in-doubt",
    ),
    "this_quarter": ("gains", "to-decide", "maps-and-comebacks", "remap-need", "the-dyno", "lists"),
}
"""Parts of pages by their words in the address."""
EVERY_PART = [
    *(view.stem for view in VIEWS if view.stem not in ("bike", *OTHER_PARTS)),
    *(f"bike {part}" for part in PARTS),
    *(f"{view} {part}" for view, parts in OTHER_PARTS.items() for part in parts),
]
"""Of the page of a bike; the first is drawn at first."""

INNER = re.compile(
    r"\b[a-z][a-z0-9]*_[a-z0-9_]+\b(?!\.[a-z]{3}\b)|\bNone\b(?! [a-z])|\bna[nT]\b|\d-\d\dT\d"
)
"""Names of columns and channels, and values of programs; the name of somebody's file is none."""
WRITTEN_SO = re.compile(r":material/\w+:|\bchannels\.[\w.]+|\bgauge_scale\b|/\S+")
"""Signs for the browser, keys of a layout as a person writes them, and places on the disk."""
OF_PEOPLE = {"column_name", "table_name", "fact", "found", "file_name", "Channel"}
"""Columns that quote somebody's file, or whose subject are the tables and settings themselves."""


pytestmark = pytest.mark.usefixtures("closed_snapshots")


def _page(view: Path, shop: Path, monkeypatch: pytest.MonkeyPatch, **query: str) -> AppTest:
    app = open_page(view.stem, shop, monkeypatch, **query)
    # Whatever a page shows, the cautions stand on it.
    said = _said(app)
    assert all(caution in said for caution in (*wording.CAUTIONS, wording.CAUTION_LINE))
    read = (WRITTEN_SO.sub("", text) for text in _read(app))
    assert not {found for text in read for found in INNER.findall(text)}
    return app


def _said(app: AppTest) -> str:
    kinds = (app.markdown, app.text, app.error, app.warning, app.info, app.success, app.caption)
    return "\n".join(element.value for kind in kinds for element in kind)


def _read(app: AppTest) -> list[str]:
    """Return all that people read on a page: text, labels, choices, headings and cells."""
    texts = [_said(app)]
    for kind in (app.button, app.selectbox, app.metric, app.button_group, app.toggle):
        for element in kind:
            texts += [element.label, *map(str, getattr(element, "options", ()))]
    for table in app.dataframe:
        headings = json.loads(table.proto.columns or "{}")
        for name in table.value.columns:
            texts.append((headings.get(name) or {}).get("label") or name)
            if name not in OF_PEOPLE:
                texts += [cell for cell in table.value[name] if isinstance(cell, str)]
    return texts


def _view(name: str) -> Path:
    return APP.parent / "views" / f"{name}.py"


def _part(part: str, shop: Path, monkeypatch: pytest.MonkeyPatch, **query: str) -> AppTest:
    return _page(_view("bike"), shop, monkeypatch, part=part, **query)


@pytest.mark.parametrize(
    "view", [view for view in VIEWS if view.stem not in ASKING], ids=lambda path: path.stem
)
def test_a_page_without_a_snapshot_says_which_commands_to_run_and_the_cautions(
    view, unpublished_shop, monkeypatch
):
    app = _page(view, unpublished_shop, monkeypatch)
    assert {link.proto.page for link in app.get("page_link")} >= {
        "bring-in-a-job",
        "teach-a-layout",
    }
    assert "rollbook update DIR" in app.code[0].value


def test_the_first_job_of_a_shop_comes_in_before_anything_is_published(
    unpublished_shop, monkeypatch
):
    app = _page(_view("bring_in_job"), unpublished_shop, monkeypatch)
    assert app.get("file_uploader")
    assert "Write card and files" in [button.label for button in app.button]


@pytest.mark.parametrize("view", VIEWS, ids=lambda path: path.stem)
def test_a_page_outside_any_shop_says_so(view, tmp_path, monkeypatch):
    assert "no shop yet" in _said(_page(view, tmp_path, monkeypatch))


def _spoil(folder, damage):
    pointer = folder / "current.json"
    snapshot = folder / json.loads(pointer.read_text(encoding="utf-8"))["file"]
    data = bytearray(snapshot.read_bytes())
    if damage == "cut":
        snapshot.write_bytes(data[: len(data) // 2])
    elif damage == "every block changed":
        for at in range(12_288 + 5000, len(data), 262_144):
            data[at] ^= 0xFF
        snapshot.write_bytes(data)
    elif damage == "deleted":
        snapshot.unlink()
    elif damage == "pointer damaged":
        pointer.write_text("{", encoding="utf-8")
    else:
        pointer.unlink()


@pytest.mark.parametrize(
    "damage", ["cut", "every block changed", "deleted", "pointer damaged", "pointer deleted"]
)
def test_a_page_on_a_damaged_snapshot_says_so_and_what_to_do(
    damage, small_shop, tmp_path, monkeypatch
):
    shop = Path(shutil.copytree(small_shop, tmp_path / "damaged"))
    _spoil(shop / "published", damage)
    app = _page(_view("bike"), shop, monkeypatch)
    assert [error.value for error in app.error] == [
        "The published snapshot is lost or damaged. Nothing else is; publish it again:"
    ]
    assert app.code[0].value == "rollbook update DIR"


@pytest.mark.parametrize("view", VIEWS, ids=lambda path: path.stem)
def test_a_page_on_an_empty_snapshot_says_what_is_missing_and_the_cautions(
    view, empty_shop, monkeypatch
):
    app = _page(view, empty_shop, monkeypatch)
    assert len(app.info) == 1
    assert not app.metric


POWER_STANDS_ON = ("bike", "remap_need", "builds_like_this", "dyno_trust", "this_quarter")


@pytest.mark.parametrize("view", VIEWS, ids=lambda path: path.stem)
def test_a_page_on_a_filled_snapshot_shows_figures_their_air_and_the_cautions(
    view, small_shop, monkeypatch
):
    app = _page(view, small_shop, monkeypatch)
    # Nothing is looked for before somebody writes what; and this shop has no day before today.
    is_waiting = view.stem in ("find", "what_changed") and app.info
    shows = app.dataframe or app.get("plotly_chart") or is_waiting
    assert app.get("file_uploader") if view.stem in ASKING else shows
    assert "SAE J1349 reference air" in _said(app) or view.stem not in POWER_STANDS_ON


@pytest.mark.parametrize(
    ("view", "part"), [(view, part) for view, parts in OTHER_PARTS.items() for part in parts]
)
def test_a_part_of_a_page_is_what_its_address_asks_for(view, part, small_shop, monkeypatch):
    app = _page(_view(view), small_shop, monkeypatch, part=part)
    chosen = [str(group.value).casefold().replace(" ", "-") for group in app.get("button_group")]
    assert part in chosen


@pytest.mark.parametrize("part", PARTS)
def test_each_part_of_a_bikes_page_shows_figures_their_air_and_the_cautions(
    part, small_shop, monkeypatch
):
    app = _part(part, small_shop, monkeypatch, job="J-0026")
    assert app.dataframe
    assert part == "pulls" or app.get("plotly_chart")
    assert "SAE J1349 reference air" in _said(app) or part not in ("gain", "health", "pulls")


def test_settings_with_a_mistake_are_told_and_not_run_over(small_shop, tmp_path, monkeypatch):
    (tmp_path / "rollbook.toml").write_text('[show]\npower = "horses"\n', encoding="utf-8")
    app = _page(_view("what_came_in"), tmp_path, monkeypatch)
    assert "mistakes" in app.error[0].value
    assert "horses" in _said(app)


@pytest.mark.parametrize("part", ["gain", "map"])
def test_a_stop_level_mixture_stands_first_and_in_red(part, small_shop, monkeypatch):
    app = _part(part, small_shop, monkeypatch, bike="B-103", stage="J-0026/2")
    assert app.error[0].value.startswith("## STOP: 1")
    assert wording.CAUTIONS[0] in app.main.markdown[0].value


@pytest.mark.parametrize("part", ["story", "gain"])
def test_a_stage_without_a_wideband_reading_is_never_called_safe(part, small_shop, monkeypatch):
    app = _part(part, small_shop, monkeypatch, bike="B-107")
    assert "MIXTURE NOT MEASURED" in app.main.warning[0].value
    assert not app.success


def test_the_pulls_that_see_a_gain_are_told_for_each_way_of_handling_the_bike(
    small_shop, monkeypatch
):
    # The small shop's plans see 2 / pulls on top of 0.3 % strapped once, of 3.2 % taken off.
    app = _page(_view("plan_pulls"), small_shop, monkeypatch)
    assert "Before and after, strapped once, rested: 2 pulls each, 4 in all" in _said(app)
    assert (
        "taken off between: no number of pulls; even endless ones see 3.2 % at the least"
        in _said(app)
    )
    app.number_input(key="address_gain").set_value(0.4).run()
    assert "strapped once, rested: more than 10 pulls each" in _said(app)


@pytest.mark.parametrize(("old", "part"), [("health", "health"), ("fuel-change", "map")])
def test_an_address_of_before_leads_on_with_what_it_asked_for(old, part, small_shop, monkeypatch):
    app = open_page(old, small_shop, monkeypatch, bike="B-103")
    assert app.title[0].value == "How does this bike stand?"
    assert app.query_params == {"bike": "B-103", "part": part}


def test_a_link_to_a_stage_opens_that_stage(small_shop, monkeypatch):
    app = _part("gain", small_shop, monkeypatch, bike="B-203", stage="J-0035/2")
    assert app.selectbox(key="address_bike").value == "B-203"
    assert app.selectbox(key="address_job").value == "J-0035"
    assert app.error[0].value.startswith("## STOP")


def test_a_change_that_is_not_like_for_like_is_marked(small_shop, monkeypatch):
    app = _part("gain", small_shop, monkeypatch, bike="B-108")
    assert any("Not like for like" in warning.value for warning in app.warning)


def test_an_odd_pull_is_named_beside_the_gain_with_what_it_would_be_with_it(
    small_shop, monkeypatch
):
    given = {"bike": "B-103", "stage": "J-0026/2"}
    app = _part("gain", small_shop, monkeypatch, **given)
    warned = [warning.value for warning in app.warning if "counted alike" in warning.value]
    assert len(warned) == 1
    assert warned[0].startswith("Pull 3 of ")
    assert "4.0 % below the other pulls" in warned[0].replace("\\", "")


def test_power_without_air_correction_is_never_called_corrected(small_shop, monkeypatch):
    app = _part("gain", small_shop, monkeypatch, bike="B-401")
    captions = " ".join(caption.value for caption in app.caption)
    assert "as measured, not corrected" in captions
    assert "reference air" not in captions


def test_a_gain_without_air_shows_no_verdict_and_says_why(small_shop, monkeypatch):
    app = _part("gain", small_shop, monkeypatch, bike="B-401")
    said = _said(app)
    assert "### Cannot be told: no air" in said
    assert "Peak against peak: cannot be told: no air." in said
    assert "real gain" not in said.lower()
    assert "Greatest gain" not in said
    assert "over the riding range" not in said


def _health_of(bike: str, shop: Path, monkeypatch: pytest.MonkeyPatch) -> AppTest:
    return _part("health", shop, monkeypatch, bike=bike)


@contextlib.contextmanager
def _changed(shop):
    """Change a snapshot as if it had been published so: without the seals of the one before."""
    place = shop / "published" / "current.json"
    pointer = json.loads(place.read_text(encoding="utf-8"))
    with duckdb.connect(str(shop / "published" / pointer["file"])) as connection:
        yield connection
    kept = {key: pointer[key] for key in ("number", "file", "published_at", "content")}
    place.write_text(json.dumps(kept), encoding="utf-8")


def _publish_changed(shop, statement):
    with _changed(shop) as connection:
        connection.execute(statement)


def test_a_low_bike_is_told_first_and_in_red_with_where_to_look(small_shop, monkeypatch):
    app = _health_of("B-203", small_shop, monkeypatch)
    assert app.error[0].value.startswith("## Down 6")
    said = _said(app)
    for place in ("compression", "valve clearance", "clutch", "tyre pressure", "brake drag"):
        assert place in said
    assert "Common practice, no source." in said
    assert not app.success


def test_a_bike_with_its_weather_in_doubt_is_not_called_low_in_red(
    small_shop, tmp_path, monkeypatch
):
    shop = shutil.copytree(small_shop, tmp_path / "shop")
    _publish_changed(shop, "UPDATE out.health SET has_air_doubt = true")
    app = _health_of("B-203", shop, monkeypatch)
    assert app.warning[0].value.startswith("## Down 6")
    assert not [box for box in app.error if "Down" in box.value]


def test_a_bike_like_its_siblings_is_told_in_green_and_one_not_compared_is_not(
    small_shop, monkeypatch
):
    sound = _health_of("B-204", small_shop, monkeypatch)
    assert sound.success[0].value.startswith("## As its siblings")
    forced = _health_of("B-401", small_shop, monkeypatch)
    assert forced.info[0].value.startswith("## Power cannot be compared")
    assert not forced.success
    assert "as measured, not corrected" in _said(forced)
    assert "reference air" not in "".join(caption.value for caption in forced.caption)


def test_a_bike_that_was_never_run_untouched_is_told_so_without_a_curve(
    small_shop, tmp_path, monkeypatch
):
    shop = shutil.copytree(small_shop, tmp_path / "shop")
    _publish_changed(
        shop,
        "UPDATE out.health SET stage_id = NULL, run_on = NULL, power_health = 'not compared', "  # noqa: S608
        "mixture_health = 'not compared', power_reason = 'x', "
        f"told = '{json.dumps({'code': 'card mistake', 'what': 'Never run untouched.'})}'",
    )
    app = _health_of("B-204", shop, monkeypatch)
    assert app.info[0].value.startswith("## Never run untouched")
    assert not app.get("plotly_chart")
    assert not app.metric


def test_the_unusual_bikes_come_first_in_the_list_of_all(small_shop, monkeypatch):
    app = _health_of("B-204", small_shop, monkeypatch)
    listed = app.dataframe[-1].value
    assert listed["bike_id"].tolist()[:2] == ["B-203", "B-205"]
    labels = [one.label for one in app.expander]
    assert any("2 bikes of 29 stand out, 2 cannot be compared" in label for label in labels)


def test_pulls_left_out_are_counted(small_shop, monkeypatch):
    # The small shop leaves one pull out in each of three stages.
    said = _said(_page(_view("what_came_in"), small_shop, monkeypatch))
    assert "3 pulls of 306 left out" in said


def test_which_files_are_asked_for_stands_in_the_address(small_shop, monkeypatch):
    asked = {"need": "waiting", "came": "any-time", "layout": "None recognised"}
    app = _page(_view("what_came_in"), small_shop, monkeypatch, **asked, holds="zz", states="card")
    shown = {one.key: one.value for one in (*app.button_group, *app.selectbox, *app.text_input)}
    assert shown["address_need"] == ["waiting"]
    assert shown["address_layout"] == "None recognised"
    assert shown["address_holds"] == "zz"
    assert shown["address_states"] == ["card"]
    assert any(one.value.startswith("0 files asked for") for one in app.text)
    app.text_input(key="address_holds").set_value("csv").run()
    assert app.query_params["holds"] == "csv"


def test_the_quarter_says_in_one_sentence_and_to_decide_what_its_review_says(
    small_shop, monkeypatch
):
    review = read_review(small_shop)
    app = _page(_view("this_quarter"), small_shop, monkeypatch, part="to-decide")
    shown = [one.value.replace("\\", "") for one in app.markdown]
    assert shown[0] == f"**{review.summary}**"
    assert [said for said, _ in review.decisions]
    assert all(any(one.endswith(said) for one in shown) for said, _ in review.decisions)


def test_a_new_snapshot_is_read_without_a_restart(tmp_path, monkeypatch, make_small_shop):
    shop = make_small_shop(tmp_path / "shop", filled=False)
    app = _page(_view("this_quarter"), shop, monkeypatch)
    assert len(app.info) == 1
    make_small_shop(tmp_path / "shop", filled=True)
    app.run()
    assert app.selectbox[0].label == "Quarter"


TYPED = "![x](http://example.invalid/x.png)"


@pytest.fixture(scope="module")
def trapped_shop(small_shop, tmp_path_factory):
    """Replace every text that a person or a file could have brought in by a trap."""
    shop = tmp_path_factory.mktemp("trapped") / "shop"
    shutil.copytree(small_shop, shop)
    with _changed(shop) as connection:
        for table, column in (
            ("file", "reason"),
            ("stage", "stage_name"),
            ("stage", "parts_label"),
            ("stage", "model_label"),
            ("remap_need", "map_label"),
            ("map_revision", "model_label"),
            ("map_revision", "map_label"),
            ("expected_mixture", "model_label"),
            ("expected_mixture", "map_label"),
            ("dyno_verdict", "told"),
            ("similar_build", "differs"),
            ("similar_build", "not_known"),
            ("similar_build", "went_wrong"),
            ("gain", "change_label"),
            ("gain", "change_key"),
            ("gain", "unlike_reason"),
            ("stage_mixture", "probe_place"),
            ("pull", "notes"),
            ("pull", "file_name"),
            ("session", "notes"),
            ("trust", "repeatability_origin"),
            ("health", "told"),
            ("health", "further"),
            ("health", "power_reason"),
            ("health_sibling", "left_out"),
        ):
            held = connection.execute(
                f"SELECT any_value({column}) FROM out.{table} WHERE {column} <> ''"  # noqa: S608
            ).fetchone()[0]
            trap = {"code": "card mistake", "what": TYPED}
            said = {"[": json.dumps([trap]), "{": json.dumps(trap)}.get((held or "[")[0], TYPED)
            connection.execute(f"UPDATE out.{table} SET {column} = ?", [said])  # noqa: S608
        connection.execute("UPDATE out.session SET has_air_doubt = true")
        connection.execute("UPDATE out.gain SET is_like_for_like = false")
    return shop


@pytest.mark.parametrize("name", EVERY_PART)
def test_what_people_typed_is_never_markdown(name, trapped_shop, monkeypatch):
    view, _, part = name.partition(" ")
    app = _page(_view(view), trapped_shop, monkeypatch, **({"part": part} if part else {}))
    assert not [error for error in app.error if "lost or damaged" in error.value]
    acted_on = (app.markdown, app.error, app.warning, app.info, app.success, app.caption)
    labels = [element.label for kind in (app.expander, app.metric, app.button) for element in kind]
    labels += [
        option.content for group in app.get("button_group") for option in group.proto.options
    ]
    said = [element.value for kind in acted_on for element in kind] + labels
    assert not [text for text in said if "![x]" in text or "](http" in text]


def test_the_fuel_change_of_a_stage_stands_below_the_danger_and_can_be_carried_away(
    small_shop, monkeypatch
):
    app = _part("map", small_shop, monkeypatch, stage="J-0035/2")
    assert app.error[0].value.startswith("## STOP")
    said = _said(app)
    assert "Needs up to 9" in said
    assert "Rests on 21 part-throttle cells and 1 cell of trims and 18 speeds" in said
    labels = [b.proto.label for b in app.get("download_button") if " as CSV" in b.proto.label]
    assert labels == ["The grid as CSV, to type in", "The list as CSV, with its evidence"]
    assert "One round adds 8 % at most" in said


def test_the_check_of_a_suggestion_is_told_on_the_stage_that_it_led_to(small_shop, monkeypatch):
    app = _part("map", small_shop, monkeypatch, stage="J-0026/3")
    assert any("suggestion removed 80 % of the error" in one.value for one in app.markdown)


def test_a_stage_that_was_run_otherwise_since_says_so(small_shop, monkeypatch):
    app = _part("map", small_shop, monkeypatch, stage="J-0026/2")
    assert any("its last stage is" in one.value for one in app.info)
    app = _part("map", small_shop, monkeypatch, stage="J-0026/3")
    assert not app.info


def test_stages_after_an_entered_suggestion_can_be_found(small_shop, monkeypatch):
    app = _part("map", small_shop, monkeypatch, bike="B-101")
    assert "removed 80 % of the error" in _said(app)
    found = app.selectbox(key="address_entered")
    assert found.options
    links = [link.proto.query_string for link in app.get("page_link")]
    assert any("part=map" in query and "stage=J-" in query for query in links)


def test_an_expected_lean_range_is_told_in_red_with_the_cautions(small_shop, monkeypatch):
    app = _page(_view("expected_mixture"), small_shop, monkeypatch)
    assert "expect 8 to 14" in app.error[0].value
    assert wording.CAUTIONS[0] in app.main.markdown[0].value


def test_the_remap_need_page_tells_who_was_logged_and_how_bikes_arrived_and_left(
    small_shop, monkeypatch
):
    asked = {"part": "arrived-and-left"}
    said = _said(_page(_view("remap_need"), small_shop, monkeypatch, **asked))
    assert "A shop that logs only troubled bikes sees its need overstated." in said
    assert "arrived needing 2 of 4 (15 to 85 %), left needing 0 of 4 (0 to 36 %)" in said


def test_maps_that_miss_are_named_with_where(small_shop, monkeypatch):
    app = _page(_view("map_revisions"), small_shop, monkeypatch)
    assert "still miss" in app.warning[0].value
    assert "6 to 9" in app.warning[0].value


def test_a_quote_is_two_sentences_with_what_stands_behind_them(small_shop, monkeypatch):
    app = _page(_view("what_may_i_quote"), small_shop, monkeypatch)
    said = _said(app)
    assert said.count("19 of 20") >= 3
    assert "bikes of this model had it" in said or "bike of this model had it" in said
    assert "19 of 20 were meant" in said
    # The dots stand beside a text that says the same.
    assert "**19 of 20 fall into such a range, one does not**" in said


def test_a_change_that_was_never_done_cannot_be_quoted(small_shop, monkeypatch):
    view = _view("what_may_i_quote")
    said = _said(_page(view, small_shop, monkeypatch, change="turbo kit, silencer"))
    assert "cannot be told" in said
    assert "Nearest to it that were measured" in said
    assert "fall into such a range" not in said
