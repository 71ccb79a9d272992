"""Keeps what each log shows of its logger, and tells when a layout's files come otherwise."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from itertools import groupby
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl

from flows.metrics.logged import channel_figures, rate_and_gap
from flows.metrics.notes import note
from flows.metrics.precedence import PAST, Look, beyond_past, looks
from flows.steps.engine import Given, Inputs, Records, Step, by_key
from flows.steps.refresh import short_hash
from flows.steps.samples import sound_samples
from schemas.channels import CHANNELS
from warehouse import store

MOST_ROWS = 200_000
"""Of a long log the first rows show as much of its logger as all of them."""
DIGITS = 6
OF_CHANNEL = ("seen", "low", "middle", "high", "step", "held", "top")
"""As `ChannelFigures` has them, and as they are kept."""
CHUNK = 1000
"""So many files of a layout are looked through at once: a new one touches the last of these."""
BEFORE = 600
"""Files before them that they are held against: 100 visits of a dyno, of some six pulls each."""
LATEST = 20
"""What a layout gives now is told from so many files."""
FALSE_ALARMS = 1e-3
"""The promise: of so many files one tells a change that is none, all that is watched together."""


class Quantity(NamedTuple):
    """How a quantity is watched: by whom it is counted, and what change matters.

    What hangs on the bike is counted by bikes, and their visits; the logger's own by files.
    """

    by_bike: bool
    least: float
    """Of a ratio its logarithm (common practice, no source)."""
    sides: tuple[int, ...] = (1, -1)
    is_ratio: bool = False


WATCHED = {
    # A bike may lack a sensor; a column that is not in a file at all is told by out.layout_gap.
    "seen": Quantity(by_bike=True, least=0.5),
    "rate": Quantity(by_bike=False, least=math.log(1.25), is_ratio=True),
    "step": Quantity(by_bike=False, least=math.log(1.5), is_ratio=True),
    "rejected": Quantity(by_bike=True, least=0.005, sides=(1,)),
    "gap": Quantity(by_bike=True, least=math.log(5.0), sides=(1,), is_ratio=True),
    "top": Quantity(by_bike=True, least=0.1, sides=(1,)),
    "held": Quantity(by_bike=True, least=0.2),
    "middle": Quantity(by_bike=True, least=0.0),
    "low": Quantity(by_bike=True, least=0.0),
    "high": Quantity(by_bike=True, least=0.0),
}
"""In the order in which one is told where several of a channel change at once."""
OF_FILE = ("rate", "gap", "rejected")
LEVELS = ("low", "middle", "high")
SPAN_SHARE = 0.5
"""A level must leave its past by this share of how far that past goes: a run of bikes of one kind
lies beyond it by less."""
LEVEL_SHARE = 0.02
"""And by this share of itself."""
WEATHER = {"K": 25.0, "Pa": 5000.0}
"""And by what no season and no weather does, in the channel's unit."""
LEAST_BIKES = 5
"""Of fewer, what is of one visit of a dyno would stand for the logger's past."""
SAME_CAUSE = 10
"""Changes of a channel that begin within so many files are one."""


# What each log shows.


