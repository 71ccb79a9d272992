"""A pull that a person sets aside on the card: out of the figures, kept, shown, and taken back."""

import shutil

import pytest

from fixtures.odd_files import FOLDER as ODD
from tests.flows.test_repeats import in_other_words, noisy

CLUTCH = '[[set_aside]]\nfile = "pull_3.csv"\nreason = "clutch slipped"\nby = "MK"\n'


def write_card(shop, make, more="", pulls=("pull_*.csv",)):
    shop.put("job/card.toml", make.card(stages=[make.stage(pulls=pulls), more]))
    shop.work_out("out.session", "out.file")


@pytest.fixture
def job(shop, make):
    """Return a shop with a stage of three pulls, the third 4 % low."""
    for number, level in enumerate((1.0, 1.002, 0.96), start=1):
        shop.put(f"job/pull_{number}.csv", noisy(make, number, level))
    write_card(shop, make)
    return shop


def pulls(shop):
    return [
        (name, used, why or "")
        for name, used, why in shop.rows(
            "SELECT file_name, is_used, trouble FROM out.pull ORDER BY file_name"
        )
    ]


def session(shop):
    ((used, effective, peak, notes),) = shop.rows(
        "SELECT pulls_used, pulls_effective, peak_power_w, notes FROM out.session"
    )
    return used, effective, peak, notes


def test_a_pull_set_aside_is_out_of_the_figures_and_shown_with_its_reason(job, make):
    _, before, peak, notes = session(job)
    assert "pull 3: 4." in notes
    write_card(job, make, CLUTCH)
    assert pulls(job)[2] == ("pull_3.csv", False, "set aside by MK: clutch slipped")
    used, effective, now, notes = session(job)
    assert (used, notes) == (2, "pull 3 left out: set aside by MK: clutch slipped")
    # Two pulls of which none is odd are worth more than three of which one may be.
    assert effective > before
    assert now == pytest.approx(peak, rel=0.002)
    # It keeps its curve and its samples.
    assert job.rows(
        "SELECT count(*) > 50 FROM out.pull_curve JOIN out.pull USING (pull_id) WHERE NOT is_used"
    ) == [(True,)]


def test_the_next_card_takes_it_back_and_figures_follow(job, make):
    before = session(job)
    write_card(job, make, CLUTCH)
    write_card(job, make)
    assert session(job) == before
    # The card that set it aside is kept.
    texts = [text for (text,) in job.rows("SELECT card_text FROM raw.card")]
    assert sum("clutch slipped" in text for text in texts) == 1


def test_another_reason_is_shown_from_the_next_card_on(job, make):
    write_card(job, make, CLUTCH)
    write_card(job, make, CLUTCH.replace("clutch slipped", "strap came loose"))
    assert pulls(job)[2][2] == "set aside by MK: strap came loose"


def test_what_our_own_checks_left_out_stays_so(job, make):
    job.put("job/pull_3.csv", make.pull(rows=6))
    write_card(job, make)
    (_, used, why) = pulls(job)[2]
    assert not used
    write_card(job, make, CLUTCH)
    assert pulls(job)[2] == ("pull_3.csv", False, why)
    ((notes,),) = job.rows("SELECT notes FROM out.pull WHERE file_name = 'pull_3.csv'")
    assert "set aside by MK: clutch slipped" in notes
    write_card(job, make)
    assert pulls(job)[2] == ("pull_3.csv", False, why)


def test_a_stage_of_which_all_pulls_are_set_aside_is_told_and_has_no_figures(job, make):
    entries = "".join(
        f'[[set_aside]]\nfile = "pull_{number}.csv"\nreason = "wrong tyre"\n'
        for number in (1, 2, 3)
    )
    write_card(job, make, entries)
    assert job.rows("SELECT count(*) FROM out.session") == [(0,)]
    ((reason,),) = job.rows("SELECT reason FROM out.file WHERE file_name = 'card.toml'")
    assert reason == (
        "every pull of stage 1 (as arrived) is set aside: it has no curve and no gain"
    )
    assert [why for _, _, why in pulls(job)] == ["set aside: wrong tyre"] * 3
    write_card(job, make)
    assert job.rows("SELECT pulls_used FROM out.session") == [(3,)]
    assert job.rows("SELECT reason FROM out.file WHERE file_name = 'card.toml'") == [(None,)]


def test_a_file_that_the_card_does_not_name_is_refused_and_the_card_before_stays(job, make):
    write_card(job, make, CLUTCH.replace("pull_3", "run_9"))
    ((state, reason),) = job.rows("SELECT state, reason FROM out.file WHERE file_name LIKE 'card%'")
    assert state == "refused"
    assert "set_aside 1 names file 'run_9.csv', which stands under no stage's pulls" in reason
    assert session(job)[0] == 3


def test_a_file_that_only_the_pattern_takes_and_is_not_there_is_missing(job, make):
    write_card(job, make, CLUTCH.replace("pull_3", "pull_9"))
    ((state, reason),) = job.rows(
        "SELECT state, reason FROM out.file WHERE file_name = 'pull_9.csv'"
    )
    said = "the card sets this file aside, and it is not in the folder"
    assert (state, reason) == ("missing", said)
    assert session(job)[0] == 3


def test_a_copy_under_another_name_is_set_aside_as_the_same_pull(job, make):
    shutil.copy(job.folder.inbox / "job/pull_3.csv", job.folder.inbox / "job/pull_3b.csv")
    write_card(job, make, CLUTCH.replace("pull_3", "pull_3b"))
    assert [used for _, used, _ in pulls(job)] == [True, True, False]


def test_one_run_in_two_layouts_stays_set_aside_when_the_other_goes(job, make):
    shutil.copy(ODD / "layouts" / "comma-pull.toml", job.folder.layouts / "comma-pull.toml")
    run = noisy(make, 9)
    job.put("job/pull_9.csv", run)
    write_card(job, make)
    job.put("job/pull_4.csv", in_other_words(run))
    aside = CLUTCH.replace("pull_3", "pull_4")
    write_card(job, make, aside)
    assert pulls(job)[3] == (
        "pull_4.csv",
        False,
        "the same pull as pull_9.csv, exported in another layout",
    )
    # It keeps its number: nothing but the other copy's going touches it.
    write_card(job, make, aside, pulls=("pull_1.csv", "pull_2.csv", "pull_3.csv", "pull_4.csv"))
    assert pulls(job)[3] == ("pull_4.csv", False, "set aside by MK: clutch slipped")


def test_a_refused_card_after_one_that_sets_all_aside_tells_its_own_mistake(shop, job, make):
    # Bug: the reason was that of the card in force.
    write_card(shop, make, CLUTCH.replace("pull_3.csv", "pull_1.csv"), pulls=("pull_1.csv",))
    shop.put("job/card.toml", "job = \n")
    shop.work_out("out.session", "out.file")
    assert "not valid TOML" in shop.outcome("job/card.toml").reason
