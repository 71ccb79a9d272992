"""Answers "what did the pull of a moment ago show?", to be read from two metres, with no click."""

from __future__ import annotations

import datetime as dt
import html
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import streamlit as st

from dashboard import kept_chart, pieces
from dashboard.arriving import arriving
from dashboard.latest_pull_chart import latest_pull_chart
from dashboard.look import Palette
from dashboard.open_shop import open_shop, standing
from warehouse import wording
from warehouse.sentences import day
from warehouse.shop import ShopFolder

SECONDS_BETWEEN_LOOKS = 1
# A pull's own lean error counts where it is held over as much as a lean window must be wide.
HELD_RPM = 150.0
# A pull run longer ago than a working day is not the one that somebody at the dyno waits for.
OLD = dt.timedelta(hours=12)
FIRST = "clamp(2rem, 4.2vw, 5.5rem)"
SECOND = "clamp(1.4rem, 3vw, 4rem)"
SMALL = "clamp(1rem, 1.4vw, 1.6rem)"
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
    level, power, word, where = in_words(pull)
    alarm = level in wording.LEAN_LEVELS
    ink = palette.paper if alarm else palette.text
    paper = palette.level(level) if alarm else palette.paper
    state = big(word, ink, paper, FIRST)
    state += big(where, ink, paper, SECOND) if where else ""
    st.html(
        '<div style="display:flex;flex-wrap:wrap;align-items:center;gap:1rem">'
        + big(power, palette.text, palette.paper, "clamp(3rem, 8vw, 10rem)")
        + f"<div>{state}</div></div>"
    )
    if pull["peak_power_w"] is not None and pull["before_peak_power_w"]:
        more = 100 * (pull["peak_power_w"] / pull["before_peak_power_w"] - 1)
        other = f"pull {pull['before_pull_no']} of {pull['before_stage_name']}"
        said = f"Peak {wording.signed(more)} % against {other}. Two single pulls prove no gain."
        st.html(big(said, palette.text, palette.paper, "clamp(1rem, 1.8vw, 2rem)"))


def draw_small(pull: dict[str, Any], palette: Palette) -> None:
    """Draw the same small and grey, of a pull that is not what stands at the top."""
    _, *told = in_words(pull)
    st.html(big(" · ".join(filter(None, told)), palette.muted, palette.paper, SMALL))


def draw_what_to_do(pull: dict[str, Any], *, is_older: bool) -> None:
    """Draw what a lean state asks for, of whatever size the pull is shown in."""
    level, _ = level_of(pull)
    if level in wording.LEAN_TO_DO:
        # A notice of an older pull may not outshine why the last file gave no curve.
        box = st.warning if is_older and level not in wording.LEAN_LEVELS else st.error
        box(f"**{wording.escaped(pull['bike_id'])}: {wording.LEAN_TO_DO[level]}**")
        pieces.cautions()


def in_words(pull: dict[str, Any]) -> tuple[str, str, str, str]:
    """Return the level of a pull, its power, its state, and where it is worst."""
    level, is_shown = level_of(pull)
    where, error = "", pull["worst_lean_error_pct"]
    if error is not None:
        side = "lean" if error > 0 else "rich"
        at = wording.number(pull["worst_speed_rpm"])
        where = f"{wording.number(abs(error))} % {side} at {at} rpm"
    power = "no curve" if pull["peak_power_w"] is None else shop.power(pull["peak_power_w"])
    word = f"{SIGNS[level]} {WORDS[level]}" + ("" if is_shown else " not excluded")
    return level, power, word, where


def run_on(pull: dict[str, Any]) -> tuple[str, bool]:
    """Return the day a pull was run, or its job was received, and whether that is long ago."""
    now = dt.datetime.now(ZoneInfo(shop.settings.shop.timezone)).replace(tzinfo=None)
    began = pull["started_at"]
    if began is None:
        return f"job of {day(pull['received_on'])}", pull["received_on"] < now.date()
    return day(began.date()), now - began > OLD


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
def draw_what_comes(received_at: dt.datetime | None, no_curve: str) -> None:
    """Draw what lies in the inbox, why the last file gave no curve, all at a new snapshot."""
    _, now = standing()
    if now is not None and now.number != shop.snapshot.number:
        st.rerun()
    coming = arriving(ShopFolder(shop.folder).inbox, held)
    if coming:
        more = f" and {len(coming) - 1} more" if len(coming) > 1 else ""
        said = f"File seen: {coming[0]}{more}. Reading…"
    else:
        said = f"Came in {ago(received_at)}." if received_at and not no_curve else ""
    if said:
        st.html(big(said, look.palette.text, look.palette.grid, "clamp(1.1rem, 2vw, 2.2rem)"))
    if no_curve and received_at:
        of = f"NO CURVE of the file that came {ago(received_at)}:"
        words = big(of, look.palette.text, look.palette.paper, FIRST)
        st.html(words + big(no_curve, look.palette.text, look.palette.paper, SECOND))


