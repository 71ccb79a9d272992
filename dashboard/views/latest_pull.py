"""Answers "what did the pull of a moment ago show?", to be read from two metres, with no click."""

from __future__ import annotations

import datetime as dt
import html
from typing import Any

import polars as pl
import streamlit as st

from dashboard import kept_chart, pieces
from dashboard.arriving import arriving
from dashboard.latest_pull_chart import latest_pull_chart
from dashboard.look import Palette
from dashboard.open_shop import open_shop, standing
from warehouse import wording
from warehouse.shop import ShopFolder

SECONDS_BETWEEN_LOOKS = 1
# A pull's own lean error counts where it is held over as much as a lean window must be wide.
HELD_RPM = 150.0
SIGNS = {"stop": "✖", "warn": "▲", "notice": "!", "none": "✓", "unknown": "?"}
WORDS = {
    "stop": "STOP",
    "warn": "WARN",
    "notice": "NOTICE",
    "none": "NO LEAN WINDOW",
    "unknown": "MIXTURE NOT MEASURED",
}
_WORST_FIRST = tuple(WORDS)

shop = open_shop()
look = shop.look()


def level_of(pull: dict[str, Any]) -> tuple[str, bool]:
    """Return the worst of what this pull and its stage show, and of what is not excluded.

    The second tells whether it is shown at all, or only not excluded.
    """
    error = pull["worst_lean_error_pct"]
    own = "unknown"
    if error is not None:
        own = next((name for name, at in reversed(shop.limits().levels()) if error >= at), "none")
    stage = shop.advice(pull["stage_id"])
    # What another pull showed is no word on this one: without a reading it stays unmeasured.
    if own == "unknown" and stage.level not in wording.LEAN_TO_DO:
        return own, True
    worst = min(own, stage.level, key=_WORST_FIRST.index)
    return worst, worst in (own, stage.shown)


def big(text: str, colour: str, paper: str, size: str) -> str:
    """Return a line in letters of a size, for `st.html`."""
    return (
        f'<div style="background:{paper};color:{colour};font-size:{size};line-height:1.15;'
        f'font-weight:700;padding:0.1em 0.3em;border-radius:0.1em">{html.escape(text)}</div>'
    )


def draw_state(pull: dict[str, Any], palette: Palette) -> None:
    """Draw power and lean state: by sign, word and colour."""
    level, is_shown = level_of(pull)
    alarm = level in wording.LEAN_LEVELS
    ink = palette.paper if alarm else palette.text
    paper = palette.level(level) if alarm else palette.paper
    where, error = "", pull["worst_lean_error_pct"]
    if error is not None:
        side = "lean" if error > 0 else "rich"
        at = wording.number(pull["worst_speed_rpm"])
        where = f"{wording.number(abs(error))} % {side} at {at} rpm"
    unit = shop.settings.show.power
    power = "no curve" if pull["peak_power_w"] is None else shop.power(pull["peak_power_w"])
    word = f"{SIGNS[level]} {WORDS[level]}" + ("" if is_shown else " not excluded")
    state = big(word, ink, paper, "clamp(2rem, 4.2vw, 5.5rem)")
    state += big(where, ink, paper, "clamp(1.4rem, 3vw, 4rem)") if where else ""
    st.html(
        '<div style="display:flex;flex-wrap:wrap;align-items:center;gap:1rem">'
        + big(power, palette.text, palette.paper, "clamp(3rem, 8vw, 10rem)")
        + f"<div>{state}</div></div>"
    )
    if pull["peak_power_w"] is not None and pull["before_peak_power_w"]:
        more = 100 * (pull["peak_power_w"] / pull["before_peak_power_w"] - 1)
        other = f"pull {pull['before_pull_no']} of {pull['before_stage_name']}"
        said = f"{wording.signed(more)} % against {other}, unproven: two pulls, {unit} at the peak."
        st.html(big(said, palette.text, palette.paper, "clamp(1rem, 1.8vw, 2rem)"))
    if level in wording.LEAN_TO_DO:
        st.error(f"**{wording.LEAN_TO_DO[level]}**")
        pieces.cautions()


