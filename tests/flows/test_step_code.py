"""A step whose code changed says so: by its version, or by a word that its rows are the same."""

from tests.flows import step_code
from tests.flows.step_code import Code, Module

METRIC = '''
STEP = 50.0

def grid(low: float) -> float:
    """Return a grid."""
    return low * STEP

def unused():
    return 1
'''
STEP = '''
from flows.metrics import made_up

def _make(payload):
    """Make rows."""
    return made_up.grid(payload)

IT = Step(name="it", make=_make)
'''


def hash_of(metric=METRIC, step=STEP):
    texts = {"flows.steps.it": step, "flows.metrics.made_up": metric}
    return Code(texts.get).hash_of("flows.steps.it", [Module(step).made["_make"]])


def test_the_code_of_every_step_is_as_written_down():
    said = (
        "the code of these steps changed under the same version. If they give other rows, raise "
        "`version` in the step's declaration and run `python -m tests.flows.step_code`; if the "
        'rows are the same, run `python -m tests.flows.step_code --same-rows "WHY"`'
    )
    assert step_code.changed() == [], said
    assert step_code.not_written() == [], "run `python -m tests.flows.step_code`"


def test_a_constant_that_a_metric_uses_changes_the_steps_that_call_it():
    assert hash_of(METRIC.replace("50.0", "25.0")) != hash_of()


def test_a_changed_function_of_a_metric_changes_the_steps_that_call_it():
    assert hash_of(METRIC.replace("low * STEP", "low / STEP")) != hash_of()


def test_words_annotations_and_what_is_not_reached_change_nothing():
    for told, other in (
        ("Return a grid", "Give a grid"),
        ("low: float", "low: int"),
        ("return 1", "return 2"),
        ("STEP = 50.0", "STEP = 50.0  # rpm"),
    ):
        assert hash_of(METRIC.replace(told, other)) == hash_of(), told
    assert hash_of(step=STEP.replace("Make rows", "Give rows")) == hash_of()


def test_a_raised_version_is_written_down_and_a_silent_change_is_not(tmp_path, monkeypatch, capsys):
    path = tmp_path / "step_code.toml"
    monkeypatch.setattr(step_code, "STATED", path)
    monkeypatch.setattr("sys.argv", ["step_code"])
    assert step_code.main() == 0
    text = path.read_text(encoding="utf-8")
    now = step_code.step_hashes()["compare stages"]
    path.write_text(text.replace(now.code, "0" * 16), encoding="utf-8")
    assert step_code.main() == 1
    assert "compare stages" in capsys.readouterr().out
    raised = text.replace(now.code, "0" * 16).replace(
        f'["compare stages"]\nversion = {now.version}', '["compare stages"]\nversion = 1'
    )
    path.write_text(raised, encoding="utf-8")
    assert step_code.main() == 0
    assert path.read_text(encoding="utf-8") == text
    path.write_text(text.replace(now.code, "0" * 16), encoding="utf-8")
    monkeypatch.setattr("sys.argv", ["step_code", "--same-rows", "a name was changed"])
    assert step_code.main() == 0
    assert step_code.stated()["compare stages"] == (*now[:2], "a name was changed")
