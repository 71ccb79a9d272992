"""Says in a terminal what came of a paper: the lines of its work, or why there is none."""

from __future__ import annotations

import sys
from collections.abc import Callable

import duckdb

from warehouse.damage import DamagedError, plainly
from warehouse.history import HistoryError


def told(work: Callable[[], list[str]]) -> int:
    """Do the work of a paper and say its lines; return the exit code."""
    try:
        lines = work()
    except (FileNotFoundError, ValueError, DamagedError, HistoryError) as trouble:
        sys.stderr.write(f"{trouble}\n")
        return 1
    except (OSError, duckdb.Error) as trouble:
        if not (said := plainly(trouble)):
            raise
        sys.stderr.write(f"{said}\n")
        return 1
    sys.stdout.writelines(f"{line}\n" for line in lines)
    return 0
