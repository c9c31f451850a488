"""Print every figure that README quotes about the three angles.

    python -m tests.figures all SETS [--jobs 2]    everything below, from SETS/sealed, SETS/pairs
                                                   and SETS/unusable
    python -m tests.figures edges                  estimator against the bound and against peers
    python -m tests.figures photos DIR [--jobs 2]  a set of photographs with truth.json
    python -m tests.figures marks DIR              the refused ones again, with lines drawn by hand
    python -m tests.figures pairs DIR              a left and a right photograph solved jointly
    python -m tests.figures time DIR               seconds and memory

A set is made by ``python -m tests.scenes.photosets`` (rendered photographs: nothing here was taken
by a real camera). Coverage and error are always printed together; U is expanded, k = 2.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from tests import figures_time
from tests.figures_edges import edges_table
from tests.figures_photos import (
    Result,
    details,
    read_marked,
    read_pairs,
    read_set,
    table,
)

QUANTITIES = ("rake", "cantilever", "azimuth")


def main() -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.figures",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("what", choices=("all", "edges", "photos", "marks", "pairs", "time"))
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", choices=QUANTITIES)
    parser.add_argument("--common", action="store_true", help="for photos: of common shapes only")
    parser.add_argument("--verbose", action="store_true", help="one line a photograph")
    parser.add_argument("--repeats", type=int, default=200, help="for edges")
    args = parser.parse_args()
    if args.what == "edges":
        print(edges_table(args.repeats))
        return
    if args.folder is None:
        parser.error(f"{args.what} needs a folder")
    if args.what == "time":
        print_times(args.folder)
    elif args.what == "pairs":
        print_pairs(args.folder, args.jobs, args.verbose)
    elif args.what == "marks":
        refused = [r for r in read_set(args.folder, args.jobs, args.only) if not r.answered]
        print_marks(args.folder, args.jobs, refused, args.verbose)
    elif args.what == "photos":
        print_set(args.folder, args.jobs, args.only, args.verbose, args.common)
    else:
        print_all(args.folder, args.jobs, args.repeats)


def print_all(sets: Path, jobs: int, repeats: int) -> None:
    print("Edge estimator against the Cramér-Rao bound and against peers\n")
    print(edges_table(repeats))
    print("\nPhotographs not tuned on\n")
    read = print_set(sets / "sealed", jobs)
    print("\nThose refused, from lines drawn by hand\n")
    print_marks(sets / "sealed", jobs, [r for r in read if not r.answered])
    print("\nA left and a right photograph over paper\n")
    print_pairs(sets / "pairs", jobs)
    print("\nUnusable photographs: none may be answered\n")
    print_set(sets / "unusable", jobs)
    print("\nTime\n")
    print_times(sets / "sealed")


def print_set(
    folder: Path, jobs: int, only: str | None = None, verbose: bool = False, common: bool = False
) -> list[Result]:
    results = read_set(folder, jobs, only, common)
    _show(results, verbose)
    return results


def print_marks(folder: Path, jobs: int, refused: Sequence[Result], verbose: bool = False) -> None:
    """Photographs the finder refused, read from rough lines along the true silhouettes."""
    results = read_marked(folder, jobs, {r.photo for r in refused})
    if results:
        _show(results, verbose)
    else:
        print("No refused photograph can be marked.")


def print_pairs(folder: Path, jobs: int, verbose: bool = False) -> None:
    alone, joint = read_pairs(folder, jobs)
    _show([*alone, *joint], verbose)


def print_times(folder: Path) -> None:
    print(figures_time.in_process(folder))
    print(figures_time.whole_process(folder))
    print(figures_time.jobs(folder))


def _show(results: Sequence[Result], verbose: bool) -> None:
    if verbose:
        print(details(results))
    print(table(results))


if __name__ == "__main__":
    main()
