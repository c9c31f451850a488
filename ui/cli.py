"""Arguments -> the same `measure_file` as the app -> the same rounding.

Exit codes: 0 every photo read; 3 some refused; 2 bad usage or an unreadable file; 1 our own
fault; where several apply the worst of 1, 2, 3, in that order. Heavy imports wait until a command
needs them, so that ``--help`` answers at once.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from vision.measure import Options
    from vision.photo import Photo
    from vision.reading import Outcome

    Task = tuple[str, str, Options, Path | None]
    Result = tuple[Outcome, float, bool, Path | None]

QUANTITIES = (
    "rake",
    "cantilever",
    "azimuth",
    "arm-level",
    "platter-level",
    "mounting-distance",
    "overhang",
    "null-points",
    "body-square",
    "print-scale",
    "speed",
)
OK, OUR_FAULT, BAD_USE, REFUSED = 0, 1, 2, 3
FEW_PHOTOS = 4  # are read sooner than further processes start
MOST_JOBS = 4  # unless asked for: each takes half a gigabyte


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit code."""
    _utf8_streams()
    parser = build_parser()
    args = parser.parse_args(argv)
    handler: Callable[[argparse.Namespace], int] = args.handler
    try:
        return handler(args)
    except BrokenPipeError:
        with contextlib.suppress(OSError):
            sys.stdout.close()
        return OK
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        return OUR_FAULT


def build_parser() -> argparse.ArgumentParser:
    """The whole command line as one parser."""
    from ui import cli_bench, cli_sheets

    parser = argparse.ArgumentParser(
        prog="deckplumb",
        description="Angles, lengths and speed of a record deck from phone photographs, "
        "each with an honest uncertainty or a plain refusal.",
    )
    parser.add_argument("--version", action=_VersionAction)
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    _add_read(commands)
    demo = commands.add_parser("demo", help="read the sample photos; reading, U and truth")
    demo.add_argument("--out", type=Path, default=Path("out/demo"), help="folder for overlays")
    demo.set_defaults(handler=_demo)
    app = commands.add_parser("app", help="the browser app")
    app.add_argument(
        "--share", action="store_true", help="reachable on the home network, with code"
    )
    app.add_argument("--port", type=_port, default=8640)
    app.set_defaults(handler=_app)
    cli_sheets.add_commands(commands)
    cli_bench.add_commands(commands)
    return parser


