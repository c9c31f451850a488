"""Cantilever: its direction seen from above against a printed line, from a photo over a grid.

Comes in: a photo from the front and above (20-50 degrees up) of the cantilever over a printed
rectangular grid on paper, on a first-surface or on a back-silvered mirror. Goes out: a `Reading`
(degrees, positive = counter-clockwise from above), or a `Refusal`.

Signs: DEVELOPERS.md, "Conventions". Lines to angle: `cantilever_solve`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import print_seen
from vision.cantilever_solve import (
    QUANTITY,
    RETAKE,
    CantileverLines,
    combine_cantilever,
    solve_cantilever,
)
from vision.grid import GridPose, find_grid, find_shown
from vision.ink import Ink, find_ink, share_beside_lattice
from vision.marks import missing_marks
from vision.network import halved
from vision.photo import FocalPrior, Photo
from vision.reading import Reading, Refusal
from vision.rise_seen import rises_told
from vision.rod import RISE_DEG, Limb, Rod
from vision.rod_around import second_outline
from vision.rod_beside import (
    calm,
    opens_too_far,
    outline_alone,
    rods_beside,
    widens_to_its_end,
)
from vision.rod_choice import choose
from vision.rod_drawn import END_SD_PX, LEAST_REACH_PX, REACH_PX, Marked, as_drawn
from vision.rod_find import find_rods
from vision.rod_kinds import BODY, BODY_IMAGE, INK, SURE, RodOutline, Shown, look, rod_outline
from vision.rod_near import nearer
from vision.rod_reflection import HEIGHTS, Reflection, find_reflection
from vision.rod_rise import RISES_DEG, rise_likelihood
from vision.rod_sight import is_column, shows_nothing
from vision.sheet import find_grid as find_sheet_grid

if TYPE_CHECKING:
    from vision.measure import Options

Array = NDArray[np.float64]
SHEET_GRID_MM = 5.0  # step of the null grid on our own sheets
WORK_SIDE = 1600  # wider pictures are reduced to this: blur and noise leave no more detail
MARKS = ("left edge", "right edge")
IMAGE_MARKS = ("reflected left edge", "reflected right edge")  # over a mirror, if a person likes
GRID_MARK = "grid line"  # and what follows: one name a line
LEAST_INK, USUAL_INK = 0.005, 0.015  # half width of printed lines, in pitches
WHITE, MOST_WHITE, LEAST_SEEN = 250, 0.6, 20  # of 255; share and number of points
FEW_COLUMNS, MOST_BESIDE, LEAST_PRINT = 2, 0.036, 30  # share of, and so many, printed pixels
LEAST_SHARE_OF_CHOICE = 0.02
MOST_BODY = 0.8  # of what is shown along such a rod; 0.2 to 0.6 along drawn ones
LEAST_SEEN_SHARE = 0.035  # of its length, of a rod that no network knows; drawn ones 0.06 and more
# Log-likelihood by which a bare mirror shows the rod better where ghosts of few lines are seen: in
# known scenes 14 without glass, at most 1 in glass
NO_GLASS = 5.0
# What counts, of what each would by itself, of the look around the reflection, of colour steps and
# of how well places fit: the likeliest for the rises of 452 photographs of known scenes
COUNTS, COUNTS_IN_GLASS = (1.1, 0.55, 0.75), (0.45, 0.55, 0.9)
MOST_REMEMBERED = 24  # photos whose lines are kept for solving them jointly
_FOUND: dict[tuple[str | None, str], CantileverLines] = {}


def read_cantilever(photo: Photo, options: Options) -> Reading | Refusal:
    """Direction of the cantilever in one photo.

    Parameters
    ----------
    photo : Photo
    options : Options
        ``marks`` named "left edge" and "right edge" take the place of the rod finder, and with
        them "reflected left edge" and "reflected right edge" say where its reflection lies; two or
        more each way whose names begin with "grid line" start the grid where none is found.

    Returns
    -------
    Reading or Refusal
    """
    lines = find_cantilever(photo, options)
    if isinstance(lines, Refusal):
        return lines
    _remember(photo, options, lines)
    return solve_cantilever(lines)


def find_cantilever(
    photo: Photo, options: Options, pose: GridPose | None = None
) -> CantileverLines | Refusal:
    """Find the printed grid, the cantilever's limbs and its reflection.

    Parameters
    ----------
    photo : Photo
    options : Options
        ``marks`` may hold "left edge" and "right edge", both with "reflected" before, and
        "grid line 1" and so on, roughly drawn.
    pose : GridPose, optional
        A known pose of the sheet, in pixels of the photo, in place of the guessed grid.

    Returns
    -------
    CantileverLines or Refusal
    """
    factor = min(1.0, WORK_SIDE / max(photo.width, photo.height))
    rgb = photo.rgb
    if factor < 1.0:
        size = (round(photo.width * factor), round(photo.height * factor))
        small = cv2.resize(halved(photo.rgb, factor), size, interpolation=cv2.INTER_AREA)
        rgb = small.astype(np.uint8, copy=False)
        factor = size[0] / photo.width
    shift = (factor - 1) / 2
    shown = look(rgb)
    if pose is None:
        # not the whole photo's, which is 48 MB at 12 megapixels
        grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32) / np.float32(255)
        focal = _scaled_focal(photo.focal, factor)
        centre = (photo.centre[0] * factor + shift, photo.centre[1] * factor + shift)
        found = find_grid(
            grey, focal, centre, shown=shown, askew=lambda p: _askew(p, shown),
            closer=lambda: _grid_shown(rgb, focal, centre),
        )  # fmt: skip
        own = sheet_pose(photo) if found is None else None
        if own is not None:
            found = own.scaled(factor)
        drawn_grid = _drawn_grid(options, factor)
        if found is None and len(drawn_grid):
            found = find_grid(grey, focal, centre, drawn_grid)
        if found is None:
            return Refusal(QUANTITY, "No printed rectangular grid was found.", RETAKE)
    else:
        found = pose.scaled(factor)
    if found.ink_half_width < LEAST_INK:  # nothing dark there: ink is brighter than what shows
        found = replace(found, ink_half_width=USUAL_INK)
    marked = _marked(options, factor)
    if isinstance(marked, Refusal):
        return marked
    lines = lines_above(rgb, found, marked, shown, photo.rgb)
    if isinstance(lines, Refusal):
        return lines
    flags = []
    found = lines.pose
    if found.thickness is not None:
        flags.append("back_silvered")
    if pose is None and (photo.focal.source == "guess" or photo.focal.low_high is not None):
        flags.append("focal_solved")
    back = 1 / factor
    return CantileverLines(
        found.scaled(back),
        _scaled_rod(lines.rod, back),
        None if lines.image is None else lines.image * back + (back - 1) / 2,
        tuple(flags),
        tuple((_scaled_rod(rod, back), share) for rod, share in lines.others),
        lines.plain,
        lines.rises,
    )


def lines_above(
    rgb: NDArray[np.uint8],
    pose: GridPose,
    marked: Marked | None = None,
    shown: Shown | None = None,
    finer: NDArray[np.uint8] | None = None,
) -> CantileverLines | Refusal:
    """The cantilever's limbs and its reflection above a sheet whose pose is known.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
    pose : GridPose
        In pixels of ``rgb``.
    marked : Marked, optional
        Lines that a person drew, in pixels of ``rgb``.
    shown : Shown, optional
        What the picture shows.
    finer : ndarray of uint8, shape (H, W, 3), optional
        The same picture in more pixels.

    Returns
    -------
    CantileverLines or Refusal
        In pixels of ``rgb``.
    """
    shown = shown or look(rgb)
    near_rgb, factor = (rgb, 1.0) if finer is None else (finer, rgb.shape[1] / finer.shape[1])
    smooth = calm(rgb)
    ink = find_ink(smooth, pose)
    steep = math.asin(min(-pose.normal[2], 1.0)) + math.radians(RISE_DEG)

    def nearer_look(outline: RodOutline) -> RodOutline:
        outline = nearer(near_rgb, outline, math.cos(steep), factor)
        return second_outline(near_rgb, outline, math.cos(steep), factor)

    outline = rod_outline(shown)
    if marked is None and outline is not None and _blinded(rgb, outline):
        return Refusal(
            QUANTITY,
            "Glare covers the place where the cantilever meets its body.",
            "Move or shade the lamp, or turn the deck, until no glare lies on the cantilever.",
        )
    if marked is not None:
        outline = marked.outline_of(outline, nearer_look)
    elif outline is not None:
        outline = nearer_look(outline)
    found = _seen_or_found(smooth, ink, outline, math.sin(steep), marked is None)
    if found is None and marked is not None:
        return Refusal(
            QUANTITY,
            "No pair of edges lies along the two lines.",
            "Move the lines onto the cantilever's edges, or take a sharper photo.",
        )
    if found is None or (marked is None and _no_rod(found[0], pose, outline, shown)):
        return Refusal(QUANTITY, "No cantilever was found above the grid.", RETAKE)
    chosen, others = found
    others = [(rod, share) for rod, share in others if share > LEAST_SHARE_OF_CHOICE]
    mirrored = shown.mirrored
    plain = shows_nothing(rgb, pose, chosen) if mirrored is None else not mirrored
    plain = plain and (marked is None or marked.image is None)
    lines = CantileverLines(pose, chosen, others=tuple(others), plain=plain)
    drawn = None
    if marked is not None and marked.image is not None:
        drawn = _drawn_above(pose, chosen, marked)
        if drawn is None:
            return Refusal(
                QUANTITY,
                "What was drawn as the cantilever's reflection does not lie where it would be.",
                "Draw both sides of the reflection again, or leave them out.",
            )
        lines = replace(lines, pose=drawn[0])
    reflection = None if plain else find_reflection(near_rgb, lines.pose, chosen, factor)
    if reflection is None:
        return lines
    if drawn is None and pose.thickness is not None and not pose.layers_told:
        bare = _without_glass(near_rgb, pose, chosen, factor, reflection)
        if bare is not None:
            lines, reflection = replace(lines, pose=bare[0]), bare[1]
    if lines.pose is not pose:
        ink = find_ink(smooth, lines.pose)
    steps = rise_likelihood(rgb, ink, chosen)
    places = rises_told(near_rgb, lines.pose, chosen, factor)
    told = (reflection.log, 0 * places if steps is None else steps, places)
    counts = COUNTS if lines.pose.thickness is None else COUNTS_IN_GLASS
    rises = np.sum([count * log for count, log in zip(counts, told, strict=True)], axis=0)
    rises -= rises.max()
    sides = reflection.sides
    if drawn is not None:
        _, sides, by_hand = drawn
        rises = rises + by_hand
    return replace(lines, image=sides, rises=rises)


def _without_glass(
    rgb: NDArray[np.uint8], pose: GridPose, rod: Rod, factor: float, seen: Reflection
) -> tuple[GridPose, Reflection] | None:
    """The pose without glass and the rod's reflection there, where it shows better than ``seen``.

    All that comes in is as for `find_reflection`.
    """
    bare = replace(pose, thickness=None)
    found = find_reflection(rgb, bare, rod, factor)
    if found is None or found.evidence < seen.evidence + NO_GLASS:
        return None
    return bare, found


def _drawn_above(pose: GridPose, rod: Rod, marked: Marked) -> tuple[GridPose, Array, Array] | None:
    """The pose that a drawn reflection agrees with, its sides, and what they tell of each rise.

    Ghosts may have been seen where there is no glass: then it lies where a bare mirror shows it.
    """
    assert marked.image is not None
    bare = [] if pose.thickness is None else [replace(pose, thickness=None)]
    for tried in (pose, *bare):
        sides = tried.camera.undistort(marked.image)
        told = as_drawn(tried, rod, sides, marked.end_sd, np.radians(RISES_DEG), HEIGHTS)
        if told is not None:
            return tried, sides, told
    return None


def _grid_shown(
    rgb: NDArray[np.uint8], focal: FocalPrior, centre: tuple[float, float]
) -> GridPose | None:
    """The grid in what a network shows of print, its lines told from their ghosts."""
    seen = print_seen.look(rgb)
    k = seen.k
    in_copy = ((centre[0] + 0.5) / k - 0.5, (centre[1] + 0.5) / k - 0.5)
    pose = find_shown(seen, _scaled_focal(focal, 1 / k), in_copy)
    return None if pose is None else pose.scaled(k)


def _askew(pose: GridPose, shown: Shown) -> bool:
    """Whether few columns make the lattice, and some of what looks printed lies beside its lines.

    Then one of the columns may be the edge of something else.
    """
    printed = np.argwhere(shown.share[INK] > SURE)[:, ::-1].astype(float)
    if len(pose.columns) > FEW_COLUMNS or len(printed) < LEAST_PRINT:
        return False
    return share_beside_lattice(pose, shown.in_photo(printed)) > MOST_BESIDE


def _seen_or_found(
    smooth: NDArray[np.uint8],
    ink: Ink,
    outline: RodOutline | None,
    foreshortened: float,
    trusted: bool = True,
) -> tuple[Rod, list[tuple[Rod, float]]] | None:
    """The rod beside what the network shows, or by its edges alone; and its rivals.

    An outline that a person drew is not ``trusted``: it is no rod where no edges lie beside it,
    but a rod whatever its shape where they do.
    """
    if outline is None:
        return choose(find_rods(smooth, ink), ink.pose)
    rods = rods_beside(smooth, ink, outline)
    if not rods and (trusted or outline.sds is not None):
        rods = [outline_alone(ink.pose, outline)]
    if trusted:
        rods = [r for r in rods if not (widens_to_its_end(r) or opens_too_far(r, foreshortened))]
    if not rods:
        return None
    return rods[0], [(rod, (rod.score / rods[0].score) ** 2) for rod in rods[1:]]


def _no_rod(rod: Rod, pose: GridPose, outline: RodOutline | None, shown: Shown) -> bool:
    """Whether what was found is a printed column, or faint edges of something else."""
    return is_column(rod, pose) or _made_up(rod, outline, shown)


def _made_up(rod: Rod, outline: RodOutline | None, shown: Shown) -> bool:
    """Whether faint edges, or a body's own, make the rod of a picture that shows a body and no rod.

    Our own sheets' drawings show none either, but have clear edges, and pass for print.
    """
    if outline is not None or not shown.rod_missing:
        return False
    low, high = rod.axis
    along = low + np.linspace(0.05, 0.95, 40)[:, None] * (high - low)
    bodily = shown.shares_at(along)[[BODY, BODY_IMAGE]].sum(axis=0).mean()
    faint = rod.score < LEAST_SEEN_SHARE * float(np.linalg.norm(high - low))
    return faint or bool(bodily > MOST_BODY)


def _blinded(rgb: NDArray[np.uint8], outline: RodOutline) -> bool:
    """Whether the picture is white beyond the rod's upper end, so that only a stub is seen."""
    low, high = outline.axis
    up = (high - low) / np.linalg.norm(high - low)
    beyond, across = np.meshgrid(np.linspace(0.3, 1.5, 9), np.linspace(-1, 1, 9))
    side = np.array([-up[1], up[0]])
    at = high + outline.width * (beyond[..., None] * up + across[..., None] * side)
    x, y = np.rint(at.reshape(-1, 2)).astype(int).T
    inside = (x >= 0) & (y >= 0) & (x < rgb.shape[1]) & (y < rgb.shape[0])
    if inside.sum() < LEAST_SEEN:
        return False
    return bool((rgb[y[inside], x[inside]].min(axis=1) >= WHITE).mean() > MOST_WHITE)


