"""A machine that lives a shop's life in CI too; what breaks a promise is found by it.

`python -m tests.life.live --faults` writes the table; `--life-seed` lives a history again.
"""

import re

import pytest

from tests.life.faults import FAULTS
from tests.life.live import HISTORIES, SEED, live, promised, replay


def test_two_hundred_histories_of_a_shop_break_no_promise(request):
    lived = live(HISTORIES, request.config.getoption("--life-seed") or SEED)
    assert lived.broken == "", replay(lived)
    assert lived.histories >= HISTORIES
    assert lived.updates > HISTORIES


@pytest.mark.long
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.__name__)
def test_a_fault_is_told_as_the_promise_that_it_breaks_within_two_hundred_histories(fault):
    told = live(HISTORIES, SEED, fault).broken
    assert re.match(rf"promise ({promised(fault)})\b", told), told