def draw_pull(pull: dict[str, Any], *, is_older: bool) -> None:
    """Draw a pull: large where it is what came last, is of today and counts."""
    ran, is_long_ago = run_on(pull)
    text, muted, paper = look.palette.text, look.palette.muted, look.palette.paper
    if is_older:
        st.html(big(f"The pull before that: {pull['bike_id']}, {ran}", text, paper, SMALL))
    if not pull["is_used"]:
        said = big("DOES NOT COUNT", text, paper, SMALL if is_older else FIRST)
        st.html(said + big(pull["trouble"], text, paper, SMALL if is_older else SECOND))
    if is_long_ago and not is_older:
        st.html(big(f"from {ran}", text, paper, SECOND))
    if is_older:
        st.html(big(named(pull), muted, paper, SMALL))
    else:
        st.html(big(f"{named(pull)} · {ran}", text, paper, "clamp(1.1rem, 2vw, 2.2rem)"))
    if is_older or not pull["is_used"]:
        draw_small(pull, look.palette)
    else:
        draw_state(pull, look.palette)
    draw_what_to_do(pull, is_older=is_older)


def draw_curve(pull: dict[str, Any]) -> None:
    """Draw the curve of a pull, against the pull before where it counts."""
    asked = [pull["pull_id"]]
    if pull["is_used"] and pull["before_pull_id"]:
        asked.append(pull["before_pull_id"])
    curves = shop.ask("curves_of_pulls", pull_ids=asked)
    latest = curves.filter(pl.col("pull_id") == pull["pull_id"])
    before = curves.filter(pl.col("pull_id") != pull["pull_id"])
    if latest.is_empty():
        st.info("This pull gave no curve.")
        return
    at = shop.power_at(is_corrected=pull["is_corrected"])
    kept_chart.draw(
        shop,
        "latest_pull",
        tuple(asked),
        lambda: latest_pull_chart(latest, before, look, shop.limits(), power_at=at),
    )


def draw_links(pull: dict[str, Any]) -> None:
    """Draw the ways to the job, and to what is to be done with this pull."""
    here = {"bike": pull["bike_id"], "job": pull["job_id"], "stage": pull["stage_id"]}
    way = "Set this pull aside →" if pull["is_used"] else "Why it does not count →"
    if pull["is_set_aside"]:
        way = "Take it back →"
    with st.container(horizontal=True):
        st.page_link("views/bike.py", label="All stages of this job →", query_params=here)
        st.page_link(
            "views/bike.py",
            label=way,
            query_params=here | {"part": "pulls", "pull": pull["file_name"]},
        )


# Read
pulls = shop.ask("latest_pull", held_rpm=HELD_RPM)
files = shop.ask("latest_file")
pull = next(iter(pulls.to_dicts()), None)
file = next(iter(files.to_dicts()), None)
is_no_curve = (
    file is not None
    and file["state"] in ("refused", "waiting")
    and (pull is None or file["received_at"] >= pull["received_at"])
)

# Show
if file is not None and is_no_curve:
    draw_what_comes(file["received_at"], file["reason"])
    place = wording.escaped(f"{file['job_folder']} / {file['file_name']}")
    st.warning(f"{place} shows no curve. {file['remedy']}")
else:
    draw_what_comes(pull["received_at"] if pull else None, "")
if pull is None:
    pieces.nothing("No pull has been taken in yet. Drop one into a job's folder: it shows here.")
draw_pull(pull, is_older=is_no_curve)
if is_no_curve:
    with st.expander("Its curve"):
        draw_curve(pull)
else:
    draw_curve(pull)
draw_links(pull)
