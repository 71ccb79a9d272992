"""Changes one operator or number of a module at a time, and tells which changes no test notices.

`python -m tests.mutants pooling trust`; with `--up-to 1` only tests of up to 1 s are asked, with
`--seed 8` others of its changes are tried, with `--sample 200` more of them. A forked process puts
the change into the loaded module, so that nothing is imported twice. Messages, annotations and what
`require` checks are left as they are.
"""

import argparse
import ast
import copy
import importlib
import os
import random
import re
import signal
import sys
import time
import tomllib
import types
from pathlib import Path
from typing import NamedTuple

import pytest
from _pytest.runner import runtestprotocol
from hypothesis import Phase, settings

HERE = Path(__file__).parent
EQUAL = HERE / "mutants.toml"
"""Changes that give the same figures, and why: they do not count."""
ENDLESS_S = 1e5
OPERATORS = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt), ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,), ast.Add: (ast.Sub,),
    ast.Sub: (ast.Add,), ast.Mult: (ast.Div,), ast.Div: (ast.Mult,), ast.Pow: (ast.Mult,),
    ast.FloorDiv: (ast.Mult,), ast.Mod: (ast.Mult,), ast.BitAnd: (ast.BitOr,),
    ast.BitOr: (ast.BitAnd,), ast.And: (ast.Or,), ast.Or: (ast.And,),
}  # fmt: skip
NAMES = {"min": "max", "minimum": "maximum", "any": "all", "argmin": "argmax", "floor": "ceil"}
NAMES |= {other: name for name, other in NAMES.items()}


class Mutant(NamedTuple):
    line: int
    name: str
    code: types.CodeType


def changes(node):
    """Yield what else a node could be."""
    if isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield ast.Constant(not node.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, int):
        yield from (ast.Constant(node.value + 1), ast.Constant(node.value - 1))
    elif isinstance(node, ast.Constant) and isinstance(node.value, float):
        yield ast.Constant(node.value * 1.5 if node.value else 1.0)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not | ast.Invert):
        yield node.operand
    elif isinstance(node, ast.Return) and node.value is not None:
        yield ast.Return(ast.Constant(None))
    elif isinstance(node, ast.If | ast.IfExp) and not isinstance(node.test, ast.Compare):
        yield _with(node, "test", ast.UnaryOp(ast.Not(), node.test))
    elif isinstance(node, ast.BinOp | ast.BoolOp | ast.AugAssign):
        yield from (_with(node, "op", other()) for other in OPERATORS.get(type(node.op), ()))
    elif isinstance(node, ast.Compare):
        for other in OPERATORS[type(node.ops[0])]:
            yield _with(node, "ops", [other(), *node.ops[1:]])
    elif isinstance(node, ast.Name | ast.Attribute):
        field = "id" if isinstance(node, ast.Name) else "attr"
        if getattr(node, field) in NAMES:
            yield _with(node, field, NAMES[getattr(node, field)])


def _with(node, field, value):
    made = copy.copy(node)
    setattr(made, field, value)
    return made


def places(node):
    """Yield each node that counts, as (parent, field, index)."""
    for field, value in ast.iter_fields(node):
        if field in ("annotation", "returns", "decorator_list"):
            continue
        for index, child in enumerate(value if isinstance(value, list) else [value]):
            is_left = not isinstance(child, ast.AST) or isinstance(child, ast.Raise)
            is_left |= getattr(getattr(child, "func", None), "id", "") == "require"
            if not is_left and getattr(child, "arg", "") != "strict":
                yield node, field, index if isinstance(value, list) else None
                yield from places(child)


def spots(tree):
    """Yield every change of a tree, as (parent, field, index, node, what it becomes)."""
    for parent, field, index in places(tree):
        node = getattr(parent, field) if index is None else getattr(parent, field)[index]
        yield from ((parent, field, index, node, other) for other in changes(node))


