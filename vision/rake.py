"""Rake from one side-on close-up: photo -> stylus, surface and pivot side -> angle with a budget.

`find_rake` turns pixels into named lines (`RakeLines`); `solve_rake` turns lines, found or drawn
by a person, into a `Reading`. Rake is the angle of the stylus' axis to the surface, measured from
the pivot's side in the cantilever's vertical plane; 90 is upright, above 90 the top leans away
from the pivot (DEVELOPERS.md, Conventions).

What is measured is the axis of shank and cone as seen; the contact edge ground on the tip may
differ by 1-2 degrees (common practice, no source): that is the definitional uncertainty, reported
apart. The geometry is in `vision.rake_model`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from vision.camera import Camera
from vision.edges import EdgeFit, half_turn
from vision.far_edge import far_edge
from vision.groove import CLEAR, Groove, groove_slope
from vision.marks import snap_marks
from vision.mirror_image import Normal
from vision.needle import Needle, NeedleEdge, find_needle, usable
from vision.outline import Outline
from vision.photo import FocalPrior, Photo
from vision.rake_model import Line, Predictor, Solution, solve
from vision.rake_surface import (
    FAINT_GROOVE_U_DEG,
    SEEN_ALONE,
    find_rod_over_surface,
    groove_lines,
    joined_line,
    normal_line,
)
from vision.reading import BudgetPart, Component, Outcome, Reading, Refusal, Segment
from vision.side_rod import SideRod, find_side_rod
from vision.sunk_tip import card_chance, sunk_tip
from vision.surface_slope import Slope, surface_slope

if TYPE_CHECKING:
    from vision.measure import Options

Array = NDArray[np.float64]

MEASURAND = "angle of the stylus' visible axis (shank and cone) to the surface, from the pivot side"
DEFINITIONAL_U_DEG = 0.9  # contact edge against axis: within 1.5 degrees, rectangular
SHANK_FLOOR_DEG, CONE_FLOOR_DEG = 0.06, 0.4
END_SHIFT_BLURS = 0.2  # a corner, a rim or a speck can draw one end of an edge by this much
ROD_FLOOR_DEG = 0.5
LEAST_WIDTH_PX = 16.0
LEAST_QUALITY = 6.5  # of edges, over a mirror: below it they are smeared, such as by motion
WANTED_WIDTH_PX = 80.0
# Of its width: the tip found may be above its place on the mirror, its image seen or not
MOST_ABOVE, MOST_ABOVE_ALONE = 0.8, 0.3
# Blocks found again in a mirror that does not show the stylus' image: shadows make up to 24
MATCHED_ALONE = 30.0
MOST_SURFACE_U_DEG = 0.75  # of the surface alone: what is less sure is most often a card
MOST_U_DEG = 0.9  # wider than that tells nothing to someone who wants the rake within a degree
MOST_MIRROR_U_DEG = 0.55  # where a mirror tells twice as much, such a photo can be bettered
# Edges that hardly stand out, or of few pixels, err more than they show, clear and long ones less,
# in known scenes: qualities at which a stylus 100 px wide errs as much, over a mirror, which shows
# it twice, and without one
USUAL_QUALITY, ALONE_QUALITY, QUALITY_POWER = 40.0, 8.0, 0.4
USUAL_WIDTH_PX, WIDTH_POWER, DOUBT_TIMES = 100.0, 0.5, (0.6, 3.0)
MOST_EDGE_U_DEG = 0.8  # doubtful edges may be the wrong ones; a doubtful surface is just uncertain
MOST_MISS = 2.0  # of faint grooves or a mirror from the slope as seen, standard uncertainties
DOUBTFUL_GROOVE_DEG = 0.4  # then it may be none, and the surface's far edge is asked too
PLAUSIBLE_DEG = (85.0, 100.0)
ROD_MM, ROD_LOG_U = 0.5, 0.3  # a usual cantilever's thickness, to guess how far away it is
# From a strong clip-on lens to a zoomed lens that focuses near (common practice, no source)
DISTANCE_MM = (25.0, 150.0)
U_THICKNESS_MM = 0.1

MOST_SHANK_OPENING_DEG = 3.5
# Of each edge that a person drew over a mirror where the networks see no stylus under the rod:
# lines in a clear one, and their images, are as easily snapped to
UNSEEN_DEG = 1.0
_SHANKS = ("shank left", "shank right")
_REFLECTED = ("reflected shank left", "reflected shank right")


@dataclass(frozen=True)
class RakeLines:
    """The lines a rake rests on, in pixels of the upright photo.

    Parameters
    ----------
    lines : tuple of Line
        Names as in `vision.rake_model.solve`; left and right as seen in the photo.
    pivot_right : bool
        Whether the arm's pivot lies to the right.
    on_mirror : bool
        Whether the surface is a mirror (then its thickness matters).
    flags : tuple of str
        Keys of `vision.reading.FLAGS`.
    """

    lines: tuple[Line, ...]
    pivot_right: bool
    on_mirror: bool
    flags: tuple[str, ...] = ()
    rod_thickness_px: float | None = None


def read_rake(photo: Photo, options: Options) -> Outcome:
    """Find the lines (or take those a person drew) and solve them."""
    lines = lines_from_marks(photo, options) if options.marks else find_rake(photo, options)
    if isinstance(lines, Refusal):
        return lines
    return solve_rake(lines, photo.focal, (photo.width, photo.height), options, photo.k1)


def find_rake(photo: Photo, options: Options) -> RakeLines | Refusal:
    """Stylus, surface and pivot side in a side-on close-up.

    Parameters
    ----------
    photo : Photo
    options : Options
        ``pivot`` overrides the side judged from the cantilever's rise.

    Returns
    -------
    RakeLines or Refusal
    """
    found = find_rod_over_surface(photo.rgb, options.pivot)
    if found is None:
        return _refusal(
            "No cantilever was found: a thin straight rod rising to one side.",
            "Photograph from the side with the lens at the record's height, so that the "
            "cantilever crosses the picture and the stylus stands under its end.",
        )
    rod, normal = found.rod, found.normal
    needle = find_needle(photo.rgb, rod)
    if needle is not None and needle.width < LEAST_WIDTH_PX:
        return _too_small(needle.width, _look(rod))
    if needle is None or (needle.image is not None and needle.quality < LEAST_QUALITY):
        return _refusal(
            "No stylus with two clear edges was found under the end of the cantilever.",
            "Focus on the stylus, light it from behind, and move closer until it spans "
            f"{WANTED_WIDTH_PX:.0f} px of the picture's width.",
            _look(rod, needle),
        )
    if needle.image is None and normal is not None and normal.line.matched < MATCHED_ALONE:
        normal = None  # a shadow, or print, that is somewhat alike on both sides of a line
    most_above = MOST_ABOVE if needle.image is not None else MOST_ABOVE_ALONE
    on_mirror = needle.image is not None or normal is not None
    if normal is not None and abs(_above(needle, normal)) > most_above:
        return _refusal(
            "The stylus found does not reach down to its mirror image.",
            "Focus on the stylus' tip and keep dust and lint away from it.",
            _look(rod, needle),
        )
    square = None if normal is None else normal_line(normal, float(needle.apex[0]), rod)
    seen = None if needle.image is not None else surface_slope(photo.rgb, rod)
    if square is not None and seen is not None and _askew(square, seen):
        return _refusal(
            "What looks like a mirror image lies askew to the surface.",
            "Keep shadows and lint away from the stylus, and let the mirror show the stylus as "
            "well as the cantilever.",
            _look(rod, needle),
        )
    usual = ALONE_QUALITY if needle.image is None else USUAL_QUALITY
    times = _doubt(needle.quality, needle.width, usual)
    lines = [
        Line(
            name,
            float(e.p0[0]),
            float(e.p0[1]),
            float(e.p1[0]),
            float(e.p1[1]),
            times * _edge_u(name, e),
        )
        for name, e in usable(needle.edges)
    ]
    lines.append(_axis_line("axis", needle.outline, times * needle.axis_u_deg))
    if needle.image is not None:
        lines.append(_axis_line("reflected axis", needle.image, times * needle.image_u_deg))
    flags = ["pivot_assumed"] if options.pivot == "auto" else []
    lines += _rod_lines(rod)
    if square is not None:
        lines.append(square)
    if seen is not None and not on_mirror:
        flags.append("no_reflection")
        groove = groove_slope(photo.rgb, needle.apex, needle.width, rod, _lean(lines))
        reach = 2 * rod.thickness
        if groove is not None and not _doubtful(groove, seen):
            flags.append("groove_reference")
            lines += groove_lines(groove, needle.apex, reach)
        else:
            beyond = far_edge(photo.rgb, needle.apex, needle.width, rod)
            told = {"seen": (seen.slope_deg, seen.u_deg * (SEEN_ALONE if groove is None else 1.0))}
            card = None
            if groove is not None:
                name = "grooves" if len(groove.sides) == 2 else "groove"
                told[name] = (groove.slope_deg, min(groove.u_deg, FAINT_GROOVE_U_DEG))
                card = card_chance(sunk_tip(photo.rgb, needle.outline, rod, groove.slope_deg))
            if beyond is not None:
                told["beyond"] = (
                    math.degrees(half_turn(beyond.angle)),
                    math.degrees(beyond.angle_u),
                )
            surface = joined_line(told, needle.apex, reach, card)
            if surface.angle_u > math.radians(MOST_SURFACE_U_DEG):
                return _refusal(
                    "Neither a mirror image nor grooves show clearly which way the surface runs.",
                    "Stand the stylus on a small mirror, or light the record so that its grooves "
                    "glint beside the stylus.",
                    _look(rod, needle),
                )
            lines.append(surface)
            flags.append("surface_doubtful")
            if groove is None:
                flags.append("seen_reference" if beyond is None else "far_edge_reference")
    return RakeLines(tuple(lines), rod.pivot_right, on_mirror, tuple(flags), rod.thickness)


def _doubt(quality: float, width: float, usual: float) -> float:
    """By how much edges of a stylus so clear and wide are less sure than they look."""
    by_quality = (usual / max(quality, 1.0)) ** QUALITY_POWER
    by_width = (USUAL_WIDTH_PX / max(width, 1.0)) ** WIDTH_POWER
    least, most = DOUBT_TIMES
    return min(max(by_quality * by_width, least), most)


def lines_from_marks(photo: Photo, options: Options) -> RakeLines | Refusal:
    """Lines a person drew, snapped to the edges beside them.

    Needed: ``shank left`` and ``shank right``, and either both reflected ones or ``surface``.
    """
    marks = options.marks or {}
    reflected = all(name in marks for name in _REFLECTED)
    needed = (*_SHANKS, *(_REFLECTED if reflected else ("surface",)))
    fits = snap_marks(photo, marks, "rake", needed)
    if isinstance(fits, Refusal):
        return fits
    left, right = (fits[name] for name in _SHANKS)
    opening = half_turn(right.angle - left.angle)
    along = left.angle + opening / 2
    away = np.mean(right.ends, axis=0) - np.mean(left.ends, axis=0)
    width = abs(float(math.cos(along) * away[1] - math.sin(along) * away[0]))
    if width < LEAST_WIDTH_PX:  # lines drawn beside one edge are snapped to the other
        return _too_small(width, ())
    pivot = options.pivot
    flags = []
    if pivot == "auto":
        rod = find_side_rod(photo.rgb)
        if rod is None:
            return _refusal(
                "The side of the arm's pivot is not known.",
                "Say whether the pivot is to the left or to the right in the photo.",
            )
        pivot = "right" if rod.pivot_right else "left"
        flags.append("pivot_assumed")
    lines = []
    if abs(opening) > math.radians(MOST_SHANK_OPENING_DEG):
        # where little shank shows a person draws along the cone, or the shank tapers
        fits = {name.replace("shank", "cone"): fit for name, fit in fits.items()}
    for name, fit in fits.items():
        (ax, ay), (bx, by) = fit.ends
        floor = CONE_FLOOR_DEG if "cone" in name else SHANK_FLOOR_DEG
        shift = END_SHIFT_BLURS * max(fit.blur, 0.8)
        u = math.hypot(fit.angle_u, math.radians(floor), shift / fit.length)
        lines.append(Line(name, float(ax), float(ay), float(bx), float(by), u))
    if not reflected:
        flags += ["no_reflection", "groove_reference"]
    else:
        lines = _beside_what_is_seen(lines, photo.rgb, pivot, (left, right), width)
    return RakeLines(tuple(lines), pivot == "right", reflected, tuple(flags))


def _beside_what_is_seen(
    lines: list[Line],
    rgb: NDArray[np.uint8],
    pivot: str,
    sides: tuple[EdgeFit, EdgeFit],
    width: float,
) -> list[Line]:
    """Lines drawn over a mirror, with the axes that networks see of a stylus there and its image.

    Where they see no stylus at all under the rod the lines are doubted instead.
    """
    found = find_rod_over_surface(rgb, pivot)
    if found is None:
        return lines
    needle = find_needle(rgb, found.rod)
    if needle is None:
        unseen = math.radians(UNSEEN_DEG)
        return [replace(line, angle_u=math.hypot(line.angle_u, unseen)) for line in lines]
    seen, image = needle.outline, needle.image
    middle = np.mean([side.ends for side in sides], axis=(0, 1)) - seen.tip
    aside = abs(float(seen.axis[0] * middle[1] - seen.axis[1] * middle[0]))
    if aside > width or image is None:  # another stylus, or nothing to tell of the surface
        return lines
    own = _axis_line("axis", seen, seen.axis_u_deg)
    return [*lines, own, _axis_line("reflected axis", image, image.axis_u_deg)]


def solve_rake(
    lines: RakeLines,
    focal: FocalPrior,
    size: tuple[int, int],
    options: Options,
    k1: float = 0.0,
) -> Outcome:
    """Rake from named lines.

    Parameters
    ----------
    lines : RakeLines
    focal : FocalPrior
    size : (width, height)
        Pixels of the photo the lines belong to.
    options : Options
        Thicknesses and effective length correct for the surface's height.
    k1 : float
        Known radial distortion (see `vision.camera.Camera`).

    Returns
    -------
    Reading or Refusal
        Refusal where the uncertainty would be larger than is useful.
    """
    f_px, f_u = _focal(focal, lines, size)
    camera = Camera(
        f_px, (size[0] - 1) / 2, (size[1] - 1) / 2, k1, math.hypot(size[0], size[1]) / 2
    )
    solution = solve(lines.lines, camera, lines.pivot_right, {"log_focal": f_u})
    height, height_u, height_note = _surface_height(lines, options)
    value = solution.rake + height
    flags = list(lines.flags)
    if lines.on_mirror and height_note.startswith("not"):
        flags.append("surface_height_unknown")
    parts = [BudgetPart(name, solution.parts[name], note) for name, note in _NOTES.items()]
    parts.append(BudgetPart("surface height", height_u, height_note))
    drawn = _segments(lines, solution, camera)
    u = math.hypot(solution.rake_u, height_u)
    edges_u = sum(p.standard_uncertainty for p in parts if p.name == "edge fit")
    most = MOST_MIRROR_U_DEG if lines.on_mirror else MOST_U_DEG
    uncertain = u > most or edges_u > MOST_EDGE_U_DEG
    if uncertain or not PLAUSIBLE_DEG[0] < value < PLAUSIBLE_DEG[1]:
        return _refusal(
            f"The lines found leave the angle uncertain by ±{2 * u:.1f}°."
            if uncertain
            else f"The lines found would mean a rake of {value:.0f}°, which is not believable.",
            "Move closer and focus on the stylus, with the lens at the surface's height.",
            tuple(Segment(s.name, "look", s.x0, s.y0, s.x1, s.y1) for s in drawn),
        )
    return Reading(
        quantity="rake",
        value=value,
        unit="deg",
        measurand=MEASURAND,
        budget=tuple(parts),
        definitional_uncertainty=DEFINITIONAL_U_DEG,
        components=_components(lines, solution, drawn),
        flags=tuple(dict.fromkeys(flags)),
        lines=drawn,
    )


_NOTES = {
    "edge fit": "stylus and its mirror image: noise, blur and the scatter of the edges",
    "surface reference": "mirror image, groove or far edge as the surface's direction",
    "camera direction": "elevation 4.8 ± 2.3°, off side-on 0 ± 2.3° where the lines leave it open",
    "focal length and principal point": "",
    "lens distortion": "",
    "priors used": "side lean 0 ± 1.5°, rise 20 ± 4°, taper, cone symmetry, groove 0 ± 1.8°",
}


def _edge_u(name: str, edge: NeedleEdge) -> float:
    floor = CONE_FLOOR_DEG if "cone" in name else SHANK_FLOOR_DEG
    shift = END_SHIFT_BLURS * max(edge.blur, 0.8)
    return math.hypot(edge.angle_u, math.radians(floor), shift / edge.length)


def _doubtful(groove: Groove, seen: Slope) -> bool:
    """Whether a groove may be none: very faint, or faint and far from what the picture shows.

    A shadow's edge or a scratch is a line too.
    """
    if groove.u_deg > DOUBTFUL_GROOVE_DEG or groove.contrast > CLEAR:
        return groove.u_deg > DOUBTFUL_GROOVE_DEG
    miss = abs(groove.slope_deg - seen.slope_deg)
    return miss > MOST_MISS * math.hypot(groove.u_deg, seen.u_deg)


def _askew(normal: Line, seen: Slope) -> bool:
    """Whether a mirror's normal is far from square to the surface as the picture shows it.

    Without an image of the stylus itself, what passes for that of the rod may be a shadow.
    """
    miss = abs(math.degrees(half_turn(normal.angle - math.pi / 2)) - seen.slope_deg)
    return miss > MOST_MISS * math.hypot(math.degrees(normal.angle_u), seen.u_deg)


def _above(needle: Needle, normal: Normal) -> float:
    """Height of the tip above the mirror, in widths of the stylus."""
    x, y = map(float, needle.apex)
    return (normal.line.y_at(x) - y) / needle.width


def _lean(lines: list[Line]) -> float | None:
    """Mean lean of the stylus' edges in the photo, degrees, positive with the top to the right."""
    leans = []
    for kind in ("shank", "cone"):
        pair = [x for x in lines if x.name.startswith(kind)]
        if len(pair) == 2 or (pair and kind == "shank"):
            leans.append(np.mean([90 - (-math.degrees(x.angle)) % 180 for x in pair]))
    return float(leans[0]) if leans else None


