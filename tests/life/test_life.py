"""A machine lives a shop's life in CI too; what breaks a promise is found by it.

`python -m tests.life.live --faults` writes the table; `--life-seed` lives a history again.
"""

import pytest

from tests.life.faults import FAULTS
from tests.life.live import HISTORIES, SEED, live, replay


@pytest.mark.long
def test_two_hundred_histories_of_a_shop_break_no_promise(request):
    lived = live(HISTORIES, request.config.getoption("--life-seed") or SEED)
    assert lived.broken == "", replay(lived)
    assert lived.histories >= HISTORIES
    assert lived.updates > HISTORIES


@pytest.mark.long
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.__name__)
def test_a_fault_that_breaks_a_promise_is_found_within_two_hundred_histories(fault):
    assert live(HISTORIES, SEED, fault).broken.startswith("promise ")
