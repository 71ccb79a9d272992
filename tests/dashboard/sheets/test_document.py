"""Papers read back by other hands: a PDF by pypdf, HTML by the standard library's parser."""

import base64
import hashlib
import io
import os
import re
import subprocess
import sys
from html.parser import HTMLParser

import pypdf
import pytest
from PIL import Image

from dashboard import on_paper
from dashboard.drawing import Band, Cell, CellTable, Chart, Line, Marks, Panel
from dashboard.look import LIGHT
from dashboard.sheets.document import (
    Box,
    Column,
    Document,
    Figure,
    Figures,
    Heading,
    Link,
    NewPage,
    Picture,
    Table,
    Text,
    as_html,
    as_pdf,
)

A4_PT = (210 / 25.4 * 72, 297 / 25.4 * 72)  # ISO 216: 210 mm by 297 mm


def _chart(title="Wheel power [kW]", name="after"):
    speed = [3000.0, 5000.0, 7000.0]
    items = [
        Band(speed, [40, 49, 58], [42, 51, 60], LIGHT.after, 0.2, "95 %"),
        Line(speed, [41, None, 59], LIGHT.after, name),
        Marks([5000], [float("nan")], LIGHT.stop, "signal", "diamond"),
    ]
    return Chart([Panel(title, items)], "Engine speed [rpm]", LIGHT, 300, "Power")


def _cells():
    cells = {("low", "slow"): Cell(-4.0, "−4.0", ""), ("high", "fast"): Cell(15.0, "+15.0", "")}
    names = {"low": "0–20", "high": "80–100"}, {"slow": "2–4", "fast": "8–10"}
    return CellTable(cells, *names, "Throttle [%]", LIGHT, True, (-15.0, 15.0))


def _with(text: str) -> Document:
    """Return a document that has a text in every place where one can stand."""
    return Document(
        text,
        f"{text}\n{text}",
        [
            Heading(text, 2, "list"),
            Heading(text, 3),
            Text(text),
            Text(text, is_strong=True),
            Box(text, "warn", [text, text]),
            Figures([Figure(text, text, [text], "list")] * 7),
            Picture(_chart(text, text)),
            Picture(_cells()),
            Table(
                [Column(text), Column(text, "figure"), Column(text, "level"), Column(text, "code")],
                [[text, text, text, Link(text, "list")]] * 2,
            ),
            Link(text, "list"),
            Link(text, text),
            NewPage(),
            Text("The end."),
        ],
        [text, text],
    )


LETTERS = "Mixture λ 0.93, −3 °C → Dvořák, Kőszegi, Łódź, Ağrı ≥ 5 ±2"


@pytest.fixture(scope="module")
def pdf() -> bytes:
    return as_pdf(_with(LETTERS))


def _read(pdf: bytes) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(pdf), strict=True)


def _text(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in _read(pdf).pages).split())


def test_a_pdf_is_read_back_letter_for_letter(pdf):
    assert _text(pdf).count("Dvořák, Kőszegi, Łódź, Ağrı ≥ 5 ±2") >= 10
    assert "λ 0.93, −3 °C →" in _text(pdf)
    assert "The end." in _text(pdf)


def test_every_page_is_a4_with_its_number_and_the_cautions():
    pages = _read(as_pdf(Document("T", "S", [NewPage(), *[Text("a"), NewPage()] * 3], ["Own."])))
    said = [page.extract_text() for page in pages.pages]
    for number, text in enumerate(said, start=1):
        assert f"{number} / {len(said)}" in text
        assert "Own." in text
    assert all(
        abs(float(length) - wanted) < 0.5
        for page in pages.pages
        for length, wanted in zip(page.mediabox[2:], A4_PT, strict=True)
    )


def test_charts_are_lines_and_letters_and_no_image(pdf):
    pages = _read(pdf).pages
    assert sum(len(page.images) for page in pages) == 0
    assert b"/Subtype /Image" not in pdf


def test_every_font_travels_in_the_file(pdf):
    """ISO 32000-1, 9.9: an embedded TrueType font stands in its descriptor's FontFile2."""
    fonts = {
        name: font.get_object()
        for page in _read(pdf).pages
        for name, font in page["/Resources"]["/Font"].items()
    }
    assert fonts
    assert all("/FontFile2" in font["/FontDescriptor"].get_object() for font in fonts.values())


def test_links_lead_to_their_heading_and_those_to_nowhere_are_words(pdf):
    reader = _read(pdf)
    led = [
        annotation.get_object()["/Dest"][0].idnum
        for page in reader.pages
        for annotation in page.get("/Annots", [])
    ]
    # 7 figures, 2 cells, and of two links the one that leads somewhere; some are of two lines.
    assert len(led) >= 7 + 2 + 1
    assert set(led) == {reader.pages[0].indirect_reference.idnum}


def test_the_same_document_is_the_same_bytes_elsewhere_and_later(pdf):
    """The zone, the seed of hashes and the process are others; so is the minute."""
    told = (
        "import hashlib; from tests.dashboard.sheets.test_document import _with, LETTERS;"
        "from dashboard.sheets.document import as_html, as_pdf; made = _with(LETTERS);"
        "print(hashlib.sha256(as_pdf(made)).hexdigest(),"
        "hashlib.sha256(as_html(made).encode()).hexdigest())"
    )
    elsewhere = os.environ | {"TZ": "Pacific/Auckland", "PYTHONHASHSEED": "77"}
    done = subprocess.run(
        [sys.executable, "-c", told], env=elsewhere, capture_output=True, text=True, check=True
    )
    html = as_html(_with(LETTERS)).encode()
    assert done.stdout.split() == [hashlib.sha256(made).hexdigest() for made in (pdf, html)]
    assert as_pdf(_with(LETTERS)) == pdf


