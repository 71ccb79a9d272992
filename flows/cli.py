"""The command line: one command a job, each with its progress and plain errors.

Heavy imports wait inside the commands, so that `rollbook --help` answers at once.
"""

from __future__ import annotations

import contextlib
import os
import shlex
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from flows.cli_lake import lake_app
from flows.cli_layout import layout_app
from flows.cli_person import person_app
from flows.terminal import console, say, set_up_streams
from warehouse.shop import keep_to_owner

app = typer.Typer(
    name="rollbook",
    help="A motorcycle shop's memory of every dyno pull and road log.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

app.add_typer(layout_app, name="layout")
app.add_typer(person_app, name="person")
app.add_typer(lake_app, name="lake")

Shop = Annotated[
    Path, typer.Argument(help="The shop's folder.", show_default=False, file_okay=False)
]
WAIT_S = 60.0
"""How long a command waits for another writer before it says so."""
INTERRUPTED = 130
"""What shells expect of a command that Ctrl-C ended: 128 and the signal's number."""
FAULT = 70
"""Exit code of a fault of our own: EX_SOFTWARE of BSD's sysexits, from memory."""


def main() -> None:
    """Run the command line; known errors are told in plain words, without a traceback."""
    set_up_streams()
    theirs = keep_to_owner()
    try:
        # Not standalone: usage errors quote what was typed and must pass our own terminal too.
        code = app(standalone_mode=False, obj=theirs) or 0
    except Exception as error:  # noqa: BLE001 the last place where one can be told
        code = _tell_error(error)
    if code == INTERRUPTED:
        say("Stopped. Run the same command again; it goes on where it was.")
    sys.exit(code)


def _tell_error(error: Exception) -> int:
    """Print an error as what it is; return the exit code."""
    if isinstance(told := getattr(error, "format_message", None), Callable):
        context = getattr(error, "ctx", None)
        usage = f"{context.get_usage()}\n" if context else ""
        # Called without anything, the help was printed and there is nothing to add.
        if type(error).__name__ != "NoArgsIsHelpError":
            say(f"{usage}Error: {told()}", style="bold red")
        return getattr(error, "exit_code", 2)
    say(told_of(error, *map(Path, sys.argv[1:])), style="bold red")
    return 1 if _is_known(error) else FAULT


def told_of(error: Exception, *places: Path) -> str:
    """Return an error in words; an unexpected one is kept whole in the log of a shop."""
    return _told(error) if _is_known(error) else _fault(error, *places)


def _is_known(error: Exception) -> bool:
    from warehouse.damage import plainly

    names = {
        "MistakesError",
        "NotAShopError",
        "ShopIsBusyError",
        "DamagedError",
        "BrokenRuleError",
        "PaperError",
        "PortTakenError",
        "ServingError",
        "TeachError",
        "UnreadableError",
        "CannotWriteError",
        "NothingKnownError",
        "NoSuchFigureError",
        "BackupError",
        "PeopleError",
        "NotPrivateError",
        "HistoryError",
        "ManyShopsError",
        "TryError",
        "NewerShopError",
    }
    return (
        any(kind.__name__ in names for kind in type(error).__mro__)
        or isinstance(error, (FileExistsError, IsADirectoryError, NotADirectoryError))
        or bool(plainly(error))
    )


def _told(error: Exception) -> str:
    from warehouse.damage import plainly

    if told := plainly(error):
        return told
    mistakes = getattr(error, "mistakes", None)
    if mistakes:
        return f"{error.source} has mistakes:\n" + "\n".join(f"  {m}" for m in mistakes)  # type: ignore[attr-defined]
    remedy = getattr(error, "remedy", "")
    return f"{error}. {remedy}" if remedy else str(error)


def _fault(error: Exception, *places: Path) -> str:
    """Write an unexpected error with its traceback into the log, and say where that is."""
    shops = [place for place in places if _is_shop(place)]
    folder = shops[0] / "warehouse" if shops else Path(tempfile.gettempdir()) / "rollbook"
    log = folder / "logs" / "fault.txt"
    text = "".join(traceback.format_exception(error))
    with contextlib.suppress(OSError):
        log.parent.mkdir(parents=True, exist_ok=True)
        log.write_text(f"{shlex.join(sys.argv)}\n\n{text}", encoding="utf-8", errors="replace")
    said = " ".join(str(error).split())[:160]
    return (
        f"This is a fault of Rollbook, not of your files ({type(error).__name__}: {said}). Nothing "
        f"is half-written; what happened stands in {log}"
    )


def _is_shop(folder: Path) -> bool:
    return (folder / "rollbook.toml").is_file()


@contextlib.contextmanager
def _progress() -> Iterator[Callable[[int, int, str], None]]:
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    bars: dict[str, Any] = {}
    with Progress(
        TextColumn("{task.description:<22}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=console,
        transient=True,
    ) as progress:

        def tell(done: int, total: int, word: str) -> None:
            if word not in bars:
                bars[word] = progress.add_task(word, total=total)
            progress.update(bars[word], completed=done, total=total)

        yield tell


@app.command()
def init(folder: Shop) -> None:
    """Make an empty shop folder with commented settings."""
    from flows.settings import init_shop

    was_there = _is_shop(folder)
    shop = init_shop(folder)
    did = (
        f"There is a shop in {folder} already; it was left as it is"
        if was_there
        else (f"Made a shop in {folder}")
    )
    say(f"{did}. Next:")
    say(
        f"  1. Look through {shop.settings.name}, above all altitude_m.\n"
        f"  2. {_command('dashboard', folder)}\n"
        "     Its page 'Teach a layout' learns your files from one of them; its page 'Bring in a\n"
        "     job' takes files and writes the job's card.\n"
        "  Or by hand: describe your files in layouts/, put one folder a job into inbox/, with a\n"
        f"  card.toml beside its files (card-example.toml is one to copy), and run\n"
        f"  {_command('update', folder)}"
    )


@app.command()
def demo(
    folder: Shop,
    scale: Annotated[float, typer.Option(help="Size; 1 is the whole demo shop.")] = 1.0,
    files_only: Annotated[bool, typer.Option(help="Write the files, run nothing.")] = False,
) -> None:
    """Make an invented demo shop and print the three answers of it."""
    from fixtures.demo_shop import demo_shop, marked, write_shop

    started = time.monotonic()
    if folder.exists() and any(folder.iterdir()) and not _begins(folder, marked(scale)):
        # A real shop must not get invented jobs into its archive: they could never be taken out.
        say(
            f"{folder} holds other things than a demo shop of size {scale:g}; name a new folder.",
            style="bold red",
        )
        raise typer.Exit(1)
    with _progress() as tell:
        invented = demo_shop(scale=scale)
        write_shop(folder, invented, progress=tell)
    say(f"Demo shop written to {folder}: everything in it is invented. ({_since(started)})")
    if files_only:
        return
    _update(folder, complete=True)
    say(_truth(folder, invented), style="dim")
    say(f"Done in {_since(started)}.")
    _say_how_to_look(folder)


Complete = Annotated[
    bool, typer.Option("--complete", help="Say that no file in the inbox is still being written.")
]


@app.command()
def update(folder: Shop, complete: Complete = False) -> None:
    """Intake, derive and publish in one go; print the three answers."""
    _update(folder, complete)
    _say_how_to_look(folder)


@app.command("try-out")
def try_out(
    folder: Shop,
    set_: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="KEY=VALUE", help='Such as "mixture.warn_pct=12".'),
    ] = None,
    settings: Annotated[
        Path | None, typer.Option(help="Try these settings.", dir_okay=False, exists=True)
    ] = None,
    layout: Annotated[
        list[Path] | None, typer.Option(help="Try this layout.", dir_okay=False, exists=True)
    ] = None,
    apply: Annotated[
        bool, typer.Option("--apply", help="Apply what was tried last, and update.")
    ] = False,
    full: Annotated[bool, typer.Option("--full", help="Every step and sentence.")] = False,
) -> None:
    """Show on a copy what a change would alter, before it acts."""
    from flows import trial
    from flows.trial_answers import print_trial
    from warehouse.shop import ShopFolder

    shop = ShopFolder(folder.resolve())
    if apply and (set_ or settings or layout):
        raise typer.BadParameter("--apply applies what was tried last: leave the rest out")
    if not apply:
        if not shop.exists():
            _open(folder)
        change = trial.changed(shop, set_ or [], settings, layout or [])
        started = time.monotonic()
        with _progress() as tell:
            print_trial(shop, change, tell, full=full, wait_s=WAIT_S)
        say(f"That took {_since(started)}. Apply it: {_command('try-out', folder)} --apply")
        return
    again = shlex.join(trial.asked_last(shop))
    try:
        written = trial.apply(shop, wait_s=WAIT_S)
    except trial.TryError as error:
        say(f"{error}: {_command('try-out', folder)} {again}".rstrip(), style="bold red")
        raise typer.Exit(1) from None
    say(f"Written: {', '.join(written) or 'nothing, for nothing was asked to change'}.")
    _update(folder, complete=False)


