"""`rollbook person`: who may sign in to the pages, and as what."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from flows.terminal import console, say
from schemas.people import Role

person_app = typer.Typer(
    help="Say who may sign in to the pages: look, add, administer.", no_args_is_help=True
)

Name = Annotated[str, typer.Argument(help="A reference, as it is typed at the sign-in.")]
Shop = Annotated[Path, typer.Argument(help="The shop's folder.", file_okay=False)]


@person_app.command()
def add(
    name: Name,
    folder: Shop,
    role: Annotated[Role, typer.Option(help="look reads; add also brings in; administer all.")],
    password_file: Annotated[
        Path | None, typer.Option(help="Read the password from this file's first line.")
    ] = None,
) -> None:
    """Let a person sign in, or give one another password and role; the password is asked for."""
    from flows.people import People, PeopleError
    from flows.settings import open_shop
    from warehouse import acts

    shop, settings = open_shop(folder)
    if password_file is None:
        password = typer.prompt("Password", hide_input=True, confirmation_prompt="Once more")
    else:
        lines = password_file.read_text(encoding="utf-8-sig").splitlines()
        if not lines:
            raise PeopleError(f"{password_file} is empty; its first line is the password")
        password = lines[0]
    is_known = People(shop).add(name, role, password)
    code = "person changed" if is_known else "person added"
    acts.write(shop, [acts.Act(code, name, acts.at_terminal(), detail=role)])
    done = "has another password or role; every sign-in of before ended" if is_known else "is added"
    say(f"{name} {done}, and may {role}.")
    if not settings.network.is_open:
        say("The pages answer this machine alone as yet: see [network] in rollbook.toml.")


@person_app.command(name="list")
def list_people(folder: Shop) -> None:
    """List who may sign in."""
    from rich.table import Table

    from flows.people import People
    from flows.settings import open_shop

    shop, _ = open_shop(folder)
    people = People(shop).all()
    if not people:
        say("Nobody can sign in: `rollbook person add NAME --role administer` adds one.")
        return
    table = Table("Name", "May", "Password since")
    for person in people:
        table.add_row(person.name, person.role, person.since)
    console.print(table)


@person_app.command()
def remove(name: Name, folder: Shop) -> None:
    """Let a person sign in no more; sign-ins end at once."""
    from flows.people import People
    from flows.settings import open_shop
    from warehouse import acts

    shop, _ = open_shop(folder)
    People(shop).remove(name)
    acts.write(shop, [acts.Act("person removed", name, acts.at_terminal())])
    say(f"{name} is removed; every sign-in ended.")
