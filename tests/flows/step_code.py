"""Holds the code that makes derived rows against the versions of its steps.

    python -m tests.flows.step_code                     write down steps whose version was raised
    python -m tests.flows.step_code --same-rows "WHY"   and those whose rows are the same as before

Hashed are the functions, classes and constants that a step's inputs and making reach in
flows.steps, flows.metrics and schemas; docstrings, comments and annotations are left out.
"""

from __future__ import annotations

import argparse
import ast
import hashlib
import importlib.util
import sys
import tomllib
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import NamedTuple

from flows.derive import STEPS
from flows.steps.link import LINK_VERSION
from flows.steps.opened import READ_VERSION

STATED = Path(__file__).with_name("step_code.toml")
OURS = ("flows.steps", "flows.metrics", "schemas")
# The cycle is no step's arithmetic; the dictionary has an entry of its own.
NOT_FOLLOWED = {"flows.steps.engine", "flows.steps.progress", "schemas.columns"}
DECIDES = {"inputs", "make", "settle", "within", "set_by", "key", "tables", "through"}
"""The parts of a step's declaration that decide its rows."""

Place = tuple[str, str]
"""A module and a name at its top."""


class Stated(NamedTuple):
    """What is written down of a step."""

    version: int
    code: str
    same_rows: str = ""


@cache
def source(module: str) -> str | None:
    """Return the text of a module, None where there is none of that name."""
    try:
        found = importlib.util.find_spec(module)
    except ModuleNotFoundError:
        return None
    if found is None or found.origin is None:
        return None
    return Path(found.origin).read_text(encoding="utf-8")


class Module:
    """What stands at the top of a module, by name."""

    def __init__(self, text: str) -> None:
        self.made: dict[str, ast.AST] = {}
        self.imported: dict[str, Place] = {}
        for node in _Bare().visit(ast.parse(text)).body:
            if isinstance(node, ast.FunctionDef | ast.ClassDef):
                self.made[node.name] = node
            elif isinstance(node, ast.Assign):
                self.made |= {
                    name.id: node
                    for target in node.targets
                    for name in ast.walk(target)
                    if isinstance(name, ast.Name)
                }
            elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                self.made[node.target.id] = node
            elif isinstance(node, ast.ImportFrom):
                self.imported |= {
                    name.asname or name.name: (node.module or "", name.name) for name in node.names
                }


class Code:
    """Follows code from name to name."""

    def __init__(self, read: Callable[[str], str | None] = source) -> None:
        self._read = read
        self._modules: dict[str, Module | None] = {}
        self._texts: dict[Place, str] = {}

    def module(self, name: str) -> Module | None:
        """Return a module of ours, None for another's or a name within one."""
        if name not in self._modules:
            is_ours = name.startswith(OURS) and name not in NOT_FOLLOWED
            text = self._read(name) if is_ours else None
            self._modules[name] = None if text is None else Module(text)
        return self._modules[name]

    def reached(self, module: str, starts: Sequence[ast.AST]) -> dict[Place, ast.AST]:
        """Return every definition that some nodes of a module lead to."""
        found: dict[Place, ast.AST] = {}
        waiting = [place for node in starts for place in self._named(module, node)]
        while waiting:
            place = waiting.pop()
            home = self.module(place[0])
            if home is None or place in found or place[1] not in home.made:
                continue
            found[place] = home.made[place[1]]
            waiting += self._named(place[0], found[place])
        return found

    def hash_of(self, module: str, starts: Sequence[ast.AST]) -> str:
        """Return a hash of some nodes of a module and of all that they lead to."""
        reached = self.reached(module, starts)
        for place, node in reached.items():
            if place not in self._texts:
                self._texts[place] = f"{place}: {said(node)}"
        texts = sorted(self._texts[place] for place in reached)
        text = "\n".join([*texts, *map(said, starts)])
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    def _named(self, module: str, node: ast.AST) -> Iterator[Place]:
        home = self.module(module)
        if home is None:
            return
        for part in ast.walk(node):
            if isinstance(part, ast.Name):
                yield module, part.id
                if part.id in home.imported:
                    yield home.imported[part.id]
            elif isinstance(part, ast.Attribute) and isinstance(part.value, ast.Name):
                package, name = home.imported.get(part.value.id, ("", ""))
                yield f"{package}.{name}", part.attr


