"""Answers "what may I quote?" for a model and a change, also for one that was never done."""

import polars as pl
import streamlit as st

from dashboard import address, charts, kept_chart, pieces, why_panel
from dashboard.dots import twenty_dots
from dashboard.open_shop import open_shop
from warehouse import everywhere, quote, wording

shop = open_shop()

# Read
models, changes = shop.ask("quote_models"), shop.ask("quote_changes")
if models.is_empty():
    pieces.nothing("Nothing can be quoted yet: no bike was taken in.")


@st.fragment
def draw_quote() -> None:
    """Draw what may be quoted for a model and a change."""
    # Choose
    left, right = st.columns(2)
    model = pieces.choose(
        "Model", models, lambda row: row["model_label"], asked=("model", "model_id"),
        place=left,
    )  # fmt: skip
    change = address.select(
        "change",
        "Change: choose one, or write one that is not in the list",
        changes["change_key"].to_list(),
        place=right,
        accept_new_options=True,
    )
    if not change:
        pieces.nothing("No change was measured yet: write what the customer asks for.")
    figure = address.segments("figure", "Figure", list(quote.FIGURES))
    found = shop.quote(model["model_id"], model["model_label"], change, figure)

    # Show
    for sentence in found.sentences:
        st.markdown(f"### {wording.escaped(sentence)}")
    if found.caution:
        st.warning(f"**{wording.escaped(found.caution)}**", icon=":material/warning:")
    if found.row is not None:
        why_panel.behind(shop, quote.WHY_KINDS[figure], found.row["effect_id"])
    if found.row is not None:
        dots, beside = st.columns([1, 3], vertical_alignment="center")
        dots.image(twenty_dots(19, shop.look().palette), alt="19 of 20 dots are full")
        beside.markdown(
            "**19 of 20 fall into such a range, one does not**, and nobody can tell which. "
            f"Power {wording.escaped(shop.power_at())}."
        )
    st.subheader("What stands behind it", anchor=False)
    for said in filter(None, (*found.evidence, found.promises, found.promises_of_change)):
        st.markdown(f"- {wording.escaped(said)}")
    st.caption(
        "Holds for a sound bike on the same fuel, measured as usual. A quote is no promise of a "
        "part's maker, and the ranges know only bikes that were measured here."
    )

    shared = shop.ask(
        "here_and_everywhere", model_id=model["model_id"], change_key=change, figure=figure
    )
    if not shared.is_empty():
        st.subheader("Here and everywhere", anchor=False)
        for said in everywhere.here_and_everywhere(shared.row(0, named=True)):
            st.markdown(f"- {wording.escaped(said)}")
        by_parts = shared.filter(pl.col("fitted_parts").is_not_null())
        if not by_parts.is_empty():
            with st.expander(f"Everywhere, by the parts that were fitted: {by_parts.height}"):
                pieces.table(
                    by_parts,
                    "fitted_parts shops bikes own_bikes mean_pct lower_pct upper_pct",
                )
        st.caption(
            "Everywhere is what other shops say in their share files, this one among them. Nobody "
            "here saw those pulls, and a shop that shares only its best runs raises the mean. "
            "None of it goes into the quote above."
        )

    curve = shop.ask("pooled_curve", change_key=change, model_id=model["model_id"])
    if not curve.is_empty():
        st.subheader("Over speed", anchor=False)
        kept_chart.draw(
            shop,
            "quote_curve",
            (change, model["model_id"]),
            lambda: charts.pooled_curve_chart(curve, shop.look()),
        )
        of_model = curve["scope"][0] == "one model"
        st.caption(
            f"From {wording.counted(max(curve['bikes'].to_list()), 'bike')} "
            + (
                "of this model alone, nothing borrowed: it may differ a little from the quote. "
                if of_model
                else "of all models, for a bike of another one. "
            )
            + "The bands hold at each speed by itself. Drawn where half of the bikes were seen."
        )

    odd = shop.ask("odd_bikes", change_key=change)
    st.subheader("Bikes that do not fit the others", anchor=False)
    st.text(wording.odd_sentence(int(odd["is_odd"].sum()), odd.height))
    if odd["is_odd"].any():
        pieces.table(
            odd.filter("is_odd"),
            "bike_id model_label job_id gain_pct foretold_lower_pct foretold_upper_pct off_sd "
            "false_share look_at",
        )
        st.caption(
            "Each against the bikes without it: of its model where there are three others, else of "
            "all. The last share is over all bikes of the shop: keep all down to a row, and no "
            "more of them are wrong on average."
        )

    promises = shop.ask("promises", change_key=change, figure=figure)
    if not promises.is_empty():
        with st.expander(f"Quotes for this change, and what came: {promises.height}"):
            pieces.table(
                promises,
                "run_on model_label bike_id bikes other_bikes measured_lower_pct "
                "measured_upper_pct shown_pct is_held",
            )
            st.caption(
                "Each from the bikes of earlier days alone, of this model and of others; what the "
                "dyno scatters by is taken as it is known now."
            )
    if not found.left_out.is_empty():
        with st.expander(f"Left out: {wording.counted(found.left_out.height, 'comparison')}"):
            pieces.table(
                found.left_out,
                "run_on model_label bike_id mean_gain_pct left_out_for unlike_reason",
            )


draw_quote()

parts = shop.ask("attributions")
if not parts.is_empty():
    st.subheader("What each part gives by itself", anchor=False)
    for part in parts.filter(pl.col("next_job").is_not_null()).iter_rows(named=True):
        st.text(wording.apart_sentence(part))
    pieces.table(
        parts,
        "part_change verdict mean_pct lower_pct upper_pct bikes alone_bikes comparisons",
    )
    st.caption(
        "Over all models, out of all comparisons at once: what was changed together is taken "
        "apart by what was also changed alone. Effects are taken to add: what a remap gives "
        "beyond its usual on an open exhaust counts as a difference between bikes. One part is "
        f"found to differ by {wording.number(parts['between_bikes_sd_pct'][0], 1)} % from bike to "
        f"bike and {wording.number(parts['between_models_sd_pct'][0], 1)} % from model to model "
        "(1 SD)."
    )
measured = shop.ask("measured_changes")
if not measured.is_empty():
    real, kept = measured["is_real_alone"].sum(), measured["is_held_by_fdr"].sum()
    with st.expander(f"Every change that was measured, by model: {measured.height}"):
        st.text(wording.by_chance(int(real), int(kept), measured.height))
        pieces.table(
            measured,
            "model_label change_key bikes own_mean_pct own_lower_pct own_upper_pct is_real_alone "
            "is_held_by_fdr false_share",
        )
        st.caption(
            "Ranked by what is sure, the lower end. Range and chance here are both from the bikes "
            "of the model alone; the quote above borrows from other models, so its range is "
            "another. Where the last share is low, few of those down to it are wrong."
        )
