"""Finding, choices in the address, and the Why? beside headlines, as a person uses them."""

import pytest

from tests.dashboard.opened import open_page
from warehouse.find import Index, find

pytestmark = pytest.mark.usefixtures("closed_snapshots")


@pytest.fixture
def index(reader):
    return Index(reader)


def best(reader, index, asked):
    groups = find(reader, index, asked)
    return (groups[0].kind, groups[0].hits[0].name) if groups else None


@pytest.mark.parametrize(
    ("asked", "wanted"),
    [
        ("B-103", ("bike", "B-103")),
        ("b103", ("bike", "B-103")),
        ("J-0026", ("job", "J-0026")),
        ("j-26", ("job", "J-0026")),
        ("ÖSTREL vanta", ("model", "Ostrel Vanta 900 (2018–2023)")),
        ("kestrel road r3", ("map", "Kestrel road r3")),
        ("E5", ("fuel", "E5")),
        ("run_99.csv", ("file", "run_99.csv")),
        ("no such thing", None),
        ("%", None),
        ("'; DROP TABLE out.bike; --", None),
        ("   ", None),
    ],
)
def test_what_was_meant_comes_first(asked, wanted, reader, index):
    found = best(reader, index, asked)
    assert found == wanted


def test_one_wrong_letter_is_forgiven_and_a_word_without_likeness_is_not(reader, index):
    found = {group.kind: group.hits[0].name for group in find(reader, index, "vnata 900")}
    assert found["model"] == "Ostrel Vanta 900 (2018–2023)"
    assert not find(reader, index, "zzzzz 900")


def test_a_number_with_another_figure_is_another_number(reader, index):
    hits = [hit for group in find(reader, index, "J-0026") for hit in group.hits]
    assert [hit.name for hit in hits if hit.kind == "job"] == ["J-0026"]


def test_a_hash_finds_its_file_from_six_letters_on(reader, index):
    sha, name = reader.sql(
        "SELECT file_sha256, file_name FROM out.file WHERE file_sha256 IS NOT NULL LIMIT 1"
    ).fetchall()[0]
    for length in (12, 64):
        hits = find(reader, index, sha[:length].upper())
        assert name in {hit.name for group in hits if group.kind == "file" for hit in group.hits}


def test_words_of_a_note_find_the_stage_that_it_stands_at(reader, index):
    groups = {group.kind: group for group in find(reader, index, "below the other pulls")}
    assert not groups or groups["note"].hits[0].row["bike_id"]
    noted = [s for s in index.subjects if s.row["kind"] == "note"]
    assert noted
    word = max(noted[0].words, key=len)
    assert "note" in {group.kind for group in find(reader, index, word)}


def test_the_page_links_each_hit_with_its_choice_in_the_address(small_shop, monkeypatch):
    app = open_page("find", small_shop, monkeypatch, q="B-103")
    links = {(link.proto.page, link.proto.query_string) for link in app.get("page_link")}
    assert any("bike=B-103" in query for _, query in links)


def test_names_that_people_wrote_are_no_markdown_among_the_hits(small_shop, monkeypatch):
    app = open_page("find", small_shop, monkeypatch, q="![x](http://example.invalid/x.png)")
    said = [element.value for element in (*app.markdown, *app.info)]
    said += [link.proto.label for link in app.get("page_link")]
    assert not [text for text in said if "![x](" in text]


def test_a_choice_is_written_into_the_address_and_comes_back(small_shop, monkeypatch):
    app = open_page("remap_need", small_shop, monkeypatch)
    assert not app.query_params
    app.segmented_control(key="address_maps").set_value("All maps").run()
    assert app.query_params["maps"] == "all-maps"
    chosen = app.selectbox(key="address_need").select_index(2).run().selectbox[0].value
    assert app.query_params["need"] == chosen
    again = open_page("remap_need", small_shop, monkeypatch, maps="all-maps", need=chosen)
    assert again.segmented_control(key="address_maps").value == "All maps"
    assert again.selectbox(key="address_need").value == chosen


def test_the_browsers_way_back_takes_a_choice_back(small_shop, monkeypatch):
    app = open_page("this_quarter", small_shop, monkeypatch)
    first = app.selectbox[0].value
    app.selectbox[0].select_index(1).run()
    assert app.query_params["quarter"] == app.selectbox[0].value != first
    del app.query_params["quarter"]
    app.run()
    assert app.selectbox[0].value == first


@pytest.mark.parametrize("name", ["remap_need", "map_revisions", "expected_mixture"])
def test_what_the_address_asks_for_and_is_gone_falls_back_to_the_first(
    name, small_shop, monkeypatch
):
    plain = open_page(name, small_shop, monkeypatch)
    gone = dict.fromkeys(("maps", "need", "map", "model", "parts", "build"), "gone/ever")
    app = open_page(name, small_shop, monkeypatch, **gone)
    assert [box.value for box in app.selectbox] == [box.value for box in plain.selectbox]


@pytest.mark.parametrize(
    "name",
    ["remap_need", "what_may_i_quote", "map_revisions", "dyno_trust", "this_quarter",
     "builds_like_this", "expected_mixture"],
)  # fmt: skip
def test_a_headline_has_its_why_and_asks_nothing_before_it_is_opened(name, small_shop, monkeypatch):
    asked = []
    monkeypatch.setattr("dashboard.open_shop.read_why", lambda *given: asked.append(given))
    # Those of a quarter stand beside its lists.
    part = {"part": "lists"} if name == "this_quarter" else {}
    app = open_page(name, small_shop, monkeypatch, **part)
    buttons = [button for button in app.button if button.label.startswith("Why")]
    assert buttons
    assert not asked
