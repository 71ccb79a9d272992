"""How figures are put into words, the same everywhere."""

from __future__ import annotations


def signed_pct(value_pct: float, digits: int = 1) -> str:
    """Return a percentage with its sign; what rounds to nothing has none.

    >>> signed_pct(-0.04), signed_pct(2.14), signed_pct(-1.0)
    ('0.0', '+2.1', '−1.0')
    >>> signed_pct(-0.4, 0), signed_pct(2.6, 0)
    ('0', '+3')
    """
    rounded = round(value_pct, digits)
    # A rounded nothing may be below nothing.
    return f"{rounded:+.{digits}f}".replace("-", "−") if rounded else f"{0:.{digits}f}"
