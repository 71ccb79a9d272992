"""The written review: self-contained, the same each time, literal about what people typed."""

import dataclasses
import hashlib
import html
import io
import itertools
from html.parser import HTMLParser

import pypdf
import pytest

from dashboard import on_paper
from dashboard.sheets import review
from dashboard.sheets.document import as_html, as_pdf
from schemas.settings import read_settings
from warehouse import snapshot, wording


@pytest.fixture(scope="module")
def data(small_shop) -> review.ReviewData:
    current = snapshot.current(small_shop)
    with snapshot.open_reader(current.path) as reader:
        return review.gather(reader, read_settings(small_shop / "rollbook.toml"), current)


def _html(data: review.ReviewData) -> str:
    return as_html(review.document(data, is_whole=True))


def _pages(data: review.ReviewData) -> list[str]:
    pdf = as_pdf(review.document(data, is_whole=False))
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return [" ".join(page.extract_text().split()) for page in pages]


class _Tags(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.names: list[str] = []
        self.links: list[str] = []
        self.anchors: list[str] = []
        self.open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.names.append(tag)
        if tag not in ("meta", "br", "col"):
            self.open.append(tag)
        for name, value in attrs:
            if name in ("href", "src"):
                self.links.append(value)
            if name == "id":
                self.anchors.append(value)

    def handle_startendtag(self, tag, _attrs):
        self.names.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def test_a_review_needs_no_script_and_no_network(data):
    tags = _Tags(_html(data))
    assert not {"script", "link", "img", "iframe", "object"} & set(tags.names)
    assert all(link.startswith("#") for link in tags.links)


def test_every_tag_is_closed_in_its_place(data):
    assert _Tags(_html(data)).open == []


def test_every_figure_leads_to_the_list_behind_it(data):
    tags = _Tags(_html(data))
    links = len(data.owner_figures) + len(data.decisions) + len(data.figures)
    assert len(tags.links) == links
    assert {link.removeprefix("#") for link in tags.links} <= set(tags.anchors)
    assert len(tags.anchors) == len(set(tags.anchors))


def test_every_link_of_the_paper_leads_to_its_list(data):
    pdf = pypdf.PdfReader(io.BytesIO(as_pdf(review.document(data, is_whole=False))))
    links = [one for page in pdf.pages for one in page.get("/Annots", [])]
    assert len(links) >= len(data.owner_figures) + len(data.decisions) + len(data.figures)


def test_the_first_page_is_for_the_owner(data):
    """Five figures, each beside the quarter before and the same one last year; then decisions."""
    first = _pages(data)[0]
    assert len(data.owner_figures) == 5
    for row in data.owner_figures:
        assert f"in {data.previous}" in first
        assert wording.number(row["figure_value"]) in first
    assert "What needs a decision" in first
    assert len(data.decisions) <= 5
    assert all(caution in first for caution in wording.CAUTIONS)
    assert "What it gained" not in first


def test_figures_of_other_quarters_are_those_of_the_calendar(small_shop):
    """Counted here from the days on which jobs came in, without the shop's own quarters."""
    with snapshot.open_reader(snapshot.current(small_shop).path) as reader:
        came = dict(
            reader.sql(
                "SELECT job_id, min(received_on) FROM out.stage WHERE NOT is_control GROUP BY 1"
            ).fetchall()
        )
        labels = [f"{day.year} Q{(day.month + 2) // 3}" for day in came.values()]
        first = review.ask(reader, "quarters")["quarter_label"][-1]
        for label in review.ask(reader, "quarters")["quarter_label"]:
            year, quarter = int(label[:4]), int(label[-1])
            before = f"{year} Q{quarter - 1}" if quarter > 1 else f"{year - 1} Q4"
            row = review.ask(reader, "review_figures", quarter=label).row(0, named=True)
            assert row["figure"] == "jobs"
            for column, wanted in (
                ("figure_value", label),
                ("previous_value", before),
                ("year_ago_value", f"{year - 1} Q{quarter}"),
            ):
                assert row[column] == (labels.count(wanted) if wanted >= first else None)


def test_what_came_in_stands_beside_the_year_before(data):
    jobs = next(row for row in data.figures if row["figure"] == "jobs")
    assert jobs["year_ago_value"] == data.owner_figures[0]["year_ago_value"] is not None


def test_each_change_stands_once_a_bike(data):
    keys = [(row["bike_id"], row["change_kind"], row["change_key"]) for row in data.gains]
    assert len(keys) == len(set(keys))
    real = next(row for row in data.owner_figures if row["figure"] == "real gains")
    assert real["figure_value"] == sum(row["verdict"] == "real gain" for row in data.gains)


def test_a_list_cut_short_on_paper_says_how_many_rows_the_other_file_has(data):
    pulls = next(one for one in data.behind if one.figure == "pulls")
    many = [pulls._replace(rows=(pulls.rows * 30)[:30])]
    said = " ".join(_pages(dataclasses.replace(data, behind=many)))
    assert "5 more rows in the HTML file of this review." in said  # 30 less the 25 on paper
    assert "more rows in the HTML file" not in _html(dataclasses.replace(data, behind=many))


def test_a_first_quarter_says_that_nothing_is_on_record_before_it(small_shop):
    current = snapshot.current(small_shop)
    with snapshot.open_reader(current.path) as reader:
        settings = read_settings(small_shop / "rollbook.toml")
        first = review.ask(reader, "quarters")["quarter_label"][-1]
        text = _html(review.gather(reader, settings, current, first))
    assert text.count("the quarter before: not on record") == 5
    assert text.count("a year before: not on record") == 5


def test_a_review_names_the_files_and_their_hashes(data):
    text = _html(data)
    # J-0028 came in on 1 April 2026; the hash is what the small shop gave that pull.
    assert hashlib.sha256(b"J-0028/1/1").hexdigest()[:12] in text
    assert "run_11.csv" in text


def test_a_review_carries_every_caution_and_the_reference_air(data):
    text = _html(data)
    assert all(caution.replace("'", "&#39;") in text for caution in wording.CAUTIONS)
    assert "Power at SAE J1349 reference air" in text


def test_what_people_typed_stays_text(data):
    typed = '<script>alert("x")</script>'
    verdicts = [{**data.verdicts[0], "sentence": typed}]
    gains = [{**row, "change_key": typed} for row in data.summary_of_gains]
    spoilt = dataclasses.replace(data, shop_name=typed, verdicts=verdicts, summary_of_gains=gains)
    text = _html(spoilt)
    assert "<script" not in text
    assert "&lt;script&gt;" in text
    assert typed in _pages(spoilt)[0]


def test_writing_twice_gives_the_same_bytes(small_shop):
    first = [path.read_bytes() for path in review.write_review(small_shop)]
    assert [path.read_bytes() for path in review.write_review(small_shop)] == first
    assert not list((small_shop / "reports").glob(".making*"))


def test_a_review_goes_to_the_reports_under_its_quarter(small_shop):
    written = review.write_review(small_shop, quarter="2025 Q4")
    assert written == tuple(
        small_shop / "reports" / f"review-2025-Q4.{kind}" for kind in ("pdf", "html")
    )


def test_an_unknown_quarter_is_refused_with_those_there_are(small_shop):
    with pytest.raises(ValueError, match=r"quarter must be one of 2026 Q2, .*, got '1999 Q1'"):
        review.write_review(small_shop, quarter="1999 Q1")
    assert not list(small_shop.glob("reports/*1999*"))


def test_a_shop_without_a_snapshot_is_told_to_publish(unpublished_shop):
    with pytest.raises(FileNotFoundError, match="rollbook publish"):
        review.write_review(unpublished_shop)


def test_an_empty_shop_has_nothing_to_review(empty_shop):
    with pytest.raises(ValueError, match="nothing to review"):
        review.write_review(empty_shop)


def test_a_quarter_without_gains_or_dyno_is_still_written(data):
    bare = dataclasses.replace(
        data,
        summary_of_gains=[],
        gains=[],
        needs=[],
        needs_without_map=[],
        missing_maps=[],
        verdicts=[],
        checks=[],
        trust=None,
        earlier_pulls=[],
        facts=[],
    )
    assert _pages(bare)
    text = _html(bare)
    assert "No like-for-like gain was measured" in text
    assert "whether the dyno holds cannot be told: no control bike watches it" in text


def test_maps_off_target_are_told_with_the_caution(data):
    row = {
        "map_label": "Kestrel road r3",
        "model_label": "Corvane Strada 690 (2016–2019)",
        "parts_label": "no parts",
        "bike_id": "B-1",
        "job_id": "J-1",
        "stage_name": "remapped",
        "level": "stop",
        "worst_lean_error_pct": 16.0,
        "worst_speed_rpm": 7000.0,
        "is_near_peak_torque": True,
    }
    text = _html(dataclasses.replace(data, off_target=[row]))
    assert wording.off_target_sentence([row]) in html.unescape(text)
    assert text.count(wording.CAUTIONS[0]) == 3  # in front, at the maps, at the foot


@pytest.mark.parametrize(
    ("low", "high"), [(-1.0, 1.0), (0.0, 0.3), (-7.3, 12.9), (99.0, 101.0), (0.0, 12345.0)]
)
def test_ticks_are_round_numbers_inside_the_range(low, high):
    ticks = on_paper.nice_ticks(low, high)
    assert 3 <= len(ticks) <= 8
    assert all(low <= tick <= high for tick in ticks)
    steps = {round(b - a, 9) for a, b in itertools.pairwise(ticks)}
    assert len(steps) == 1
