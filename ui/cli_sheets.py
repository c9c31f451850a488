"""The commands ``sheet`` and ``camera``: arguments in; `bench.sheets`, `vision.profile`; text out.

Heavy imports wait inside the handlers. Exit codes: 0 done; 2 bad usage or a file that cannot be
used; 3 the photos do not give a camera profile.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

OK, BAD_USE, REFUSED = 0, 2, 3
NAMES = ("alignment", "two-point", "distance", "level", "disc", "calibration", "check")
GEOMETRIES = ("lofgren-a", "lofgren-b", "stevenson")


def add_commands(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register sheet and camera."""
    _add_sheet(commands)
    _add_camera(commands)


def _add_sheet(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    sheet = commands.add_parser(
        "sheet",
        help="true-scale sheets to print (PDF)",
        description="Write a printable sheet, or all of them, as PDF. Print at 100 %.",
    )
    what = sheet.add_mutually_exclusive_group(required=True)
    what.add_argument("name", nargs="?", choices=NAMES, metavar="NAME", help=", ".join(NAMES))
    what.add_argument("--all", action="store_true", help="every sheet, into the folder --out")
    sheet.add_argument("--out", type=Path, required=True, help="PDF file, or a folder")
    sheet.add_argument("--paper", choices=("a4", "letter"), default="a4")
    sheet.add_argument(
        "--effective-length", type=float, default=230.0, metavar="MM", help="stylus to pivot"
    )
    sheet.add_argument("--geometry", choices=GEOMETRIES, default="lofgren-a")
    sheet.add_argument(
        "--radii",
        default="iec",
        metavar="SET",
        help="named set of groove radii for the null points, as for the command arm",
    )
    sheet.add_argument(
        "--nulls", type=float, nargs=2, metavar=("INNER", "OUTER"), help="null radii in mm instead"
    )
    sheet.set_defaults(handler=_sheet)


def _sheet(args: argparse.Namespace) -> int:
    from bench.arm import null_points, radius_set
    from bench.sheets import all_sheets, write_sheet

    try:
        inner, outer = args.nulls or null_points(args.geometry, radius_set(args.radii))
        how = {
            "paper": args.paper,
            "null_radii_mm": (float(inner), float(outer)),
            "effective_length_mm": args.effective_length,
        }
        if args.all:
            written = all_sheets(args.out, **how)
        else:
            written = [write_sheet(args.name, args.out, **how)]
    except ValueError as error:
        print(f"deckplumb sheet: {error}", file=sys.stderr)
        return BAD_USE
    except OSError as error:
        why = error.strerror or "cannot be written"
        print(f"deckplumb sheet: {args.out}: {why}", file=sys.stderr)
        return BAD_USE
    for path in written:
        print(path)
    print("Print at 100 %, not “fit to page”; then check the 100 mm bars.")
    return OK


def _add_camera(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    camera = commands.add_parser("camera", help="what is known of your phone's lenses")
    actions = camera.add_subparsers(dest="action", required=True, metavar="ACTION")
    calibrate = actions.add_parser(
        "calibrate", help="focal length and distortion from photos of the calibration sheet"
    )
    calibrate.add_argument("photos", nargs="+", type=Path, metavar="PHOTO")
    calibrate.add_argument("--json", action="store_true", help="the profile as one JSON object")
    calibrate.add_argument("--dry-run", action="store_true", help="do not keep it")
    calibrate.set_defaults(handler=_calibrate)
    shown = actions.add_parser("list", help="lenses that are kept")
    shown.add_argument("--json", action="store_true")
    shown.set_defaults(handler=_list)


def _calibrate(args: argparse.Namespace) -> int:
    from dataclasses import asdict

    from vision.photo import PhotoError, load_photo
    from vision.profile import calibrate, save_profile
    from vision.reading import Refusal

    photos = []
    for path in args.photos:
        try:
            photos.append(load_photo(path))
        except PhotoError as error:
            print(f"{error.reason} {error.advice}", file=sys.stderr)
            return BAD_USE
    profile = calibrate(photos)
    if isinstance(profile, Refusal):
        if args.json:
            print(json.dumps({"refusal": {"reason": profile.reason, "advice": profile.advice}}))
        print(f"{profile.reason} {profile.advice}", file=sys.stderr)
        return REFUSED
    if args.json:
        print(json.dumps(asdict(profile)))
    else:
        print(
            f"focal length {profile.f_px:.1f} px ± {2 * profile.relative_u * profile.f_px:.1f} px, "
            f"distortion at the corner {100 * profile.k1:+.2f} %, from {profile.photos} photos "
            f"and {profile.corners} corners ({profile.rms_px:.2f} px RMS)"
        )
    if args.dry_run:
        return OK
    try:
        where = save_profile(profile)
    except ValueError as error:
        print(f"Not kept: {error}.", file=sys.stderr)
        return REFUSED
    except OSError as error:
        print(f"Not kept: {error.strerror or error}.", file=sys.stderr)
        return BAD_USE
    print(f"Kept for {profile.key} in {where}", file=sys.stderr)
    return OK


def _list(args: argparse.Namespace) -> int:
    from dataclasses import asdict

    from vision.profile import load_profiles

    profiles = load_profiles()
    if args.json:
        print(json.dumps({k: asdict(p) for k, p in profiles.items()}))
        return OK
    if not profiles:
        print("No lens is kept yet: deckplumb camera calibrate PHOTO...")
    for key, p in sorted(profiles.items()):
        print(
            f"{key}: {p.f_px:.1f} px at {p.width} x {p.height}, distortion {100 * p.k1:+.2f} %, "
            f"u {100 * p.relative_u:.2f} %"
        )
    return OK
