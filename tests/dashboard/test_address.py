"""Every way to keep a choice in the address behaves alike: nothing at first, back works."""

from collections.abc import Callable
from typing import NamedTuple

import pytest
from streamlit.testing.v1 import AppTest


def every_way():
    import streamlit as st

    from dashboard import address

    offered = st.session_state.get("offered", ["a", "b", "c"])
    usual = st.session_state.get("usual", "a")
    got = {
        "list": address.select("list", "List", offered, default=usual),
        "words": address.segments("words", "Words", ["First one", "Second one"]),
        "some": address.several("some", "Some", ["a", "b", "c"], default=["a", "b"]),
        "number": address.figure("number", "Number", min_value=0, max_value=9000, step=50),
        "share": address.figure("share", "Share", default=1.5, min_value=0.1, max_value=20.0),
        "line": address.line("line", "Line"),
    }
    st.session_state["got"] = got
    address.select("above", "Above", ["x", "y"], drops=("list", "some"))


class Way(NamedTuple):
    """A widget, what a person chooses in it, and how the address has that."""

    name: str
    set_to: Callable[[AppTest], AppTest]
    text: str
    value: object
    first: object
    gone: str


WAYS = [
    Way("list", lambda app: app.selectbox(key="address_list").set_value("b"), "b", "b", "a", "z"),
    Way("words", lambda app: app.segmented_control(key="address_words").set_value("Second one"),
        "second-one", "Second one", "First one", "third-one"),
    Way("some", lambda app: app.button_group(key="address_some").set_value(["c", "b"]),
        "b,c", ["b", "c"], ["a", "b"], "b,z"),
    Way("number", lambda app: app.number_input(key="address_number").set_value(4500),
        "4500", 4500, None, "9e9"),
    Way("share", lambda app: app.number_input(key="address_share").set_value(2.5),
        "2.5", 2.5, 1.5, "nan"),
    Way("line", lambda app: app.text_input(key="address_line").set_value("a word"),
        "a word", "a word", "", ""),
]  # fmt: skip


def opened(**query: str) -> AppTest:
    app = AppTest.from_function(every_way)
    for name, text in query.items():
        app.query_params[name] = text
    app.run()
    assert not app.exception
    return app


def got(app: AppTest, name: str) -> object:
    assert not app.exception
    return app.session_state["got"][name]


def asked(app: AppTest) -> dict[str, str]:
    return {
        name: value[0] if isinstance(value, list) else value
        for name, value in app.query_params.items()
    }


def test_a_first_view_writes_nothing():
    assert asked(opened()) == {}


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.name)
def test_a_choice_stands_in_the_address_alone_comes_back_and_is_taken_back(way):
    app = opened()
    way.set_to(app).run()
    assert got(app, way.name) == way.value
    assert asked(app) == {way.name: way.text}
    # A run without a choice keeps it.
    app.run()
    assert got(app, way.name) == way.value
    # Sent to somebody, or loaded again.
    again = opened(**asked(app))
    assert got(again, way.name) == way.value
    assert asked(again) == {way.name: way.text}
    # The browser's way back.
    del app.query_params[way.name]
    app.run()
    assert got(app, way.name) == way.first


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.name)
def test_what_is_gone_falls_back_to_what_is_shown_at_first(way):
    assert got(opened(**{way.name: way.gone}), way.name) == way.first


def test_a_link_wins_over_what_was_chosen_before():
    app = opened()
    app.selectbox(key="address_list").set_value("b").run()
    app.query_params["list"] = "c"
    app.run()
    assert got(app, "list") == "c"


def test_a_choice_back_to_the_first_is_kept_too():
    app = opened(list="b")
    app.selectbox(key="address_list").set_value("a").run()
    assert got(app, "list") == "a"
    assert got(opened(**asked(app)), "list") == "a"


def test_what_is_shown_at_first_follows_its_reason_until_somebody_chooses():
    app = opened()
    app.session_state["usual"] = "b"
    app.run()
    assert got(app, "list") == "b"
    app.selectbox(key="address_list").set_value("c").run()
    app.session_state["usual"] = "a"
    app.run()
    assert got(app, "list") == "c"


def test_a_choice_that_is_no_longer_offered_falls_back():
    app = opened(list="c")
    app.session_state["offered"] = ["a", "b"]
    app.run()
    assert got(app, "list") == "a"


def test_what_hangs_on_a_choice_leaves_the_address_with_it():
    app = opened(list="b", some="c", line="kept")
    app.selectbox(key="address_above").set_value("y").run()
    assert asked(app) == {"above": "y", "line": "kept"}
    app.run()
    assert (got(app, "list"), got(app, "some")) == ("a", ["a", "b"])
