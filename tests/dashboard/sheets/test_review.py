"""The written review: self-contained, the same each time, literal about what people typed."""

import dataclasses
import functools
import hashlib
import html
import io
import itertools
from html.parser import HTMLParser

import duckdb
import polars as pl
import pypdf
import pytest

from dashboard import on_paper
from dashboard.sheets import review
from dashboard.sheets.document import Column, Document, Heading, Table, Text, as_html, as_pdf
from schemas.settings import read_settings
from tests.warehouse.conftest import LooseStore
from warehouse import review_words, snapshot, store, wording
from warehouse.titles import COLUMNS


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


@pytest.fixture(scope="module")
def every_table():
    with duckdb.connect() as connection:
        connection.execute("SET TimeZone = 'UTC'")
        store.create(connection)
        yield connection


@pytest.fixture
def by_hand(every_table):
    """Return a warehouse without a row; its tables take rows that name only what a test needs."""
    every_table.execute("BEGIN")
    yield LooseStore(every_table)
    every_table.execute("ROLLBACK")


GAINS = [  # quarter, job, bike, stage before, stage after, kind, verdict, whether a control bike
    # Three stages: two steps, and the whole that holds both of them.
    ("2026 Q2", "J-5", "B-1", "J-5/1", "J-5/2", "parts only", "real gain", False),
    ("2026 Q2", "J-5", "B-1", "J-5/2", "J-5/3", "map only", "real gain", False),
    ("2026 Q2", "J-5", "B-1", "J-5/1", "J-5/3", "parts and map", "real gain", False),
    # Two stages: its one step is the whole.
    ("2026 Q2", "J-6", "B-2", "J-6/1", "J-6/2", "map only", "within noise", False),
    # The same bike again, and the same change: another job.
    ("2026 Q2", "J-7", "B-2", "J-6/2", "J-7/1", "parts only", "real gain", False),
    ("2026 Q2", "J-7", "B-2", "J-7/1", "J-7/2", "map only", "real gain", False),
    # Strapped down again, nothing else; then a part on the way and off again.
    ("2026 Q2", "J-8", "B-3", "J-8/1", "J-8/2", "nothing", "real gain", False),
    ("2026 Q2", "J-9", "B-4", "J-9/1", "J-9/2", "parts only", "within noise", False),
    ("2026 Q2", "J-9", "B-4", "J-9/1", "J-9/3", "nothing", "within noise", False),
    # The control bike, put on another map.
    ("2026 Q2", "J-10", "B-5", "J-10/1", "J-10/2", "map only", "real gain", True),
    # The year before: a gain in both steps, in the whole none.
    ("2025 Q2", "J-1", "B-1", "J-1/1", "J-1/2", "parts only", "real gain", False),
    ("2025 Q2", "J-1", "B-1", "J-1/2", "J-1/3", "map only", "real gain", False),
    ("2025 Q2", "J-1", "B-1", "J-1/1", "J-1/3", "parts and map", "within noise", False),
    ("2025 Q2", "J-2", "B-2", "J-2/1", "J-2/2", "map only", "real gain", False),
]


def test_a_job_counts_its_gain_once_and_only_where_something_was_changed(by_hand):
    """2026 Q2, by hand: of J-5, J-6, J-7 and J-9 all but J-6 and J-9 gained; 2025 Q2: J-2."""
    by_hand.put("out.quarter", {"quarter_label": "2025 Q2"},
                {"quarter_label": "2026 Q2", "previous_label": "2026 Q1"})  # fmt: skip
    by_hand.loosen("out.quarter_figure")
    by_hand.loosen("out.stage_mixture")
    by_hand.loosen("out.gain")
    stages = {}
    for quarter, _, bike, before, after, kind, verdict, is_control in GAINS:
        for stage in (before, after):
            job, number = stage.split("/")
            stages[stage] = {
                "stage_id": stage, "job_id": job, "bike_id": bike, "stage_no": int(number),
                "stage_name": f"stage {number}", "quarter_label": quarter, "map_name": "stock",
                "is_control": is_control,
            }  # fmt: skip
        by_hand.put("out.gain", {
            "gain_id": f"{before} {after}", "job_id": after.split("/")[0], "bike_id": bike,
            "before_stage_id": before, "after_stage_id": after, "change_kind": kind,
            "change_key": kind, "verdict": verdict, "mean_verdict_p": 0.01, "is_pooled": True,
            "unlike_reason": "[]",
        })  # fmt: skip
    by_hand.put("out.stage", *stages.values())
    ask = functools.partial(review.ask, by_hand.connection, quarter="2026 Q2")
    listed = ask("changes_in_quarter")
    assert sorted(listed.select("job_id", "stages_named", "verdict").rows()) == [
        ("J-5", "stage 1 → stage 3", "real gain"),
        ("J-6", "stage 1 → stage 2", "within noise"),
        ("J-7", "stage 1 → stage 2", "real gain"),
        ("J-9", "stage 1 → stage 2", "within noise"),
    ]
    said = wording.quarter_sentence({}, listed.to_dicts(), 0, 0, [])
    assert "2 of 4 jobs measured before and after gave a real gain" in said
    figure = ask("review_figures").filter(pl.col("figure") == "real gains").row(0, named=True)
    assert (figure["figure_value"], figure["year_ago_value"]) == (2, 1)


