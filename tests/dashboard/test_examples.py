"""The examples in the docstrings of the plain modules that pages and papers rest on hold."""

import doctest

import pytest

from dashboard import on_page, on_paper
from warehouse import questions, wording


@pytest.mark.parametrize(
    "module", [on_page, on_paper, wording, questions], ids=lambda module: module.__name__
)
def test_examples_in_docstrings_hold(module):
    outcome = doctest.testmod(module)
    assert outcome.attempted
    assert not outcome.failed