def sheet_pose(photo: Photo) -> GridPose | None:
    """Pose of a null grid on one of our own sheets, from its markers; None where there is none.

    Lengths are in units of the sheet's grid step, in pixels of the photo.
    """
    sheet = find_sheet_grid(photo, QUANTITY)
    if isinstance(sheet, Refusal):
        return None
    view, normal, along = sheet.view, sheet.normal, sheet.along
    if along[2] < 0:  # the printed direction that runs away from the camera
        along = -along
    cross = np.array([sheet.null.x, sheet.null.y, 0.0])
    origin = view.rotation @ cross + view.params[3:6]
    about = np.outer(normal, normal)
    covariance = np.zeros((4, 4))
    covariance[:3, :3] = sheet.along_u**2 * about + sheet.normal_u**2 / 2 * (np.eye(3) - about)
    covariance[3, 3] = float(np.linalg.pinv(view.information)[6, 6])
    lattice = tuple(range(-2, 3))
    return GridPose(
        view.camera,
        np.column_stack([np.cross(along, normal), along, normal]),
        origin / SHEET_GRID_MM,
        covariance,
        view.rms_px,
        1.0,
        lattice,
        lattice,
    )


def combine_cantilever_photos(
    sources: Sequence[str], readings: Sequence[Reading], options: Options
) -> Reading | Refusal | None:
    """Joint solution of several photos of one setting; None leaves it to averaging.

    The lines behind the readings are used where they are still at hand, and found again where not.
    """
    from vision.photo import PhotoError, load_photo
    from vision.profile import with_profile

    found = []
    for source, reading in zip(sources, readings, strict=True):
        lines: CantileverLines | Refusal | None = _FOUND.get((reading.sha256, _told(options)))
        if lines is None:
            try:
                lines = find_cantilever(with_profile(load_photo(source)), options)
            except PhotoError:
                continue
        if not isinstance(lines, Refusal):
            found.append(lines)
    return combine_cantilever(*found) if len(found) > 1 else None