def _axis_line(name: str, outline: Outline, u_deg: float) -> Line:
    """An outline's axis: all there is where edges are faint, of little weight elsewhere."""
    x0, y0 = map(float, outline.tip)
    x1, y1 = map(float, outline.tip + outline.length * outline.axis)
    return Line(name, x0, y0, x1, y1, math.radians(u_deg))


def _rod_lines(rod: SideRod) -> list[Line]:
    u = math.radians(ROD_FLOOR_DEG)
    limbs = [("rod bottom", rod.bottom)]
    if not rod.one_limb:
        limbs = [("rod top", rod.top), *limbs]
    return [Line(name, r.x0, r.y0, r.x1, r.y1, u) for name, r in limbs]


def _focal(focal: FocalPrior, lines: RakeLines, size: tuple[int, int]) -> tuple[float, float]:
    """Focal length (px) and its log standard uncertainty.

    A close-up is taken through a clip-on lens, a microscope or a crop as often as not, and then
    the file's focal length says little: it may be that of the phone alone, which would put the
    lens against the stylus. How far away a lens can stand says more.
    """
    if focal.low_high is not None:
        low, high = focal.low_high
        return math.sqrt(low * high), math.log(high / low) / math.sqrt(12)
    thickness = lines.rod_thickness_px
    near, far = DISTANCE_MM
    if thickness and focal.f_px * ROD_MM < far * thickness and focal.source != "profile":
        usual = math.sqrt(near * far) / ROD_MM * thickness
        return usual, math.hypot(math.log(far / near) / math.sqrt(12), ROD_LOG_U)
    return focal.f_px, focal.relative_u


