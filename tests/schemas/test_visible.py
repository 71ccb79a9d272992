"""Control characters become signs: they act on no terminal and turn no name around."""

import unicodedata

from schemas.visible import visible
from tests.each import each

# ECMA-48: C0, DEL and C1 are Unicode's category Cc. UAX #9: what sets or turns the direction has a
# bidi class of its own; the implicit marks are named there.
# Both lie in the first 16 bits: the tags beyond turn nothing.
PLANE_0 = [chr(code) for code in range(0x10000)]
ACTING = [sign for sign in PLANE_0 if unicodedata.category(sign) == "Cc"]
TURNING = [
    sign
    for sign in PLANE_0
    if unicodedata.bidirectional(sign)
    in ("LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI")
]
MARKS = ["\u200e", "\u200f", "\u061c"]


@each([*ACTING, *TURNING, *MARKS], ascii)
def test_no_control_character_is_left(sign):
    shown = visible(f"a{sign}b")
    assert shown == f"a{sign}b" if sign in "\n\t" else sign not in shown
    assert len(shown) == 3


def test_plain_text_of_every_tongue_stays_as_it_is():
    text = "Größe λ 0.87 – 東京 ‰ עברית 👍\n\tnext line"
    assert visible(text) == text