@app.command()
def intake(folder: Shop, complete: Complete = False) -> None:
    """Take in what lies in the inbox."""
    from flows.update import healing

    shop, settings = _open(folder)
    settle_s = 0.0 if complete else settings.intake.settle_s
    is_needed = healing(
        shop, lambda writer: _intake(writer, shop, settings, settle_s), say, wait_s=WAIT_S
    )
    if is_needed:
        raise typer.Exit(1)


@app.command()
def derive(folder: Shop) -> None:
    """Make curves, gains, mixture, rankings where something changed."""
    from flows.steps.ledger import is_behind
    from warehouse.store import writer

    shop, settings = _open(folder)
    with writer(shop, wait_s=WAIT_S) as connection:
        if is_behind(connection, shop):
            # From an emptied database it would make empty tables, and they could be published.
            say(f"The database is empty, the archive is not: {_command('update', folder)}")
            raise typer.Exit(1)
        _derive(connection, shop, settings)


@app.command()
def publish(folder: Shop) -> None:
    """Publish what was derived to the dashboard."""
    from flows.derive import is_behind
    from warehouse.store import writer

    shop, settings = _open(folder)
    with writer(shop, wait_s=WAIT_S) as connection:
        if is_behind(connection, settings):
            # Not over a good snapshot: an emptied or half-derived shop is worse than an old one.
            say(f"Derive is behind; nothing was published. First: {_command('update', folder)}")
            raise typer.Exit(1)
        _publish(connection, shop)


