"""The examples in the docstrings of the dashboard's plain modules hold."""

import doctest

import pytest

from dashboard import look, wording
from dashboard.sheets import drawing


@pytest.mark.parametrize("module", [look, wording, drawing], ids=lambda module: module.__name__)
def test_examples_in_docstrings_hold(module):
    outcome = doctest.testmod(module)
    assert outcome.attempted
    assert not outcome.failed
