"""`rollbook lake`: one store that many shops write, and anyone of them reads as of a day."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Annotated

import typer

from flows.terminal import say

lake_app = typer.Typer(
    help="Keep what many shops share in one store; read any day of it.", no_args_is_help=True
)

Place = Annotated[
    Path, typer.Argument(help="The store's folder, which all shops see.", file_okay=False)
]
Client = Annotated[
    Path | None, typer.Option(help="Python of the lake's client; needed where there is a lake.toml")
]


@lake_app.command()
def push(
    folder: Annotated[Path, typer.Argument(help="The shop's folder.", file_okay=False)],
    place: Place,
    client: Client = None,
) -> None:
    """Add what `rollbook share` shows of the newest publish; a second time adds nothing."""
    from flows.lake import give, opened
    from flows.settings import open_shop
    from warehouse.many import ManyShopsError
    from warehouse.snapshot import current

    open_shop(folder)
    snapshot = current(folder.resolve())
    if snapshot is None:
        raise ManyShopsError("nothing is published yet: run `rollbook update` first")
    with closing(opened(place.resolve(), client)) as many:
        batch, is_new = give(folder.resolve(), snapshot, many)
    did = "Added" if is_new else "Stood there already:"
    say(f"{did} publish {batch.number} of shop {batch.shop}, content {batch.content_hash[:12]}.")


@lake_app.command()
def read(
    place: Place,
    into: Annotated[Path, typer.Argument(help="Folder for share files.", file_okay=False)],
    at: Annotated[str, typer.Option(help="As it stood then: 2026-11-30, or with a time.")] = "",
    client: Client = None,
) -> None:
    """Write each shop's newest share file into a folder, for `rollbook pool`."""
    import datetime as dt

    from flows.lake import opened, take
    from warehouse.many import ManyShopsError

    try:
        then = dt.datetime.fromisoformat(at).astimezone() if at else None
    except ValueError:
        raise ManyShopsError(f'"{at}" is no day; write it as 2026-11-30') from None
    if not place.is_dir():
        raise ManyShopsError(f"there is no folder {place}")
    with closing(opened(place.resolve(), client)) as many:
        state, shops = take(many, into, then)
    say(f"Wrote share files into {into}, as of state {state}. Shops: {shops}.")