@app.command()
def backup(
    folder: Shop,
    to: Annotated[
        Path, typer.Argument(help="Folder of backups, on another disk.", file_okay=False)
    ],
    verify: Annotated[bool, typer.Option("--verify", help="Read all of it back.")] = False,
) -> None:
    """Copy what cannot be made again into a folder of backups."""
    from flows.keep_answers import run_backup

    with _progress() as tell:
        told = run_backup(folder, to, tell, verify=verify)
    if not _say_kept(told):
        raise typer.Exit(1)


@app.command()
def restore(
    source: Annotated[
        Path, typer.Argument(metavar="FROM", help="Folder of backups.", file_okay=False)
    ],
    folder: Annotated[Path, typer.Argument(help="New folder for the shop.", file_okay=False)],
    at: Annotated[
        str, typer.Option(help='As it was then: "2026-11-30" or "2026-11-30 18:00".')
    ] = "",
    update: Annotated[bool, typer.Option("--update", help="Then derive and publish.")] = False,
) -> None:
    """Bring a shop back from a folder of backups into a new folder."""
    from flows.keep_answers import run_restore

    with _progress() as tell:
        told = run_restore(source, folder, at, tell)
    is_whole = _say_kept(told)
    if not _is_shop(folder):
        say(f"The settings did not come back; copy {folder / 'backups' / 'rollbook.toml'} there.")
    elif update:
        _update(folder, complete=True)
    else:
        say(f"Its figures are made again by: {_command('update', folder)}")
    if not is_whole:
        raise typer.Exit(1)