def _surface_height(lines: RakeLines, options: Options) -> tuple[float, float, str]:
    """Correction (deg), its standard uncertainty and a note.

    A mirror of thickness t in place of a record of thickness t0 lifts the tip, which lowers the
    rake by (t - t0) / effective length rad; the correction gives the rake on the record.
    """
    if not lines.on_mirror:
        return 0.0, 0.0, "read on the surface itself"
    given = (options.mirror_mm, options.record_mm, options.effective_length_mm)
    if any(v is None for v in given):
        return 0.0, 0.0, "not corrected: thicknesses not given"
    mirror, record, length = (float(v) for v in given if v is not None)
    correction = math.degrees((mirror - record) / length)
    u = math.degrees(math.sqrt(2) * U_THICKNESS_MM / length)
    return correction, u, f"corrected by {correction:+.2f}° for {mirror - record:+.1f} mm"


def _segments(lines: RakeLines, solution: Solution, camera: Camera) -> tuple[Segment, ...]:
    used = [x for x in lines.lines if x.name not in solution.dropped]
    contact, reach = _contact(used, solution, camera, lines.pivot_right)
    axis = _direction("axis", contact, solution, camera, lines.pivot_right)
    axis = axis if axis[1] < 0 else -axis
    along = _direction("surface", contact, solution, camera, lines.pivot_right)
    along = along if (along[0] > 0) == lines.pivot_right else -along
    top = contact + axis * reach
    start, end = contact - along * reach, contact + along * 1.6 * reach
    drawn = [
        Segment("axis", "axis", *map(float, (*contact, *top))),
        Segment("surface", "surface", *map(float, (*start, *end))),
    ]
    for x in used:
        if x.name.startswith(("surface", "normal", "axis")):
            continue
        role = "reflection" if x.name.startswith("reflected") else "edge"
        role = "reference" if "rod" in x.name else role
        drawn.append(Segment(x.name, role, x.x0, x.y0, x.x1, x.y1))
    return tuple(drawn)


