"""The house stays in order: imports point one way, and the command line starts at once."""

import ast
import functools
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.conftest import command_line
from tests.each import each

REPOSITORY = Path(__file__).parents[2]
OURS = {"flows", "schemas", "warehouse", "dashboard", "fixtures", "tests"}
# Folder, the houses it may import, and libraries that it may not. The longest fitting one rules.
RULES = {
    "flows": ({"flows", "schemas", "warehouse"}, set()),
    "flows/steps": ({"flows", "schemas", "warehouse"}, {"prefect", "streamlit"}),
    "flows/readers": ({"flows", "schemas", "warehouse"}, {"prefect", "streamlit", "duckdb"}),
    "flows/metrics": ({"flows"}, {"polars", "duckdb", "prefect", "pandas", "pandera", "streamlit"}),
    "schemas": ({"schemas"}, {"prefect", "duckdb", "streamlit"}),
    "warehouse": ({"warehouse"}, {"prefect", "streamlit", "pandera"}),
    "dashboard": ({"dashboard", "schemas", "warehouse"}, {"prefect"}),
    "fixtures": ({"fixtures"}, {"polars", "duckdb", "prefect", "pandera", "streamlit", "scipy"}),
}
# The command line makes the demo shop's invented files, and says what is true of them.
MAY_IMPORT_FIXTURES = {"flows/cli.py"}
# What is true of the demo shop is held against its snapshot, read as any reader would.
MAY_READ_SNAPSHOTS = {"fixtures/known_truth.py": {"duckdb"}}
FILES = sorted(
    path.relative_to(REPOSITORY).as_posix()
    for house in RULES
    if "/" not in house
    for path in (REPOSITORY / house).rglob("*.py")
)


@functools.cache
def tree_of(file):
    return ast.parse((REPOSITORY / file).read_text(encoding="utf-8"))


def imports_of(file):
    """Return the dotted names that a file imports, at its top or within a function."""
    tree = tree_of(file)
    names = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file}: relative import"
            names.append(node.module)
    return names


def rule_for(file):
    folder = max((house for house in RULES if file.startswith(house + "/")), key=len)
    return RULES[folder]


@each(FILES)
def test_imports_point_one_way(file):
    houses, shut_out = rule_for(file)
    allowed = houses | ({"fixtures"} if file in MAY_IMPORT_FIXTURES else set())
    for name in imports_of(file):
        top = name.split(".")[0]
        assert top not in OURS or top in allowed, name
        assert top not in shut_out - MAY_READ_SNAPSHOTS.get(file, set()), name


@each([file for file in FILES if file.startswith("flows/metrics/")])
def test_the_metrics_import_nothing_of_ours_but_themselves(file):
    for name in imports_of(file):
        assert not name.startswith("flows") or name.startswith("flows.metrics"), name


@each([file for file in FILES if file in MAY_IMPORT_FIXTURES])
def test_fixtures_are_imported_only_when_asked_for(file):
    tree = tree_of(file)
    at_the_top = [node.module for node in tree.body if isinstance(node, ast.ImportFrom)]
    assert not any(name.startswith("fixtures") for name in at_the_top)


@each(FILES)
def test_no_file_is_opened_without_its_encoding(file):
    tree = tree_of(file)
    for node in ast.walk(tree):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute | ast.Name)):
            continue
        name = node.func.attr if isinstance(node.func, ast.Attribute) else node.func.id
        binary = any(isinstance(a, ast.Constant) and a.value in ("rb", "wb") for a in node.args)
        if name in ("read_text", "write_text", "open", "fdopen") and not binary:
            given = [word.arg for word in node.keywords]
            # Resource readers take the encoding by place.
            assert "encoding" in given or len(node.args) == 1, f"{file}:{node.lineno}"


def test_the_command_line_answers_without_loading_anything_heavy():
    code = (
        "import sys, json, contextlib, io\n"
        "from typer.testing import CliRunner\n"
        "from flows.cli import app\n"
        "result = CliRunner().invoke(app, ['--help'])\n"
        "print(json.dumps([result.exit_code, result.output, sorted(sys.modules)]))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=REPOSITORY, capture_output=True, text=True,
        encoding="utf-8", check=True,
    )  # fmt: skip
    exit_code, output, modules = json.loads(done.stdout)
    assert exit_code == 0
    for command in ("init", "demo", "update", "review", "check", "serve", "dashboard"):
        assert command in output
    heavy = {"prefect", "pandera", "polars", "duckdb", "numpy", "scipy", "streamlit", "pandas",
             "statsmodels", "pint", "plotly"}  # fmt: skip
    assert heavy & set(modules) == set()


def test_the_demo_keeps_out_of_a_real_shop(tmp_path):
    # Bug: the demo overwrote a real shop's settings and put invented jobs into its archive.
    shop = tmp_path / "real"
    assert command_line("init", shop)[0] == 0
    settings = (shop / "rollbook.toml").read_text(encoding="utf-8")
    code, said = command_line("demo", shop, "--files-only", "--scale", "0.02")
    assert code == 1
    assert "name a new folder" in said
    assert (shop / "rollbook.toml").read_text(encoding="utf-8") == settings
    assert not any((shop / "inbox").iterdir())


def test_a_folder_that_is_no_shop_is_told_so_without_a_traceback(tmp_path):
    code, said = command_line("update", tmp_path / "nothing")
    assert code == 1
    assert "is not a shop's folder" in said
    assert "rollbook init" in said
    assert "Traceback" not in said


def test_mistakes_in_the_settings_are_told_line_by_line(shop):
    shop.folder.settings.write_text("[mixture]\nwarm_pct = 3\n", encoding="utf-8")
    code, said = command_line("update", shop.folder.root)
    assert code == 1
    assert "rollbook.toml has mistakes" in said
    assert "line 2: mixture.warm_pct" in said
    assert "Traceback" not in said


def test_the_answers_stand_with_the_cautions(demo):
    code, said = command_line("answers", demo.folder.root)
    assert code == 0, said
    for caution in ("can destroy an engine", "throws straps", "Local law decides", "certified"):
        assert caution in said


@pytest.mark.own_process
def test_an_update_of_plain_text_loads_no_library_that_it_does_not_use(shop, make):
    shop.put("job/pull_1.csv", make.pull())
    shop.put("job/ride_1.csv", make.ride())
    shop.put("job/card.toml", make.card(stages=[make.stage(rides=("ride_1.csv",))]))
    told = (
        "import sys\n"
        "from flows.cli import app\n"
        f"app(['update', '--complete', {str(shop.folder.root)!r}], standalone_mode=False)\n"
        "print(*sorted({name.partition('.')[0] for name in sys.modules}), file=sys.stderr)\n"
    )
    ended = subprocess.run(
        [sys.executable, "-c", told],
        env=os.environ | {"PYTHONPATH": str(REPOSITORY)},
        capture_output=True,
        text=True,
        check=True,
    )
    loaded = set(ended.stderr.splitlines()[-1].split())
    assert {"polars", "duckdb", "flows"} <= loaded
    unused = {"pandera", "pandas", "pint", "asammdf", "openpyxl", "python_calamine", "prefect",
              "streamlit", "plotly", "statsmodels", "distributed", "dask"}  # fmt: skip
    assert loaded & unused == set()
    states = {state for (state,) in shop.rows("SELECT DISTINCT state FROM raw.reading")}
    assert states == {"read"}
