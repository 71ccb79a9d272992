"""The frame around the pages: their list, the shop they show, and the cautions."""

from pathlib import Path
from zoneinfo import ZoneInfo

import streamlit as st

from dashboard import wording
from dashboard.open_shop import standing

VIEWS = Path(__file__).parent / "views"
SECONDS_BETWEEN_LOOKS = 4

st.set_page_config(page_title="Rollbook", layout="wide", initial_sidebar_state="auto")

page = st.navigation(
    {
        "Bring in": [
            st.Page(VIEWS / "what_came_in.py", title="What came in?", url_path="what-came-in"),
            st.Page(VIEWS / "bring_in_job.py", title="Bring in a job", url_path="bring-in-a-job"),
            st.Page(VIEWS / "teach_layout.py", title="Teach a layout", url_path="teach-a-layout"),
        ],
        "Bike on the dyno": [
            st.Page(VIEWS / "health.py", title="Is this bike sound?", url_path="health"),
            st.Page(
                VIEWS / "before_and_after.py",
                title="What did it gain?",
                url_path="before-and-after",
            ),
            st.Page(
                VIEWS / "fuel_change.py", title="What does the map need?", url_path="fuel-change"
            ),
        ],
        "Before the job": [
            st.Page(
                VIEWS / "builds_like_this.py",
                title="Have we built this before?",
                url_path="builds-like-this",
            ),
            st.Page(
                VIEWS / "expected_mixture.py",
                title="What mixture to expect?",
                url_path="expected-mixture",
            ),
            st.Page(VIEWS / "plan_pulls.py", title="How many pulls?", url_path="how-many-pulls"),
        ],
        "The shop": [
            st.Page(
                VIEWS / "remap_need.py",
                title="Which combinations need a remap?",
                url_path="remap-need",
            ),
            st.Page(
                VIEWS / "map_revisions.py", title="Which maps still miss?", url_path="map-revisions"
            ),
            st.Page(
                VIEWS / "dyno_trust.py", title="Can the dyno be trusted?", url_path="dyno-trust"
            ),
            st.Page(VIEWS / "this_quarter.py", title="This quarter", url_path="this-quarter"),
        ],
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
    page.run()