def _direction(
    name: str, at: Array, solution: Solution, camera: Camera, pivot_right: bool
) -> Array:
    probe = Line(name, float(at[0]) - 1, float(at[1]), float(at[0]) + 1, float(at[1]), 1.0)
    angle = float(Predictor([probe], camera, pivot_right).angles(solution.values)[0])
    return np.array([math.cos(angle), math.sin(angle)])


def _contact(
    used: list[Line], solution: Solution, camera: Camera, pivot_right: bool
) -> tuple[Array, float]:
    """Where the stylus meets the surface, and how far the drawn axis should reach."""
    own = [x for x in used if x.name.startswith(("shank", "cone", "axis"))]
    image = [x for x in used if x.name.startswith(("reflected shank", "reflected cone"))]
    ends = np.array([(p.x0, p.y0) for p in own] + [(p.x1, p.y1) for p in own])
    for x in own:
        if x.name == "axis":  # from the tip
            return np.array([x.x0, x.y0]), 1.2 * x.length
    middle = np.mean([x.middle for x in own], axis=0)
    reach = float(np.ptp(ends[:, 1])) + 0.5 * float(np.ptp(ends[:, 0]))
    axis = _direction("axis", middle, solution, camera, pivot_right)
    axis = axis if axis[1] > 0 else -axis
    if image:
        low = np.mean([x.middle for x in image], axis=0)
        distance = float((low - middle) @ axis) / 2
        return middle + axis * distance, max(reach, 2 * distance)
    near = [x for x in used if x.name != "surface beyond"]
    surface = [x.middle for x in near if x.name.startswith(("surface", "normal"))]
    if surface:
        on_surface = np.mean(surface, axis=0)
        s = _direction("surface", on_surface, solution, camera, pivot_right)
        d = on_surface - middle
        distance = float((d[0] * s[1] - d[1] * s[0]) / (axis[0] * s[1] - axis[1] * s[0]))
        return middle + axis * distance, max(reach, 1.5 * abs(distance))
    lowest = float(ends[:, 1].max() - middle[1])
    return middle + axis * lowest, max(reach, 2 * lowest)


