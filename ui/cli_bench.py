"""The commands ``arm``, ``setup``, ``log`` and ``report``: arguments in, `bench` calls, text out.

Heavy imports wait inside the handlers. Exit codes: 0 done; 2 bad usage or a file that cannot be
used; 3 a scripted walk ended with steps still to do; 1 our own fault.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from ui.cli_arm import add_arm
from ui.guarded import guarded

if TYPE_CHECKING:
    from bench.deck import Deck
    from bench.logbook import Logbook

OK = 0


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register arm, setup, log and report."""
    add_arm(commands)
    _add_setup(commands)
    _add_log(commands)
    _add_report(commands)


def _add_setup(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    setup = commands.add_parser(
        "setup",
        help="walk through the whole set-up job in the terminal",
        description="Walk through the steps of a set-up job: photos by path, figures by typing, "
        "advice, and what must be checked again. Everything is kept at once; stop any time and "
        "take it up again with --job.",
    )
    which = setup.add_mutually_exclusive_group()
    which.add_argument(
        "--deck",
        metavar="DECK",
        help="a deck file (.toml), a saved deck's key, or an example's key",
    )
    which.add_argument("--job", metavar="ID", help="take up this job")
    setup.add_argument("--title", default="")
    setup.add_argument("--owner", default="")
    setup.add_argument(
        "--script", metavar="FILE", help="take the answers from a file, - for standard input"
    )
    setup.add_argument(
        "--report", type=Path, metavar="FILE.pdf|html", help="write a report at the end"
    )
    _store_arguments(setup)
    setup.set_defaults(handler=guarded(_setup))


def _add_log(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    log = commands.add_parser("log", help="the logbook: list, show, export, back up, restore")
    _store_arguments(log)
    acts = log.add_subparsers(dest="act", metavar="WHAT")
    log.set_defaults(handler=guarded(_log_list))
    acts.add_parser("list", help="all jobs, newest first").set_defaults(handler=guarded(_log_list))
    show = acts.add_parser("show", help="every entry of a job")
    show.add_argument("job", metavar="ID")
    show.set_defaults(handler=guarded(_log_show))
    history = acts.add_parser("history", help="one quantity of a deck over all its jobs")
    history.add_argument("deck", metavar="DECK")
    history.add_argument("quantity", metavar="QUANTITY")
    history.set_defaults(handler=guarded(_log_history))
    acts.add_parser("decks", help="saved decks and the invented examples").set_defaults(
        handler=guarded(_log_decks)
    )
    deck = acts.add_parser("deck", help="print a deck as TOML, to edit and use again")
    deck.add_argument("deck", metavar="DECK")
    deck.set_defaults(handler=guarded(_log_deck))
    add = acts.add_parser("add-deck", help="save a deck from a TOML file")
    add.add_argument("file", type=Path)
    add.add_argument("--key", help="save it as a new revision of this deck")
    add.set_defaults(handler=guarded(_log_add_deck))
    export = acts.add_parser("export", help="all entries as CSV or JSON")
    export.add_argument("file", type=Path, metavar="FILE.csv|json")
    export.add_argument("--job", metavar="ID")
    export.set_defaults(handler=guarded(_log_export))
    for name, handler, words in (
        ("backup", _log_backup, "everything, pictures too, into one file"),
        ("restore", _log_restore, "bring back what a backup holds and the logbook lacks"),
    ):
        act = acts.add_parser(name, help=words)
        act.add_argument("file", type=Path, metavar="FILE.zip")
        act.set_defaults(handler=guarded(handler))


def _add_report(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    report = commands.add_parser("report", help="the report of a job, as PDF or HTML")
    report.add_argument("job", metavar="ID", nargs="?", help="default: the newest job")
    report.add_argument("--out", type=Path, required=True, metavar="FILE.pdf|html")
    _store_arguments(report)
    report.set_defaults(handler=guarded(_report))


def _store_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--db", metavar="FILE|URL", help="the logbook (default: DECKPLUMB_DB, or your data folder)"
    )
    parser.add_argument(
        "--photos", metavar="DIR|URL", help="kept photos (default: DECKPLUMB_PHOTOS, or there too)"
    )


def _open(args: argparse.Namespace) -> Logbook:
    from bench.logbook import Logbook

    return Logbook.open(args.db, args.photos)


def find_deck(logbook: Logbook, name: str) -> tuple[Deck, str | None]:
    """Deck and its key, from a TOML file, a saved deck's key or an example's key."""
    from bench.deck_file import from_toml
    from bench.example_decks import examples

    if name.endswith(".toml"):
        deck = from_toml(Path(name).read_text(encoding="utf-8"))
    elif name in examples():
        deck = examples()[name]
    else:
        saved = logbook.deck(name)
        return saved.deck, saved.key
    return deck, next((s.key for s in logbook.decks() if s.deck == deck), None)


def _setup(args: argparse.Namespace) -> int:
    from ui.walk import run_walk

    return run_walk(_open(args), args)


def _log_list(args: argparse.Namespace) -> int:
    jobs = _open(args).jobs()
    for job in jobs:
        when = job.at.astimezone().strftime("%Y-%m-%d %H:%M")
        print(f"{job.uid[:8]}  {when}  {job.deck.name}  {job.title}".rstrip())
    if not jobs:
        print("No jobs yet: start one with deckplumb setup.")
    return OK


def _log_show(args: argparse.Namespace) -> int:
    from ui.log_text import entry_lines

    logbook = _open(args)
    job = logbook.job(args.job)
    print(f"{job.deck.name}  {job.title}  {job.uid}".replace("    ", "  "))
    for line in entry_lines(logbook.entries(job.uid)):
        print(line)
    return OK


def _log_history(args: argparse.Namespace) -> int:
    from bench.targets import UNIT_OF
    from ui.log_text import entry_lines

    if args.quantity not in UNIT_OF:
        raise ValueError(f"quantity: got {args.quantity!r}, allowed {', '.join(UNIT_OF)}")
    logbook = _open(args)
    for line in entry_lines(logbook.history(logbook.deck(args.deck).key, args.quantity)):
        print(line)
    return OK


def _log_decks(args: argparse.Namespace) -> int:
    from bench.example_decks import examples

    for saved in _open(args).decks():
        print(f"{saved.key}  revision {saved.revision}  {saved.name}")
    for key, deck in examples().items():
        print(f"{key}  example  {deck.name}, {deck.arm.name}")
    return OK


def _log_deck(args: argparse.Namespace) -> int:
    from bench.deck_file import to_toml

    print(to_toml(find_deck(_open(args), args.deck)[0]), end="")
    return OK


def _log_add_deck(args: argparse.Namespace) -> int:
    from bench.deck_file import from_toml

    deck = from_toml(args.file.read_text(encoding="utf-8"))
    logbook = _open(args)
    key = logbook.deck(args.key).key if args.key else None
    print(logbook.save_deck(deck, key))
    return OK


def _log_export(args: argparse.Namespace) -> int:
    from bench.export import export

    logbook = _open(args)
    job = logbook.job(args.job).uid if args.job else None
    print(f"{export(logbook, args.file, job)} entries in {args.file}")
    return OK


def _log_backup(args: argparse.Namespace) -> int:
    from bench.backup import backup

    print(f"{backup(_open(args), args.file)} in {args.file}")
    return OK


def _log_restore(args: argparse.Namespace) -> int:
    from bench.backup import restore

    print(f"{restore(_open(args), args.file)} restored")
    return OK


def _report(args: argparse.Namespace) -> int:
    from bench.job import OpenJob
    from bench.report import write_report

    logbook = _open(args)
    jobs = logbook.jobs()
    if not jobs:
        raise ValueError("job: got none, the logbook holds no job yet")
    job = OpenJob.resume(logbook, args.job or jobs[0].uid)
    write_report(job, args.out)
    print(f"report: {args.out}")
    return OK
