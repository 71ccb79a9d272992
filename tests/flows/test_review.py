"""The quarter's review is written into `reports/`."""

import datetime as dt

import pytest

from flows.papers import PaperError, quarter_before, write_review


def test_a_review_of_the_latest_quarter_is_written_with_the_cautions(demo):
    pdf, path = write_review(demo.folder)
    assert pdf.read_bytes().startswith(b"%PDF-")
    assert pdf.parent == path.parent
    text = path.read_text(encoding="utf-8")
    assert path.parent == demo.folder.reports
    assert path.suffix == ".html"
    assert "can destroy an engine" in text
    assert "SAE J1349" in text


def test_a_quarter_that_never_was_is_refused(demo):
    with pytest.raises(PaperError, match="1999 Q1"):
        write_review(demo.folder, "1999 Q1")


def test_a_shop_that_published_nothing_has_no_review(shop):
    with pytest.raises(PaperError, match=r"."):
        write_review(shop.folder)


@pytest.mark.parametrize(
    ("day", "label"),
    [
        (dt.date(2026, 1, 1), "2025 Q4"),
        (dt.date(2026, 3, 31), "2025 Q4"),
        (dt.date(2026, 4, 1), "2026 Q1"),
        (dt.date(2026, 12, 31), "2026 Q3"),
    ],
)
def test_the_quarter_before_a_day_is_the_one_that_has_ended(day, label):
    assert quarter_before(day) == label