@app.command()
def remake(
    folder: Shop,
    target: Annotated[Path, typer.Argument(metavar="NEW", help="New folder.", file_okay=False)],
    as_of: Annotated[str, typer.Option(help='As it was then: "2026-11-30" or "2026-11-30 18:00".')],
) -> None:
    """Make the shop of an earlier day again, in a new folder."""
    from flows.remake import remake as remade
    from flows.restore import moment
    from flows.settings import clock_of
    from warehouse.shop import ShopFolder

    at = moment(as_of, zone=clock_of(ShopFolder(folder.resolve())))
    if at is None:
        raise typer.BadParameter("name a day or a moment")
    with _progress() as tell:
        lost = remade(folder, target, at, tell)
    say(f"{target} is the shop as of {at:%Y-%m-%d %H:%M}. Its figures, by this version:")
    for sentence in lost:
        say(f"  lost: {sentence}", style="bold red")
    _update(target, complete=True)
    if lost:
        raise typer.Exit(1)


@app.command()
def acts(
    folder: Shop,
    since: Annotated[str, typer.Option(help='Since then: "2026-11-30".')] = "",
    of: Annotated[str, typer.Option(help="Only those that hold this: a job, a person.")] = "",
    full: Annotated[bool, typer.Option("--full", help="All of them, with hashes.")] = False,
) -> None:
    """Print who did what, when and why: cards, notes, papers, people."""
    from flows.acts_answers import print_acts

    print_acts(folder, since, of, full=full)


def _say_kept(told: Any) -> bool:
    """Print what a backup or a restore did; whether nothing is missing."""
    say(told.done)
    for sentence in told.left_out:
        say(f"  not in it: {sentence}", style="yellow")
    for sentence in told.lost:
        say(f"  lost: {sentence}", style="bold red")
    return not told.lost


def _is_a_day(context: typer.Context, given: str) -> str:
    """Refuse an empty day, as a script gives whose day was lost: it is not today."""
    source = context.get_parameter_source("as_of")
    if not given and source is not None and source.name == "COMMANDLINE":
        raise typer.BadParameter("name a day such as 2026-03-31")
    return given


AsOf = Annotated[
    str,
    typer.Option("--as-of", help="As it stood on a day, such as 2026-03-31.", callback=_is_a_day),
]


@app.command()
def answers(
    folder: Shop,
    full: Annotated[bool, typer.Option("--full", help="With all rows and reasons.")] = False,
    as_of: AsOf = "",
) -> None:
    """Print the three answers from the published snapshot."""
    from flows.answers import print_answers, print_in_short

    snapshot = _published(folder, as_of)
    settings = _settings_shown(folder, snapshot, is_past=bool(as_of))
    if full:
        print_answers(snapshot, settings)
    else:
        print_in_short(snapshot)


@app.command()
def job(
    folder: Shop,
    job: Annotated[str, typer.Argument(help="The job, such as J-0042.")],
    as_of: AsOf = "",
) -> None:
    """Print one job: its stages, what each gave, and how lean it is."""
    from flows.job_answers import print_job

    snapshot = _published(folder, as_of)
    print_job(snapshot, job, _settings_shown(folder, snapshot, is_past=bool(as_of)))


@app.command()
def changed(
    folder: Shop,
    since: Annotated[str, typer.Argument(help="A day, such as 2026-03-31.", show_default=False)],
    full: Annotated[bool, typer.Option("--full", help="Every sentence, whole.")] = False,
) -> None:
    """Print which headline sentences changed since a day, and why."""
    from flows.past_answers import print_changed

    print_changed(folder, _published(folder), since, full=full)


@app.command()
def plan(
    folder: Shop,
    gain: Annotated[float, typer.Option(help="Gain to be seen, in percent.", min=0.1)] = 1.5,
) -> None:
    """Print how many pulls it takes to see a gain, before any is run."""
    from flows.answers import print_plan

    print_plan(_published(folder), gain)


@app.command()
def fuel_change(
    context: typer.Context,
    folder: Shop,
    stage: Annotated[str, typer.Argument(help='Job and number of the stage, such as "J-0012/2".')],
    csv: Annotated[
        Path | None, typer.Option(help="Also write the table to this file.", dir_okay=False)
    ] = None,
    as_list: Annotated[
        bool, typer.Option("--list", help="Write each breakpoint with its evidence, not a grid.")
    ] = False,
    force: Annotated[bool, typer.Option(help="Write over a file that is there.")] = False,
) -> None:
    """Print the fuel change that a map seems to need, cell by cell."""
    from flows.mixture_answers import print_fuel_change, write_fuel_change

    snapshot = _published(folder)
    if csv is not None:
        if isinstance(context.obj, int):
            os.umask(context.obj)  # a file for the person, where the person wants it
        write_fuel_change(snapshot, stage, csv, replace=force, as_list=as_list)
    print_fuel_change(snapshot, stage)
    if csv is not None:
        say(f"Written: {csv}")


@app.command()
def expect(
    folder: Shop,
    model: Annotated[str, typer.Option(help="Part of the model's name.")] = "",
    parts: Annotated[str, typer.Option(help='Parts fitted, such as "full exhaust".')] = "",
    on_map: Annotated[str, typer.Option("--map", help='Such as "stock" or "road r2".')] = "",
    fuel: Annotated[str, typer.Option(help="Fuel in the tank, as the cards say.")] = "",
    full: Annotated[bool, typer.Option("--full", help="All builds that fit.")] = False,
) -> None:
    """Print the mixture to expect of a bike that was not run yet."""
    from flows.mixture_answers import print_expected

    print_expected(_published(folder), model, parts, on_map, fuel, full=full)


@app.command()
def quote(
    folder: Shop,
    model: Annotated[str, typer.Argument(help="Part of the model's name.")],
    change: Annotated[str, typer.Argument(help='Such as "silencer, with remap".')],
    peak: Annotated[bool, typer.Option("--peak", help="Of peak power, not of the range.")] = False,
) -> None:
    """Print what may be quoted for a model and a change, and why."""
    from flows.quote_answers import print_quote

    print_quote(_published(folder), model, change, of_peak=peak)


@app.command()
def why(
    folder: Shop,
    figure: Annotated[
        list[str] | None,
        typer.Argument(help="Address of the figure; left out, the kinds are listed."),
    ] = None,
    full: Annotated[bool, typer.Option("--full", help="Every stage, pull and file.")] = False,
    as_of: AsOf = "",
) -> None:
    """Print what stands behind a figure: method, settings, evidence."""
    from flows.settings import shown_settings
    from flows.why_answers import print_figures, print_why

    snapshot = _published(folder, as_of)
    if figure:
        settings, _ = shown_settings(folder, snapshot)
        print_why(snapshot, settings, " ".join(figure), full=full)
    else:
        print_figures(snapshot, folder)


@app.command()
def find(
    folder: Shop,
    words: Annotated[list[str], typer.Argument(help="What to look for.", show_default=False)],
    as_of: AsOf = "",
) -> None:
    """Find bikes, jobs, parts, maps, files and notes by a few words."""
    from flows.why_answers import print_found

    if not print_found(_published(folder, as_of), " ".join(words)):
        raise typer.Exit(1)


@app.command()
def maps(
    folder: Shop,
    every: Annotated[
        bool, typer.Option("--all", help="Replaced ones and those on target too.")
    ] = False,
) -> None:
    """Print the map revisions that still miss target, and where."""
    from flows.mixture_answers import print_maps

    print_maps(_published(folder), every=every)


@app.command()
def review(
    folder: Shop,
    quarter: Annotated[str, typer.Option(help='Such as "2026 Q2"; default the latest.')] = "",
    as_of: AsOf = "",
) -> None:
    """Write the quarter's review into reports/, as PDF and as HTML."""
    from flows.papers import write_review
    from warehouse.shop import ShopFolder

    _published(folder, as_of)
    pdf, html = write_review(ShopFolder(folder.resolve()), quarter or None, as_of)
    say(f"Review written: {pdf}\nWith every list: {html}")