HOSTILE = {
    "markup": '<script>alert(1)</script><img src=x onerror="a">',
    "entities": "&amp; &lt; & \" ' {0} %s {{x}} $",
    "PDF's own signs": "(\\) <</JS (app.alert(1))>> endstream endobj %%EOF",
    "10,000 letters": "W" * 10_000,
    "2,100 letters in words": "mm " * 700,
    "right to left": "שלום עולם \u202eelif.exe\u202c مرحبا",
    "control characters": "a\x00b\x07\x1b[31m\x7f\r\n\tc\x85\u2028d",
    "half a pair": "a\ud800b",
    "beyond the font": "🏍️ 漢字 \U0001d54f \ufdd0 \uffff",
    "stacked accents": "Z" + "\u0301" * 300,
    "nothing": "",
    "spaces": "   ",
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE.keys())
def test_hostile_words_are_shown_and_break_nothing(text):
    made = _with(text)
    pdf = as_pdf(made)
    assert "The end." in _text(pdf)
    assert b"/JavaScript" not in pdf
    tags = _Tags(as_html(made))
    assert tags.open == []
    assert not {"script", "img", "iframe", "object", "link"} & set(tags.names)
    assert not [name for name in tags.attributes if name.startswith("on")]
    as_html(made).encode("utf-8")


def test_a_letter_the_font_lacks_is_a_replacement_sign_and_the_rest_stays():
    assert "Ride ◊ east" in _text(as_pdf(Document("T", "S", [Text("Ride 🏍️ east")])))


def test_what_is_longer_than_a_page_goes_on_over_the_next():
    words = " ".join(f"w{at}" for at in range(6000))
    for block in (
        Text(words),
        Box(words),
        Table([Column("a"), Column("b")], [["x", words], ["y", "last"]]),
    ):
        pdf = as_pdf(Document("T", "S", [block]))
        pages = _read(pdf).pages
        assert len(pages) > 2
        told = re.findall(r"\bw\d+\b", _text(pdf))
        assert told == [f"w{at}" for at in range(6000)]


def test_heads_stand_on_every_page_of_a_table():
    rows = [[f"B-{at:04d}", "done"] for at in range(200)]
    table = Table([Column("Bike", "code"), Column("What was done")], rows, [1, 3])
    pages = [page.extract_text() for page in _read(as_pdf(Document("T", "S", [table]))).pages]
    assert len(pages) > 2
    assert all("What was done" in page for page in pages)
    told = " ".join(pages)
    assert all(bike in told for bike, _ in rows)


def test_a_heading_stands_on_the_page_of_its_picture():
    """However much of a page is filled before it."""
    for filled in range(0, 60, 3):
        blocks = [*[Text("a")] * filled, Heading("Over it"), Text("said"), Picture(_chart())]
        pages = [page.extract_text() for page in _read(as_pdf(Document("T", "S", blocks))).pages]
        (with_heading,) = [page for page in pages if "Over it" in page]
        assert "Engine speed" in with_heading


def test_nothing_stands_outside_the_page(pdf):
    """Where each word starts, as pypdf finds it, is on the paper."""
    width, height = A4_PT
    starts = []
    for page in _read(pdf).pages:
        page.extract_text(
            visitor_text=lambda said, cm, tm, *_: (
                starts.append((tm[4] * cm[0] + cm[4], tm[5] * cm[3] + cm[5]))
                if said.strip()
                else None
            )
        )
    assert len(starts) > 50
    assert all(0 < x < width and 0 < y < height for x, y in starts)


def test_a_picture_is_as_high_as_asked():
    laid = on_paper.laid_out(_chart(), 400.0)
    assert laid.height == pytest.approx(400.0)
    assert on_paper.laid_out(_chart(), 1.0).height < 250  # never less than can be read


def test_marks_that_mean_something_else_have_another_shape():
    shapes = [
        tuple(type(shape).__name__ for shape in on_paper.laid_out(_marked(mark)).shapes)
        for mark in ("circle", "diamond", "x-thin", "line-ns-open")
    ]
    assert len(set(shapes)) == len(shapes)


def _marked(mark):
    marks = Marks([1.0, 2.0], [1.0, 2.0], LIGHT.stop, "m", mark)
    return Chart([Panel("y", [marks])], "x", LIGHT, 300, "said")


def test_an_html_paper_asks_nothing_of_any_network():
    tags = _Tags(as_html(_with(LETTERS)))
    assert all(link.startswith("#") for link in tags.links)
    assert {link[1:] for link in tags.links} <= set(tags.anchors)
    assert "default-src 'none'" in as_html(_with(LETTERS))
    assert tags.names.count("svg") == 2


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
def test_the_shops_logo_is_the_only_image(kind):
    into = io.BytesIO()
    Image.new("RGB", (300, 90), "#123456").save(into, kind)
    made = Document("T", "S", [Text("a")], logo=into.getvalue())
    (image,) = [image for page in _read(as_pdf(made)).pages for image in page.images]
    assert image.image.size == (300, 90)
    (link,) = [link for link in _Tags(as_html(made)).links if not link.startswith("#")]
    head, _, data = link.partition(",")
    assert head == f"data:image/{kind.lower()};base64"
    assert base64.b64decode(data) == into.getvalue()
    assert as_pdf(made) == as_pdf(made)


class _Tags(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.names: list[str] = []
        self.attributes: list[str] = []
        self.links: list[str] = []
        self.anchors: list[str] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.names.append(tag)
        if tag not in ("meta", "br", "img", "col"):
            self.open.append(tag)
        for name, value in attrs:
            self.attributes.append(name)
            if name in ("href", "src"):
                self.links.append(value)
            if name == "id":
                self.anchors.append(value)

    def handle_startendtag(self, tag, _attrs):
        self.names.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag
