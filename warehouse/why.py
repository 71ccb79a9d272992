"""What stands behind a figure: its method, settings, evidence used, and left out with reasons."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from importlib.resources import files
from typing import Any, NamedTuple

import duckdb
import polars as pl
from rapidfuzz import fuzz, process

from warehouse.questions import ask
from warehouse.wording import counted, number, signed

MOST_NEAR = 3
COUNTS, IN_PART, LEFT_OUT = "counts", "counts in part", "left out"
"""How a pull, a ride or a stage stands to a figure."""

_TOLD = tomllib.loads(files("warehouse").joinpath("why.toml").read_text("utf-8"))
KINDS: dict[str, dict[str, Any]] = _TOLD["kind"]
REASONS: dict[str, str] = _TOLD["left_out"]
_STAGES: dict[str, Callable[[duckdb.DuckDBPyConnection, str], pl.DataFrame]] = {
    "gain": lambda reader, key: ask(reader, "why_gain", gain_id=key),
    "lean": lambda _, key: _alone(key),
    "health": lambda reader, key: ask(reader, "why_health", bike_id=key),
    "need": lambda reader, key: ask(reader, "why_need", need_id=key),
    "quote": lambda reader, key: ask(reader, "why_quote", effect_id=key),
    "quote-peak": lambda reader, key: ask(reader, "why_quote", effect_id=key),
    "map": lambda reader, key: ask(reader, "why_map", map_id=key),
    "dyno": lambda reader, key: _of_dyno(reader, key),
    "trust": lambda reader, key: ask(reader, "why_trust", part=key),
    "quarter": lambda reader, key: ask(
        reader, "why_quarter", quarter=_quarter(key)[0], figure=_quarter(key)[1]
    ),
    "expected": lambda reader, key: ask(reader, "why_expected", expected_id=key),
    "fuel": lambda reader, key: ask(reader, "why_fuel", stage_id=key),
    "alike": lambda reader, key: ask(reader, "why_alike", stage_id=key),
}
"""Which stages a figure of each kind concerns, by its key."""


class NoSuchFigureError(ValueError):
    """No figure has this address; the message names the nearest."""


class Why(NamedTuple):
    """What stands behind one figure."""

    figure: str
    """Its address, to be copied."""
    what: str
    value: str
    """The figure with its range and verdict, in words."""
    caveats: list[str]
    method: str
    source: str
    functions: list[str]
    settings: list[tuple[str, str]]
    stages: pl.DataFrame
    """One row a stage: `standing`, its `role`, and `why` it is left out."""
    pulls: pl.DataFrame
    """One row a pull of these stages, with its file: `standing` and `why`, as of the stages."""
    rides: pl.DataFrame
    files: pl.DataFrame
    """Files in the jobs' folders that were never taken in."""
    budget: pl.DataFrame

    @property
    def counted(self) -> str:
        """How much of what there is was used, in a sentence."""
        said = [_share_used(self.stages, "stage"), _share_used(self.pulls, "pull")]
        if not self.rides.is_empty():
            said.append(_share_used(self.rides, "ride"))
        if not self.files.is_empty():
            said.append(f"{counted(self.files.height, 'file')} of these jobs never taken in")
        return f"{'; '.join(said)}."