@app.command()
def morning(
    folder: Shop,
    day: Annotated[str, typer.Option(help="Such as 2026-06-23; default today.")] = "",
) -> None:
    """Write what needs somebody today into reports/, on one sheet."""
    import datetime as dt

    from flows.papers import write_morning
    from flows.settings import shown_settings
    from warehouse.shop import ShopFolder

    settings, _ = shown_settings(folder, _published(folder))
    try:
        asked = dt.date.fromisoformat(day) if day else None
    except ValueError:
        raise typer.BadParameter(f"{day!r} is no day such as 2026-06-23") from None
    written = write_morning(ShopFolder(folder.resolve()), settings, asked)
    say(f"Morning file written: {written}")


@app.command()
def export(
    folder: Shop,
    table: Annotated[
        str, typer.Argument(help="Name of the table; without one, all are listed.")
    ] = "",
    to: Annotated[Literal["csv", "xlsx", "parquet"], typer.Option(help="Kind of file.")] = "csv",
) -> None:
    """Write a published table into reports/, or list the tables."""
    from flows.export import print_tables, write_table
    from flows.settings import shown_settings

    snapshot = _published(folder)
    if not table:
        print_tables(snapshot)
        return
    settings, _ = shown_settings(folder, snapshot)
    say(f"Written: {write_table(folder.resolve(), settings, snapshot, table, to)}")


@app.command()
def share(
    context: typer.Context,
    folder: Shop,
    file: Annotated[
        Path | None, typer.Argument(help="File to write; without one, only shown.", dir_okay=False)
    ] = None,
) -> None:
    """Show what may leave for a pool of shops, and write it."""
    from flows.share import SUFFIX, print_preview, to_share, write_share

    if file is not None and file.suffix != SUFFIX:
        # A pool looks for no other.
        raise typer.BadParameter(
            f"a share file's name ends in {SUFFIX}: {file.with_suffix(SUFFIX)}"
        )
    found = to_share(folder.resolve(), _published(folder))
    print_preview(found)
    if file is None:
        say("Nothing was written. Name a file to write it, such as share.parquet.")
        return
    if isinstance(context.obj, int):
        os.umask(context.obj)  # a file for the person, where the person wants it
    write_share(file, found.rows)
    say(f"Written: {file}")


@app.command()
def pool(
    pooled: Annotated[
        Path, typer.Argument(metavar="FILES", help="Folder of share files.", file_okay=False)
    ],
    folder: Shop,
) -> None:
    """Show what the share files of many shops say beside your own."""
    from flows.pool import pool as pool_all
    from flows.pool import print_pooled
    from flows.steps.ledger import is_behind
    from warehouse.store import writer

    snapshot = _published(folder)
    shop, settings = _open(folder)
    print_pooled(pool_all(pooled, folder.resolve(), snapshot))
    with writer(shop, wait_s=WAIT_S) as connection:
        if is_behind(connection, shop):
            # As in derive: what an emptied database makes must not go over a good snapshot.
            say(f"To see it beside your own: {_command('update', folder)}")
            raise typer.Exit(1)
        _publish(connection, shop, _derive(connection, shop, settings))


@app.command()
def sheet(
    folder: Shop,
    job: Annotated[str, typer.Argument(help='Such as "J-0042".')],
    before: Annotated[
        int, typer.Option(help="Number of the stage before; default the first run.", min=0)
    ] = 0,
    after: Annotated[
        int, typer.Option(help="Number of the stage after; default the last run.", min=0)
    ] = 0,
) -> None:
    """Write a customer's sheet of a job into reports/, PDF and HTML."""
    from flows.papers import written
    from warehouse.shop import ShopFolder

    _published(folder)
    shop = ShopFolder(folder.resolve())
    for line in written("job", shop, f"--job={job}", f"--before={before}", f"--after={after}"):
        say(line)


