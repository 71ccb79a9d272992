"""Names of other scripts on papers: what they would turn, and what a PDF cannot show."""

import re
import unicodedata

import pytest

from dashboard.sheets.document import (
    Column,
    Document,
    Figure,
    Figures,
    Heading,
    Table,
    Text,
    as_html,
)
from dashboard.sheets.letters import isolated, lacks_in_pdf

HEBREW, ARABIC = "\u05d0\u05d1\u05d2 \u05d3\u05d4", "\u0645\u062d\u0631\u0643"


def _turning(html):
    """Return letters that turn what stands beside them: of class R or AL (Unicode UAX 9)."""
    outside = re.sub(r"<bdi>.*?</bdi>|<title>.*?</title>", "", html)
    return [sign for sign in outside if unicodedata.bidirectional(sign) in ("R", "AL")]


@pytest.mark.parametrize("name", [HEBREW, ARABIC, f"{HEBREW}-{ARABIC}", f"x{HEBREW}x"])
def test_years_beside_a_name_from_right_to_left_are_not_turned(name):
    label = f"{name} 690 (2016–2019)"
    blocks = [
        Heading(label), Text(label), Figures([Figure(label, label, [label])]),
        Table([Column(label)], [[label]]),
    ]  # fmt: skip
    html = as_html(Document(label, f"{label}\n{label}", blocks, [label]))
    assert _turning(html) == []
    assert html.count("690 (2016–2019)") == 12
    assert "<bdi>" not in re.findall("<title>(.*?)</title>", html)[0]


def test_what_a_name_holds_of_html_stays_text():
    said = isolated(f"<b>{HEBREW}</b>\u202e & </bdi>")
    assert said == f"&lt;b&gt;<bdi>{HEBREW}</bdi>&lt;/b&gt; &amp; &lt;/bdi&gt;"


@pytest.mark.parametrize("text", [HEBREW, ARABIC, "\u30aa\u30fc\u30c8", "\u0e01", "a\u4e00"])
def test_letters_that_the_pdf_cannot_show_are_known(text):
    assert lacks_in_pdf("Halden", None, text)


@pytest.mark.parametrize("text", ["Łódź Ñandú 690", "Ωμέγα", "Мотор", "№ 5 – 100 %", ""])
def test_letters_of_europe_are_no_matter(text):
    assert not lacks_in_pdf(text)