def figures(reader: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """Return the address of every figure that has one, by kind, the latest first."""
    return ask(reader, "why_figures", text="")


def read_why(reader: duckdb.DuckDBPyConnection, figure: str, settings: Any) -> Why:
    """Return what stands behind a figure, by its address or by its kind and key.

    Raises NoSuchFigureError if there is none; the words name the three nearest.
    """
    figure = " ".join(figure.split())
    found = ask(reader, "why_figures", text=figure).to_dicts()
    if not found:
        near = nearest(figure, figures(reader)["figure"].to_list())
        listed = "".join(f"\n  {one}" for one in near)
        said = f"The nearest are:{listed}" if near else "No figure has one yet."
        raise NoSuchFigureError(f"No figure has the address {figure[:80]!r}. {said}")
    row = found[0]
    kind, key, told = row["kind"], row["key"], KINDS[row["kind"]]
    if kind == "dyno" and _trust_part(reader, key):
        told = KINDS["trust"] | {"what": told["what"], "unit": told["unit"]}
    stages = _placed(reader, _STAGES[kind](reader, key))
    stage_ids = stages["stage_id"].to_list()
    evidence = told["evidence"]
    pulls = _judged(ask(reader, "why_pulls", stage_ids=stage_ids), stages, evidence)
    rides = pl.DataFrame()
    caveats = _caveats(reader, kind, key, stages)
    if evidence == "both" or (kind == "quarter" and _quarter(key)[1] == "rides"):
        rides = _judged(ask(reader, "why_rides", stage_ids=stage_ids), stages, "rides")
        caveats += _time_left_out(reader, stages)
    return Why(
        figure=row["figure"],
        what=told["what"],
        value=_value(row, told),
        caveats=caveats,
        method=told["method"],
        source=told["source"],
        functions=told["functions"],
        settings=[(name, in_force(settings, name)) for name in told["settings"]],
        stages=stages,
        pulls=pulls,
        rides=rides,
        files=ask(reader, "why_files", stage_ids=stage_ids),
        budget=ask(reader, "gain_budget", gain_id=key) if kind == "gain" else pl.DataFrame(),
    )


def nearest(figure: str, known: list[str]) -> list[str]:
    """Return the addresses nearest to one, those of its own kind first.

    >>> nearest("lean:J-12/1", ["gain:J-12/1", "lean:J-0012/1", "lean:J-0012/2", "lean:J-12/2"])
    ['lean:J-0012/1', 'lean:J-12/2', 'lean:J-0012/2']
    """
    kind = figure.partition(":")[0].strip().casefold()
    own = [one for one in known if one.partition(":")[0] == kind] or known
    scored = process.extract(  # pyrefly: ignore[no-matching-overload]
        figure, own, scorer=fuzz.ratio, processor=str.casefold, limit=MOST_NEAR
    )
    return [one for one, _, _ in scored]


def in_force(settings: Any, name: str) -> str:
    """Return a setting as it stands, by its dotted name."""
    if name == "fuel":
        own = [
            f"{fuel.name} {number(fuel.target_full_throttle, 3)}"
            for fuel in settings.fuel
            if fuel.target_full_throttle is not None
        ]
        return f"targets of their own: {', '.join(own)}" if own else "no fuel has its own target"
    value = settings
    for part in name.split("."):
        value = getattr(value, part)
    return (
        "not given" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
    )


def _quarter(key: str) -> tuple[str, str]:
    """Return the quarter and the figure that a quarter's key names."""
    quarter, _, figure = key.partition(": ")
    return quarter, figure


def _verdict(reader: duckdb.DuckDBPyConnection, verdict_no: str) -> dict[str, Any]:
    verdicts = ask(reader, "dyno_verdicts")
    return verdicts.row(by_predicate=pl.col("verdict_no").cast(pl.String) == verdict_no, named=True)


def _trust_part(reader: duckdb.DuckDBPyConnection, verdict_no: str) -> str | None:
    """Return the part of the dyno's scatter that a verdict is of; None where of something else."""
    return _verdict(reader, verdict_no)["trust_part"]


def _of_dyno(reader: duckdb.DuckDBPyConnection, verdict_no: str) -> pl.DataFrame:
    """Return the sessions behind a verdict; those of a scatter are those of its figure."""
    if part := _trust_part(reader, verdict_no):
        return ask(reader, "why_trust", part=part)
    return ask(reader, "why_dyno", verdict_no=verdict_no)


def _alone(stage_id: str) -> pl.DataFrame:
    row = {"stage_id": stage_id, "role": "this stage", "left_out_for": None, "reason": ""}
    return pl.DataFrame([row], schema=dict.fromkeys(row, pl.String))


def _placed(reader: duckdb.DuckDBPyConnection, concerned: pl.DataFrame) -> pl.DataFrame:
    """Return one row a stage: one that anything uses is used, whatever else leaves it out."""
    of_stage: dict[str, dict[str, Any]] = {}
    rows = concerned.filter(pl.col("stage_id").is_not_null()).to_dicts()
    for row in sorted(rows, key=lambda row: row["left_out_for"] is not None):
        standing = LEFT_OUT if row["left_out_for"] else COUNTS
        kept = of_stage.setdefault(
            row["stage_id"], {"standing": standing, "roles": [], "reasons": []}
        )
        if kept["standing"] == standing:
            kept["roles"].append(row["role"])
            kept["reasons"].append(_reason(row))
    about = ask(reader, "why_stages", stage_ids=list(of_stage))
    kept = [of_stage[stage_id] for stage_id in about["stage_id"]]
    placed = about.with_columns(
        standing=pl.Series([one["standing"] for one in kept], dtype=pl.String),
        role=_each_once([one["roles"] for one in kept], ", "),
        why=_each_once([one["reasons"] for one in kept], "; "),
    )
    return placed.sort("standing", maintain_order=True)


def _each_once(words: list[list[str]], between: str) -> pl.Series:
    return pl.Series(
        [between.join(dict.fromkeys(filter(None, each))) for each in words], dtype=pl.String
    )


def _reason(row: Mapping[str, Any]) -> str:
    """Return why a row is left out, or what is said of one that is not."""
    code, more = row["left_out_for"], row["reason"] or ""
    if not code:
        return more
    # A general word says nothing where a note says more.
    general = code in ("not usable", "no sibling", "set aside") and more
    return more if general else ": ".join(filter(None, (REASONS[code], more)))


def _judged(seen: pl.DataFrame, stages: pl.DataFrame, evidence: str) -> pl.DataFrame:
    """Return pulls or rides with how each stands: of a stage left out none counts."""
    of_stage = {row["stage_id"]: row for row in stages.iter_rows(named=True)}
    told = [_standing(row, of_stage[row["stage_id"]], evidence) for row in seen.to_dicts()]
    return seen.with_columns(
        standing=pl.Series([standing for standing, _ in told], dtype=pl.String),
        why=pl.Series([why for _, why in told], dtype=pl.String),
        role=pl.Series([of_stage[one]["role"] for one in seen["stage_id"]], dtype=pl.String),
    ).sort("standing", maintain_order=True)


def _standing(row: Mapping[str, Any], stage: Mapping[str, Any], evidence: str) -> tuple[str, str]:
    if stage["standing"] == LEFT_OUT:
        return LEFT_OUT, stage["why"]
    if evidence == "all pulls":
        return COUNTS, _reason(row)
    if row["left_out_for"]:
        return LEFT_OUT, _reason(row)
    if evidence in ("mixture", "both") and not row["has_lambda"]:
        return LEFT_OUT, REASONS["no probe"]
    if evidence == "pulls" and row["is_odd"]:
        return IN_PART, f"weight {number(100 * row['weight'])} %: {row['reason']}"
    return COUNTS, row["reason"] or ""


def _value(row: Mapping[str, Any], told: Mapping[str, Any]) -> str:
    """Return the figure with its range and verdict.

    >>> _value({"figure_value": 4.21, "lower": 2.9, "upper": 5.5, "verdict": "real gain"},
    ...        {"unit": "%", "range": "19 of 20"})
    '+4.2 %, 19 of 20 between +2.9 and +5.5 %; real gain'
    """
    value, lower, upper = row["figure_value"], row["lower"], row["upper"]
    said = ""
    if value is not None and told["unit"]:
        said = _with_unit(value, told)
        if lower is not None and upper is not None:
            ends = (_with_unit(end, told) for end in (lower, upper))
            low, high = (end.removesuffix(" %") for end in ends)
            said += f", {told['range']} between {low} and {high} %"
    return "; ".join(filter(None, (said, row["verdict"]))) or "no figure"


def _with_unit(value: float, told: Mapping[str, Any]) -> str:
    if told["unit"] == "count":
        return number(value)
    if told["unit"] == "share":
        return f"{number(100 * value, told.get('digits', 0))} %"
    return f"{signed(value)} %"


def _caveats(
    reader: duckdb.DuckDBPyConnection, kind: str, key: str, stages: pl.DataFrame
) -> list[str]:
    """Return what is to be said of the figure as a whole."""
    if kind == "gain":
        unlike = ask(reader, "why_unlike", gain_id=key).filter(~pl.col("is_like_for_like"))
        return [f"Not like for like: {why}." for why in unlike["unlike_reason"]]
    if kind == "dyno":
        part = _trust_part(reader, key)
        learnt = f"It rests on the same sessions as the figure trust:{part}." if part else ""
        return [*filter(None, (_verdict(reader, key)["sentence"], learnt))]
    if kind == "health":
        return ask(reader, "healths").filter(pl.col("bike_id") == key)["sentence"].to_list()
    if kind == "expected":
        asked = ask(reader, "expected_mixtures").filter(pl.col("expected_id") == key)
        listed = stages.filter(pl.col("role") == "other build, lends").height
        lent = int(asked["other_bikes"].sum())
        return [
            f"{counted(lent, 'other build')} lend to it; {number(listed)} are listed: the rest run "
            "on fuels that only the settings call alike."
        ] * (lent != listed)
    return []


def _time_left_out(reader: duckdb.DuckDBPyConnection, stages: pl.DataFrame) -> list[str]:
    used = stages.filter(pl.col("standing") == COUNTS)["stage_id"].to_list()
    time = ask(reader, "why_ride_time", stage_ids=used)
    said = [f"{reason} {number(seconds)} s" for reason, seconds in time.iter_rows()]
    return [f"Riding time that is no evidence: {', '.join(said)}."] if said else []


def _share_used(frame: pl.DataFrame, one: str) -> str:
    used = frame.filter(pl.col("standing") != LEFT_OUT).height
    if used == frame.height:
        return f"{counted(used, one)}, all used"
    return f"{number(used)} of {counted(frame.height, one)} used"
