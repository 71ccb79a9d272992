"""Takes what a page server has loaded out of the rounds of Python's collector of garbage."""

from __future__ import annotations

import functools
import gc


@functools.cache
def settle() -> None:
    """Leave all that stands now alone for good; once a process, when its first page stands.

    Streamlit collects garbage after every run of a page. Going over a million things of the
    libraries, which never go away, took two thirds of a run.
    """
    gc.collect()
    gc.freeze()
