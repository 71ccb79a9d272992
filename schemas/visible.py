"""Makes signs visible that would otherwise act: on a terminal, or on the order of what is read."""

from __future__ import annotations

_PICTURES = 0x2400
"""Unicode's pictures of the control characters 0x00 to 0x1F stand here in the same order."""
_NO_PICTURE = "\N{REPLACEMENT CHARACTER}"

_SIGNS = {
    **{code: chr(_PICTURES + code) for code in range(0x20) if chr(code) not in "\n\t"},
    0x7F: "\N{SYMBOL FOR DELETE}",
    # Terminals take the C1 controls for escape sequences too: 0x9B alone is "ESC [".
    **dict.fromkeys(range(0x80, 0xA0), _NO_PICTURE),
    # Line and paragraph separators, and all that turns the reading direction (UAX #9, table 1 and
    # its implicit marks): a name must read as it stands.
    **dict.fromkeys((0x061C, 0x200E, 0x200F, 0x2028, 0x2029), _NO_PICTURE),
    **dict.fromkeys((*range(0x202A, 0x202F), *range(0x2066, 0x206A)), _NO_PICTURE),
}


def visible(text: str) -> str:
    r"""Return a text with a sign for each control character; line feeds and tabs stay.

    >>> visible("\x1b]52;c;YQ==\x07")
    '␛]52;c;YQ==␇'
    >>> visible("\x9b31m \u202egpj.exe")
    '�31m �gpj.exe'
    """
    return text.translate(_SIGNS)