def _told(options: Options) -> str:
    """What of the options bears on the lines."""
    return repr(sorted((options.marks or {}).items()))


def _remember(photo: Photo, options: Options, lines: CantileverLines) -> None:
    while len(_FOUND) >= MOST_REMEMBERED:
        _FOUND.pop(next(iter(_FOUND)), None)
    _FOUND[(photo.sha256, _told(options))] = lines


def _scaled_focal(focal: FocalPrior, factor: float) -> FocalPrior:
    low_high = focal.low_high
    if low_high is not None:
        low_high = (low_high[0] * factor, low_high[1] * factor)
    return replace(focal, f_px=focal.f_px * factor, low_high=low_high)


def _scaled_limb(limb: Limb, factor: float) -> Limb:
    shift = (factor - 1) / 2
    return replace(
        limb,
        p=limb.p * factor + shift,
        q=limb.q * factor + shift,
        offset_sd=limb.offset_sd * factor,
        scatter_px=limb.scatter_px * factor,
        points=limb.points * factor + shift,
    )


def _scaled_rod(rod: Rod, factor: float) -> Rod:
    return replace(
        rod,
        left=_scaled_limb(rod.left, factor),
        right=_scaled_limb(rod.right, factor),
        width_px=rod.width_px * factor,
    )


def _drawn_grid(options: Options, factor: float) -> Array:
    """Ends (N, 2, 2) of printed lines that a person drew, in the reduced picture."""
    marks = options.marks or {}
    drawn = [ends for name, ends in marks.items() if name.startswith(GRID_MARK)]
    return np.array(drawn, float).reshape(-1, 2, 2) * factor + (factor - 1) / 2


def _marked(options: Options, factor: float) -> Marked | Refusal | None:
    """What a person drew of the rod and its reflection, in the reduced picture."""
    marks = options.marks or {}
    if all(name.startswith(GRID_MARK) for name in marks):
        return None
    reflected = any(name in marks for name in IMAGE_MARKS)
    missing = missing_marks(marks, QUANTITY, MARKS + (IMAGE_MARKS if reflected else ()))
    if missing is not None:
        return missing

    def drawn(names: tuple[str, ...]) -> Array:
        lines = np.array([marks[name] for name in names], float) * factor + (factor - 1) / 2
        return np.array([line if line[0, 1] > line[1, 1] else line[::-1] for line in lines])

    image = drawn(IMAGE_MARKS) if reflected else None
    return Marked(drawn(MARKS), image, max(LEAST_REACH_PX, REACH_PX * factor), END_SD_PX * factor)
