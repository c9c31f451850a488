"""The commands ``arm``, ``setup``, ``log`` and ``report``: arguments in, `bench` calls, text out.

Heavy imports wait inside the handlers. Exit codes: 0 done; 2 bad usage or a file that cannot be
used; 3 a scripted walk ended with steps still to do; 1 our own fault.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bench.arm import Alignment, Radii
    from bench.deck import Deck
    from bench.logbook import Logbook

OK, BAD_USE = 0, 2
GEOMETRIES = ("lofgren-a", "lofgren-b", "stevenson")
RADII = ("iec", "iec-late", "din", "seven-inch", "78")
KINDS = ("pivoted", "underhung", "linear")


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register arm, setup, log and report."""
    _add_arm(commands)
    _add_setup(commands)
    _add_log(commands)
    _add_report(commands)


def _add_arm(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    arm = commands.add_parser(
        "arm",
        help="alignment geometry: null points, lengths, tracking error, distortion",
        description="Null points, mounting distance, overhang, offset, tracking error and "
        "distortion of an arm, and what a wrong setting costs. Lengths in mm, angles in degrees.",
    )
    length = arm.add_mutually_exclusive_group()
    length.add_argument("--effective-length", type=float, metavar="MM", help="stylus to pivot")
    length.add_argument(
        "--mounting-distance", type=float, metavar="MM", help="spindle to pivot, where it is fixed"
    )
    arm.add_argument("--kind", choices=KINDS, default="pivoted")
    arm.add_argument("--geometry", choices=GEOMETRIES, default="lofgren-a")
    arm.add_argument(
        "--radii",
        default="iec",
        metavar="SET",
        help=f"{', '.join(RADII)}, or inner,outer in mm such as 60.3,146.1",
    )
    arm.add_argument("--overhang-error", type=float, default=0.0, metavar="MM", help="+ too far")
    arm.add_argument("--mounting-error", type=float, default=0.0, metavar="MM", help="+ too far")
    arm.add_argument(
        "--cantilever",
        type=float,
        default=0.0,
        metavar="DEG",
        help="+ counter-clockwise from above",
    )
    arm.add_argument(
        "--miss",
        type=float,
        default=0.0,
        metavar="MM",
        help="linear arm: by how much the stylus' path misses the spindle",
    )
    arm.add_argument(
        "--velocity",
        type=float,
        default=100.0,
        metavar="MM/S",
        help="recorded peak velocity for the distortion",
    )
    arm.add_argument("--rpm", type=float, default=100.0 / 3.0)
    arm.add_argument("--json", action="store_true")
    arm.add_argument("--plot", type=Path, metavar="FILE.svg|png")
    arm.set_defaults(handler=_guarded(_arm))


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
    setup.set_defaults(handler=_guarded(_setup))


def _add_log(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    log = commands.add_parser("log", help="the logbook: list, show, export, back up, restore")
    _store_arguments(log)
    acts = log.add_subparsers(dest="act", metavar="WHAT")
    log.set_defaults(handler=_guarded(_log_list))
    acts.add_parser("list", help="all jobs, newest first").set_defaults(handler=_guarded(_log_list))
    show = acts.add_parser("show", help="every entry of a job")
    show.add_argument("job", metavar="ID")
    show.set_defaults(handler=_guarded(_log_show))
    history = acts.add_parser("history", help="one quantity of a deck over all its jobs")
    history.add_argument("deck", metavar="DECK")
    history.add_argument("quantity", metavar="QUANTITY")
    history.set_defaults(handler=_guarded(_log_history))
    acts.add_parser("decks", help="saved decks and the invented examples").set_defaults(
        handler=_guarded(_log_decks)
    )
    deck = acts.add_parser("deck", help="print a deck as TOML, to edit and use again")
    deck.add_argument("deck", metavar="DECK")
    deck.set_defaults(handler=_guarded(_log_deck))
    add = acts.add_parser("add-deck", help="save a deck from a TOML file")
    add.add_argument("file", type=Path)
    add.add_argument("--key", help="save it as a new revision of this deck")
    add.set_defaults(handler=_guarded(_log_add_deck))
    export = acts.add_parser("export", help="all entries as CSV or JSON")
    export.add_argument("file", type=Path, metavar="FILE.csv|json")
    export.add_argument("--job", metavar="ID")
    export.set_defaults(handler=_guarded(_log_export))
    for name, handler, words in (
        ("backup", _log_backup, "everything, pictures too, into one file"),
        ("restore", _log_restore, "bring back what a backup holds and the logbook lacks"),
    ):
        act = acts.add_parser(name, help=words)
        act.add_argument("file", type=Path, metavar="FILE.zip")
        act.set_defaults(handler=_guarded(handler))


def _add_report(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    report = commands.add_parser("report", help="the report of a job, as PDF or HTML")
    report.add_argument("job", metavar="ID", nargs="?", help="default: the newest job")
    report.add_argument("--out", type=Path, required=True, metavar="FILE.pdf|html")
    _store_arguments(report)
    report.set_defaults(handler=_guarded(_report))


def _store_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--db", metavar="FILE|URL", help="the logbook (default: DECKPLUMB_DB, or your data folder)"
    )
    parser.add_argument(
        "--photos", metavar="DIR|URL", help="kept photos (default: DECKPLUMB_PHOTOS, or there too)"
    )


def _guarded(handler: Callable[[argparse.Namespace], int]) -> Callable[[argparse.Namespace], int]:
    """Turn a wrong figure or an unusable file into one line on stderr and exit code 2."""

    def run(args: argparse.Namespace) -> int:
        from bench.problems import LogbookError

        try:
            return handler(args)
        except LogbookError as problem:
            print(f"deckplumb {args.command}: {problem.reason} {problem.advice}", file=sys.stderr)
        except ValueError as problem:
            print(f"deckplumb {args.command}: {problem}", file=sys.stderr)
        except OSError as problem:
            print(
                f"deckplumb {args.command}: {problem.filename}: {problem.strerror}", file=sys.stderr
            )
        return BAD_USE

    return run


def _arm(args: argparse.Namespace) -> int:
    from bench.arm import align, align_at_distance, align_underhung

    radii = parse_radii(args.radii)
    if args.kind == "linear":
        return _linear(args, radii)
    if args.miss:
        raise ValueError(f"--miss: got {args.miss:g} mm, allowed for a linear arm only")
    if args.kind == "underhung":
        if args.effective_length is None:
            raise ValueError("--effective-length: got nothing, needed for an under-hung arm")
        alignment = align_underhung(args.effective_length, radii)
    elif args.mounting_distance is not None:
        alignment = align_at_distance(args.mounting_distance, args.geometry, radii)
    elif args.effective_length is not None:
        alignment = align(args.effective_length, args.geometry, radii)
    else:
        raise ValueError("--effective-length or --mounting-distance: got neither, one is needed")
    mistakes = {
        "overhang_error_mm": args.overhang_error,
        "mounting_error_mm": args.mounting_error,
        "cantilever_deg": args.cantilever,
    }
    record = _alignment_record(alignment, mistakes, args.velocity, args.rpm)
    if args.plot is not None:
        from bench.plots import save_plot

        save_plot(args.plot, alignment, mistakes)
        record["plot"] = str(args.plot)
    if args.json:
        print(json.dumps(record, ensure_ascii=False, allow_nan=False))
    else:
        _print_alignment(record)
    return OK


def _linear(args: argparse.Namespace, radii: Radii) -> int:
    from bench.arm import linear_arm_error_deg

    if args.plot is not None:
        raise ValueError(
            "--plot: not applicable to a linear arm, whose tracking error is one figure"
        )
    worst = float(abs(linear_arm_error_deg(radii.inner_mm, args.miss)))
    record = {
        "schema": "deckplumb/arm/1",
        "kind": "linear",
        "null_points_mm": None,
        "not_applicable": "null points, overhang and offset: a linear arm carries the stylus along "
        "the radius; its path must pass through the spindle",
        "miss_mm": args.miss,
        "largest_error_deg": worst,
    }
    if args.json:
        print(json.dumps(record, ensure_ascii=False))
    else:
        print("Not applicable to a linear arm: null points, overhang, offset.")
        print(
            f"Its stylus' path must pass through the spindle: missing it by {abs(args.miss):g} mm "
            f"costs {worst:.2f}° of tracking error at {radii.inner_mm:g} mm."
        )
    return OK


def _alignment_record(
    alignment: Alignment, mistakes: dict[str, float], velocity: float, rpm: float
) -> dict[str, object]:
    from bench.arm import distortion_percent, groove_radii, with_mistakes

    radii = groove_radii(alignment.radii)
    actual = with_mistakes(alignment, **mistakes)
    table = []
    for name, arm in (("aligned", alignment), ("as set", actual)):
        error = arm.error_deg(radii)
        lost = distortion_percent(radii, error, velocity, rpm)
        table.append(
            {
                "name": name,
                "null_points_mm": list(arm.null_points_mm),
                "overhang_mm": arm.overhang_mm,
                "offset_deg": arm.offset_deg,
                "largest_error_deg": float(abs(error).max()),
                "largest_distortion_percent": float(lost.max()),
                "mean_distortion_percent": float(lost.mean()),
            }
        )
    return {
        "schema": "deckplumb/arm/1",
        "kind": "underhung" if alignment.geometry == "underhung" else "pivoted",
        "geometry": alignment.geometry,
        "radii_mm": [alignment.radii.inner_mm, alignment.radii.outer_mm],
        "radii_origin": alignment.radii.origin,
        "effective_length_mm": alignment.effective_length_mm,
        "mounting_distance_mm": alignment.mounting_distance_mm,
        "overhang_mm": alignment.overhang_mm,
        "offset_deg": alignment.offset_deg,
        "linear_offset_mm": alignment.linear_offset_mm,
        "null_points_mm": list(alignment.null_points_mm),
        "peak_velocity_mm_s": velocity,
        "rpm": rpm,
        "mistakes": mistakes,
        "settings": table if any(mistakes.values()) else table[:1],
    }


def _print_alignment(r: dict[str, object]) -> None:
    nulls = " and ".join(f"{n:.2f} mm" for n in _list(r["null_points_mm"]))
    inner, outer = _list(r["radii_mm"])
    print(f"{r['geometry']}, grooves {inner:g} to {outer:g} mm ({r['radii_origin']})")
    print(f"  null points         {nulls}")
    for name, key, unit in (
        ("effective length", "effective_length_mm", " mm"),
        ("mounting distance", "mounting_distance_mm", " mm"),
        ("overhang", "overhang_mm", " mm"),
        ("offset", "offset_deg", "°"),
        ("linear offset", "linear_offset_mm", " mm"),
    ):
        print(f"  {name:<19} {r[key]:.2f}{unit}")
    print(f"  at {r['peak_velocity_mm_s']:g} mm/s peak and {r['rpm']:.4g} rpm:")
    for row in _list(r["settings"]):
        print(
            f"    {row['name']:<9} error up to {row['largest_error_deg']:.2f}°, second harmonic up "
            f"to {row['largest_distortion_percent']:.2f} %, mean "
            f"{row['mean_distortion_percent']:.2f} %"
        )
        if row["name"] == "as set":
            found = " and ".join(f"{n:.1f} mm" for n in row["null_points_mm"]) or "none"
            print(f"              null points {found}")
    if "plot" in r:
        print(f"  plot                {r['plot']}")


def _list(value: object) -> list[Any]:
    assert isinstance(value, list)
    return value


def parse_radii(text: str) -> Radii:
    """Groove radii from a set's name or two numbers in mm."""
    from bench.arm import Radii, radius_set

    if "," not in text:
        return radius_set(text)
    parts = text.split(",")
    try:
        inner, outer = (float(p) for p in parts)
    except ValueError as problem:
        raise ValueError(f"--radii: got {text!r}, allowed a set's name or inner,outer") from problem
    return Radii("given", inner, outer, "given by the user")


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
