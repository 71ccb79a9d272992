"""The customer's sheet of a job, written from the published snapshot into `reports/`."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from flows.review import ReviewError


class SheetError(ReviewError):
    """The sheet could not be written."""


def write_sheet(shop: Path, job_id: str, before_no: int, after_no: int) -> list[str]:
    """Write the sheet of a job; return what is to be said.

    Raises SheetError if there is no such job, or none of its pulls counts.
    """
    # The sheets are the dashboard's; a process of its own keeps imports pointing one way.
    command = [sys.executable, "-m", "dashboard.sheets.job", str(shop)]
    command += [f"--before={before_no}", f"--after={after_no}", "--", job_id]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)
    if done.returncode:
        raise SheetError((done.stderr or done.stdout).strip())
    return done.stdout.strip().splitlines()
