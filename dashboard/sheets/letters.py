"""Letters of other scripts on papers: what runs from right to left turns nothing beside it."""

from __future__ import annotations

import re

from markupsafe import Markup, escape

from dashboard.on_paper import cleaned

# Hebrew to Arabic Extended-A, their presentation forms, and the old scripts of the first plane.
_LEFTWARD = "\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc\U00010800-\U00010fff\U0001e800-\U0001efff"
_RUN = re.compile(f"[{_LEFTWARD}]+(?: [{_LEFTWARD}]+)*")
_NOT_IN_PDF = re.compile("[^\\W\\d_\u0000-\u052f\u1e00-\u1fff]")
"""A letter beyond Latin, Greek and Cyrillic, which is what the PDF's font holds."""


def isolated(text: object) -> Markup:
    """Return text for HTML; a number beside a name from right to left stays where it stands.

    >>> isolated("<b> 690 (2016–2019)")
    Markup('&lt;b&gt; 690 (2016–2019)')
    """
    marked = _RUN.sub(lambda run: f"<bdi>{run[0]}</bdi>", str(escape(cleaned(str(text)))))
    return Markup(marked)  # noqa: S704 escaped above


def lacks_in_pdf(*texts: str | None) -> bool:
    """Whether some letters of texts would stand as a lozenge in a PDF."""
    return any(_NOT_IN_PDF.search(text or "") for text in texts)
