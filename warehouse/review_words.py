"""Words of the quarter's review: its figures, and what needs a decision."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from warehouse.wording import combination, counted, number

FIGURE_NAMES = {
    "jobs": "Jobs",
    "real gains": "Jobs with a real gain",
    "stages lean at warn or stop": "Stages lean at warn or stop",
    "maps of ours still lean": "Stages on our maps still lean at warn or stop",
    "comebacks within 60 days": "Back within 60 days",
}
COUNTED = {"real gains": "Last stage against first."}
"""What a figure counts, where its name leaves that open."""
HOW_GAINS_COUNT = (
    "A job's gain counts once, its last stage against its first. Steps between, what was run again "
    "unchanged, the control bike, and what is held against an earlier job do not count."
)
NOTHING_TO_DECIDE = "Nothing in these figures waits for a decision."

Row = Mapping[str, Any]


def missing_maps(revisions: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the map revisions that are the shop's own, in use, and miss their target."""
    return [
        one
        for one in revisions
        if one["is_missing"] and one["is_newest"] and one["map_name"] != "stock"
    ]


def beside(value: float | None, label: str) -> str:
    """Return a figure of another quarter.

    >>> beside(12.0, "2026 Q1")
    '12 in 2026 Q1'
    >>> beside(None, "a year before")
    'a year before: not on record'
    """
    return f"{label}: not on record" if value is None else f"{number(value)} in {label}"


def decisions(
    needs: Sequence[Row],
    maps: Sequence[Row],
    verdicts: Sequence[Row],
    files: int,
    comebacks: Sequence[Row],
    notice_pct: float,
) -> list[tuple[str, str]]:
    """Return what needs a decision, a line a kind, each with the part of the review behind it."""
    found: list[tuple[str, str]] = []
    if needs:
        first = needs[0]
        are = "combination is" if len(needs) == 1 else "combinations are"
        found.append(
            (
                f"{len(needs)} {are} more likely lean than not and without a good map. Surest: "
                f"{combination(first)}, {first['fuel']}: {first['lean_bikes']} of "
                f"{counted(first['bikes'], 'bike')} lean.",
                "needs",
            )
        )
    if maps:
        miss = "map revision of ours misses" if len(maps) == 1 else "map revisions of ours miss"
        found.append(
            (
                f"Over all quarters, {len(maps)} {miss} the target: {off_target(notice_pct)}. "
                f"First: {maps[0]['sentence']}",
                "maps",
            )
        )
    if acting := [verdict for verdict in verdicts if verdict["state"] == "act"]:
        of_dyno = [verdict for verdict in acting if verdict["is_of_dyno"]]
        found.append(((of_dyno or acting)[0]["sentence"], "dyno"))
    if files:
        wait = (
            "file of this quarter's jobs is" if files == 1 else "files of this quarter's jobs are"
        )
        found.append(
            (f"{files} {wait} refused, waiting or missing.", "behind-files-refused-or-waiting")
        )
    if comebacks:
        came = ", ".join(str(row["bike_id"]) for row in comebacks[:4])
        more = f" and {len(comebacks) - 4} more" if len(comebacks) > 4 else ""
        found.append(
            (f"Came back within 60 days, on the build they left with: {came}{more}.", "comebacks")
        )
    return found


def off_target(notice_pct: float) -> str:
    """Return when a map revision misses its target.

    >>> off_target(5.0)
    '5 % or more off in the mean over the bikes, or half of them lean at warn or stop'
    """
    return (
        f"{notice_pct:g} % or more off in the mean over the bikes, or half of them lean at warn or "
        "stop"
    )