def made(tree, lines, parent, field, index, node, other):
    """Return the mutant that one change makes; the tree is as it was afterwards."""
    whole = getattr(parent, field)
    ast.fix_missing_locations(ast.copy_location(other, node))
    setattr(parent, field, other if index is None else [*whole[:index], other, *whole[index + 1 :]])
    code = compile(tree, "mutant", "exec")
    setattr(parent, field, whole)
    old, new = (
        re.sub(r"\s+", " ", ast.unparse(one.test if isinstance(one, ast.If) else one))
        for one in (node, other)
    )
    line = lines[node.lineno - 1].strip()
    return Mutant(node.lineno, f"`{line}`: `{old}` → `{new}`", code)


def put_in(module, code):
    """Give a loaded module the code of a mutant, wherever its functions are already known."""
    fresh = {"__file__": module.__file__, "__name__": module.__name__}
    exec(code, fresh)  # noqa: S102
    for name, old in list(vars(module).items()):
        if name.startswith("__") or isinstance(old, types.ModuleType):
            continue
        if getattr(old, "__module__", None) == module.__name__ and callable(old):
            _exchange(old, fresh[name])
        elif not callable(old):
            if type(old).__module__ == module.__name__:
                object.__setattr__(fresh[name], "__class__", type(old))
            for other in list(sys.modules.values()):
                if getattr(other, "__dict__", {}).get(name) is old:
                    setattr(other, name, fresh[name])


def _exchange(old, new):
    for hidden in ("fget", "__wrapped__"):
        old, new = (getattr(one, hidden, None) or one for one in (old, new))
    if isinstance(old, types.FunctionType):
        for part in ("__code__", "__defaults__", "__kwdefaults__"):
            setattr(old, part, getattr(new, part))
    elif isinstance(old, type):
        for name, value in vars(old).items():
            if isinstance(value, types.FunctionType | property | staticmethod):
                _exchange(value, vars(new)[name])


def in_child(work):
    """Fork, do the work there without a word, and return where its answer comes from."""
    read, write = os.pipe()
    pid = os.fork()
    if pid:
        os.close(write)
        return pid, read
    for stream in (1, 2):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream)
    try:
        os.write(write, repr(work()).encode())
    except BaseException as error:  # noqa: BLE001
        os.write(write, repr(repr(error)).encode())
    os._exit(0)


def answer(pid, read):
    with os.fdopen(read, "rb") as pipe:
        text = pipe.read().decode()
    os.waitpid(pid, 0)
    return ast.literal_eval(text) if text else "time limit"


def failed(item, following, limit_s):
    """Say whether a test fails; a limit that is passed ends the process, or as it is told."""
    signal.setitimer(signal.ITIMER_VIRTUAL, limit_s)
    return any(r.failed for r in runtestprotocol(item, log=False, nextitem=following))


def durations(module, items, up_to_s):
    """Return of each item its seconds, and whether it fails although nothing was changed."""
    put_in(module, compile(Path(module.__file__).read_text(encoding="utf-8"), "same", "exec"))
    found, passed = [], []

    def too_long(*_):
        passed.append(len(found))
        raise TimeoutError

    signal.signal(signal.SIGVTALRM, too_long)
    for item, following in zip(items, [*items[1:], None], strict=True):
        start = time.process_time()
        is_red = failed(item, following, up_to_s)
        if len(found) in passed:
            found.append((2.0 * ENDLESS_S, False))
        else:
            found.append((time.process_time() - start, is_red))
    return found


def first_to_fail(module, code, items):
    put_in(module, code)
    for (item, seconds), following in zip(
        items, [*(one for one, _ in items[1:]), None], strict=True
    ):
        if failed(item, following, 2.0 + 5.0 * seconds):
            return item.nodeid
    return None


def files_of(name):
    imports = re.compile(rf"flows\.metrics\.{name} import|flows\.metrics import .*\b{name}\b")
    tests = sorted((HERE / "metrics").glob("test_*.py"))
    found = [path for path in tests if imports.search(path.read_text(encoding="utf-8"))]
    return [HERE.parent / "flows" / "metrics" / f"{name}.py", *found]


