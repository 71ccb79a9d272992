"""Escape codes in what people and equipment write never reach a terminal, whatever the command."""

import ast
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from flows.cli import app
from schemas.visible import visible

REPOSITORY = Path(__file__).parents[2]
# The clipboard, a cleared screen in its 8-bit form, a name that is turned around; and rich's link.
EVIL = "\x1b]52;c;cHdu\x07\x9b2J\u202egpj"
RICH = "[link=file:///x]y[/link]"
EVIL_FILE = f"run{EVIL}.csv"

pytestmark = pytest.mark.skipif(os.name == "nt", reason="no such file names on this system")


def acting(text):
    """Return the characters of a text that a terminal would obey."""
    return sorted({sign for sign in text if sign not in "\n\t" and visible(sign) != sign})


@pytest.fixture(scope="module")
def evil_shop(tmp_path_factory, open_little_shop, make):
    """Fill a shop whose every name is an attack on the terminal that shows it."""
    shop = open_little_shop(tmp_path_factory.mktemp("evil") / "shop")
    for name, level in (("first", 1.0), ("second", 1.1)):
        stages = []
        for stage in (1, 2):
            names = [f"{name}{stage}{pull}.csv" for pull in (1, 2, 3)]
            for pull, file in enumerate(names):
                lean = lambda _, by=stage: 0.95 + 0.01 * by  # noqa: E731
                text = make.pull(level * (1 + 0.05 * stage + 0.001 * pull), mixture=lean)
                shop.put(f"{name}{EVIL}/{file}", text)
            parts = [make.part(maker=f"H{EVIL}", name=RICH + EVIL)] if stage == 2 else []
            more = f"map = {{ name = {json.dumps(f'road{EVIL}')}, revision = 1 }}"
            stages.append(make.stage(f"stage{stage}{EVIL}", names, parts=parts, more=more))
        card = make.card(
            job=f"J-{name}", bike=f"B-{name}{EVIL}", model=f"Strada{EVIL}{RICH}", stages=stages
        )
        shop.put(f"{name}{EVIL}/card.toml", card)
    shop.put(f"odd{EVIL}/{EVIL_FILE}", "nothing\x1b[2J known\n")
    shop.put("bad card/card.toml", f'job = "x\\u001b[2J"\n"a{RICH}\\u009b" = 1\n')
    layout = (shop.folder.layouts / "plain-pull.toml").read_text(encoding="utf-8")
    (shop.folder.layouts / f"bad{EVIL}.toml").write_text(f"{RICH} = 1", encoding="utf-8")
    named = re.sub(
        r'(?m)^equipment = ".*"',
        lambda _: f"equipment = {json.dumps(RICH + EVIL)}",
        layout,
        count=1,
    )
    named = named.replace('"plain-pull"', '"another-pull"').replace('"wheel kW"', '"another kW"')
    (shop.folder.layouts / "evil.toml").write_text(named, encoding="utf-8")
    (shop.folder.root / "inbox" / f"link{EVIL}").symlink_to("/etc/passwd")
    shop.update()
    return shop


def said(*arguments):
    return CliRunner().invoke(app, [str(argument) for argument in arguments])


def stage_of(shop):
    return shop.rows("SELECT stage_id FROM out.stage ORDER BY ALL LIMIT 1")[0][0]


@pytest.mark.parametrize(
    "command",
    ["update", "intake", "derive", "publish", "answers", "check", "plan",
     "maps --all", "review", "expect --model Strada", "fuel-change", "layout list",
     "layout draft", "layout try"],
)  # fmt: skip
def test_no_command_passes_an_escape_code_on(command, evil_shop):
    name, *more = command.split(" ")
    root = evil_shop.folder.root
    odd_file = root / "inbox" / f"odd{EVIL}" / EVIL_FILE
    if name == "layout":
        verb, *options = more
        given = {
            "list": [root],
            "draft": [odd_file],
            "try": [odd_file, root / "layouts" / "evil.toml", "--shop", root],
        }[verb]
        done = said("layout", verb, *given, *options)
    elif name == "fuel-change":
        done = said(name, root, stage_of(evil_shop))
    else:
        done = said(name, root, *more)
    shown = done.output
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        shown += visible(str(done.exception))  # told by `main`, tested below
    assert shown.strip()
    assert acting(shown) == []


def test_what_the_names_say_is_still_to_be_read(evil_shop):
    shown = said("layout", "list", evil_shop.folder.root).output
    assert "bad␛]52;c;cHdu�2J�gpj.toml" in shown.replace("\n", "")
    assert "[link=" in shown


def run_in_a_terminal(*arguments):
    """Return what a command writes to a terminal of its own."""
    import pty

    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "flows.cli", *map(str, arguments)]
    environment = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "200"}
    process = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, env=environment)
    os.close(theirs)
    written = b""
    while True:
        try:
            piece = os.read(ours, 65536)
        except OSError:
            break
        if not piece:
            break
        written += piece
    os.close(ours)
    process.wait()
    return written.decode(errors="replace")


# What rich writes of its own accord: colours; cursor up, erase line, hide and show the cursor.
OURS = re.compile(r"\x1b\[[0-9;]*m|\x1b\[\d*A|\x1b\[2K|\x1b\[\?25[lh]|\r")


@pytest.mark.parametrize("command", ["update", "answers"])
def test_a_real_terminal_sees_only_our_own_colours_and_bars(command, evil_shop):
    written = run_in_a_terminal(command, evil_shop.folder.root)
    assert "\x1b[" in written
    assert "]52;c" in written
    assert acting(OURS.sub("", written)) == []


@pytest.mark.parametrize(
    "arguments",
    [("update", f"no shop{EVIL}"), ("layout", "draft", f"no file{EVIL}"), ("update", "x", EVIL)],
)
def test_an_error_that_quotes_a_name_passes_no_code_on(arguments, tmp_path):
    written = run_in_a_terminal(*arguments)
    assert "52;c;cHdu" in written
    assert acting(OURS.sub("", written)) == []


def test_an_error_that_nobody_foresaw_passes_no_code_on_and_is_an_error():
    code = (
        "import sys, flows.cli as cli\n"
        "def broken(**_): raise ZeroDivisionError(sys.argv[1])\n"
        "cli.app = broken\n"
        "cli.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, EVIL], capture_output=True, encoding="utf-8", check=False
    )
    assert done.returncode == 70
    said = " ".join(done.stdout.split())
    assert "ZeroDivisionError: ␛]52;c;cHdu" in said
    assert acting(OURS.sub("", done.stdout)) == []


def test_there_is_one_way_to_the_terminal():
    for path in (REPOSITORY / "flows").rglob("*.py"):
        if path.name == "terminal.py":
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id not in ("Console", "print"), f"{path}:{node.lineno}"


def test_a_note_on_a_refused_file_passes_no_code_on(evil_shop):
    notes = list(evil_shop.folder.refused.rglob("*.txt"))
    assert len(notes) >= 2
    assert all(acting(note.read_text(encoding="utf-8")) == [] for note in notes)
