"""The frame around the pages: their list, the shop they show, and the cautions."""

from pathlib import Path
from zoneinfo import ZoneInfo

import streamlit as st

from dashboard import past
from dashboard.open_shop import shop_folder, standing
from dashboard.settings_shown import in_force
from dashboard.settled import settle
from dashboard.who import NEEDED, is_signed_in, refusal, role, who
from warehouse import wording

VIEWS = Path(__file__).parent / "views"
STYLE = Path(__file__).parent / "pages.css"
SECONDS_BETWEEN_LOOKS = 4

# It stands at the bare address; the path given only keeps its own name free for what leads there.
home = st.Page(VIEWS / "today.py", title="What needs me today?", url_path="start", default=True)


def today() -> None:
    """Lead the first page's own name to it: it stands at the bare address."""
    st.switch_page(home)


bike = st.Page(VIEWS / "bike.py", title="How does this bike stand?", url_path="bike")


def leads_to(old: str, part: str) -> st.Page:
    """Return a page that leads an address of before to a part of the bike's page."""

    def lead() -> None:
        st.switch_page(bike, query_params={"part": part, **st.query_params.to_dict()})

    return st.Page(lead, url_path=old, title=part, visibility="hidden")


def pages(*named: tuple[str, str, str]) -> list[st.Page]:
    """Return pages by their file, address and title; hidden where they need another sign-in."""
    return [
        st.Page(
            VIEWS / f"{file}.py",
            title=title,
            url_path=address,
            visibility="hidden" if refusal(NEEDED.get(address, "look")) else "visible",
        )
        for file, address, title in named
    ]


finding = st.Page(VIEWS / "find.py", title="Find", url_path="find", visibility="hidden")
page = st.navigation(
    {
        "Today": [
            home,
            finding,
            st.Page(today, url_path="today", visibility="hidden"),
            *pages(("latest_pull", "latest-pull", "What did the last pull show?")),
        ],
        "A bike": [
            bike,
            leads_to("health", "health"),
            leads_to("before-and-after", "gain"),
            leads_to("fuel-change", "map"),
        ],
        "Before a job": pages(
            ("what_may_i_quote", "what-may-i-quote", "What may I quote?"),
            ("builds_like_this", "builds-like-this", "Have we built this before?"),
            ("expected_mixture", "expected-mixture", "What mixture to expect?"),
            ("plan_pulls", "how-many-pulls", "How many pulls?"),
        ),
        "The shop": pages(
            ("remap_need", "remap-need", "Which combinations need a remap?"),
            ("map_revisions", "map-revisions", "Which maps still miss?"),
            ("dyno_trust", "dyno-trust", "Can the dyno be trusted?"),
            ("this_quarter", "this-quarter", "How did the quarter go?"),
            ("what_changed", "what-changed", "What changed?"),
        ),
        "Bring in": pages(
            ("bring_in_job", "bring-in-a-job", "Bring in a job"),
            ("teach_layout", "teach-a-layout", "Teach a layout"),
            ("what_came_in", "what-came-in", "What came in?"),
        ),
    },
    expanded=True,
)
st.set_page_config(page_title=f"{page.title} · Rollbook", layout="wide")
st.html(STYLE)
past.carry(page.url_path)
settings, snapshot = standing()


@st.fragment(run_every=SECONDS_BETWEEN_LOOKS)
def watch_for_new_snapshot() -> None:
    """Draw the pages again once the pointer names another snapshot."""
    _, now = standing()
    if settings and (now.number if now else None) != (snapshot.number if snapshot else None):
        st.rerun()


with st.sidebar:
    if snapshot:
        # A form, because a box by itself would send its words again when it is left.
        with st.form("find", clear_on_submit=True, border=False):
            words = st.text_input(
                "Find a bike, job, part, map, file or note", placeholder="such as B-0001"
            )
            if st.form_submit_button("Find") and words.strip():
                st.switch_page(finding, query_params={"q": words.strip()})
    if settings:
        st.subheader(wording.escaped(settings.shop.name), anchor=False)
    if settings and snapshot:
        at = snapshot.published_at.astimezone(ZoneInfo(settings.shop.timezone))
        st.caption(f"Snapshot {snapshot.number}, published {at:%d %b %Y, %H:%M}")
        past.choose(shop_folder(), st)
    else:
        st.caption("Nothing published yet")
    if is_signed_in():
        st.caption(f"Signed in as {wording.escaped(who())}, may {role()}")
        st.html('<a href="/sign-out" target="_self">Sign out</a>')
    st.warning(f"**{wording.CAUTION_LINE}** All cautions stand at the foot of every page.")
    watch_for_new_snapshot()

st.title(page.title, anchor=False)
body, foot = st.container(), st.container()
# Drawn before the page, so that they stand there also when the page stops early.
with foot, st.expander("Cautions: read before you run an engine"):
    for caution in wording.CAUTIONS:
        st.markdown(f"- {caution}")
with body:
    past.strip(snapshot)
    if not past.day() and (told := in_force(shop_folder(), snapshot).told):
        st.warning(wording.escaped(told))
    # Here and not by the list of pages alone: others lead to a page by its file.
    if said := refusal(NEEDED.get(page.url_path, "look")):
        st.info(f"{said[0].upper()}{said[1:]}.")
    else:
        page.run()
settle()
