"""The form of a job card: what stands in its fields, and the fields with their mistakes below them.

The form outlives a run of the page, and a visit to another page, in the session's memory.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping, Sequence, Set
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from dashboard.intake_desk import Held, Places, guessed_places
from dashboard.job_draft import BIKE, Draft, StageDraft, for_bike
from dashboard.shop_words import USUAL_STAGES, Known, KnownPart
from warehouse import wording

EARLIEST, LATEST = dt.date(1990, 1, 1), dt.date(2100, 12, 31)
PartKey = tuple[str, str, str]

_OF_THE_BIKE = (*BIKE, "first_year", "last_year")
_OTHER_NAMES = {"map": "map_name", "generation": "first_year", "generation_1": "last_year"}
"""Name of a card's field → its name in a draft, where they differ."""


class JobForm:
    """The form as it is filled in, for one run of the page."""

    def __init__(self, known: Known) -> None:
        self.known = known
        self._slots: dict[str, DeltaGenerator] = {}

    # What stands in the form

    def key(self, name: str) -> str:
        """Return the key of a field: each draft that is opened has fields of its own."""
        return f"bring_in_job_{st.session_state.get('bring_in_job_draft_no', 0)}_{name}"

    def get(self, name: str, default: Any = None) -> Any:
        """Return what stands in a field."""
        return st.session_state.get(self.key(name), default)

    def set(self, name: str, value: Any) -> None:
        """Write into a field, before it is drawn or after a press."""
        st.session_state[self.key(name)] = value

    def take(self, draft: Draft) -> None:
        """Fill the form with another draft."""
        memory = st.session_state
        memory["bring_in_job_draft_no"] = memory.get("bring_in_job_draft_no", 0) + 1
        for name, value in vars(draft).items():
            if name not in ("stages", "set_aside"):
                self.set(name, value)
        self.set("set_aside", [file for file, _, _ in draft.set_aside])
        for file, reason, by in draft.set_aside:
            self.set(f"why_{file}", reason)
            self.set(f"by_{file}", by)
        if draft.received and not EARLIEST <= draft.received <= LATEST:
            self.set("received", None)
        self.set("stage_ids", [])
        self.set("new_names", {})
        self.set("new_parts", [])
        # Names and patterns that a standing card brought along stay to be chosen.
        self.set("from_card", [n for stage in draft.stages for n in stage.pulls + stage.rides])
        for stage in draft.stages:
            self._put_stage(stage)

    @property
    def stage_ids(self) -> list[int]:
        """The stages in their order, by a number that stays with each."""
        return list(self.get("stage_ids", []))

    def add_stage(self) -> None:
        """Put a stage behind the last, with its map, fuel, parts and habits, without its files."""
        stage = self._stage(self.stage_ids[-1])
        # Assume that the bike came off the dyno: the interval is then wide enough.
        stage.mounting = None
        stage.suggestion_entered = False
        stage.note, stage.pulls, stage.rides = "", [], []
        order = len(self.stage_ids)
        stage.name = USUAL_STAGES[order] if order < len(USUAL_STAGES) else ""
        self._put_stage(stage)

    def remove_stage(self, stage_id: int) -> None:
        """Take a stage out; its files are under no stage then."""
        self.set("stage_ids", [one for one in self.stage_ids if one != stage_id])

    def move_up(self, stage_id: int) -> None:
        """Put a stage before the one before it."""
        ids = self.stage_ids
        at = ids.index(stage_id)
        ids[at - 1], ids[at] = ids[at], ids[at - 1]
        self.set("stage_ids", ids)

    def fit_part(self, stage_id: int, part: PartKey) -> None:
        """Fit a part to a stage; one that is new to the shop can then be chosen everywhere."""
        self.set("new_parts", [*self.get("new_parts", []), part])
        fitted = self.get(f"{stage_id}_parts", [])
        self.set(f"{stage_id}_parts", list(dict.fromkeys([*map(tuple, fitted), part])))
        for name in ("typed", "maker", "part_name"):
            self.set(f"{stage_id}_{name}", "")

    def parts(self) -> list[KnownPart]:
        """Return the parts that may be chosen: the shop's, and those new with this card."""
        fitted = [part for one in self.stage_ids for part in self.get(f"{one}_parts", [])]
        named = dict.fromkeys(map(tuple, [*self.get("new_parts", []), *fitted]))
        mine = {part.key for part in self.known.parts}
        return self.known.parts + [KnownPart(*part) for part in named if part not in mine]

    def take_bike(self, owner: str) -> None:
        """Fill in what the book says of the chosen bike, or blanks for one new to the shop."""
        chosen = self.get("bike_choice")
        known = self.known
        draft = Draft(reference=chosen or known.next_bike())
        if chosen:
            bike = known.bikes[chosen]
            for_bike(draft, bike)
            draft.year, draft.control = bike["model_year"], bool(bike["is_control"])
            draft.owner = owner
        for name in _OF_THE_BIKE:
            self.set(name, getattr(draft, name))

    def take_model(self) -> None:
        """Fill in what the book says of the chosen model, or blanks for a new one."""
        draft = Draft()
        if chosen := self.get("model_choice"):
            for_bike(draft, self.known.models()[chosen])
        for name in _OF_THE_BIKE:
            if name not in ("reference", "year", "owner", "control"):
                self.set(name, getattr(draft, name))

    def start_from(self, stage: StageDraft) -> None:
        """Make the first stage the state in which the bike left the last time."""
        first = self.stage_ids[0]
        for name in ("map_name", "map_revision", "map_from", "fuel", "gear", "tyre", "dyno"):
            self.set(f"{first}_{name}", getattr(stage, name))
        self.set(f"{first}_parts", list(stage.parts))

    def places(self) -> list[Places]:
        """Return which files stand under which stage."""
        return [
            Places(list(self.get(f"{one}_pulls", [])), list(self.get(f"{one}_rides", [])))
            for one in self.stage_ids
        ]

    def sort_files(self, held: Sequence[Held], *, anew: bool) -> list[str]:
        """Put files under stages by guess, unless a person has; return all to choose from."""
        names = [one.name for one in held]
        choices = list(dict.fromkeys([*names, *self.get("from_card", [])]))
        for one in self.stage_ids:
            for kind in ("pulls", "rides"):
                kept = [name for name in self.get(f"{one}_{kind}", []) if name in choices]
                self.set(f"{one}_{kind}", kept)
        asked = (names, len(self.stage_ids))
        # A stage that was just added has no files yet: no person has sorted it.
        placed = [place for place in self.places() if place.pulls or place.rides]
        guessed = [place for place in self.get("guess", []) if place.pulls or place.rides]
        by_hand = bool(placed) and placed != guessed
        if anew and not by_hand and self.get("guessed_for") != asked:
            guess = self._or_as_it_stands(guessed_places(held, len(self.stage_ids)))
            self.set("guess", guess)
            for one, place in zip(self.stage_ids, guess, strict=True):
                self.set(f"{one}_pulls", list(place.pulls))
                self.set(f"{one}_rides", list(place.rides))
        self.set("guessed_for", asked)
        return choices

    def _or_as_it_stands(self, guess: list[Places]) -> list[Places]:
        """Return a guess; where names do not tell the stages apart, files stay where they are."""
        standing = self.places()
        has_pulls = any(place.pulls for place in guess)
        has_rides = any(place.rides for place in guess)
        return [
            Places(one.pulls if has_pulls else stood.pulls, one.rides if has_rides else stood.rides)
            for one, stood in zip(guess, standing, strict=True)
        ]

    def elsewhere(self, stage_id: int, kind: str) -> Set[str]:
        """Return the files that stand in any other list than this one of this stage."""
        return {
            name
            for one in self.stage_ids
            for which in ("pulls", "rides")
            if (one, which) != (stage_id, kind)
            for name in self.get(f"{one}_{which}", [])
        }

    def _put_stage(self, stage: StageDraft) -> None:
        stage_id = self.get("last_stage_id", 0) + 1
        self.set("last_stage_id", stage_id)
        self.set("stage_ids", [*self.stage_ids, stage_id])
        for name, value in vars(stage).items():
            self.set(f"{stage_id}_{name}", value)

    def _stage(self, stage_id: int) -> StageDraft:
        blank = vars(StageDraft())
        return StageDraft(**{name: self.get(f"{stage_id}_{name}", blank[name]) for name in blank})

    # Its fields

    def set_aside(self, files: Sequence[str]) -> list[tuple[str, str, str]]:
        """Draw which of some pulls do not count, and the reason and the person for each."""
        # A file that left its stage stays to be chosen, or its reason would be lost unsaid.
        choices = list(dict.fromkeys([*files, *self.get("set_aside", [])]))
        chosen = self.several("Which pulls do not count", "set_aside", choices, placeholder="None")
        entries = []
        for at, file in enumerate(chosen):
            left, right = st.columns([3, 1])
            shown = wording.escaped(file)
            ways: dict[str, Any] = {"max_chars": 200, "persist_state": "session"}
            reason = left.text_input(
                f"Why {shown} does not count", key=self.key(f"why_{file}"), **ways
            )
            by = right.text_input(
                f"By whom {shown}: a reference", key=self.key(f"by_{file}"), **ways
            )
            self.slot(f"set_aside.{at}", left)
            entries.append((file, (reason or "").strip(), (by or "").strip()))
        return entries

    def slot(self, field: str, place: Any = st) -> None:
        """Keep room for what is wrong with a field."""
        self._slots[field] = place.container()

    def _drawn(self, draw: str, label: str, field: str, place: Any, **options: Any) -> Any:
        found = getattr(place, draw)(
            label, key=self.key(self._name(field)), persist_state="session", **options
        )
        self.slot(field, place)
        return found

    def _name(self, field: str) -> str:
        """Return the name in a draft of a card's field."""
        steps, prefix = field.split("."), ""
        if steps[0] == "stage":
            prefix, steps = f"{self.stage_ids[int(steps[1])]}_", steps[2:]
        elif steps[0] == "bike":
            steps = steps[1:]
        name = "_".join(steps)
        return prefix + _OTHER_NAMES.get(name, name)

    def word(self, label: str, field: str, offered: Sequence[str], place: Any = st) -> str:
        """Draw a choice among what the shop has said so far, where something new can be typed."""
        name = self._name(field)
        current = self.get(name) or None
        self.set(name, current)
        options = list(dict.fromkeys([*offered, *([current] if current else [])]))
        chosen = self._drawn(
            "selectbox", label, field, place, options=options, index=None,
            accept_new_options=True, placeholder="Choose or type",
        )  # fmt: skip
        return str(chosen or "").strip()

    def text(self, label: str, field: str, place: Any = st) -> str:
        """Draw a line to type in."""
        return (self._drawn("text_input", label, field, place) or "").strip()

    def whole(self, label: str, field: str, place: Any = st) -> int | None:
        """Draw a whole number, which may stay blank."""
        options = {"value": None, "step": 1, "format": "%d"}
        found = self._drawn("number_input", label, field, place, **options)
        return None if found is None else int(found)

    def figure(self, label: str, field: str, place: Any, *, step: float) -> float | None:
        """Draw a figure, which may stay blank."""
        options = {"value": None, "step": step, "format": "%g"}
        found = self._drawn("number_input", label, field, place, **options)
        return None if found is None else float(found)

    def tick(self, label: str, field: str, place: Any = st) -> bool:
        """Draw a box to tick."""
        return bool(self._drawn("checkbox", label, field, place))

    def day(self, label: str, field: str, place: Any) -> dt.date | None:
        """Draw a day, which may stay blank."""
        found = self._drawn(
            "date_input", label, field, place, value=None, min_value=EARLIEST, max_value=LATEST,
            format="YYYY-MM-DD",
        )  # fmt: skip
        return found if isinstance(found, dt.date) else None

    def either(self, label: str, field: str, choices: Sequence[str], place: Any) -> str:
        """Draw a choice of one, the first at first."""
        found = self._drawn(
            "segmented_control", label, field, place, options=choices, required=True
        )
        return str(found or choices[0])

    def several(self, label: str, field: str, choices: Sequence[Any], **options: Any) -> list[Any]:
        """Draw a choice of any number."""
        return list(self._drawn("multiselect", label, field, st, options=choices, **options))

    def tell(self, mistakes: Mapping[str, Sequence[str]], hidden: Collection[str]) -> None:
        """Write each mistake below its field, or below the nearest one that encloses it."""
        for field, said in mistakes.items():
            if field in hidden:
                continue
            steps = field.split(".")
            paths = [".".join(steps[:length]) for length in range(len(steps), 0, -1)]
            place = next((self._slots[path] for path in paths if path in self._slots), st)
            for sentence in said:
                place.error(wording.escaped(sentence))