@app.command()
def check(folder: Shop) -> None:
    """Check all that the shop keeps; back up the ledger."""
    from flows.steps.layout_gaps import disk_forecast, logger_changes, never_confirmed
    from flows.steps.selfcheck import self_check
    from warehouse.store import writer

    shop, _ = _open(folder)
    with writer(shop, wait_s=WAIT_S) as connection, _progress() as tell:
        problems = self_check(connection, shop, tell, say)
        to_confirm = never_confirmed(connection)
        changed = logger_changes(connection) + disk_forecast(connection, shop)
    for told in to_confirm + changed:
        say(f"Look twice: {told}.", style="yellow")
    for problem in problems:
        say(problem, style="bold red")
    well = f"No problems; {len(to_confirm)} entries of layouts to be confirmed."
    say(f"{len(problems)} problems." if problems else well if to_confirm else "All is well.")
    if problems:
        raise typer.Exit(1)


@app.command()
def serve(
    folder: Shop,
    dashboard_port: Annotated[
        int, typer.Option(help="Port of the dashboard.", min=1, max=65535)
    ] = 8501,
    server_port: Annotated[
        int, typer.Option(help="Port of the scheduler, for programs only.", min=1, max=65535)
    ] = 4200,
) -> None:
    """Keep schedule and dashboard up until Ctrl-C."""
    from flows.serve import serve_shop

    shop, settings = _open(folder)
    serve_shop(shop, settings, dashboard_port=dashboard_port, server_port=server_port, say=say)


@app.command()
def dashboard(
    folder: Shop,
    port: Annotated[int, typer.Option(help="Port of the dashboard.", min=1, max=65535)] = 8501,
) -> None:
    """Open the dashboard alone, without any schedule."""
    from flows.serve import run_dashboard, where

    shop, settings = _open(folder)
    for told in where(port, settings.network):
        say(told)
    say("Ctrl-C ends it.")
    if code := run_dashboard(shop, port, settings.network):
        raise typer.Exit(code)


def _begins(folder: Path, line: str) -> bool:
    settings = folder / "rollbook.toml"
    return settings.is_file() and settings.read_bytes().startswith(line.encode())


def _command(name: str, folder: Path) -> str:
    """Return a command as it can be pasted into this terminal."""
    called = Path(sys.argv[0])
    program = str(called) if called.stem == "rollbook" else "rollbook"
    return " ".join(shlex.quote(part) for part in (program, name, str(folder)))


def _open(folder: Path) -> tuple[Any, Any]:
    """Return the shop and its settings."""
    from flows.settings import open_shop

    return open_shop(folder)


def _settings_shown(folder: Path, snapshot: Any, *, is_past: bool = False) -> Any:
    """Return the settings that a snapshot was made with; say how the file differs from them now."""
    from flows.settings import shown_settings

    settings, told = shown_settings(folder, snapshot)
    if told and not is_past:
        say(told, style="yellow")
    return settings


def _published(folder: Path, as_of: str = "") -> Any:
    """Return the shop's snapshot, or that of a day; say what to do where there is none."""
    from warehouse.snapshot import current

    if as_of:
        from flows.past_answers import snapshot_of

        return snapshot_of(folder, as_of)

    snapshot = current(folder.resolve())
    if snapshot is None:
        _open(folder)
        say(f"Nothing is published yet: {_command('update', folder)}")
        raise typer.Exit(1)
    return snapshot


