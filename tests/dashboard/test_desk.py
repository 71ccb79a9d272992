"""The process beside the pages: told as it goes on, ended well or badly, never asked twice."""

import sys
import textwrap

import pytest

from dashboard import desk
from dashboard.desk import Desk, DeskError, UpdateRun, running_update, start_update
from schemas.desk import WAITING, AskDraft, AskTrial, Step
from tests.broken.hostile_files import HOSTILE
from tests.conftest import pull_text
from warehouse import snapshot, store


@pytest.fixture
def speaking(monkeypatch):
    """Have desks run a script instead: it has read the question when it goes on."""

    def speak(script, *arguments):
        begun = f"import sys, time\nsys.stdin.readline()\n{textwrap.dedent(script)}"
        command = [sys.executable, "-c", begun, *map(str, arguments)]
        monkeypatch.setattr(desk, "COMMAND", command)

    return speak


def ended(run):
    """Follow an update to its end; return the steps that were seen."""
    return list(run.steps())


STEP = """print('{"kind": "step", "word": "reading", "done": 1, "total": 4}', flush=True)"""
DONE = """print('{"kind": "updated", "snapshot": 3}', flush=True)"""
UNTIL_TOLD = f"""
from pathlib import Path
{STEP}
while not Path(sys.argv[1]).exists():
    time.sleep(0.01)
{DONE}
"""
READING = Step(word="reading", done=1, total=4)


def test_an_update_is_followed_to_its_end(tmp_path, speaking):
    speaking(UNTIL_TOLD, tmp_path / "go")
    run = UpdateRun(tmp_path)
    seen = []
    for step in run.steps():
        seen.append(step)
        if step.word == "reading":
            (tmp_path / "go").touch()
    assert READING in seen
    assert run.is_over
    assert run.error is None


def test_a_page_that_follows_a_silent_update_comes_to_life_all_the_same(tmp_path, speaking):
    speaking(UNTIL_TOLD, tmp_path / "go")
    run = UpdateRun(tmp_path)
    steps = run.steps()
    while next(steps).word != "reading":
        pass
    # No news from here on; without the heartbeat the next line would wait for ever.
    assert next(steps) == READING
    (tmp_path / "go").touch()
    ended(run)


def test_an_update_goes_on_when_nobody_follows_however_much_it_tells(tmp_path, speaking):
    # More than any pipe holds: a process that nobody listens to would stand still.
    speaking(f"for _ in range(5_000):\n    {STEP}\n{DONE}")
    run = UpdateRun(tmp_path)
    ended(run)
    assert run.error is None


def test_why_it_failed_is_quoted(tmp_path, speaking):
    speaking("""print('{"kind": "failed", "reason": "the shop is busy"}', flush=True)""")
    run = UpdateRun(tmp_path)
    ended(run)
    assert run.error == "the shop is busy"


@pytest.mark.parametrize(
    "script",
    ["raise RuntimeError('out of oil')", "import os; os._exit(9)", "pass", STEP, "print('[1, 2]')",
     """print('{"kind": "updated"}')"""],
)  # fmt: skip
def test_a_process_that_dies_or_talks_nonsense_is_never_taken_for_done(script, tmp_path, speaking):
    speaking(script)
    run = UpdateRun(tmp_path)
    ended(run)
    assert "stopped before its end" in run.error


def test_a_desk_that_takes_too_long_is_ended_and_the_next_question_answered(tmp_path, speaking):
    asked = AskDraft(file=tmp_path / "x")
    looking = Desk()
    speaking("time.sleep(60)")
    with pytest.raises(DeskError, match="took longer than 1 s"):
        looking.ask(asked, within_s=1.0)
    speaking("""print('{"kind": "trial", "toml": "x = 1"}', flush=True)""")
    assert looking.ask(asked).toml == "x = 1"
    looking.close()


@pytest.mark.parametrize(
    ("step", "share", "sentence"),
    [
        (Step(), 0.0, "Starting"),
        (Step(word="reading", done=3, total=10), 0.3, "Reading: 3 of 10"),
        (Step(word="archiving"), 0.0, "Archiving"),
        (Step(word="reading", done=2_000, total=1_000), 1.0, "Reading: 2,000 of 1,000"),
    ],
)
def test_a_step_in_words_and_as_a_share(step, share, sentence):
    assert step.share == pytest.approx(share)
    assert step.sentence == sentence


def test_waiting_for_another_writer_is_told_as_waiting():
    assert "up to a minute" in Step(word=WAITING, total=1).sentence


def test_two_pages_that_ask_at_once_get_one_update(tmp_path, speaking):
    speaking(UNTIL_TOLD, tmp_path / "go")
    shop = tmp_path / "shop"
    assert running_update(shop) is None
    first = start_update(shop)
    assert start_update(shop) is first
    assert running_update(shop) is first
    (tmp_path / "go").touch()
    ended(first)
    assert running_update(shop) is None
    again = start_update(shop)
    assert again is not first
    ended(again)


def test_an_update_waits_while_another_command_writes_says_so_and_takes_the_inbox_in_then(shop):
    shop.job(1)
    with store.writer(shop.folder):
        run = UpdateRun(shop.folder.root)
        steps = run.steps()
        while (step := next(steps)).word != WAITING:
            pass
        assert step.total == 1
        assert not run.is_over
    ended(run)
    assert run.error is None
    assert snapshot.current(shop.folder.root).number == 1
    assert shop.outcome("job 1/s1_1.csv").state == "taken in"


def test_an_update_of_a_shop_with_mistakes_in_its_settings_quotes_them(shop):
    shop.folder.settings.write_text("[mixture]\nwarm_pct = 3\n", encoding="utf-8")
    run = UpdateRun(shop.folder.root)
    ended(run)
    assert "warm_pct" in run.error


@pytest.mark.slow
def test_a_warm_desk_answers_after_a_file_that_ended_its_reader(tmp_path, shop):
    name, made = HOSTILE["cell in the last column"]
    hostile = tmp_path / name
    hostile.write_bytes(made())
    sound = tmp_path / "Prüfstand.csv"
    sound.write_text(pull_text(), encoding="utf-8")
    looking = Desk("warm")
    try:
        with pytest.raises(DeskError, match="far larger inside than it looks"):
            looking.ask(AskDraft(file=hostile))
        draft = looking.ask(AskDraft(file=sound, shop=shop.folder.root))
        assert draft.known == ("plain-pull",)
        asked = AskTrial(file=sound, layout=draft.tables, shop=shop.folder.root)
        trial = looking.ask(asked)
        assert trial.tried.verdict.state == "taken in"
        # The hump of pull_text is 50 kW at 7,500 rpm.
        assert max(trial.tried.curve.power_w) == pytest.approx(50_000, rel=0.01)
    finally:
        looking.close()
