"""Writes a paper and says in a terminal what came of it: `python -m dashboard.sheets job SHOP`."""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from pathlib import Path

import duckdb

from warehouse.damage import DamagedError, plainly
from warehouse.history import HistoryError


def main() -> int:
    """Write the paper that is asked for; return the exit code."""
    parser = argparse.ArgumentParser(description="Write a paper of a shop into its reports.")
    parser.add_argument("paper", choices=("review", "job", "morning"))
    parser.add_argument("shop", type=Path, help="the shop's folder")
    parser.add_argument("--quarter", help='of a review, such as "2026 Q2"; default: the latest')
    parser.add_argument("--as-of", type=dt.date.fromisoformat, help="as it stood on a day")
    parser.add_argument("--job", help='of a sheet, such as "J-0042"')
    parser.add_argument("--before", type=int, default=0, help="number of the stage before")
    parser.add_argument("--after", type=int, default=0, help="number of the stage after")
    parser.add_argument("--day", type=dt.date.fromisoformat, help="of a morning file")
    try:
        lines = _written(parser.parse_args())
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


def _written(asked: argparse.Namespace) -> list[str]:
    """Write a paper; return what is to be said of it. What writes the others is not loaded."""
    if asked.paper == "review":
        from dashboard.sheets.review import write_review

        return [str(path) for path in write_review(asked.shop, asked.quarter, asked.as_of)]
    if asked.paper == "morning":
        from dashboard.sheets.morning import write_morning

        return [str(write_morning(asked.shop, asked.day))]
    from dashboard.sheets.job import written

    return written(asked.shop, asked.job, asked.before, asked.after)


if __name__ == "__main__":
    sys.exit(main())
