"""Writes what a study or benchmark found into a text beside the program that found it."""

from __future__ import annotations

import datetime as dt
import importlib.metadata
import os
import platform
import sys
from pathlib import Path

PACKAGES = ("duckdb", "polars", "numpy", "scipy")


def write_beside(program: str, title: str, text: str, command: str | None = None) -> Path:
    """Write a study's result as Markdown, with its command, its day and what it ran on.

    `program` is the study's `__file__`; a result of an earlier run is replaced.
    """
    made_by = command or "python -m " + " ".join([_module_of(program), *sys.argv[1:]])
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in PACKAGES)
    target = Path(program).with_suffix(".md")
    target.write_text(
        f"# {title}\n\nWritten by `{made_by}` on {dt.date.today().isoformat()}: "  # noqa: DTZ011
        f"{os.cpu_count()} cores, {platform.system()} {platform.machine()}, Python "
        f"{platform.python_version()}, {versions}.\n\n{text.strip()}\n",
        encoding="utf-8",
    )
    return target


def _module_of(program: str) -> str:
    path = Path(program).resolve().with_suffix("")
    return ".".join(path.relative_to(Path(__file__).resolve().parents[1]).parts)
