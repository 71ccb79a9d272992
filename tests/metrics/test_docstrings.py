"""The docstrings of all metrics: they name every argument, its unit, its errors and its source."""

import ast
import doctest
import functools
import importlib
import inspect
import pkgutil
import re

import pytest

import flows.metrics
from tests.each import each

MODULES = [
    importlib.import_module(f"flows.metrics.{found.name}")
    for found in pkgutil.iter_modules(flows.metrics.__path__)
]

SECTIONS = ("Parameters", "Returns", "Attributes", "Raises", "Notes", "Examples", "References")

# Suffix of a name, and what its brackets may say. The longest suffix that fits decides.
UNITS = {
    "_rpm": {"rpm"},
    "_nm": {"N*m"},
    "_w": {"W"},
    "_k": {"K"},
    "_pa": {"Pa"},
    "_m": {"m"},
    "_m_s": {"m/s"},
    "_kg_m3": {"kg/m^3"},
    "_s": {"s"},
    "_hz": {"Hz"},
    "_v": {"V"},
    "_cc": {"cm^3"},
    "_deg": {"deg"},
    "_pct": {"%"},
    "_share": {"0..1", "1"},
}

# Names whose ending only looks like a unit.
NO_UNIT = {"tau_w", "per_pct"}


def owned(module, kind):
    return [
        member
        for name, member in vars(module).items()
        if not name.startswith("_") and kind(member) and member.__module__ == module.__name__
    ]


FUNCTIONS = [function for module in MODULES for function in owned(module, inspect.isfunction)]
CLASSES = [found for module in MODULES for found in owned(module, inspect.isclass)]


def called(member):
    return f"{member.__module__.rpartition('.')[2]}.{member.__name__}"


def sections(documented):
    """Split a numpy docstring into its summary and sections."""
    parts, current = {"Summary": []}, "Summary"
    lines = (inspect.getdoc(documented) or "").splitlines()
    for line, following in zip(lines, [*lines[1:], ""], strict=True):
        if line in SECTIONS and following == "-" * len(line):
            current = line
            parts[current] = []
        elif set(line) != {"-"}:
            parts[current].append(line)
    return {name: "\n".join(body).strip("\n") for name, body in parts.items()}


def entries(section):
    """Names of a Parameters or Attributes section, each with its heading and text."""
    found = {}
    names = []
    for line in section.splitlines():
        if line and not line.startswith(" "):
            names = [name.strip() for name in line.split(" : ")[0].split(",")]
            for name in names:
                found[name] = line
        else:
            for name in names:
                found[name] += "\n" + line
    return found


def expected_unit(name):
    fitting = [suffix for suffix in UNITS if name.endswith(suffix)]
    return None if not fitting or name in NO_UNIT else UNITS[max(fitting, key=len)]


def wrong_units(found):
    wrong = []
    for name, text in found.items():
        expected = expected_unit(name)
        stated = set(re.findall(r"\[([^\]\[]{1,12})\](?!_)", text))
        refers = re.search(r"\b(As in|See) `", text)  # to where the unit is given
        if expected and not stated & expected and not refers:
            wrong.append(f"{name}: states {stated or 'no unit'}, should be {expected}")
    return wrong


@functools.cache
def bodies_of(module):
    tree = ast.parse(inspect.getsource(module))
    return {node.name: node for node in tree.body if isinstance(node, ast.FunctionDef)}


def refuses(function):
    """Whether the body raises or checks, itself or through a private function of its module."""
    bodies = bodies_of(inspect.getmodule(function))

    def looks(name, seen):
        for node in ast.walk(bodies[name]):
            if isinstance(node, ast.Raise):
                return True
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                called = node.func.id
                if called == "require":
                    return True
                if called in bodies and called.startswith("_") and called not in seen:
                    seen.add(called)
                    if looks(called, seen):
                        return True
        return False

    return looks(function.__name__, {function.__name__})


def test_there_is_something_to_read():
    assert len(MODULES) >= 8
    assert len(FUNCTIONS) >= 20


@each(MODULES, lambda module: module.__name__)
def test_a_module_opens_with_one_plain_sentence(module):
    first = (module.__doc__ or "").split("\n\n")[0]
    assert first.strip().endswith(".")


@each(FUNCTIONS, called)
def test_documented_arguments_are_those_of_the_signature_in_its_order(function):
    documented = list(entries(sections(function).get("Parameters", "")))
    assert documented == list(inspect.signature(function).parameters)


@each(FUNCTIONS, called)
def test_units_in_brackets_agree_with_the_suffix(function):
    parts = sections(function)
    wrong = wrong_units(entries(parts.get("Parameters", "")))
    returned = parts.get("Returns", "")
    if returned.startswith(("float", "ndarray")):  # a tuple has its units at its fields
        wrong += wrong_units({function.__name__: returned})
    assert not wrong


@each(FUNCTIONS, called)
def test_a_function_says_what_it_returns_and_shows_it(function):
    parts = sections(function)
    missing = {"Examples"} - set(parts)
    if inspect.signature(function).return_annotation not in (None, "None"):
        missing |= {"Returns"} - set(parts)
    assert not missing
    assert ">>> " in parts["Examples"]


@each(FUNCTIONS, called)
def test_a_function_that_refuses_says_when(function):
    if refuses(function):
        assert "ValueError" in sections(function).get("Raises", "")


@each(FUNCTIONS, called)
def test_what_is_cited_is_listed_and_a_standard_named_is_cited(function):
    parts = sections(function)
    text = " ".join(body for name, body in parts.items() if name != "References")
    cited = set(re.findall(r"\[(\d+)\]_", text))
    listed = re.findall(r"^\.\. \[(\d+)\] ", parts.get("References", ""), re.MULTILINE)
    assert cited == set(listed)
    assert len(listed) == len(cited)
    if re.search(r"\b(ISO|SAE|DIN|NIST|JCGM) ?\d", parts.get("Notes", "")):
        assert cited


@each(CLASSES, called)
def test_a_result_describes_each_of_its_fields_with_its_unit(documented):
    fields = [name for name in getattr(documented, "__annotations__", {}) if name[0] != "_"]
    described = entries(sections(documented).get("Attributes", ""))
    assert sorted(described) == sorted(fields)
    assert not wrong_units(described)


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__)
def test_examples_print_what_they_say(module):
    # The digits printed are the digits checked.
    pytest_doctest = pytest.importorskip("_pytest.doctest")
    runner = doctest.DocTestRunner(
        checker=pytest_doctest._get_checker(),
        optionflags=pytest_doctest._get_number_flag() | doctest.NORMALIZE_WHITESPACE,
        verbose=False,
    )
    report = []
    for example in doctest.DocTestFinder(exclude_empty=True).find(module):
        runner.run(example, out=report.append)
    assert runner.failures == 0, "".join(report)


@pytest.mark.parametrize(
    ("broken", "name"),
    [
        ("temperature_k : float\n    Of the air. [kPa]", "temperature_k"),
        ("speed_rpm : float\n    It.", "speed_rpm"),
    ],
)
def test_a_wrong_or_missing_unit_would_be_found(broken, name):
    assert name in wrong_units(entries(broken))[0]
