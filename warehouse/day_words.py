"""The words of the day's page and of the morning file."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from warehouse.sentences import day
from warehouse.wording import combination, counted, waiting_files

GRAVITIES = {"act": "Act", "look": "Look", "know": "Know"}
"""What a piece of news asks of its reader."""
MOST_NAMED = 6


def came_sentence(came: Mapping[str, Any]) -> str:
    """Return what was run since yesterday, or on the last day on the dyno, and what came in.

    >>> came_sentence({"last_on": dt.date(2026, 8, 14), "bikes_since": 0, "bikes_last": 2,
    ...                "jobs_last": 2, "pulls_last": 9, "files_since": 1})
    'Last day on the dyno: 14 Aug 2026, 2 bikes, 2 jobs, 9 pulls. Since yesterday 1 file came in.'
    """
    if came["last_on"] is None:
        told = "Nothing has been run on the dyno yet."
    else:
        which = "since" if came["bikes_since"] else "last"
        first = "Since yesterday: " if which == "since" else "Last day on the dyno: "
        first += "" if which == "since" else f"{day(came['last_on'])}, "
        told = first + ", ".join(
            counted(came[f"{name}s_{which}"], name) for name in ("bike", "job", "pull")
        )
        told += "."
    if not (files := came["files_since"]):
        return told
    if came["last_on"] is not None and came["bikes_since"]:
        return f"{told[:-1]}; {counted(files, 'file')} came in."
    return f"{told} Since yesterday {counted(files, 'file')} came in."


def wait_sentence(files: int, gaps: int) -> str:
    """Return what waits for somebody.

    >>> wait_sentence(3, 1)
    '3 files wait or were refused; 1 entry of a layout is asked for in vain.'
    >>> wait_sentence(0, 0)
    'Nothing waits.'
    """
    told = [waiting_files(files)] if files else []
    if gaps:
        are = "is" if gaps == 1 else "are"
        told.append(f"{counted(gaps, 'entry', 'entries')} of a layout {are} asked for in vain")
    return f"{'; '.join(told) or 'Nothing waits'}."


def lean_sentence(standing: Sequence[str], out: Sequence[str]) -> str:
    """Return which bikes on the dyno are lean, and which were let go so, the latest first.

    >>> lean_sentence(["B-0007"], ["B-0001", "B-0002"])
    'On the dyno B-0007 is lean, or may be. 2 bikes left lean, not measured since: B-0001, B-0002.'
    >>> lean_sentence([], [])
    ''
    """
    are = "is lean, or may be" if len(standing) == 1 else "are lean, or may be"
    told = [f"On the dyno {' and '.join(standing)} {are}."] if standing else []
    if out:
        named = ", ".join(out[:MOST_NAMED])
        if more := out[MOST_NAMED:]:
            named += f" and {len(more)} more"
        told.append(f"{counted(len(out), 'bike')} left lean, not measured since: {named}.")
    return " ".join(told)


def need_sentence(need: Mapping[str, Any]) -> str:
    """Return which combination on an untouched map needs a remap most.

    >>> need_sentence({"model_label": "Strada 690", "parts_label": "airbox: open lid",
    ...     "map_label": "stock", "lean_bikes": 7, "bikes": 7})
    'Needs a remap most: Strada 690, airbox: open lid, stock map: 7 of 7 logged bikes went lean
    past the warning.'
    """
    return (
        f"Needs a remap most: {combination(need)}: {need['lean_bikes']} of "
        f"{counted(need['bikes'], 'logged bike')} went lean past the warning."
    )


def news_heading(last_on: dt.date | None, fresh: int, days: int) -> str:
    """Return what stands above the news.

    >>> news_heading(dt.date(2026, 6, 23), 2, 7)
    'News: 2 in the 7 days up to 23 Jun 2026'
    """
    until = f" up to {day(last_on)}" if last_on else ""
    return f"News: {fresh or 'none'} in the {days} days{until}"


def news_below(news: Mapping[str, Any]) -> str:
    """Return day, certainty and evidence of a piece of news."""
    return f"{day(news['news_on'])} · {news['certainty']}, {news['rests_on']}"