def _components(
    lines: RakeLines, solution: Solution, drawn: tuple[Segment, ...]
) -> tuple[Component, ...]:
    axis = drawn[0]
    lean = math.degrees(math.atan2(axis.x1 - axis.x0, axis.y0 - axis.y1))
    parts = [Component("lean in image", lean, "deg", solution.parts["edge fit"])]
    if any(x.name.startswith("rod") for x in lines.lines):
        parts.append(
            Component(
                "rise of the cantilever",
                solution.values["rise"],
                "deg",
                solution.standard_uncertainties["rise"],
            )
        )
    return tuple(parts)


def _look(rod: SideRod, needle: Needle | None = None) -> tuple[Segment, ...]:
    b = rod.bottom
    looked = [Segment("cantilever", "look", b.x0, b.y0, b.x1, b.y1)]
    if needle is not None:
        looked += [
            Segment(name, "look", *map(float, (*e.p0, *e.p1))) for name, e in needle.edges.items()
        ]
    return tuple(looked)


def _too_small(width: float, lines: tuple[Segment, ...]) -> Refusal:
    return _refusal(
        f"The stylus spans {width:.0f} px.",
        f"Move closer or use a clip-on lens until it spans {WANTED_WIDTH_PX:.0f} px.",
        lines,
    )


def _refusal(reason: str, advice: str, lines: tuple[Segment, ...] = ()) -> Refusal:
    return Refusal("rake", reason, advice, lines)
