"""Papers are the dashboard's; a process of its own keeps imports pointing one way."""

from __future__ import annotations

import subprocess
import sys

from warehouse.shop import ShopFolder


class PaperError(RuntimeError):
    """A paper could not be written; the message says why."""


def written(paper: str, shop: ShopFolder, *arguments: str) -> list[str]:
    """Have a paper of `dashboard/sheets` written; return what is said of it, a line each."""
    command = [sys.executable, "-m", f"dashboard.sheets.{paper}", str(shop.root), *arguments]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)
    if done.returncode:
        raise PaperError((done.stderr or done.stdout).strip())
    return done.stdout.strip().splitlines()
