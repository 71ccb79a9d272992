"""Updates killed at commits and moves of files, spread over all of them; the rest by hand.

`python -m tests.studies.kill_study --kills 500` kills at every point there is.
"""

import multiprocessing

import pytest

from flows.derive import STEPS
from tests.studies.kill_study import Study, spread

KILLS = 2 if "forkserver" in multiprocessing.get_all_start_methods() else 1


@pytest.mark.slow
@pytest.mark.parametrize("kills", [KILLS, pytest.param(20 * KILLS, marks=pytest.mark.long)])
def test_an_update_killed_anywhere_is_made_good_by_the_next(tmp_path, kills):
    study = Study(tmp_path)
    for points in study.points.values():
        assert len(points) > 100
    told = {point.split(":")[0] for points in study.points.values() for point in points}
    assert {"ledger.append", "link._link_changed", *(step.name for step in STEPS)} <= told
    verdicts = [study.kill(*chosen) for chosen in spread(study, kills)]
    assert [killed for killed in verdicts if killed.verdict != "equal"] == []
