"""Killed backups lose nothing: a few kills always, fifty at night."""

import multiprocessing

import pytest

from tests.studies.backup_kill_study import study

pytestmark = pytest.mark.skipif(
    "fork" not in multiprocessing.get_all_start_methods(), reason="kills are sent otherwise there"
)


@pytest.mark.parametrize("kills", [4, pytest.param(50, marks=pytest.mark.long)])
def test_a_backup_killed_anywhere_leaves_all_finished_ones_whole(tmp_path, kills):
    found = study(tmp_path, kills, seed=kills)
    assert found.finished > kills // 3
    assert found.lost == []
