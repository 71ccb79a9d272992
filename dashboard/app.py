"""The frame around the pages: their list, the shop they show, and the cautions."""

from pathlib import Path
from zoneinfo import ZoneInfo

import streamlit as st

from dashboard.open_shop import shop_folder, standing
from dashboard.settings_shown import in_force
from warehouse import wording

VIEWS = Path(__file__).parent / "views"
SECONDS_BETWEEN_LOOKS = 4

st.set_page_config(page_title="Rollbook", layout="wide", initial_sidebar_state="auto")

home = st.Page(VIEWS / "what_came_in.py", title="What came in?", default=True)


def what_came_in() -> None:
    """Lead the first page's own name to it: it stands at the bare address."""
    st.switch_page(home)


def pages(*named: tuple[str, str, str]) -> list[st.Page]:
    """Return pages by their file, address and title."""
    return [
        st.Page(VIEWS / f"{file}.py", title=title, url_path=address)
        for file, address, title in named
    ]


page = st.navigation(
    {
        "Bring in": [
            home,
            st.Page(what_came_in, url_path="what-came-in", visibility="hidden"),
            *pages(
                ("bring_in_job", "bring-in-a-job", "Bring in a job"),
                ("teach_layout", "teach-a-layout", "Teach a layout"),
            ),
        ],
        "Bike on the dyno": pages(
            ("latest_pull", "latest-pull", "What did the last pull show?"),
            ("health", "health", "Is this bike sound?"),
            ("before_and_after", "before-and-after", "What did it gain?"),
            ("fuel_change", "fuel-change", "What does the map need?"),
        ),
        "Before the job": pages(
            ("what_may_i_quote", "what-may-i-quote", "What may I quote?"),
            ("builds_like_this", "builds-like-this", "Have we built this before?"),
            ("expected_mixture", "expected-mixture", "What mixture to expect?"),
            ("plan_pulls", "how-many-pulls", "How many pulls?"),
        ),
        "The shop": pages(
            ("remap_need", "remap-need", "Which combinations need a remap?"),
            ("map_revisions", "map-revisions", "Which maps still miss?"),
            ("dyno_trust", "dyno-trust", "Can the dyno be trusted?"),
            ("this_quarter", "this-quarter", "This quarter"),
        ),
    },
    expanded=True,
)
settings, snapshot = standing()


@st.fragment(run_every=SECONDS_BETWEEN_LOOKS)
def watch_for_new_snapshot() -> None:
    """Draw the pages again once the pointer names another snapshot."""
    _, now = standing()
    if settings and (now.number if now else None) != (snapshot.number if snapshot else None):
        st.rerun()


with st.sidebar:
    if settings:
        st.subheader(wording.escaped(settings.shop.name), anchor=False)
    if settings and snapshot:
        at = snapshot.published_at.astimezone(ZoneInfo(settings.shop.timezone))
        st.caption(f"Snapshot {snapshot.number}, published {at:%d %b %Y, %H:%M}")
    else:
        st.caption("Nothing published yet")
    st.warning(f"**{wording.CAUTION_LINE}** All cautions stand at the foot of every page.")
    watch_for_new_snapshot()

st.title(page.title, anchor=False)
body, foot = st.container(), st.container()
# Drawn before the page, so that they stand there also when the page stops early.
with foot, st.expander("Cautions: read before you run an engine"):
    for caution in wording.CAUTIONS:
        st.markdown(f"- {caution}")
with body:
    if told := in_force(shop_folder(), snapshot).told:
        st.warning(wording.escaped(told))
    page.run()
