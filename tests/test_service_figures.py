"""The table of a shop's years of service says what the programs' own tables say."""

import pytest

from tests.service_figures import FIGURES, HERE, NO_TABLE, found, table


@pytest.fixture
def histories():
    return next(figure for figure in FIGURES if figure.table == "life/live.md")


def test_the_table_is_what_the_programs_wrote_last():
    before = (HERE / "service_figures.md").read_text(encoding="utf-8").splitlines()
    # A day may come from the commit, which a copy without history does not know.
    undated = [[line.split("|")[:3] for line in lines] for lines in (before, table().splitlines())]
    assert undated[0] == undated[1], "run python -m tests.service_figures"


def test_a_program_that_wrote_nothing_yet_is_named_so(histories, tmp_path):
    assert found(histories, tmp_path) == (NO_TABLE, "–")


def test_what_was_broken_is_told_with_its_day(histories, tmp_path):
    written = tmp_path / histories.table
    written.parent.mkdir()
    written.write_text(
        "# A life\n\nWritten by `x` on 2026-03-04: 2 cores.\n\n"
        "1,200 histories of up to 9 acts, 5,000 updates, seed 1, 30 s: broken: twice\n",
        encoding="utf-8",
    )
    assert found(histories, tmp_path) == (
        "1,200 histories, 5,000 updates: broken: twice",
        "2026-03-04",
    )


def test_a_table_that_no_longer_says_its_figure_is_refused(histories, tmp_path):
    (tmp_path / "life").mkdir()
    (tmp_path / histories.table).write_text("# Another shape", encoding="utf-8")
    with pytest.raises(ValueError, match="does not say"):
        found(histories, tmp_path)
