"""How figures are put into words, the same everywhere."""

from __future__ import annotations


def signed_pct(value_pct: float) -> str:
    """Return a percentage with its sign; what rounds to nothing has none.

    Parameters
    ----------
    value_pct : float
        Value. [%]

    Returns
    -------
    str
        With one decimal, without the percent sign.

    Examples
    --------
    >>> signed_pct(-0.04), signed_pct(2.14), signed_pct(-1.0)
    ('0.0', '+2.1', '−1.0')
    """
    rounded = round(value_pct, 1)
    return f"{rounded:+.1f}".replace("-", "−") if rounded else "0.0"


def whole_pct(value_pct: float) -> str:
    """Return a percentage in whole figures with its sign; what rounds to nothing has none.

    Parameters
    ----------
    value_pct : float
        Value. [%]

    Returns
    -------
    str
        The figure without a unit.

    Examples
    --------
    >>> whole_pct(-0.4), whole_pct(2.6), whole_pct(-1.2)
    ('0', '+3', '−1')
    """
    rounded = round(value_pct)
    return f"{rounded:+d}".replace("-", "−") if rounded else "0"