def named(pull: dict[str, Any]) -> str:
    """Return which bike, stage and pull this is."""
    return (
        f"{pull['bike_id']} · {pull['model_label']} · {pull['job_id']} stage {pull['stage_no']} "
        f"{pull['stage_name']} · map {pull['map_label']} · pull {pull['pull_no']}"
    )


def ago(then: dt.datetime) -> str:
    """Return how long ago something was, in words."""
    seconds = max((dt.datetime.now(dt.UTC) - then).total_seconds(), 0.0)
    for size, word in ((86400.0, "day"), (3600.0, "hour"), (60.0, "minute")):
        if seconds >= size:
            return f"{wording.counted(int(seconds // size), word)} ago"
    return "a moment ago"


def held(folder: str) -> list[tuple[str, int]]:
    """Return names and sizes of the files of a folder in this snapshot."""
    files = shop.ask("files_of_folder", job_folder=folder, with_card=True)
    return list(files.select("file_name", "size_bytes").iter_rows())


@st.fragment(run_every=SECONDS_BETWEEN_LOOKS)
def draw_what_comes(received_at: dt.datetime | None) -> None:
    """Draw what lies in the inbox and is no curve yet, and the whole page at a new snapshot."""
    _, now = standing()
    if now is not None and now.number != shop.snapshot.number:
        st.rerun()
    coming = arriving(ShopFolder(shop.folder).inbox, held)
    if coming:
        more = f" and {len(coming) - 1} more" if len(coming) > 1 else ""
        said = f"File seen: {coming[0]}{more}. Reading…"
    else:
        said = f"Came in {ago(received_at)}." if received_at else ""
    st.html(big(said, look.palette.text, look.palette.grid, "clamp(1.1rem, 2vw, 2.2rem)"))


# Read
pulls = shop.ask("latest_pull", held_rpm=HELD_RPM)
files = shop.ask("latest_file")

# Show
if pulls.is_empty():
    draw_what_comes(None)
    pieces.nothing("No pull has been taken in yet. Drop one into a job's folder: it shows here.")
pull = pulls.row(0, named=True)
file = files.row(0, named=True)
draw_what_comes(pull["received_at"])
if file["state"] in ("refused", "waiting") and file["received_at"] >= pull["received_at"]:
    place = wording.escaped(f"{file['job_folder']} / {file['file_name']}")
    st.warning(f"{place} shows no curve: {wording.escaped(file['reason'])}. {file['remedy']}")
st.html(big(named(pull), look.palette.text, look.palette.paper, "clamp(1.1rem, 2vw, 2.2rem)"))
draw_state(pull, look.palette)
if pull["trouble"]:
    st.warning(f"This pull does not count: {wording.escaped(pull['trouble'])}.")
asked = [one for one in (pull["pull_id"], pull["before_pull_id"]) if one]
curves = shop.ask("curves_of_pulls", pull_ids=asked)
latest = curves.filter(pl.col("pull_id") == pull["pull_id"])
before = curves.filter(pl.col("pull_id") == (pull["before_pull_id"] or ""))
if latest.is_empty():
    pieces.nothing("This pull gave no curve.")
at = shop.power_at(is_corrected=pull["is_corrected"])
kept_chart.draw(
    shop,
    "latest_pull",
    tuple(asked),
    lambda: latest_pull_chart(latest, before, look, shop.limits(), power_at=at),
)
here = {"bike": pull["bike_id"], "job": pull["job_id"], "stage": pull["stage_id"]}
with st.container(horizontal=True):
    st.page_link("views/bike.py", label="All stages of this job →", query_params=here)
    st.page_link(
        "views/bike.py",
        label="Set this pull aside →",
        query_params=here | {"part": "pulls", "pull": pull["file_name"]},
    )
