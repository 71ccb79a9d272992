"""Facts are codes with figures, and each code's words stand in one place."""

import ast
import functools
import json
import pickle
import re
import string
from pathlib import Path

from flows.metrics.notes import NotToldError, note
from flows.readers.source import UnreadableError
from warehouse import sentences

REPOSITORY = Path(__file__).parents[2]
CALLS = {"note", "UnreadableError", "NotToldError"}
IN_SQL = re.compile(r"'code', '([^']+)'((?:, '[a-z_]+', |[^;])*)")
# What these say is told to whoever sits at the terminal and is kept nowhere.
AT_THE_TERMINAL = {
    "acts.py",
    "archive.py",
    "inbox.py",
    "ledger.py",
    "selfcheck.py",
    "samples.py",
    "notes.py",
}
# Titles of columns, and words by which a figure, a rule or a subject is known.
NAMES = {"convert.py", "facts.py", "rides.py", "trust.py"}


def sources(folder):
    return sorted((REPOSITORY / folder).rglob("*.py"))


@functools.cache
def tree_of(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def texts_of(node):
    """Return the texts that a code's expression may be, None where it is worked out elsewhere."""
    if isinstance(node, ast.Constant):
        return [node.value]
    if isinstance(node, ast.IfExp):
        return texts_of(node.body) + texts_of(node.orelse)
    return None


@functools.cache
def used():
    """Return the figures given with each code, over all places, and the places that give others."""
    found = {}
    for tree in map(tree_of, sources("flows")):
        constants = {
            target.id: node.value.value
            for node in tree.body
            if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant)
            for target in node.targets
            if isinstance(target, ast.Name)
        }
        for node in ast.walk(tree):
            if not (isinstance(node, ast.Call) and getattr(node.func, "id", "") in CALLS):
                continue
            if not node.args:
                continue
            code = node.args[0]
            if isinstance(code, ast.Name) and code.id in constants:
                code = ast.Constant(constants[code.id])
            for text in texts_of(code) or ():
                names = {word.arg for word in node.keywords}
                found.setdefault(text, []).append(names)
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                for code in re.findall(r"'code', '([^']+)'", node.value):
                    found.setdefault(code, []).append({None})
    # Beside the steps, what is behind a cause is told by comparing two snapshots.
    for node in ast.walk(tree_of(REPOSITORY / "warehouse" / "touched.py")):
        if isinstance(node, ast.Dict) and getattr([*node.keys, None][0], "value", "") == "code":
            code, names = node.values[0].value, {key.value for key in node.keys[1:]}
            found.setdefault(code, []).append(names)
    for path in (REPOSITORY / "warehouse" / "questions").glob("*.sql"):
        for code in re.findall(r"'code', '([^']+)'", path.read_text(encoding="utf-8")):
            found.setdefault(code, []).append({None})
    # A view may choose between codes: if(..., 'one', 'other'), CASE ... THEN 'one' ELSE 'other'.
    for path in (REPOSITORY / "warehouse" / "out").glob("*.sql"):
        chosen = r"'code',\s+(if\(.*?\)|CASE.*?END|'[^']+')"
        for choice in re.findall(chosen, path.read_text(encoding="utf-8"), re.DOTALL):
            for code in re.findall(r"(?:^|,|THEN|ELSE)\s*'([^']+)'", choice):
                found.setdefault(code, []).append({None})
    return found


@functools.cache
def functions_that_say():
    tree = tree_of(REPOSITORY / "warehouse/sentences.py")
    return {node.name: ast.unparse(node) for node in tree.body if hasattr(node, "name")}


def figures_of(words):
    """Return the figures that a template or a function names."""
    if not isinstance(words, str):
        made = functions_that_say()
        text = made[words.__name__]
        text += "".join(made[name] for name in set(re.findall(r"(_\w+)\(", text)) & set(made)
                        if name != words.__name__)  # fmt: skip
        return set(re.findall(r"\bf(?:\.get\(|\[)['\"](\w+)['\"]", text))
    names = set()
    for _, name, spec, _ in string.Formatter().parse(words):
        if name:
            names |= {name} | figures_of(spec or "")
    return names


def test_each_code_that_is_used_is_declared_and_each_declared_one_is_used():
    assert set(used()) == set(sentences.SENTENCES)


def test_every_code_is_given_the_figures_that_its_words_name():
    wrong = {}
    for code, words in sentences.SENTENCES.items():
        named = figures_of(words.sentence) | figures_of(words.remedy)
        given = set().union(*used().get(code, ()))
        if None not in given:
            # What is said besides a note, and the row that a note belongs to, are no figures of it.
            unlike = (named - {"row"} - given) | (given - {"also"} - named)
            wrong |= {code: unlike} if unlike else {}
    assert wrong == {}


PROSE = re.compile(r"[a-z]+(?:,? [a-z']+){6}")


