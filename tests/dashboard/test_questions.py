"""Questions to the snapshot: their files, types that charts can draw, lists that add up."""

import ast
import datetime as dt
import re
from importlib.resources import files
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from scipy import stats

from warehouse import snapshot
from warehouse.questions import ask, behind, text

ROOT = Path(__file__).parents[2]
GIVEN = {
    "file_sha256": "0" * 64,
    "file_sha256s": ["0" * 64],
    "job_folder": "J-0026",
    "job_folders": ["J-0026", "J-0029"],
    "states": ["taken in", "refused"],
    "text": "run",
    "need_id": "N01",
    "expected_id": "eN01",
    "map_id": "mN01",
    "job_id": "J-0026",
    "stage_ids": ["J-0026/1", "J-0026/2"],
    "job_ids": ["J-0026"],
    "stage_id": "J-0026/3",
    "bike_id": "B-103",
    "gain_id": "J-0026/1>J-0026/3",
    "quarter": "2026 Q2",
    "model_id": "corvane-strada-690-2016",
    "change_key": "+silencer",
    "figure": "mean gain over the riding range",
    "with_card": True,
    "base_id": "J-0026/1",
    "from_rpm": 5000.0,
    "to_rpm": 6000.0,
    "day": dt.date(2026, 12, 31),
    "days": 3,
    "since": dt.date(2026, 6, 1),
    "since_at": dt.datetime(2026, 6, 1, tzinfo=dt.UTC),
    "until_at": dt.datetime(2027, 1, 1, tzinfo=dt.UTC),
    "effect_id": "x",
    "part": "strapping-down",
    "parts": ["Halden S2 slip-on"],
    "verdict_no": "1",
    "held_rpm": 200.0,
    "pull_ids": ["x"],
}
QUESTIONS = sorted(
    path.name.removesuffix(".sql")
    for path in files("warehouse").joinpath("questions").iterdir()
    if path.name.endswith(".sql")
)
FIGURES = [
    "bikes",
    "jobs",
    "pulls",
    "rides",
    "control sessions",
    "files refused or waiting",
    "stages lean at warn or stop",
    "comebacks within 60 days",
]


def _taken(question) -> set[str]:
    return set(re.findall(r"\$(\w+)", text(question).partition("-- Takes:")[2].split("\n", 1)[1]))


def _answer(question, reader) -> pl.DataFrame:
    return ask(reader, question, **{name: GIVEN[name] for name in _taken(question)})


def _figures(reader, quarter: str) -> dict[str, float]:
    found = ask(reader, "quarter_figures", quarter=quarter)
    return dict(found.select("figure", "figure_value").iter_rows())


def _asked() -> list[tuple[str, set[str]]]:
    """Return every question that the code asks, with the values that it gives."""
    found = []
    for house in ("dashboard", "flows", "warehouse"):
        for path in (ROOT / house).rglob("*.py"):
            written = path.read_text(encoding="utf-8")
            is_asking = "from warehouse.questions import" in written or "ask: Ask" in written
            for node in ast.walk(ast.parse(written)):
                if not isinstance(node, ast.Call):
                    continue
                named = getattr(node.func, "id", "") == "ask" and is_asking
                if not named and getattr(node.func, "attr", "") != "ask":
                    continue
                given = {word.arg for word in node.keywords if word.arg}
                for argument in node.args:
                    if isinstance(argument, ast.Constant):
                        found.append((argument.value, given))
                    elif getattr(getattr(argument, "func", None), "id", "") == "behind":
                        found += [(behind(figure), given) for figure in FIGURES]
    return found


def test_every_question_is_asked_somewhere_and_every_one_asked_has_its_file():
    assert {question for question, _ in _asked()} == set(QUESTIONS)


def test_the_values_that_callers_give_are_those_that_the_question_takes():
    assert not [(name, given) for name, given in _asked() if given != _taken(name)]


@pytest.mark.parametrize("question", QUESTIONS)
def test_a_question_says_what_it_answers_its_grain_and_what_it_takes(question):
    head = text(question).partition("-- Takes:")
    assert head[0].startswith(f"-- question {question}: ")
    assert "\n-- Grain:  one row" in head[0]
    stated = head[2].split("\n", 1)[0]
    assert set(re.findall(r"\$(\w+)", stated)) == _taken(question)


@pytest.mark.parametrize("question", QUESTIONS)
def test_no_answer_holds_a_decimal_or_a_huge_integer(question, reader):
    # Charts draw DECIMAL values ten times too large.
    kinds = _answer(question, reader).dtypes
    assert not [kind for kind in kinds if kind == pl.Int128 or isinstance(kind, pl.Decimal)]


def test_every_question_can_be_asked_of_an_empty_snapshot(empty_shop):
    current = snapshot.current(empty_shop)
    with snapshot.open_reader(current.path) as reader:
        answered = [name for name in QUESTIONS if _answer(name, reader).height]
    assert answered == ["day_came", "pull_counts"]


