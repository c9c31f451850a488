"""The command ``arm``: lengths and angles in, alignment geometry out as text, JSON or a plot."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ui.guarded import guarded

if TYPE_CHECKING:
    from bench.arm import Alignment, Radii

OK = 0
GEOMETRIES = ("lofgren-a", "lofgren-b", "stevenson")
RADII = ("iec", "iec-late", "din", "seven-inch", "78")
KINDS = ("pivoted", "underhung", "linear")


def add_arm(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Register the command."""
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
    arm.add_argument(
        "--at-nulls",
        metavar="INNER,OUTER,U",
        help="cantilever directions read at the two null points and their expanded uncertainty, "
        "degrees: the overhang error and direction behind them",
    )
    arm.add_argument("--json", action="store_true")
    arm.add_argument("--plot", type=Path, metavar="FILE.svg|png")
    arm.set_defaults(handler=guarded(_arm))


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
    if args.at_nulls is not None:
        record["from_nulls"] = _from_nulls(alignment, args.at_nulls)
    if args.plot is not None:
        from bench.plots import save_plot

        save_plot(args.plot, alignment, mistakes)
        record["plot"] = str(args.plot)
    if args.json:
        print(json.dumps(record, ensure_ascii=False, allow_nan=False))
    else:
        _print_alignment(record)
    return OK


def _from_nulls(alignment: Alignment, text: str) -> dict[str, float]:
    from bench.arm import mistakes_from_nulls

    try:
        inner, outer, expanded = (float(part) for part in text.split(","))
    except ValueError as problem:
        raise ValueError(f"--at-nulls: got {text!r}, allowed INNER,OUTER,U in degrees") from problem
    overhang, direction = mistakes_from_nulls(alignment, inner, outer, expanded / 2.0)
    return {
        "overhang_error_mm": overhang[0],
        "overhang_expanded_uncertainty_mm": 2.0 * overhang[1],
        "cantilever_deg": direction[0],
        "cantilever_expanded_uncertainty_deg": 2.0 * direction[1],
    }


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
    if "from_nulls" in r:
        _print_from_nulls(r["from_nulls"])
    if "plot" in r:
        print(f"  plot                {r['plot']}")


def _print_from_nulls(found: Any) -> None:
    from bench.verdict import figure

    far, u_far = found["overhang_error_mm"], found["overhang_expanded_uncertainty_mm"]
    turn, u_turn = found["cantilever_deg"], found["cantilever_expanded_uncertainty_deg"]
    print(f"  overhang error      {figure(far, u_far, 'mm')} (+ too far)")
    print(f"  cantilever          {figure(turn, u_turn, 'deg')} (+ counter-clockwise from above)")


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
