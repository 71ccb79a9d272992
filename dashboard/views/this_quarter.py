"""Answers "how did the quarter go: what came in, what gained, what drifted, what came back?"."""

import polars as pl
import streamlit as st

from dashboard import address, charts, export, kept_chart, past, pieces, why_panel
from dashboard.open_shop import open_shop
from dashboard.sheets.review import review_of, review_stem
from warehouse import noted, review_words, wording
from warehouse.questions import behind

SHORT = {
    "files refused or waiting": "Refused, waiting",
    "stages lean at warn or stop": "Lean, warn or stop",
    "comebacks within 60 days": "Back in 60 days",
}

shop = open_shop()

# Read
quarters = shop.ask("quarters")["quarter_label"].to_list()
if not quarters:
    pieces.nothing("No job has been taken in yet, so there is no quarter to look at.")

# Choose
quarter = address.select("quarter", "Quarter", quarters)
figures = shop.ask("quarter_figures", quarter=quarter)
missing = shop.ask("maps_off_target", quarter=quarter)
back = shop.ask("behind_comebacks_within_60_days", quarter=quarter)
dyno = shop.ask("dyno_verdicts").to_dicts()

# Show
in_short = wording.quarter_sentence(
    dict(figures.select("figure", "figure_value").iter_rows()),
    shop.ask("changes_in_quarter", quarter=quarter).to_dicts(),
    wording.counted_lean(missing.to_dicts())[0],
    back.height,
    dyno,
)
st.markdown(f"**{wording.escaped(in_short)}**")
pieces.cards(
    (
        SHORT.get(figure) or figure.capitalize(),
        wording.number(value),
        "first quarter" if before is None else f"{wording.number(before)} before",
    )
    for figure, value, before in figures.iter_rows()
)
with st.container(horizontal=True):
    export.on_click(
        "The review (PDF)",
        lambda: review_of(shop.folder, quarter, past.day()),
        f"{review_stem(quarter)}.pdf",
        "application/pdf",
        "this_quarter_review",
        icon=":material/download:",
    )
    with st.popover("Why these figures?", type="tertiary"):
        for figure in figures["figure"]:
            why_panel.behind(shop, "quarter", f"{quarter}: {figure}", f"Why: {figure}")

part = address.segments(
    "part",
    "Show",
    ("Gains", "To decide", "Maps and comebacks", "Remap need", "The dyno", "Notes", "Lists"),
)
if part == "Gains":
    summary = shop.ask("quarter_gains", quarter=quarter)
    gains = shop.ask("gains_in_quarter", quarter=quarter)
    if gains.is_empty():
        st.text("No gain was measured this quarter.")
    else:
        if not summary.is_empty():
            kept_chart.draw(
                shop,
                "this_quarter_gains",
                (quarter,),
                lambda: charts.quarter_gain_chart(summary, gains, shop.look()),
            )
        # As the review counts: a build run again unchanged is no change, like or unlike.
        changed = gains.filter(pl.col("change_kind") != "nothing")
        apart = changed.filter(~pl.col("is_pooled")).height
        undrawn = max(summary.height - charts.MOST_ROWS, 0)
        st.caption(
            f"Power {shop.power_at()}. "
            + (f"{wording.counted(undrawn, 'rarer change')} not drawn. " if undrawn else "")
            + f"Of {wording.counted(changed.height, 'comparison')}, {wording.number(apart)} in no "
            "mean: not like for like, or against an earlier job. "
            f"{wording.number(gains.height - changed.height)} more of builds run again unchanged."
        )
        with st.expander("The gains, one by one"):
            st.text(wording.real_by_chance(gains.to_dicts()))
            if noise := wording.noise_apart_from_0(gains.to_dicts()):
                st.text(noise)
            pieces.table(gains)
elif part == "To decide":
    decisions = review_words.decisions(
        shop.ask("needs_without_map").to_dicts(),
        review_words.missing_maps(shop.ask("map_revisions").to_dicts()),
        dyno,
        shop.ask(behind("files refused or waiting"), quarter=quarter).height,
        back.to_dicts(),
        shop.limits().notice_pct,
    )
    for at, (said, _) in enumerate(decisions, 1):
        st.markdown(f"{at}\\. {wording.escaped(said)}")
    if not decisions:
        st.text(review_words.NOTHING_TO_DECIDE)
elif part == "Maps and comebacks":
    said = wording.off_target_sentence(missing.to_dicts())
    if missing.is_empty():
        st.success(said)
    else:
        st.error(f"**{said}** {wording.CAUTIONS[0]}")
        pieces.table(missing)

    st.subheader("Came back within 60 days", anchor=False)
    if back.is_empty():
        st.text("No bike came back on the build it had left with.")
    else:
        pieces.table(back)
elif part == "Remap need":
    needs = shop.ask("remap_needs").head(5)
    if needs.is_empty():
        st.text("Nothing can be ranked yet.")
    for need in needs.iter_rows(named=True):
        st.markdown(f"{need['need_rank']}\\. {wording.escaped(need['sentence'])}")
    st.page_link("views/remap_need.py", label="The whole ranking →")
elif part == "The dyno":
    if not dyno:
        st.text("Nothing is known of it yet.")
    for verdict in dyno:
        st.markdown(wording.dyno_markdown(verdict))
    st.page_link("views/dyno_trust.py", label="Charts and sessions →")
elif part == "Notes":
    written = noted.with_subjects(shop.ask("notes_in_quarter", quarter=quarter))
    if written.is_empty():
        st.text("Nobody wrote a note this quarter. Notes are written on the page of a bike.")
    else:
        pieces.table(written, "noted_on noted_about noted_by note_text")
else:
    names = figures["figure"].to_list()
    opened = address.segments("figure", "The list behind a figure", names)
    rows = shop.ask(behind(opened), quarter=quarter)
    if rows.is_empty():
        st.text("None.")
    else:
        st.caption(wording.counted(rows.height, "row"))
        pieces.table(rows, settings=shop.settings)


with st.expander("What stands behind the figures"):
    st.markdown("**Settings they were made with**")
    pieces.table(shop.ask("shop_facts"))
    st.markdown("**What every published column means**")
    pieces.table(shop.ask("column_meanings"))
