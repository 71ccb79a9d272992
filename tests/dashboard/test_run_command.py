"""A command that a page started: told as it goes on, ended well or badly, never twice at once."""

import sys
import textwrap

import pytest

from dashboard import run_command
from dashboard.run_command import CommandRun, Step, running_update, start_update, update_command
from warehouse import snapshot, store


def started(script, *arguments):
    return CommandRun([sys.executable, "-c", textwrap.dedent(script), *map(str, arguments)])


def ended(run):
    """Follow a command to its end; return the steps that were seen."""
    return list(run.steps())


UNTIL_TOLD = """
import json, sys, time
from pathlib import Path
print(json.dumps({"word": "reading", "done": 1, "total": 4}), flush=True)
while not Path(sys.argv[1]).exists():
    time.sleep(0.01)
print(json.dumps({"finished": True, "snapshot": 3}), flush=True)
"""


def test_a_command_is_followed_to_its_end(tmp_path):
    run = started(UNTIL_TOLD, tmp_path / "go")
    seen = []
    for step in run.steps():
        seen.append(step)
        if step.word == "reading":
            (tmp_path / "go").touch()
    assert Step("reading", 1, 4) in seen
    assert run.is_over
    assert run.error is None
    assert run.answer == {"finished": True, "snapshot": 3}


def test_a_page_that_follows_a_silent_command_comes_to_life_all_the_same(tmp_path):
    run = started(UNTIL_TOLD, tmp_path / "go")
    steps = run.steps()
    while next(steps).word != "reading":
        pass
    # No news from here on; without the heartbeat the next line would wait for ever.
    assert next(steps) == Step("reading", 1, 4)
    (tmp_path / "go").touch()
    ended(run)


def test_a_command_goes_on_when_nobody_follows_and_whatever_it_prints():
    # More than any pipe holds: a command that nobody listens to would stand still.
    run = started(
        """
        import json
        for n in range(20_000):
            print("not for us", "x" * 40)
        print("[1, 2]")
        print('{"word": "reading"}')
        print(json.dumps({"finished": True}))
        """
    )
    ended(run)
    assert run.error is None
    assert run.answer


def test_a_command_that_says_why_it_failed_is_quoted():
    run = started("""print('{"error": "the shop is busy"}'); raise SystemExit(1)""")
    ended(run)
    assert run.error == "the shop is busy"
    assert run.answer == {}


@pytest.mark.parametrize(
    ("script", "said"),
    [
        ("raise RuntimeError('out of oil')", "out of oil"),
        ("import os; os._exit(9)", "code 9"),
        ("pass", "It said nothing"),
        ("""print('{"finished": true}', flush=True); raise SystemExit(3)""", "code 3"),
    ],
)
def test_a_command_that_dies_is_never_taken_for_done(script, said):
    run = started(script)
    ended(run)
    assert said in run.error


@pytest.mark.parametrize(
    ("step", "share", "sentence"),
    [
        (Step("", 0, 0), 0.0, "Starting"),
        (Step("reading", 3, 10), 0.3, "Reading: 3 of 10"),
        (Step("archiving", 0, 0), 0.0, "Archiving"),
        (Step("reading", 2_000, 1_000), 1.0, "Reading: 2,000 of 1,000"),
    ],
)
def test_a_step_in_words_and_as_a_share(step, share, sentence):
    assert step.share == pytest.approx(share)
    assert step.sentence == sentence


def test_waiting_for_another_writer_is_told_as_waiting():
    assert "up to a minute" in Step(run_command.WAITING, 0, 1).sentence


def test_two_pages_that_ask_at_once_get_one_update(tmp_path, monkeypatch):
    command = [sys.executable, "-c", UNTIL_TOLD, str(tmp_path / "go")]
    monkeypatch.setattr(run_command, "update_command", lambda _shop: command)
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


def test_an_update_takes_in_what_lies_in_the_inbox(shop):
    shop.job(1)
    run = CommandRun(update_command(shop.folder.root))
    ended(run)
    assert run.error is None
    assert run.answer["snapshot"] == snapshot.current(shop.folder.root).number
    assert shop.outcome("job 1/s1_1.csv").state == "taken in"


def test_an_update_waits_while_another_command_writes_and_says_so(shop):
    with store.writer(shop.folder):
        run = CommandRun(update_command(shop.folder.root))
        steps = run.steps()
        while (step := next(steps)).word != run_command.WAITING:
            pass
        assert step.total == 1
        assert not run.is_over
    ended(run)
    assert run.error is None


def test_an_update_of_a_shop_with_mistakes_in_its_settings_quotes_them(shop):
    shop.folder.settings.write_text("[mixture]\nwarm_pct = 3\n", encoding="utf-8")
    run = CommandRun(update_command(shop.folder.root))
    ended(run)
    assert "warm_pct" in run.error
