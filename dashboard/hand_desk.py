"""What a person decides on a page about a job: a pull set aside or taken back, a card put back.

Nothing here draws. It ends as a new card in the inbox, like every other word of people; the card
before it stays in the archive.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from dashboard.intake_desk import NotWrittenError, StandingCard, standing_card, write_job
from dashboard.open_shop import OpenShop
from schemas.card import JobCard, SetAside, read_card
from schemas.card_files import one_form
from schemas.card_text import card_text
from schemas.toml_text import MistakesError
from warehouse import archived
from warehouse.shop import ShopFolder

_OURS: dict[Path, str] = {}
"""The card that these pages wrote last into a folder, by its hash: it can be built on at once."""


def set_aside(shop: OpenShop, job_id: str, file_name: str, reason: str, person: str = "") -> None:
    """Write on the job's card that a pull counts in no figure, and why.

    Raises NotWrittenError, saying what to do, where the card cannot be changed. Raises OSError if
    the disk does not take it.
    """
    if not reason.strip():
        raise NotWrittenError("a pull is set aside for a reason; write it down")
    try:
        entry = SetAside(file=file_name, reason=reason, by=person.strip() or None)
    except ValueError:
        raise NotWrittenError(
            "the reason may have 200 characters, the person's reference 60, and no NUL among them"
        ) from None
    _rewrite(shop, job_id, lambda entries: [*_without(entries, file_name), entry])


def take_back(shop: OpenShop, job_id: str, file_name: str) -> None:
    """Take a pull's entry off the job's card, so that it counts again.

    Raises what set_aside raises.
    """
    _rewrite(shop, job_id, lambda entries: _without(entries, file_name))


def put_card_back(shop: OpenShop, folder: str, sha256: str) -> None:
    """Write an earlier version of a folder's card over the one that took its job out of the shop.

    Raises what set_aside raises.
    """
    home = ShopFolder(shop.folder)
    standing = standing_card(home.inbox, folder)
    kept = shop.ask("card_versions", job_folder=folder)
    known = kept["file_sha256"].to_list()
    if standing is None or standing.sha256 not in known or sha256 not in known:
        raise NotWrittenError(
            f"the card in folder {folder} was changed again; nothing was written. Wait for the "
            "next update, then look again"
        )
    try:
        before = archived.whole(home, sha256)
    except archived.GoneError:
        raise NotWrittenError(
            "the archive's copy of that card is damaged; nothing was written"
        ) from None
    write_job(home.inbox, folder, [], before.decode("utf-8-sig"), replaces=standing.sha256)


def set_aside_on_card(shop: OpenShop, job_id: str) -> list[SetAside]:
    """Return the pulls that the card in the inbox sets aside, also those not taken in yet."""
    try:
        _, card = _card_of(shop, job_id)
        return read_card(card.text).set_aside
    except (NotWrittenError, MistakesError, OSError):
        return []


def _without(entries: list[SetAside], file_name: str) -> list[SetAside]:
    return [one for one in entries if one_form(one.file) != one_form(file_name)]


def _rewrite(
    shop: OpenShop, job_id: str, changed: Callable[[list[SetAside]], list[SetAside]]
) -> None:
    folder, standing = _card_of(shop, job_id)
    inbox = ShopFolder(shop.folder).inbox
    # A card that is not archived yet must not be written over: somebody's words would be lost.
    kept = shop.ask("card_versions", job_folder=folder)["file_sha256"].to_list()
    if standing.sha256 not in (*kept, _OURS.get(inbox / folder)):
        raise NotWrittenError(
            f"the card in folder {folder} was changed by somebody and is not taken in yet; nothing "
            "was written. Wait for the next update, look at the job again, then do it once more"
        )
    try:
        card = read_card(standing.text)
        content = card.model_dump(by_alias=True)
        content["set_aside"] = [one.model_dump() for one in changed(list(card.set_aside))]
        text = card_text(JobCard.model_validate(content), standing.text)
        read_card(text)
    except MistakesError as error:
        told = "; ".join(error.mistakes)
        raise NotWrittenError(f"the card has mistakes, put them right first: {told}") from None
    except ValueError:
        raise NotWrittenError(
            f"the card of job {job_id} names no such pull; correct the card instead"
        ) from None
    if text != standing.text:
        write_job(inbox, folder, [], text, replaces=standing.sha256)
        written = standing_card(inbox, folder)
        _OURS[inbox / folder] = written.sha256 if written else ""


def _card_of(shop: OpenShop, job_id: str) -> tuple[str, StandingCard]:
    """Return the folder of a job and the card that lies in it now."""
    jobs = dict(shop.ask("known_jobs").select("job_id", "job_folder").iter_rows())
    if job_id not in jobs:
        raise NotWrittenError(f"job {job_id} is not in the book")
    standing = standing_card(ShopFolder(shop.folder).inbox, jobs[job_id])
    if standing is None:
        raise NotWrittenError(
            f"the card of job {job_id} is no longer in the inbox; put it back into folder "
            f"{jobs[job_id]}, or bring the job in anew under its number"
        )
    return jobs[job_id], standing
