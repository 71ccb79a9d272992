"""What the terminal says fits a screen of 80 by 40, and says more where it is asked for."""

import re

import pytest
from typer.testing import CliRunner

from flows.cli import app
from flows.terminal import console

LINES, COLUMNS = 40, 80


@pytest.fixture
def screen(monkeypatch):
    monkeypatch.setattr(console, "_width", COLUMNS)


def command_line(*arguments):
    """Return the exit code of a command, and what it says as it stands on the screen."""
    done = CliRunner().invoke(app, [str(argument) for argument in arguments])
    return done.exit_code, done.output or str(done.exception)


def _lines(said: str) -> list[str]:
    # A terminal breaks what is longer.
    return [
        line[at : at + COLUMNS]
        for line in said.splitlines()
        for at in range(0, len(line) or 1, COLUMNS)
    ]


def test_the_three_answers_fit_a_screen_with_all_cautions_and_stand_in_full_on_request(
    demo, screen
):
    code, said = command_line("answers", demo.folder.root)
    assert code == 0
    assert len(_lines(said)) <= LINES
    for number in (1, 2, 3):
        assert re.search(rf"^{number}\. ", said, re.MULTILINE)
    assert "type approval" in said
    _, full = command_line("answers", demo.folder.root, "--full")
    assert len(_lines(full)) > len(_lines(said))


def test_each_command_of_the_list_takes_one_line():
    # rich sets the list of a terminal of 80; the test's own environment says how wide that is.
    said = CliRunner().invoke(app, ["--help"], env={"TERMINAL_WIDTH": "80", "COLUMNS": "80"}).output
    listed = said[said.index("Commands") :].splitlines()[1:-1]
    assert len(listed) > 25
    assert [line for line in listed if line.startswith("│  ")] == []


def test_a_draft_fits_a_screen_and_its_text_stands_in_full_on_request(demo, screen):
    file = next(demo.folder.inbox.rglob("*.csv"))
    code, said = command_line("layout", "draft", file)
    assert code == 0
    assert len(_lines(said)) <= LINES
    assert "[recognise]" not in said
    _, full = command_line("layout", "draft", file, "--full")
    assert "[recognise]" in full


def test_a_job_is_told_stage_by_stage_and_a_wrong_name_gets_near_ones(demo, screen):
    from warehouse.snapshot import open_reader

    with open_reader(demo.snapshot.path) as reader:
        ((job, stages),) = reader.execute(
            "SELECT job_id, list(stage_name ORDER BY stage_no) FROM out.stage "
            "WHERE job_id IN (SELECT job_id FROM out.gain) GROUP BY 1 ORDER BY 1 LIMIT 1"
        ).fetchall()
    code, said = command_line("job", demo.folder.root, job)
    assert code == 0
    assert len(_lines(said)) <= LINES
    places = [said.index(f"{at} {name}") for at, name in enumerate(stages, 1)]
    assert places == sorted(places)
    assert "over the riding range" in said
    code, said = command_line("job", demo.folder.root, job[:-1])
    assert code == 1
    assert job in said or "J-" in said


def test_what_to_expect_of_many_builds_fits_a_screen_the_leanest_first_and_all_on_request(
    demo, screen
):
    from warehouse.snapshot import open_reader

    with open_reader(demo.snapshot.path) as reader:
        ((builds, leanest),) = reader.execute(
            "SELECT count(*), arg_max(model_label, worst_error_pct) FROM out.expected_mixture"
        ).fetchall()
    code, said = command_line("expect", demo.folder.root)
    assert code == 0
    assert len(_lines(said)) <= LINES
    told, first, *_ = said.splitlines()
    assert told.startswith(f"{builds} builds")
    assert first.startswith(leanest)
    assert "more: --full" in said
    assert "stop" in said, "the cautions stay"
    _, full = command_line("expect", demo.folder.root, "--full")
    whole = " ".join(full.split())  # lines break anywhere
    assert whole.count("from other models") + whole.count("1 bike.") >= builds / 2
    assert "more: --full" not in full