def _logs(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    logs = store.rows(
        connection,
        "SELECT file_sha256, layout, sample_id, sample_path, rows_kept, rows_read, rows_rejected "
        "FROM raw.reading WHERE layout IS NOT NULL AND rows_read > 0 ORDER BY file_sha256",
    )
    # Where the samples lie says nothing of what they are.
    return by_key("file_sha256", {"log": logs}, without=("sample_path",))


def _look_at_logs(given: Given, payloads: list[dict[str, Any]]) -> Records:
    """Return what each log shows; of one that was refused, how much of it was rejected."""
    logs = [log for payload in payloads for log in payload["log"]]
    figures = {log["file_sha256"]: {"rejected": _rejected(log)} for log in logs}
    kept = sorted((log for log in logs if log["sample_path"]), key=lambda log: log["sample_path"])
    for path, of_path in groupby(kept, key=lambda log: log["sample_path"]):
        by_sample = {log["sample_id"]: log["file_sha256"] for log in of_path}
        for sample_id, rows in _samples_of(given, path, set(by_sample)):
            figures[by_sample[sample_id]] |= _shown(rows)
    return {
        "out.log_quality": [
            {
                "file_sha256": log["file_sha256"],
                "layout": log["layout"],
                "figures": json.dumps(figures[log["file_sha256"]], sort_keys=True),
            }
            for log in logs
        ]
    }


def _rejected(log: dict[str, Any]) -> float | None:
    return _short(log["rows_rejected"] / log["rows_read"])


def _samples_of(given: Given, path: str, wanted: set[str]) -> Iterator[tuple[str, pl.DataFrame]]:
    frame = pl.scan_parquet(sound_samples(given.shop, path))
    if len(wanted) == 1:
        frame = frame.filter(pl.col("sample_id").is_in(wanted)).head(MOST_ROWS)
    rows = frame.collect()
    # Intake writes log after log, each in the order of its lines.
    runs = rows["sample_id"].rle().struct.unnest()
    start = 0
    for count, sample_id in runs.select("len", "value").iter_rows():
        if sample_id in wanted:
            yield sample_id, rows[start : start + min(count, MOST_ROWS)]
        start += count


def _shown(rows: pl.DataFrame) -> dict[str, Any]:
    """Return rate, longest pause and the figures of every channel that has a value."""
    main = rows.filter(pl.col("clock_no") == 0)
    rate, gap = rate_and_gap(main["time_s"].to_numpy())
    channels = {}
    for name in CHANNELS:
        if name == "time_s" or name not in rows.columns or rows[name].null_count() == rows.height:
            continue
        column = main[name] if main[name].null_count() < main.height else rows[name]
        channels[name] = [_short(figure) for figure in channel_figures(column.to_numpy())]
    return {"rate": _short(rate), "gap": _short(gap), "channels": channels}


def _short(figure: float) -> float | None:
    return float(f"{figure:.{DIGITS}g}") if math.isfinite(figure) else None


LOG_QUALITY = Step(
    name="look at logs",
    doing="looking at logs",
    version=1,
    key="file_sha256",
    tables=("out.log_quality",),
    reads=("raw.reading",),
    inputs=_logs,
    make=_look_at_logs,
)


# What the files of a layout show, one after the other.


def _layouts(connection: duckdb.DuckDBPyConnection, _: Given) -> Inputs:
    # By the card's day, so that an old file that comes late stands where it belongs; a clock of a
    # logger may be wrong.
    files = store.rows(
        connection,
        "WITH came AS (SELECT file_sha256, min(arrival_no) AS arrival_no, "
        "arg_min(job_folder, arrival_no) AS job_folder, min(received_at) AS received_at "
        "FROM raw.arrival GROUP BY file_sha256), "
        "placed AS (SELECT file_sha256, stage_id FROM core.pull UNION ALL "
        "SELECT file_sha256, stage_id FROM core.ride), "
        "known AS (SELECT placed.file_sha256, job.received_on, bike.bike_id, bike.model_id "
        "FROM placed JOIN core.stage AS stage USING (stage_id) "
        "JOIN core.job AS job ON stage.job_id = job.job_id "
        "JOIN core.bike AS bike ON stage.bike_id = bike.bike_id), "
        "dated AS (SELECT quality.layout, quality.file_sha256, quality.made_from, "
        "coalesce(known.received_on, (came.received_at AT TIME ZONE 'UTC')::DATE) AS seen_on, "
        "came.arrival_no, coalesce(known.bike_id, came.job_folder) AS bike, "
        "coalesce(known.model_id, came.job_folder) AS model FROM out.log_quality AS quality "
        "JOIN came USING (file_sha256) LEFT JOIN known USING (file_sha256)) "
        "SELECT layout, file_sha256, seen_on, bike, model, "
        "hash(concat_ws('|', file_sha256, made_from, seen_on, bike, model)) AS mark "
        "FROM dated ORDER BY layout, seen_on, arrival_no, file_sha256",
    )
    spans = {
        f"{layout}/{first // CHUNK}": (first, of_layout[max(first - BEFORE, 0) : first + CHUNK])
        for (layout,), of_layout in files.group_by("layout", maintain_order=True)
        for first in range(0, of_layout.height, CHUNK)
    }
    marks = {key: short_hash(str(rows["mark"].to_list())) for key, (_, rows) in spans.items()}

    def load(due: list[str]) -> list[dict[str, Any]]:
        return [_with_figures(connection, key, *spans[key]) for key in due]

    return Inputs(marks, load)


def _with_figures(
    connection: duckdb.DuckDBPyConnection, key: str, first: int, rows: pl.DataFrame
) -> dict[str, Any]:
    found = connection.execute(
        "SELECT file_sha256, figures FROM out.log_quality WHERE file_sha256 IN (SELECT unnest(?))",
        [rows["file_sha256"].to_list()],
    ).fetchall()
    figures = dict(found)
    files = [row | {"figures": figures[row["file_sha256"]]} for row in rows.iter_rows(named=True)]
    return {"watch_id": key, "before": min(first, BEFORE), "files": files}


def _watch(_: Given, payloads: list[dict[str, Any]]) -> Records:
    """Return what each layout gives now, and since when its files come otherwise."""
    made: dict[str, list[dict[str, Any]]] = {
        "out.logger": [], "out.logger_channel": [], "out.logger_change": [],
    }  # fmt: skip
    for payload in payloads:
        files, watch_id = payload["files"], payload["watch_id"]
        series = series_of([json.loads(file["figures"]) for file in files])
        own = {"watch_id": watch_id, "layout": files[-1]["layout"]}
        made["out.logger"].append(own | _now(series, files))
        made["out.logger_channel"] += [own | row for row in _channels_now(series)]
        made["out.logger_change"] += [
            own | _as_row(change, files)
            for change in changes(series, files)
            if change.noticed >= payload["before"]
        ]
    return made


Series = dict[tuple[str, str], np.ndarray]
"""By channel ('' for the file) and quantity, one value a file; NaN where it has none."""


def series_of(figures: list[dict[str, Any]]) -> Series:
    """Return the figures of files as series; a channel that only others have is seen in no row."""
    names = {name for figure in figures for name in figure.get("channels", ())}
    found = {
        ("", quantity): np.array([figure.get(quantity) for figure in figures], dtype=float)
        for quantity in OF_FILE
    }
    nothing = [0.0, *[None] * (len(OF_CHANNEL) - 1)]
    unread = [None] * len(OF_CHANNEL)
    for name in sorted(names):
        rows = [
            figure["channels"].get(name, nothing) if "channels" in figure else unread
            for figure in figures
        ]
        for quantity, column in zip(OF_CHANNEL, np.array(rows, dtype=float).T, strict=True):
            found[name, quantity] = column
    return found


class Change(NamedTuple):
    """Since which file a quantity is another; places are those in the files looked through."""

    channel: str
    quantity: str
    side: int
    since: int
    noticed: int
    until: int | None
    before: float
    after: float


def changes(series: Series, files: list[dict[str, Any]]) -> list[Change]:
    """Return what changed in the files of a layout, one change a channel and time."""
    tests = sum(len(WATCHED[quantity].sides) for _, quantity in series)
    watch = _Units(files, FALSE_ALARMS / tests)
    found: list[Change] = []
    for quantity in WATCHED:
        for channel in [name for name, of in series if of == quantity]:
            for change in watch.changes(channel, quantity, series[channel, quantity]):
                if not any(
                    kept.channel == channel and abs(kept.since - change.since) <= SAME_CAUSE
                    for kept in found
                ):
                    found.append(change)
    return sorted(found, key=lambda change: (change.noticed, change.channel, change.quantity))


class _Units:
    """The files of a layout as what is counted: files, or visits of bikes."""

    def __init__(self, files: list[dict[str, Any]], chance: float) -> None:
        self._chance = chance
        self._bike = _numbered(file["bike"] for file in files)
        self._model = _numbered(file["model"] for file in files)
        self._known: dict[bytes, list[Look]] = {}

    def changes(self, channel: str, quantity: str, values: np.ndarray) -> Iterator[Change]:
        """Yield the changes of one series, to either side."""
        how = WATCHED[quantity]
        told = np.flatnonzero(np.isfinite(values) & ((values > 0.0) | (not how.is_ratio)))
        if not told.size or np.ptp(values[told]) == 0.0:
            return
        scaled = np.log(values[told]) if how.is_ratio else values[told]
        first, last, units = self._units(told, scaled, by_bike=how.by_bike)
        subject = self._bike[first] if how.by_bike else np.arange(first.size)
        for look in self._looks(subject):
            above, below, span = beyond_past(units, look)
            least = np.maximum(how.least, 1e-12)
            if quantity in LEVELS:
                unit = CHANNELS[channel].unit
                size = LEVEL_SHARE * np.abs(units[look.places])
                least = np.maximum(np.maximum(SPAN_SHARE * span, size), WEATHER.get(unit, 0.0))
            for side, beyond in ((1, above), (-1, below)):
                if side not in how.sides:
                    continue
                alarms = [
                    place
                    for place in look.places[(beyond > 0.0) & (beyond >= least)].tolist()
                    if self._is_fair(how, int(first[place - look.new + 1]), int(last[place]))
                ]
                for place in _begun(alarms):
                    start = place - look.new + 1
                    past = units[max(start - PAST, 0) : start]
                    before, after = np.median(past), np.median(units[start : place + 1])
                    over = _over(units, place, look.new, float(before), float(after))
                    ends = (before, after) if not how.is_ratio else np.exp((before, after))
                    yield Change(
                        channel, quantity, side, int(first[start]), int(last[place]),
                        None if over is None else int(first[over]), float(ends[0]), float(ends[1]),
                    )  # fmt: skip

    def _units(
        self, told: np.ndarray, values: np.ndarray, *, by_bike: bool
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return first and last file and the value of each unit; a visit has its middle one."""
        if not by_bike:
            return told, told, values
        bike = self._bike[told]
        starts = np.flatnonzero(np.concatenate(([True], bike[1:] != bike[:-1])))
        stops = np.append(starts[1:], told.size)
        middles = [float(np.median(values[a:b])) for a, b in zip(starts, stops, strict=True)]
        return told[starts], told[stops - 1], np.array(middles)

    def _looks(self, subject: np.ndarray) -> list[Look]:
        key = subject.tobytes()
        if key not in self._known:
            self._known[key] = looks(subject, self._chance)
        return self._known[key]

    def _is_fair(self, how: Quantity, since: int, last: int) -> bool:
        """Whether the past has bikes enough, and the new ones are not all of a model new here."""
        if np.unique(self._bike[:since]).size < LEAST_BIKES:
            return False
        models = np.unique(self._model[since : last + 1])
        return not how.by_bike or models.size > 1 or models[0] in self._model[:since]


def _numbered(names: Any) -> np.ndarray:
    numbers: dict[str, int] = {}
    return np.array([numbers.setdefault(name, len(numbers)) for name in names], dtype=int)


def _begun(places: list[int]) -> list[int]:
    """Return where alarms begin: one goes on until its own past has filled with what is new."""
    return [p for at, p in enumerate(places) if not at or p - places[at - 1] > PAST]


def _over(units: np.ndarray, place: int, new: int, before: float, after: float) -> int | None:
    """Return the first of so many values in a row that are nearer to those before the change."""
    is_back = np.abs(units[place + 1 :] - before) < np.abs(units[place + 1 :] - after)
    if is_back.size < new:
        return None
    runs = np.convolve(is_back, np.ones(new), "valid")
    back = np.flatnonzero(runs > new - 0.5)
    return place + 1 + int(back[0]) if back.size else None


def _as_row(change: Change, files: list[dict[str, Any]]) -> dict[str, Any]:
    channel = CHANNELS.get(change.channel)
    unit = channel.unit if channel and channel.unit != "1" else ""
    zero = 0.0
    if unit == "K" and change.quantity in LEVELS:
        unit, zero = "°C", 273.15
    told = note(
        "logger now",
        watched=change.quantity,
        channel=channel.label if channel else "",
        unit=unit,
        before=float(f"{change.before - zero:.3g}"),
        after=float(f"{change.after - zero:.3g}"),
    )
    return {
        "since_on": files[change.since]["seen_on"],
        "channel": change.channel,
        "watched": change.quantity,
        "noticed_on": files[change.noticed]["seen_on"],
        "until_on": None if change.until is None else files[change.until]["seen_on"],
        "files_before": change.since,
        "files_since": len(files) - change.since,
        "told": told,
    }


def _now(series: Series, files: list[dict[str, Any]]) -> dict[str, Any]:
    middle = {quantity: _middle(series["", quantity]) for quantity in OF_FILE}
    return {
        "files": len(files[-LATEST:]),
        "last_on": files[-1]["seen_on"],
        "rate_hz": middle["rate"],
        "gap_steps": middle["gap"],
        "rejected_share": middle["rejected"],
    }


def _channels_now(series: Series) -> Iterator[dict[str, Any]]:
    for channel in dict.fromkeys(name for name, _ in series if name):
        found = {quantity: series[channel, quantity][-LATEST:] for quantity in OF_CHANNEL}
        if not np.nanmax(found["seen"], initial=0.0):
            continue
        yield {
            "channel": channel,
            "seen_share": _middle(found["seen"]),
            "low_value": float(np.nanmin(found["low"])),
            "middle_value": _middle(found["middle"]),
            "high_value": float(np.nanmax(found["high"])),
            "step_value": _middle(found["step"]),
            "held_share": _middle(found["held"]),
        }


def _middle(values: np.ndarray) -> float | None:
    seen = values[-LATEST:][np.isfinite(values[-LATEST:])]
    return float(np.median(seen)) if seen.size else None


LOGGERS = Step(
    name="watch the loggers",
    doing="watching the loggers",
    version=1,
    key="watch_id",
    tables=("out.logger", "out.logger_channel", "out.logger_change"),
    reads=(
        "out.log_quality", "raw.arrival", "core.pull", "core.ride", "core.stage", "core.job",
        "core.bike",
    ),
    inputs=_layouts,
    make=_watch,
    batch=4,
)  # fmt: skip