def test_headline_figure_and_list_count_the_same(data):
    jobs = [row["job_id"] for row in data.gains]
    assert len(jobs) == len(set(jobs)) > 0
    real = next(row for row in data.owner_figures if row["figure"] == "real gains")
    assert real["figure_value"] == sum(row["verdict"] == "real gain" for row in data.gains)
    assert f"{real['figure_value']:g} of {len(jobs)} jobs measured" in data.summary
    assert review_words.HOW_GAINS_COUNT in html.unescape(_html(data))


@pytest.mark.parametrize(
    ("sound", "doubtful", "said"),
    [
        (0, 0, "no control bike watches it"),
        (7, 0, "the control bike has 7 of the 8 sessions needed"),
        (3, 4, "the control bike has 3 of the 8 sessions needed"),
    ],
)
def test_a_control_bike_on_its_way_is_told_with_what_it_lacks(by_hand, sound, doubtful, said):
    by_hand.put("out.dyno_verdict", {
        "verdict_no": 1, "subject": "the dyno", "is_of_dyno": True, "state": "unknown",
        "told": '{"code": "not watched", "needed": 8, "pairs": 0, "share_pct": null}',
    })  # fmt: skip
    by_hand.loosen("out.session")
    by_hand.loosen("out.stage")
    for number in range(sound + doubtful):
        by_hand.put("out.stage", {"stage_id": str(number), "is_control": True, "dyno": ""})
        by_hand.put("out.session", {
            "stage_id": str(number), "is_corrected": True, "has_air_doubt": number >= sound,
        })  # fmt: skip
    by_hand.put("out.stage", {"stage_id": "customer", "is_control": False, "dyno": ""})
    by_hand.put(
        "out.session", {"stage_id": "customer", "is_corrected": True, "has_air_doubt": False}
    )
    verdicts = review.ask(by_hand.connection, "dyno_verdicts").to_dicts()
    assert wording.dyno_in_short(verdicts) == f"whether the dyno holds cannot be told: {said}"


def test_doubts_of_the_weather_alone_are_not_told_as_the_dyno_s():
    holds = {"state": "good", "subject": "the dyno", "is_of_dyno": True}
    weather = {"state": "watch", "subject": "weather station", "is_of_dyno": False}
    bike = {"state": "watch", "subject": "control bike B-1", "is_of_dyno": False}
    said = wording.dyno_in_short([holds, weather])
    assert said == "the dyno holds; the weather station needs watching"
    assert wording.dyno_in_short([holds, weather, bike]) == "the dyno needs watching"


def _blocks(data: review.ReviewData, *, is_whole: bool, kind: type) -> list:
    blocks = review.document(data, is_whole=is_whole).blocks
    return [block for block in blocks if isinstance(block, kind)]


def test_a_list_on_paper_has_at_most_eight_columns_and_the_other_file_all(data):
    pulls = next(one for one in data.behind if one.figure == "pulls")
    data = dataclasses.replace(data, earlier_pulls=pulls.rows)
    assert max(len(one.columns) for one in _blocks(data, is_whole=False, kind=Table)) <= 8
    whole = _blocks(data, is_whole=True, kind=Table)
    known = sum(name in COLUMNS for name in pulls.rows[0])
    assert known > 8
    assert known in {len(one.columns) for one in whole}


def test_settings_stand_in_the_other_file_only(data):
    titles = [[column.title for column in one.columns]
              for one in _blocks(data, is_whole=False, kind=Table)]  # fmt: skip
    facts = [COLUMNS[name].title for name in data.facts[0] if name in COLUMNS]
    assert facts not in titles
    whole = _blocks(data, is_whole=True, kind=Table)
    assert facts in [[column.title for column in one.columns] for one in whole]


def test_no_word_of_a_table_is_broken_while_there_is_room():
    """Eight heads of which one is long: the short ones keep their letters together."""
    long = " ".join(["misfuelling"] * 30)
    heads = ["Fuel", "Came", "Job", "Bike", "Level", "Map", "Stage", "Parts"]
    row = ["E85", "03 May 2026", "J-0001", "B-0001", "notice", "stock", "remapped", long]
    file_names = ["a-name-of-a-file-without-a-blank-in-it-" * 4] * 6
    for table in (
        Table([Column(head) for head in heads], [row]),
        Table([Column(head) for head in [*heads, *"abcdef"]], [[*row, *file_names]]),
    ):
        text = _text(Document("A", "B", [table]))
        for word in [*heads, "remapped", "misfuelling", "notice"]:
            assert f" {word} " in f" {text} "


def test_a_heading_stands_on_the_page_of_its_table():
    """Down a page step by step: wherever it ends, heading and first row are not parted."""
    head = " ".join(["wordy"] * 40)
    table = Table([Column(head), Column("x")], [["first row " * 12, "y"]], [10, 90])
    for lines in range(30, 60):
        blocks = [*[Text("filler")] * lines, Heading("Listed here"), table]
        pdf = as_pdf(Document("A", "B", blocks))
        pages = [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]
        assert [("Listed here" in page) for page in pages] == [
            "first row" in page for page in pages
        ]


def _text(document: Document) -> str:
    pages = pypdf.PdfReader(io.BytesIO(as_pdf(document))).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def test_an_empty_list_says_none(data):
    text = _html(dataclasses.replace(data, earlier_pulls=[], steps=[]))
    assert "Nothing stands behind" not in text
    assert '<p class="plain">None.</p>' in text


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
        steps=[],
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