def sentences_of(tree):
    """Return texts of seven words and more that are neither SQL, docstrings nor raised."""
    left = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Raise) or (
            isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
        ):
            left |= {id(part) for part in ast.walk(node)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            left |= {id(part) for part in node.values}
            text = "".join(str(getattr(part, "value", "x")) for part in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
        else:
            continue
        if (
            id(node) not in left
            and PROSE.search(text)
            and text not in sentences.SENTENCES
            and not re.search(r"\b[A-Z]{4,}\b", text)
        ):
            yield node.lineno, text


def test_no_step_holds_a_sentence():
    told = [
        (path.name, *found)
        for path in sources("flows/steps")
        if path.name not in AT_THE_TERMINAL | NAMES
        for found in sentences_of(tree_of(path))
    ]
    assert told == []


NOTES = r"notes|trouble|reason|remedy|sentence|problems|round_note|heat_soak"
READS_PROSE = [
    re.compile(rf"[\"'] (not )?in [\w.]*\[?[\"']?({NOTES})\b"),
    re.compile(rf"\b({NOTES})[\"']?\]?\.(startswith|endswith|partition|split|removeprefix)\("),
    re.compile(rf"(starts_with|regexp_matches|contains|string_split)\((\w+\.)?({NOTES})\b"),
    re.compile(rf"\b({NOTES}) (NOT )?I?LIKE\b"),
]


def test_no_code_reads_a_fact_out_of_words():
    found = [
        f"{path.relative_to(REPOSITORY)}: {line.strip()}"
        for folder in ("flows", "warehouse", "dashboard", "schemas", "fixtures")
        for ending in ("py", "sql")
        for path in sorted((REPOSITORY / folder).rglob(f"*.{ending}"))
        for line in path.read_text(encoding="utf-8").splitlines()
        if any(reads.search(line) for reads in READS_PROSE)
    ]
    assert found == []


def test_a_note_can_be_written_as_json_and_comes_back_as_it_was():
    made = note("engine cold", coolant_degc=float("nan"), days=(1, 2))
    assert made == {"code": "engine cold", "coolant_degc": None, "days": [1, 2]}
    assert json.loads(json.dumps(made)) == made
    assert NotToldError("engine cold", coolant_degc=1.0).note["coolant_degc"] == 1.0


def test_a_refusal_says_why_and_what_to_do_in_any_process():
    told = pickle.loads(pickle.dumps(UnreadableError("too many rows", rows=-1, most=10)))  # noqa: S301
    assert str(told).startswith("the file says it has -1 rows")
    assert told.remedy == "Copy or export the file again, a long log in parts."


def test_what_hangs_on_a_figure_is_said_by_it():
    # By hand, from the template in sentences.toml.
    again = {"code": "the same pull", "file_name": "a.csv", "job_id": None, "is_same_layout": True}
    assert sentences.said(again) == "the same pull as a.csv, exported again"
    again |= {"job_id": "J2", "is_same_layout": False}
    assert sentences.said(again) == "the same pull as a.csv of job J2, exported in another layout"
    odd = {"code": "odd pull", "away_pct": -2.06, "usual_pct": 1.0, "weight_pct": 4.2,
           "is_low_first": False}  # fmt: skip
    said = "2.1 % below the other pulls; up to 1.0 % is usual: it counts for 4 % of a pull"
    assert sentences.said(odd) == said
    odd["is_low_first"] = True
    assert sentences.said(odd) == said + "; a cold engine makes such a first pull"


def test_a_lean_range_is_never_rounded_up_to_a_level():
    row = {"model_label": "Orvo Lark", "parts_key": "airbox", "map_label": "stock", "fuel": "E5",
           "lean_bikes": 7, "bikes": 7, "worst_error_lower_pct": 9.7, "worst_error_upper_pct": 17.2,
           "worst_speed_from_rpm": 7000.0, "worst_speed_to_rpm": 7000.0,
           "given_back_pct": None}  # fmt: skip
    assert "will be 9.7 to 17.2 % lean at" in sentences.need_sentence(row)
    told = sentences.need_sentence(row | {"worst_error_lower_pct": 9.96})
    assert "will be 9.9 to 17.2 % lean at" in told


def test_no_remedy_shows_backticks_or_a_channel_by_its_code():
    of_layout = {"code": "layout not taught", "format": "xml", "near": None}
    assert 'press "Teach the layout of …"' in sentences.remedy_of(of_layout)
    assert not any("`" in str(words.sentence) + str(words.remedy)
                   for words in sentences.SENTENCES.values())  # fmt: skip
    bad = {"code": "too many bad rows", "rejected": 9, "rows": 20, "most_share": 0.05, "breaks": 9,
           "line": 12, "column": "rpm", "found": "24000",
           "rule": "engine_speed_rpm is between 0 and 20000 rpm"}  # fmt: skip
    assert "most often broken: engine speed is between 0 and 20000 rpm (9 rows)" in (
        sentences.said(bad)
    )
    assert sentences.said({"code": "engine does not turn"}) == "the engine speed is zero throughout"
