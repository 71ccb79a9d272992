"""Answers "what may I quote?" for a model and a change, also for one that was never done."""

import streamlit as st

from dashboard import pieces
from dashboard.dots import twenty_dots
from dashboard.open_shop import open_shop
from warehouse import quote, wording

shop = open_shop()

# Read
models, changes = shop.ask("quote_models"), shop.ask("quote_changes")
if models.is_empty():
    pieces.nothing("Nothing can be quoted yet: no bike was taken in.")

# Choose
left, right = st.columns(2)
model = pieces.choose(
    "Model", models, lambda row: row["model_label"], "quote_model", asked=("model", "model_id"),
    place=left,
)  # fmt: skip
asked = st.query_params.get("change")
change = right.selectbox(
    "Change: choose one, or write one that is not in the list",
    list(dict.fromkeys([*filter(None, [asked]), *changes["change_key"]])),
    key="quote_change",
    accept_new_options=True,
)
if not change:
    pieces.nothing("No change was measured yet: write what the customer asks for.")
figure = pieces.switch("Figure", list(quote.FIGURES), "quote_figure")
found = shop.quote(model["model_id"], model["model_label"], change, figure)

# Show
for sentence in found.sentences:
    st.markdown(f"### {wording.escaped(sentence)}")
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
    "Holds for a sound bike on the same fuel, measured as usual. A quote is no promise of a part's "
    "maker, and the ranges know only bikes that were measured here."
)
promises = shop.ask("promises", change_key=change, figure=figure)
if not promises.is_empty():
    with st.expander(f"Quotes for this change, and what came: {promises.height}"):
        pieces.table(
            promises,
            "run_on model_label bike_id bikes other_bikes measured_lower_pct measured_upper_pct "
            "shown_pct is_held",
        )
        st.caption(
            "Each from the bikes of earlier days alone, of this model and of others; what the "
            "dyno scatters by is taken as it is known now."
        )
if not found.left_out.is_empty():
    with st.expander(f"Left out: {wording.counted(found.left_out.height, 'comparison')}"):
        pieces.table(
            found.left_out, "run_on model_label bike_id mean_gain_pct left_out_for unlike_reason"
        )
