"""Questions to the snapshot: types that charts can draw, and lists that add up to their figures."""

import inspect

import polars as pl
import pytest

from dashboard import queries
from warehouse import snapshot

GIVEN = {
    "file_sha256": "0" * 64,
    "file_sha256s": ("0" * 64,),
    "job_folder": "J-0026",
    "job_folders": ("J-0026", "J-0029"),
    "states": ("taken in", "refused"),
    "text": "run",
    "need_id": "N01",
    "expected_id": "eN01",
    "map_id": "mN01",
    "job_id": "J-0026",
    "stage_ids": ("J-0026/1", "J-0026/2"),
    "stage_id": "J-0026/3",
    "bike_id": "B-103",
    "gain_id": "J-0026/1>J-0026/3",
    "quarter": "2026 Q2",
    "figure": "pulls",
}
QUESTIONS = [
    function
    for name, function in inspect.getmembers(queries, inspect.isfunction)
    if not name.startswith("_")
]


def _answer(question, reader) -> pl.DataFrame:
    needed = [
        parameter.name
        for parameter in list(inspect.signature(question).parameters.values())[1:]
        if parameter.default is inspect.Parameter.empty
    ]
    return question(reader, *(GIVEN[name] for name in needed))


@pytest.mark.parametrize("question", QUESTIONS, ids=lambda question: question.__name__)
def test_no_answer_holds_a_decimal_or_a_huge_integer(question, reader):
    # Charts draw DECIMAL values ten times too large.
    kinds = _answer(question, reader).dtypes
    assert not [kind for kind in kinds if kind == pl.Int128 or isinstance(kind, pl.Decimal)]


@pytest.mark.parametrize("question", QUESTIONS, ids=lambda question: question.__name__)
def test_every_question_can_be_asked_of_an_empty_snapshot(question, empty_shop):
    current = snapshot.current(empty_shop)
    with snapshot.open_reader(current.path) as reader:
        assert _answer(question, reader).height == 0 or question is queries.pull_counts


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
    figures = dict(
        queries.quarter_figures(reader, quarter).select("figure", "figure_value").iter_rows()
    )
    assert queries.behind_figure(reader, quarter, figure).height == figures[figure]


def test_the_jobs_behind_a_quarter_are_as_many_as_its_figure(reader):
    figures = dict(
        queries.quarter_figures(reader, "2026 Q2").select("figure", "figure_value").iter_rows()
    )
    jobs = queries.behind_figure(reader, "2026 Q2", "jobs")["job_id"].n_unique()
    assert jobs == figures["jobs"]


def test_refused_and_waiting_files_are_listed_with_what_to_do(reader):
    listed = queries.behind_figure(reader, "2026 Q2", "files refused or waiting")
    assert set(listed["state"]) == {"waiting", "missing"}
    assert all(listed["remedy"])


def test_a_job_of_which_no_file_was_taken_in_counts_among_the_refused_too(shop, make):
    # The list behind the figure went by files taken in, and missed a job that has none.
    shop.put("J-1/pull_1.csv", "")
    shop.put("J-1/card.toml", make.card())
    shop.update()
    with snapshot.open_reader(snapshot.current(shop.folder.root).path) as reader:
        figures = dict(
            queries.quarter_figures(reader, "2025 Q1").select("figure", "figure_value").iter_rows()
        )
        listed = queries.behind_figure(reader, "2025 Q1", "files refused or waiting")
    assert figures["files refused or waiting"] == listed.height == 1


def test_the_first_bad_rows_of_each_file_are_a_few_and_in_their_order(reader):
    sha = queries.files_with_rejected_rows(reader)["file_sha256"][0]
    # The small shop rejects the lines 12 to 17 of one file.
    found = queries.first_bad_rows(reader, (sha, "0" * 64))
    assert found["line_no"].to_list() == [12, 13, 14, 15, 16]
    assert queries.first_bad_rows(reader, ()).is_empty()


def test_what_speaks_against_a_file_that_was_taken_in_is_told_the_gravest_first(reader):
    told = queries.remarks(reader)
    assert told["standing"].to_list() == sorted(
        told["standing"], key=["in doubt", "does not count", "counts"].index
    )
    first = told.row(0, named=True)
    assert (first["job_folder"], first["standing"], first["files"]) == ("J-0026", "in doubt", 1)
    assert first["remedy"] == "Look at the unit of the roller speed in the layout."
    assert "level 2.1 % below the other pulls" in told["remark"].to_list()
    assert set(told["found"]) == {told.height}


def test_files_are_found_by_any_part_of_job_and_name_in_any_case(reader):
    assert queries.files(reader, ("refused",), "j-0026/RUN_99")["file_name"].to_list() == [
        "run_99.csv"
    ]


def test_a_sign_that_sql_acts_on_finds_only_itself(reader):
    assert queries.files(reader, ("taken in",), "%").is_empty()
    assert queries.files(reader, ("taken in",), "'; DROP TABLE out.file; --").is_empty()


def test_what_is_quoted_for_a_combination_touches_its_own_stages(reader):
    needs = queries.remap_needs(reader).filter(pl.col("is_stock_map"))
    effects = queries.need_effects(reader, needs["need_id"][0])
    assert set(effects.filter(pl.col("leads_on"))["change_kind"]) == {"map only"}
    assert set(effects.filter(~pl.col("leads_on"))["change_kind"]) == {"parts only"}
