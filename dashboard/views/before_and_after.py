"""Answers "what did it gain, is that real, and is it safe to keep pulling?"."""

import polars as pl
import streamlit as st

from dashboard import charts, pieces, queries, wording
from dashboard.open_shop import open_shop

# Knock that surely stands out from its neighbours by so much is told, or told in red.
TOLD_KNOCK, LOUD_KNOCK = 1.15, 1.5
TOLD_RETARD_DEG = 0.5

shop = open_shop()

# Read
bikes = shop.ask(queries.bikes)
if bikes.is_empty():
    st.info("No bike has a usable pull yet.")
    st.stop()

# Choose
ids = bikes["bike_id"].to_list()
asked = st.query_params.get("bike")
left, right = st.columns([2, 3])
place = left.selectbox(
    "Bike (type to search)",
    range(bikes.height),
    index=ids.index(asked) if asked in ids else 0,
    format_func=lambda at: (
        f"{bikes['bike_id'][at]} · {bikes['model_label'][at]}"
        + (" · control bike" if bikes["is_control"][at] else "")
    ),
    key="before_and_after_bike",
)
bike_id = ids[place]
gains = shop.ask(queries.gains_of_bike, bike_id)
sessions = shop.ask(queries.sessions_of_bike, bike_id)
measured = {row["stage_id"]: row for row in sessions.iter_rows(named=True)}
alone = [stage for stage in measured if stage not in gains["after_stage_id"].to_list()]
choices: list[tuple[str, int | str]] = [("gain", at) for at in range(gains.height)]
choices += [("stage", stage) for stage in alone]
# A stage that was run after the last gain is what stands on the dyno now: it comes first.
latest = sessions["stage_id"][0]
if latest in alone:
    choices.sort(key=lambda choice: choice != ("stage", latest))


def choice_label(choice: tuple[str, int | str]) -> str:
    """Return what a choice is called in the list."""
    kind, which = choice
    if kind == "stage":
        session = measured[str(which)]
        return f"{session['job_id']}: {session['stage_name']}, alone"
    gain = gains.row(int(which), named=True)
    origin = "" if gain["before_job_id"] == gain["job_id"] else f"{gain['before_job_id']} "
    return (
        f"{gain['job_id']}: {origin}{gain['before_name']} → {gain['after_name']} "
        f"({gain['change_key']})"
    )


def ends_at(choice: tuple[str, int | str]) -> str:
    """Return the stage that a choice ends at."""
    kind, which = choice
    return str(which) if kind == "stage" else gains["after_stage_id"][int(which)]


asked_stage = st.query_params.get("stage")
kind, which = right.selectbox(
    "Job and stages",
    choices,
    index=next((at for at, one in enumerate(choices) if ends_at(one) == asked_stage), 0),
    format_func=choice_label,
    key=f"before_and_after_pair_{bike_id}",
)
gain = gains.row(int(which), named=True) if kind == "gain" else None
after_id = gain["after_stage_id"] if gain else str(which)
before_id = gain["before_stage_id"] if gain else None
again_id = gain["again_stage_id"] if gain else None
shown = tuple(stage_id for stage_id in (before_id, after_id, again_id) if stage_id)
mixtures = {
    row["stage_id"]: row for row in shop.ask(queries.stage_mixtures, shown).iter_rows(named=True)
}
session = measured.get(after_id)

# Show: the mixture first, because it decides whether there is a next pull.
advice = wording.advice(mixtures.get(after_id))
{
    "stop": st.error,
    "warn": st.error,
    "notice": st.warning,
    "none": st.success,
    "unknown": st.warning,
}[advice.level](f"## {advice.headline}\n{advice.what_to_do}")
probe = (mixtures.get(after_id) or {}).get("probe_place")
if before_id:
    earlier = wording.advice(mixtures.get(before_id))
    st.caption(
        f"That is the stage after the change. Before it: {earlier.headline}. "
        + (f"Probe: {wording.escaped(probe)}." if probe else "")
    )
if advice.level in ("stop", "warn"):
    st.markdown(" ".join(wording.CAUTIONS[:2]))

if gain:
    st.markdown(f"### {wording.gain_sentence(gain)}")
    st.caption(f"What changed: {wording.escaped(gain['change_label'])}.")
    if gain["drift_pct"] is not None:
        st.caption(wording.drift_sentence(gain))
    if not gain["is_like_for_like"]:
        st.warning(
            f"**Not like for like:** {wording.escaped(gain['unlike_reason'])}. "
            "This gain is kept out of every pooled figure."
        )