class _Bare(ast.NodeTransformer):
    """Leaves out what changes no row."""

    def visit_arg(self, node: ast.arg) -> ast.AST:
        node.annotation = None
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        node.returns = None
        return self.visit_ClassDef(node)

    def visit_ClassDef(self, node: ast.FunctionDef | ast.ClassDef) -> ast.AST:
        node.body = [part for part in node.body if not _is_docstring(part)]
        return self.generic_visit(node)


def _is_docstring(node: ast.stmt) -> bool:
    return (
        isinstance(node, ast.Expr)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    )


def said(node: object) -> str:
    """Return a node as text that no version of Python writes otherwise."""
    if isinstance(node, ast.AST):
        fields = [(name, value) for name, value in ast.iter_fields(node) if value not in (None, [])]
        return (
            f"{type(node).__name__}({','.join(f'{name}={said(value)}' for name, value in fields)})"
        )
    if isinstance(node, list):
        return f"[{','.join(map(said, node))}]"
    return repr(node)


@cache
def step_hashes() -> dict[str, Stated]:
    """Return version and hash of every step, of linking, and of the dictionary."""
    found = {}
    code = Code()
    for step in STEPS:
        module = step.inputs.__module__
        parts = [word.value for word in _declared(code, module).keywords if word.arg in DECIDES]
        found[step.name] = Stated(step.version, code.hash_of(module, parts))
    for name, version, module, starts in (
        ("link files to stages", LINK_VERSION, "flows.steps.link", ["link_jobs"]),
        ("the dictionary, for reading", READ_VERSION, "schemas.channels", ["CHANNELS"]),
    ):
        text = source(module)
        assert text is not None
        nodes = [Module(text).made[start] for start in starts]
        found[name] = Stated(version, code.hash_of(module, nodes))
    return found


def _declared(code: Code, module: str) -> ast.Call:
    home = code.module(module)
    assert home is not None
    for node in home.made.values():
        call = node.value if isinstance(node, ast.Assign) else None
        if isinstance(call, ast.Call) and getattr(call.func, "id", "") == "Step":
            return call
    raise LookupError(f"{module} declares no Step")


def stated() -> dict[str, Stated]:
    """Return what is written down."""
    if not STATED.exists():
        return {}
    text = STATED.read_text(encoding="utf-8")
    return {name: Stated(**entry) for name, entry in tomllib.loads(text).items()}


def changed() -> list[str]:
    """Return the steps whose code changed and whose version was not raised."""
    written = stated()
    return [
        name
        for name, now in step_hashes().items()
        if (was := written.get(name)) and was.code != now.code and was.version == now.version
    ]


def not_written() -> list[str]:
    """Return the steps that are not as they are written down."""
    written, now = stated(), step_hashes()
    return [n for n in {**written, **now} if written.get(n, ())[:2] != now.get(n, ())[:2]]


def write(same_rows: str) -> None:
    """Write down every step as it is now."""
    written = stated()
    lines = ["# Written by `python -m tests.flows.step_code`; see there.\n"]
    for name, now in sorted(step_hashes().items()):
        was = written.get(name)
        why = was.same_rows if was and was.version == now.version else ""
        if was and was.version == now.version and was.code != now.code:
            why = same_rows
        lines += [f'["{name}"]', f"version = {now.version}", f'code = "{now.code}"']
        lines += [f"same_rows = '{why}'"] * bool(why) + [""]
    STATED.write_text("\n".join(lines), encoding="utf-8", newline="\n")


def main() -> int:
    """Write the file anew, unless a step changed without a word on its rows."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--same-rows", default="", metavar="WHY", help="why no row is another")
    why = parser.parse_args().same_rows.replace("'", "’")
    if (silent := changed()) and not why:
        print("\n".join(["Raise the version of these steps, or say --same-rows WHY:", *silent]))
        return 1
    write(why)
    return 0


if __name__ == "__main__":
    sys.exit(main())