class Run:
    """A pytest plugin that holds mutants against the tests found, in place of running them."""

    def __init__(self, asked):
        self.asked, self.found = asked, {}

    def pytest_sessionstart(self):
        same = settings.get_profile("same")
        settings.register_profile("mutants", same, phases=[Phase.explicit, Phase.generate])
        settings.load_profile("mutants")  # a failing example need not be made short

    def pytest_runtestloop(self, session):
        for name in self.asked.modules:
            items = [item for item in session.items if item.path in files_of(name)]
            module = importlib.import_module(f"flows.metrics.{name}")
            work = in_child(lambda m=module, i=items: durations(m, i, self.asked.up_to))
            timed = []
            for item, (seconds, is_red) in zip(items, answer(*work), strict=True):
                if is_red:
                    print(f"red with no change, left out: {item.nodeid}")
                elif seconds <= self.asked.up_to:
                    timed.append((item, seconds))
            self.found[name] = self.left(name, module, timed)
        return True

    def left(self, name, module, items):
        """Return the number of mutants, those tried, and those that no test noticed."""
        source = Path(module.__file__).read_text(encoding="utf-8")
        tree, lines = ast.parse(source), source.splitlines()
        every = list(spots(tree))
        drawn = random.Random(self.asked.seed).sample(every, min(self.asked.sample, len(every)))
        tried = [made(tree, lines, *spot) for spot in drawn]
        print(f"{name}: {len(tried)} of {len(every)}, {sum(s for _, s in items):.1f} s", flush=True)
        kills, running, left = {}, [], []
        known = {item.nodeid for item, _ in items}

        def cost(one):
            return (one[1] + 0.01) / (1 + kills.get(one[0].nodeid, 0))

        for mutant in [*tried, *[None] * self.asked.at_once]:
            if running and (mutant is None or len(running) == self.asked.at_once):
                past, child = running.pop(0)
                killer = answer(*child)
                if killer is not None and killer not in known:
                    print(f"  line {past.line}: {killer}: {past.name}", flush=True)
                kills[killer] = kills.get(killer, 0) + 1
                if killer is None:
                    left.append(past)
                    print(f"  line {past.line}: {past.name}", flush=True)
            if mutant is not None:
                order, code = sorted(items, key=cost), mutant.code
                work = in_child(lambda c=code, o=order: first_to_fail(module, c, o))
                running.append((mutant, work))
        return len(every), tried, left


def table(found):
    """Yield the result as a table, then what no test noticed though it is no equal."""
    reasons, missed = tomllib.loads(EQUAL.read_text(encoding="utf-8")), []
    yield "| module | mutants | tried | equal | unnoticed | score |"
    for name, (of, tried, left) in found.items():
        rest = [one for one in left if one.name not in reasons.get(name, {})]
        equal = len(left) - len(rest)
        score = 1.0 - len(rest) / max(len(tried) - equal, 1)
        yield f"| {name} | {of} | {len(tried)} | {equal} | {len(rest)} | {score:.0%} |"
        missed += [f"- {name}, line {one.line}: {one.name}" for one in rest]
    yield from missed


def main():
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("modules", nargs="+")
    ask.add_argument("--up-to", type=float, default=ENDLESS_S)
    ask.add_argument("--at-once", type=int, default=2)
    ask.add_argument("--sample", type=int, default=60)
    ask.add_argument("--seed", type=int, default=7)
    run = Run(asked := ask.parse_args())
    os.nice(5)
    files = sorted({str(path) for name in asked.modules for path in files_of(name)})
    pytest.main(
        ["-q", "-s", "-o", "addopts=", "--doctest-modules", "--import-mode=importlib", "--tb=no",
         "-m", "not long", "-p", "no:xdist", "-p", "no:cacheprovider", "--assert=plain", *files],
        plugins=[run],
    )  # fmt: skip
    print(*table(run.found), sep="\n")


if __name__ == "__main__":
    main()