def _update(folder: Path, complete: bool) -> None:
    from flows.answers import MOST_AFTER_UPDATE, print_in_short
    from flows.steps.layout_gaps import layout_gaps, logger_changes
    from flows.trial_answers import before_update, say_what_the_method_changed
    from flows.update import healing
    from warehouse.archived import PACK_AT_UPDATE_S, pack

    shop, settings = _open(folder)
    before = before_update(shop)
    settle_s = 0.0 if complete else settings.intake.settle_s

    def work(connection: Any) -> tuple[bool, Any, list[str]]:
        is_needed = _intake(connection, shop, settings, settle_s)
        held = _derive(connection, shop, settings)
        told = layout_gaps(connection) + logger_changes(connection)
        done = is_needed, _publish(connection, shop, held), told
        pack(shop, PACK_AT_UPDATE_S)
        return done

    is_needed, snapshot, gaps = healing(shop, work, say, wait_s=WAIT_S)
    print_in_short(snapshot, MOST_AFTER_UPDATE)
    for gap in gaps:
        say(f"Look twice: {gap}.", style="yellow")
    say_what_the_method_changed(before, snapshot, folder)
    if is_needed:
        raise typer.Exit(1)


def _intake(connection: Any, shop: Any, settings: Any, settle_s: float) -> bool:
    """Take in what lies in the inbox and say what came of it; whether a person is needed."""
    from flows.intake import take_in
    from warehouse.wording import counted, waiting_files

    started = time.monotonic()
    with _progress() as tell:
        result = take_in(connection, shop, settings, progress=tell, settle_s=settle_s)
    for told in result.mended:
        say(told)
    states = ", ".join(
        f"{count} {state}"
        for state, count in sorted(result.states.items(), key=lambda pair: -pair[1])
        if state not in ("card", "note")
    )
    say(
        f"Intake: {counted(result.arrived, 'file')} arrived, {result.read} read, "
        f"{counted(len(result.linked), 'job')} linked ({_since(started)}). The inbox now: "
        f"{states or 'empty'}."
    )
    for name in result.unreadable:
        say(f"Could not be read, tried again next time: {name}")
    if result.unsettled:
        say(
            f"Still being written, taken in at the next update: "
            f"{counted(len(result.unsettled), 'file')}, such as {result.unsettled[0]}."
        )
    for told in result.lost + result.out:
        say(told, style="bold red")
    for name, mistakes in result.layout_mistakes.items():
        say(f"layouts/{name} has mistakes and recognises nothing:", style="red")
        for mistake in mistakes:
            say(f"  {mistake}", style="red")
        if (kept := shop.backups / f"layouts-{name}").is_file():
            say(f"  as it was at the last check without mistakes: {kept}")
    waiting = sum(result.states.get(state, 0) for state in ("waiting", "refused", "missing"))
    if waiting:
        say(f"{waiting_files(waiting)}: why and what to do is in refused/.")
    return bool(result.lost or result.out or result.layout_mistakes)


def _derive(connection: Any, shop: Any, settings: Any) -> Any:
    from flows.derive import derive as derive_all

    started = time.monotonic()
    with _progress() as tell:
        result = derive_all(connection, shop, settings, progress=tell)
    say(
        f"Derive: {result.made['draw curves']} curves, {result.made['average sessions']} sessions, "
        f"{result.made['compare stages']} gains, {result.made['read rides']} ride stages made "
        f"({_since(started)})."
    )
    for broken in result.broken_checks:
        say(f"  worth a look: {broken}", style="yellow")
    return result.contents


def _publish(connection: Any, shop: Any, contents: Any = None) -> Any:
    from flows.publish import publish_snapshot

    started = time.monotonic()
    snapshot = publish_snapshot(connection, shop, contents, heal=say)
    say(f"Published: snapshot {snapshot.number} ({_since(started)}).")
    return snapshot


def _truth(folder: Path, invented: Any) -> str:
    from fixtures.known_truth import gains_inside_interval
    from warehouse.snapshot import current

    snapshot = current(folder.resolve())
    if snapshot is None:
        return ""
    inside, compared = gains_inside_interval(snapshot.path, invented)
    return (
        f"The simulator knows the truth: of {compared} measured gains, {inside} "
        f"({inside / max(compared, 1):.0%}) have it inside their 95 % interval."
    )


def _say_how_to_look(folder: Path) -> None:
    say(f"Look at it:       {_command('dashboard', folder)}")
    say(f"Keep it running:  {_command('serve', folder)}")


def _since(started: float) -> str:
    return f"{time.monotonic() - started:.1f} s"


if __name__ == "__main__":
    main()