pulls = shop.ask(queries.pulls, shown)
if session and not session["is_corrected"]:
    noted = pulls.filter(pl.col("stage_id") == after_id)["notes"].drop_nulls()
    st.warning(wording.uncorrected_sentence(" ".join(noted)))
for stage_id in shown:
    if measured.get(stage_id) and measured[stage_id]["has_air_doubt"]:
        notes = pulls.filter((pl.col("stage_id") == stage_id) & (pl.col("notes") != ""))["notes"]
        st.warning(
            f"**Weather in doubt, {wording.escaped(measured[stage_id]['stage_name'])}:** "
            + wording.escaped(notes[0] if len(notes) else measured[stage_id]["notes"])
        )

power_at = (
    f"at {session['reference_air']} reference air"
    if session and session["is_corrected"]
    else "as measured, not corrected"
)
unit = shop.settings.show.power
look = shop.look()
entries = []
if session and session["peak_power_w"] is not None:
    entries.append(
        (
            "Peak power",
            f"{wording.number(look.shown_power(session['peak_power_w']), 1)} {unit}",
            f"at {wording.number(session['peak_power_speed_rpm'])} rpm"
            + ("" if session["is_peak_reached"] else ", where the sweeps end: still rising"),
        )
    )
if gain and gain["mean_gain_pct"] is not None:
    if gain["peak_gain_pct"] is not None:
        peak = wording.between(gain["peak_gain_lower_pct"], gain["peak_gain_upper_pct"])
        entries.append(
            (
                "Peak against peak",
                f"{wording.number(gain['peak_gain_pct'], 1, signed=True)} %",
                f"{peak} %",
            )
        )
    entries.append(
        (
            "Greatest gain",
            f"{wording.number(gain['greatest_gain_pct'], 1, signed=True)} %",
            f"at {wording.number(gain['greatest_gain_speed_rpm'])} rpm",
        )
    )
    if gain["greatest_loss_pct"]:
        entries.append(
            (
                "Greatest loss",
                f"{wording.number(gain['greatest_loss_pct'], 1, signed=True)} %",
                f"at {wording.number(gain['greatest_loss_speed_rpm'])} rpm",
            )
        )
    if gain["over_rev_rpm"]:
        entries.append(
            ("Over-rev", f"{wording.number(gain['over_rev_rpm'])} rpm", "past the old limit")
        )
pieces.cards(entries)
if entries:
    said = f"Power {power_at}."
    if gain:
        said += f" Peak against peak: {gain['verdict_at_peak']}."
    st.caption(said)

curves = shop.ask(queries.session_curves, shown)
windows = shop.ask(queries.lean_windows, shown)
after_curve = curves.filter(pl.col("stage_id") == after_id)
if after_curve.is_empty():
    st.info("This stage has no usable pull: there is no curve to draw.")
else:
    pieces.chart(
        charts.comparison_chart(
            shop.ask(queries.gain_curve, gain["gain_id"]) if gain else pl.DataFrame(),
            curves.filter(pl.col("stage_id") == before_id) if before_id else None,
            after_curve,
            windows.filter(pl.col("stage_id") == after_id),
            look,
            shop.limits(),
            names=(gain["before_name"], gain["after_name"])
            if gain
            else ("", session["stage_name"] if session else "this stage"),
            power_at=power_at,
        ),
        "before_and_after_chart",
    )
    st.caption(
        f"Power {power_at}. Shaded columns: lean windows of the later stage. Bands hold the "
        "pulls' own scatter, strapping the bike down again, and the air correction."
        + (" The line before is the first session; the gain is against both." if again_id else "")
    )

st.subheader("Lean and rich windows at full throttle", anchor=False)
if windows.is_empty():
    st.text("None beyond the notice level.")