def test_the_interval_of_a_mean_gain_is_students(reader):
    # scipy's t over the bikes' own log means, taken from the published gains.
    found = 0
    for quarter in ask(reader, "quarters")["quarter_label"]:
        gains = reader.sql(
            "SELECT change_kind, change_key, gain.bike_id, avg(log_mean_gain) AS middle "
            "FROM out.gain JOIN out.stage ON after_stage_id = stage_id "
            "WHERE is_pooled AND quarter_label = ? GROUP BY ALL",
            params=[quarter],
        ).pl()
        for row in ask(reader, "quarter_gains", quarter=quarter).iter_rows(named=True):
            kind = [row["change_kind"], row["change_key"]]
            middle = gains.filter(change_kind=kind[0], change_key=kind[1])["middle"].to_numpy()
            if len(middle) < 2:
                continue
            half = stats.t.ppf(0.975, len(middle) - 1) * stats.sem(middle)
            ends = 100 * np.expm1([middle.mean() - half, middle.mean() + half])
            got = [row["mean_gain_lower_pct"], row["mean_gain_upper_pct"]]
            assert got == pytest.approx(ends, rel=0.02, abs=0.02)
            found += 1
    assert found


@pytest.mark.parametrize("quarter", ["2025 Q1", "2026 Q2"])
@pytest.mark.parametrize(
    "figure",
    [
        "bikes",
        "pulls",
        "rides",
        "control sessions",
        "files refused or waiting",
        "stages lean at warn or stop",
    ],
)
def test_the_list_behind_a_figure_is_as_long_as_the_figure(figure, quarter, reader):
    figures = _figures(reader, quarter)
    assert ask(reader, behind(figure), quarter=quarter).height == figures[figure]


def test_the_jobs_behind_a_quarter_are_as_many_as_its_figure(reader):
    figures = dict(
        ask(reader, "quarter_figures", quarter="2026 Q2")
        .select("figure", "figure_value")
        .iter_rows()
    )
    jobs = ask(reader, behind("jobs"), quarter="2026 Q2")["job_id"].n_unique()
    assert jobs == figures["jobs"]


def test_refused_and_waiting_files_are_listed_with_what_to_do(reader):
    listed = ask(reader, behind("files refused or waiting"), quarter="2026 Q2")
    assert set(listed["state"]) == {"waiting", "missing"}
    assert all(listed["remedy"])


def test_a_job_of_which_no_file_was_taken_in_counts_among_the_refused_too(shop, make):
    # The list behind the figure went by files taken in, and missed a job that has none.
    shop.put("J-1/pull_1.csv", "")
    shop.put("J-1/card.toml", make.card())
    shop.update()
    with snapshot.open_reader(snapshot.current(shop.folder.root).path) as reader:
        figures = dict(
            ask(reader, "quarter_figures", quarter="2025 Q1")
            .select("figure", "figure_value")
            .iter_rows()
        )
        listed = ask(reader, behind("files refused or waiting"), quarter="2025 Q1")
    assert figures["files refused or waiting"] == listed.height == 1


def test_the_first_bad_rows_of_each_file_are_a_few_and_in_their_order(reader):
    sha = ask(reader, "files_with_rejected_rows")["file_sha256"][0]
    # The small shop rejects the lines 12 to 17 of one file.
    found = ask(reader, "first_bad_rows", file_sha256s=[sha, "0" * 64])
    assert found["line_no"].to_list() == [12, 13, 14, 15, 16]
    assert ask(reader, "first_bad_rows", file_sha256s=[]).is_empty()


def test_what_speaks_against_a_file_that_was_taken_in_is_told_the_gravest_first(reader):
    told = ask(reader, "remarks")
    assert told["standing"].to_list() == sorted(
        told["standing"], key=["in doubt", "does not count", "counts"].index
    )
    first = told.row(0, named=True)
    assert (first["job_folder"], first["standing"], first["files"]) == ("J-0026", "in doubt", 1)
    assert first["remedy"].startswith("Look at channels.roller_speed.unit in layout 'main dyno'")
    assert "level 2.1 % below the other pulls" in told["remark"].to_list()
    assert told["found"].unique().to_list() == [told.height]


def test_files_are_found_by_any_part_of_job_and_name_in_any_case(reader):
    assert ask(reader, "files", states=["refused"], text="j-0026/RUN_99")[
        "file_name"
    ].to_list() == ["run_99.csv"]


def test_a_sign_that_sql_acts_on_finds_only_itself(reader):
    assert ask(reader, "files", states=["taken in"], text="%").is_empty()
    assert ask(reader, "files", states=["taken in"], text="'; DROP TABLE out.file; --").is_empty()


def test_what_is_quoted_for_a_combination_touches_its_own_stages(reader):
    needs = ask(reader, "remap_needs").filter(pl.col("is_stock_map"))
    effects = ask(reader, "need_effects", need_id=needs["need_id"][0])
    assert set(effects.filter(pl.col("leads_on"))["change_kind"]) == {"map only"}
    assert set(effects.filter(~pl.col("leads_on"))["change_kind"]) == {"parts only"}


def test_what_is_not_known_of_two_builds_is_told_in_words(reader):
    found = _answer("similar_builds", reader)
    assert found["not_known"].unique().sort().to_list() == ["", "mixture shape"]
    assert found.filter(found["not_known"] != "")["unknown_share"].unique().to_list() == [0.24]