def _add_read(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    read = commands.add_parser(
        "read",
        help="read one quantity from photos",
        description="Read one quantity from photos (speed: from a video). Exit code 0: all read; "
        "3: some refused; 2: bad usage or unreadable file; 1: our own fault.",
    )
    read.add_argument(
        "quantity", choices=QUANTITIES, metavar="QUANTITY", help=", ".join(QUANTITIES)
    )
    read.add_argument("photos", nargs="+", metavar="PHOTO")
    read.add_argument("--json", action="store_true", help="one JSON object a line per photo")
    read.add_argument("--overlay", type=Path, metavar="DIR", help="write annotated copies here")
    read.add_argument(
        "--pivot", choices=("auto", "left", "right"), default="auto", help="side of the arm's pivot"
    )
    read.add_argument("--combine", action="store_true", help="fuse the photos of one setting")
    read.add_argument("--mark", type=Path, metavar="FILE.json", help="lines drawn by a person")
    read.add_argument(
        "--jobs",
        type=_positive_int,
        metavar="N",
        help=f"photos read at once, each on one core (with more than {FEW_PHOTOS} photos as many "
        f"as there are cores, {MOST_JOBS} at most; fewer are read in turn, each on all cores)",
    )
    read.add_argument("--mirror-mm", type=float, metavar="T", help="thickness of mirror or card")
    read.add_argument("--record-mm", type=float, metavar="T", help="thickness of the record")
    read.add_argument("--effective-length-mm", type=float, metavar="L", help="stylus to pivot")
    read.add_argument("--tip", default="", choices=("", "conical", "elliptical", "line"))
    read.add_argument(
        "--given",
        action="append",
        default=[],
        type=_given,
        metavar="NAME=NUMBER",
        help="a typed quantity a reading needs, such as pivot_height_mm=42.5; may be repeated",
    )
    read.set_defaults(handler=_read)


def _read(args: argparse.Namespace) -> int:
    options = _options(args)
    if options is None:
        return BAD_USE
    if args.overlay is not None:
        try:
            args.overlay.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            print(f"--overlay: {args.overlay} cannot be made ({error.strerror})", file=sys.stderr)
            return BAD_USE
    worst, outcomes = OK, []
    for outcome, seconds, fault, overlay in _outcomes(args, options):
        outcomes.append(outcome)
        _print_outcome(outcome, seconds, args.json, overlay)
        worst = _worse(worst, OUR_FAULT if fault else exit_code(outcome))
    if args.combine:
        worst = _worse(worst, _combine(args, outcomes, options))
    return worst


def _options(args: argparse.Namespace) -> Options | None:
    from vision.measure import Options

    marks = None
    try:
        if args.mark is not None:
            from vision.marks import load_marks

            marks = load_marks(args.mark)
        return Options(
            pivot=args.pivot,
            marks=marks,
            mirror_mm=args.mirror_mm,
            record_mm=args.record_mm,
            effective_length_mm=args.effective_length_mm,
            tip=args.tip,
            given=dict(args.given),
        )
    except ValueError as error:
        print(f"deckplumb read: {error}", file=sys.stderr)
        return None


def _outcomes(args: argparse.Namespace, options: Options) -> Iterator[Result]:
    """Outcome, seconds, whether it is our fault, and the overlay written, a photo."""
    tasks: list[Task] = [
        (photo, args.quantity, options, overlay)
        for photo, overlay in zip(args.photos, _overlay_paths(args), strict=True)
    ]
    bar = _Progress(len(tasks))
    jobs = args.jobs or (0 if args.combine else _usual_jobs(len(tasks)))
    if jobs < 2 or len(tasks) == 1:
        with _on_one_core() if jobs and len(tasks) > 1 else contextlib.nullcontext():
            for task in tasks:
                yield _one(task)
                bar.step()
    else:
        from concurrent.futures import ProcessPoolExecutor
        from multiprocessing import get_context

        # Spawned, not forked: OpenCV's threads do not survive a fork.
        with ProcessPoolExecutor(
            min(jobs, len(tasks)), get_context("spawn"), initializer=_one_thread
        ) as pool:
            for result in pool.map(_one, tasks):
                yield result
                bar.step()
    bar.close()


def _usual_jobs(photos: int) -> int:
    """Photos to read at once where nobody says: 0 means in turn, each on all cores."""
    known = hasattr(os, "sched_getaffinity")  # not on every system
    cores = len(os.sched_getaffinity(0)) if known else os.cpu_count() or 1
    return min(cores, MOST_JOBS) if photos > FEW_PHOTOS and cores > 1 else 0


def _one_thread() -> None:
    import cv2

    cv2.setNumThreads(1)


@contextlib.contextmanager
def _on_one_core() -> Iterator[None]:
    """Read as one job of several would."""
    import cv2

    before = cv2.getNumThreads()
    _one_thread()
    try:
        yield
    finally:
        cv2.setNumThreads(before)


def _one(task: Task) -> Result:
    path, quantity, options, overlay = task
    began = time.perf_counter()
    try:
        outcome, photo = _measured(path, quantity, options)
        seconds = time.perf_counter() - began
        written = None if overlay is None else _write_overlay(path, photo, outcome, overlay)
        return replace(outcome, photo=path), seconds, False, written
    except Exception as error:
        import traceback

        from vision.reading import Refusal

        traceback.print_exc(file=sys.stderr)
        refusal = Refusal(
            quantity,
            f"The program failed on this photo ({type(error).__name__}: {error}).",
            "This is our fault, not the photo's: please report it with the text above.",
            photo=path,
        )
        return refusal, time.perf_counter() - began, True, None


def _measured(path: str, quantity: str, options: Options) -> tuple[Outcome, Photo | None]:
    from vision.measure import load_or_refuse, measure, measure_file
    from vision.photo import Photo

    if quantity == "speed":
        return measure_file(path, quantity, options), None
    photo = load_or_refuse(path, quantity)
    if isinstance(photo, Photo):
        return measure(photo, quantity, options), photo
    return photo, None


def exit_code(outcome: Outcome) -> int:
    """Exit code of one outcome."""
    from vision.reading import Refusal

    if not isinstance(outcome, Refusal):
        return OK
    return BAD_USE if outcome.unreadable else REFUSED


def _worse(a: int, b: int) -> int:
    order = (OUR_FAULT, BAD_USE, REFUSED, OK)
    return min(a, b, key=order.index)


def _print_outcome(outcome: Outcome, seconds: float, as_json: bool, overlay: Path | None) -> None:
    from vision.reading import FLAGS, Refusal, as_record

    if as_json:
        print(json.dumps(as_record(outcome, seconds), ensure_ascii=False, allow_nan=False))
        return
    name = outcome.photo or "all photos together"
    if isinstance(outcome, Refusal):
        print(f"{name}: no {outcome.quantity} reading")
        print(f"  why:  {outcome.reason}")
        print(f"  cure: {outcome.advice}")
        return
    print(f"{name}: {outcome.quantity} {outcome.text()}  (k = 2)")
    print(f"  what: {outcome.measurand}")
    parts = sorted(outcome.budget, key=lambda p: -p.standard_uncertainty)
    unit = {"deg": "°", "mm": " mm", "percent": " %"}[outcome.unit]
    shown = [f"{p.name} {p.standard_uncertainty:.2g}{unit}" for p in parts[:4]]
    print(f"  from: {', '.join(shown)} (standard uncertainties)")
    for flag in outcome.flags:
        print(f"  note: {FLAGS[flag]}")
    if overlay:
        print(f"  overlay: {overlay}")


def _overlay_paths(args: argparse.Namespace) -> list[Path | None]:
    """Where each photo's overlay goes; photos of one name get numbers."""
    if args.overlay is None:
        return [None] * len(args.photos)
    paths: list[Path | None] = []
    for source in args.photos:
        stem = f"{Path(source).stem}-{args.quantity}"
        name, n = stem, 1
        ending = "png" if args.quantity == "speed" else "jpg"
        while args.overlay / f"{name}.{ending}" in paths:
            n += 1
            name = f"{stem}-{n}"
        paths.append(args.overlay / f"{name}.{ending}")
    return paths


def _write_overlay(source: str, photo: Photo | None, outcome: Outcome, target: Path) -> Path | None:
    from vision.overlay import draw_overlay

    if outcome.quantity == "speed":
        return _write_speed_plot(source, outcome, target)
    if photo is None:
        return None
    draw_overlay(photo, outcome).save(target, quality=90)
    return target


def _write_speed_plot(source: str, outcome: Outcome, target: Path) -> Path | None:
    """Speed against time and its spectrum; the clip is tracked once more for it."""
    from vision.measure import Options
    from vision.reading import Reading
    from vision.speed import SpeedTrace, find_speed, plot_speed

    if not isinstance(outcome, Reading):
        return None
    trace = find_speed(source, Options())
    if not isinstance(trace, SpeedTrace):
        return None
    rpm = next(c.value for c in outcome.components if c.name == "nominal rpm")
    return plot_speed(trace, rpm, target)


def _combine(args: argparse.Namespace, outcomes: list[Outcome], options: Options) -> int:
    from vision.combine import combine_photos

    combined = combine_photos(args.quantity, outcomes, args.photos, options)
    _print_outcome(combined, 0.0, args.json, None)
    return exit_code(combined)


def _demo(args: argparse.Namespace) -> int:
    from ui.demo import run_demo

    return run_demo(args.out)


def _app(args: argparse.Namespace) -> int:
    from ui.server import run_app

    return run_app(share=args.share, port=args.port)


class _Progress:
    """A counter on stderr, only where stderr is a terminal."""

    def __init__(self, total: int) -> None:
        self.total, self.done = total, 0
        self.shown = sys.stderr.isatty() and total > 1

    def step(self) -> None:
        self.done += 1
        if self.shown:
            print(f"\r{self.done}/{self.total}", end="", file=sys.stderr, flush=True)

    def close(self) -> None:
        if self.shown:
            print("\r" + " " * 20 + "\r", end="", file=sys.stderr, flush=True)


class _VersionAction(argparse.Action):
    def __init__(self, option_strings: list[str], dest: str, **_: object) -> None:
        super().__init__(option_strings, dest, nargs=0, help="print the version")

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from vision.reading import software_version

        print(f"deckplumb {software_version()}")
        parser.exit(OK)


def _positive_int(text: str) -> int:
    value = int(text) if text.isascii() and text.isdigit() else 0
    if not 1 <= value <= 64:
        raise argparse.ArgumentTypeError(f"expected a whole number from 1 to 64, got {text!r}")
    return value


def _port(text: str) -> int:
    value = int(text) if text.isascii() and text.isdigit() else 0
    if not 1024 <= value <= 65535:
        raise argparse.ArgumentTypeError(f"expected a port from 1024 to 65535, got {text!r}")
    return value


def _given(text: str) -> tuple[str, float]:
    name, sign, number = text.partition("=")
    try:
        value = float(number)
    except ValueError:
        value = float("nan")
    if not sign or not name.isidentifier() or value != value or abs(value) == float("inf"):
        raise argparse.ArgumentTypeError(f"expected NAME=NUMBER, got {text!r}")
    return name, value


def _utf8_streams() -> None:
    """Degree signs must not crash a console that is not UTF-8 (older Windows)."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            with contextlib.suppress(ValueError, OSError):
                reconfigure(encoding="utf-8", errors="replace")


if __name__ == "__main__":
    sys.exit(main())