else:
    name_of = {stage: row["stage_name"] for stage, row in measured.items()}
    pieces.table(
        windows.with_columns(
            pl.col("stage_id").replace_strict(name_of, default=None).alias("stage_name")
        ),
        {
            "stage_name": "Stage",
            "level": "Level",
            "side": "Side",
            "from_rpm": pieces.figures("From [rpm]"),
            "to_rpm": pieces.figures("To [rpm]"),
            "worst_error_pct": pieces.figures("Worst error [%]", 1, signed=True),
            "worst_lower_pct": pieces.figures("95 % from", 1, signed=True),
            "worst_upper_pct": pieces.figures("to", 1, signed=True),
            "worst_speed_rpm": pieces.figures("at [rpm]"),
            "duration_s": pieces.figures("Lasts [s]", 2),
            "pulls_showing": "Pulls showing it",
            "pulls_seen": "of",
            "peak_torque_distance_rpm": pieces.figures("From peak torque [rpm]", signed=True),
            "is_near_peak_torque": "Near peak torque",
        },
    )
    knocks = shop.ask(queries.window_knock, shown)
    told = [
        knock
        for knock in knocks.iter_rows(named=True)
        if (knock["knock_ratio_lower"] or 0) > TOLD_KNOCK
        or (knock["retard_lower_deg"] or 0) > TOLD_RETARD_DEG
    ]
    for knock in told:
        loud = knock["side"] == "lean" and (knock["knock_ratio_lower"] or 0) > LOUD_KNOCK
        say = st.error if loud else st.info
        say(
            f"{wording.escaped(knock['stage_name'])}, {wording.number(knock['from_rpm'])} to "
            f"{wording.number(knock['to_rpm'])} rpm: {wording.escaped(knock['sentence'])}."
        )
    if knocks.height and not told:
        st.text("Knock and ignition were logged and stand out in none of these windows.")
if after_id in mixtures:
    st.page_link(
        "views/fuel_change.py",
        label="What does this map need, cell by cell? →",
        query_params={"stage": after_id},
    )

st.subheader("Pulls", anchor=False)
unused = pulls.filter(~pl.col("is_used")).height
st.caption(
    f"{wording.counted(pulls.height, 'pull')}, "
    + (f"{wording.number(unused)} left out of the mean curve" if unused else "all used")
)
pieces.table(
    pulls.with_columns(
        look.shown_power(pl.col("^peak_power_(w|mid_w|lower_w|upper_w)$")),
    ),
    {
        "stage_name": "Stage",
        "pull_no": "Pull",
        "is_used": "Used",
        "trouble": "Trouble",
        "notes": "Notes",
        "peak_power_w": pieces.figures(f"Peak [{unit}]", 1),
        "peak_power_mid_w": pieces.figures(f"Peak, noise taken out [{unit}]", 1),
        "peak_power_lower_w": pieces.figures("95 % from", 1),
        "peak_power_upper_w": pieces.figures("to", 1),
        "peak_power_speed_rpm": pieces.figures("at [rpm]"),
        "peak_torque_nm": pieces.figures("Torque [N·m]", 1),
        "peak_torque_speed_rpm": pieces.figures("torque at [rpm]"),
        "reference_air": "Reference air",
        "reference_factor": pieces.figures("Our factor", 4),
        "file_standard": "File's standard",
        "file_factor": pieces.figures("File's factor", 4),
        "factor_disagreement_pct": pieces.figures("Factors differ [%]", 2),
        "probe_place": "Probe",
        "file_name": "File",
        "sha256_start": "SHA-256 begins",
    },
)

st.subheader("Part throttle, from rides", anchor=False)
cells = shop.ask(queries.cruise_cells, after_id)
rides = shop.ask(queries.rides, after_id)
if cells.is_empty():
    st.text("No ride of this stage has steady samples with a wideband reading.")
else:
    drawn = st.segmented_control(
        "Show",
        ("Lean error", "Time seen"),
        default="Lean error",
        required=True,
        key="before_and_after_cells",
    )
    pieces.chart(
        charts.cell_chart(cells, look, show_time=drawn == "Time seen"),
        "before_and_after_cell_chart",
    )
    band = shop.settings.mixture
    st.caption(
        f"Lean error in % against the wanted band, λ {band.cruise_low:g} to {band.cruise_high:g} "
        "at cruise, going to the full-throttle target from 40 to 85 %: 0 inside it. In brackets: "
        "seen for under 3 s. c: closed loop. Blank: never visited. "
        + wording.cells_sentence(cells.to_dicts())
        if drawn == "Lean error"
        else "Seconds of steady riding in each cell. Blank: never visited."
    )
if not rides.is_empty():
    pieces.table(
        rides,
        {
            "file_name": "File",
            "duration_s": pieces.figures("Length [s]"),
            "steady_s": pieces.figures("Evidence [s]"),
            "closed_loop_s": pieces.figures("Closed loop [s]"),
            "in_band_share": pieces.figures("In band [1]", 2),
            "lambda_from": "Mixture by",
            "delay_s": pieces.figures("Probe delay [s]", 2),
            "delay_lower_s": pieces.figures("95 % from", 2),
            "delay_upper_s": pieces.figures("to", 2),
            "probe_lag_s": pieces.figures("of it lag [s]", 2),
            "delay_origin": "Delay from",
            "probe_place": "Probe",
            "trouble": "Trouble",
            "left_out": pieces.wide("Left out"),
            "sha256_start": "SHA-256 begins",
        },
    )
