"""A machine lives a shop's life in CI too; what breaks a promise is found by it.

`python -m tests.life.live --faults` writes the table; `--life-seed` lives a history again.
"""

import pytest

from tests.life.faults import FAULTS
from tests.life.live import HISTORIES, SEED, live, replay

IN_CI = 80
"""Histories of 0.35 s of the processor each; the first eighty of the two hundred."""


@pytest.mark.parametrize("histories", [IN_CI, pytest.param(HISTORIES, marks=pytest.mark.long)])
def test_the_histories_of_a_shop_break_no_promise(request, histories):
    lived = live(histories, request.config.getoption("--life-seed") or SEED)
    assert lived.broken == "", replay(lived)
    assert lived.histories >= histories
    assert lived.updates > histories


@pytest.mark.long
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.__name__)
def test_a_fault_that_breaks_a_promise_is_found_within_two_hundred_histories(fault):
    assert live(HISTORIES, SEED, fault).broken.startswith("promise ")
