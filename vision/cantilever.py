"""Cantilever: its direction seen from above against a printed line, from a photo over a grid.

Comes in: a photo from the front and above (20-50 degrees up) of the cantilever over a printed
rectangular grid on paper, on a first-surface or on a back-silvered mirror. Goes out: a `Reading`
(degrees, positive = counter-clockwise from above), or a `Refusal`.

With m the sheet's normal, g the printed line, n the normal of the plane through the camera and the
cantilever's axis and n' that of the plane of reflected rays through the axis' mirror image, the
axis direction d obeys n.d = 0 and n'.d = 0; a prior on the rise (20 +- 4 degrees) is the third
equation, all three weighted. The reading is atan2(m.(g x d), g.d). Plane reflection and the
pinhole model suffice for these (Hartley & Zisserman, Multiple View Geometry, 2nd ed., ch. 2, 6);
in a back-silvered mirror every ray is bent by Snell's law. Signs: DEVELOPERS.md, "Conventions".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from vision.grid import GridPose, find_grid
from vision.marks import missing_marks
from vision.photo import FocalPrior, Photo
from vision.reading import BudgetPart, Component, Reading, Refusal, Segment
from vision.rod import Limb, Rod
from vision.rod_choice import same_place, weights
from vision.rod_find import find_rods, marked_rod
from vision.rod_image import (
    Image,
    axis_normal,
    find_image,
    mirrored_normal,
    shows_nothing,
    turn_for_rise,
)
from vision.sheet import find_grid as find_sheet_grid

if TYPE_CHECKING:
    from vision.measure import Options

Array = NDArray[np.float64]
QUANTITY = "cantilever"
SHEET_GRID_MM = 5.0  # step of the null grid on our own sheets
WORK_SIDE = 1600  # wider pictures are reduced to this: blur and noise leave no more detail
RISE_DEG, RISE_U_DEG = 20.0, 4.0
MEASURAND = (
    "direction of the cantilever's axis seen from above against the printed line, positive "
    "counter-clockwise"
)
GENERATOR_U_DEG = 0.5  # cantilever against generator: common practice, no source
MARKS = ("left edge", "right edge")
REFERENCE_HALF_DIAGONAL = 1000.0  # px; the floors below hold for a 1600 x 1200 picture
LIMB_FLOOR_PX = 0.14  # a limb's own shading moves it this far, unseen in its scatter
IMAGE_FLOOR_PX = 0.45  # the same for a reflected limb, from the tuning photographs
MOST_U_DEG, MOST_U_PAPER_DEG = 1.0, 1.5  # on a mirror another photo will tell more
LEAST_INK, USUAL_INK = 0.005, 0.015  # half width of printed lines, in pitches
LEAST_ROD = 8.0  # px of limb that both sides show, after all that speaks against it
MOST_RIVAL, SAME_DEG = 0.5, 1.0  # a rival elsewhere: its weight, and what counts as agreeing
LEAST_SHARE_OF_CHOICE = 0.02
IMAGE_DOUBT_PX = (13.0, 12.0)  # one and two limbs seen so far are as likely something else
RETAKE = (
    "Photograph from the front, 30-50° above and 3-10° aside, with the stylus tip in the middle of "
    "the picture, the cantilever sharp and several grid lines visible each way."
)


@dataclass(frozen=True)
class CantileverLines:
    """What one photo shows: the sheet's pose, the cantilever's limbs and reflected limbs.

    All in pixels of the full photo. ``image`` is None without a usable reflection. ``others`` are
    other limb pairs along the same cantilever, each with its weight against ``rod`` (0-1);
    ``plain`` tells that the sheet reflects nothing.
    """

    pose: GridPose
    rod: Rod
    image: Image | None = None
    flags: tuple[str, ...] = ()
    others: tuple[tuple[Rod, float], ...] = ()
    plain: bool = False

    def segments(self) -> tuple[Segment, ...]:
        """The fitted lines as named segments of the photo."""
        pose = self.pose

        def segment(name: str, role: str, p: Array, q: Array) -> Segment:
            ends = pose.camera.distort(np.array([p, q]))
            return Segment(name, role, *map(float, ends.ravel()))

        out = [
            segment("left edge", "edge", self.rod.left.p, self.rod.left.q),
            segment("right edge", "edge", self.rod.right.p, self.rod.right.q),
        ]
        if self.image is not None:
            for k, limb in enumerate(self.image.limbs):
                out.append(segment(f"reflected edge {k + 1}", "reflection", limb.p, limb.q))
            out.append(segment("reflected axis", "reflection", *self.image.axis.ends))
        out.append(segment("axis", "axis", *self.rod.axis))
        out.append(self._grid_line())
        return tuple(out)

    def _grid_line(self) -> Segment:
        """The printed line nearest to the cantilever's lower end, over one cell each way."""
        low = self.pose.camera.distort(self.rod.axis[0])
        x, y = self.pose.on_sheet(low[None])[0]
        column = round(float(x))
        ends = self.pose.project(np.array([[column, y - 1, 0.0], [column, y + 0.5, 0.0]]))
        return Segment("grid line", "reference", *map(float, ends.ravel()))


def read_cantilever(photo: Photo, options: Options) -> Reading | Refusal:
    """Direction of the cantilever in one photo.

    Parameters
    ----------
    photo : Photo
    options : Options
        ``marks`` named "left edge" and "right edge" take the place of the rod finder.

    Returns
    -------
    Reading or Refusal
    """
    lines = find_cantilever(photo, options)
    if isinstance(lines, Refusal):
        return lines
    return solve_cantilever(lines)


def find_cantilever(
    photo: Photo, options: Options, pose: GridPose | None = None
) -> CantileverLines | Refusal:
    """Find the printed grid, the cantilever's limbs and its reflection.

    Parameters
    ----------
    photo : Photo
    options : Options
        ``marks`` may hold "left edge" and "right edge", roughly drawn.
    pose : GridPose, optional
        A known pose of the sheet, in pixels of the photo, in place of the guessed grid.

    Returns
    -------
    CantileverLines or Refusal
    """
    factor = min(1.0, WORK_SIDE / max(photo.width, photo.height))
    rgb, grey = photo.rgb, photo.grey
    if factor < 1.0:
        size = (round(photo.width * factor), round(photo.height * factor))
        rgb = cv2.resize(photo.rgb, size, interpolation=cv2.INTER_AREA).astype(np.uint8, copy=False)
        grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32) / np.float32(255)
        factor = size[0] / photo.width
    shift = (factor - 1) / 2
    if pose is None:
        focal = _scaled_focal(photo.focal, factor)
        centre = (photo.centre[0] * factor + shift, photo.centre[1] * factor + shift)
        found = find_grid(grey, focal, centre)
        own = sheet_pose(photo) if found is None else None
        if own is not None:
            found = own.scaled(factor)
        if found is None:
            return Refusal(QUANTITY, "No printed rectangular grid was found.", RETAKE)
    else:
        found = pose.scaled(factor)
    if found.ink_half_width < LEAST_INK:  # nothing dark there: ink is brighter than what shows
        found = replace(found, ink_half_width=USUAL_INK)
    drawn: Rod | None = None
    if options.marks:
        marked = _marked_rod(rgb, found, options, factor)
        if isinstance(marked, Refusal):
            return marked
        drawn = marked
    lines = lines_above(rgb, found, drawn)
    if isinstance(lines, Refusal):
        return lines
    flags = []
    if found.thickness is not None:
        flags.append("back_silvered")
    if pose is None and (photo.focal.source == "guess" or photo.focal.low_high is not None):
        flags.append("focal_solved")
    back = 1 / factor
    return CantileverLines(
        found.scaled(back),
        _scaled_rod(lines.rod, back),
        None if lines.image is None else _scaled_image(lines.image, back),
        tuple(flags),
        tuple((_scaled_rod(rod, back), share) for rod, share in lines.others),
        lines.plain,
    )


def lines_above(
    rgb: NDArray[np.uint8], pose: GridPose, drawn: Rod | None = None
) -> CantileverLines | Refusal:
    """The cantilever's limbs and its reflection above a sheet whose pose is known.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
    pose : GridPose
        In pixels of ``rgb``.
    drawn : Rod, optional
        Limbs that a person pointed at.

    Returns
    -------
    CantileverLines or Refusal
        In pixels of ``rgb``.
    """
    chosen, others = drawn, []
    if chosen is None:
        rods = find_rods(rgb, pose)
        shares = weights(rods)
        doubt = _doubt(rods, shares, pose)
        if doubt is not None:
            return Refusal(QUANTITY, doubt, RETAKE)
        best = int(np.argmax(shares))
        chosen = rods[best]
        others = [
            (rod, float(share))
            for k, (rod, share) in enumerate(zip(rods, shares, strict=True))
            if k != best and share > LEAST_SHARE_OF_CHOICE and same_place(chosen, rod)
        ]
    plain = shows_nothing(rgb, pose, chosen)
    image = find_image(rgb, pose, chosen)
    if plain and image is not None and not image.sure:
        image = None
    return CantileverLines(pose, chosen, image, (), tuple(others), plain and image is None)


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


def _doubt(rods: Sequence[Rod], shares: Array, pose: GridPose) -> str | None:
    """Why the best candidate cannot be trusted to be the cantilever, or None."""
    if not rods:
        return "No cantilever was found above the grid."
    best = rods[int(np.argmax(shares))]
    if best.score < LEAST_ROD:
        return "No cantilever was found above the grid."
    rise = math.radians(RISE_DEG)
    turn = turn_for_rise(axis_normal(best, pose), rise)
    for rod, share in zip(rods, shares, strict=True):
        if rod is best or share < MOST_RIVAL or same_place(best, rod):
            continue
        if abs(turn_for_rise(axis_normal(rod, pose), rise) - turn) > math.radians(SAME_DEG):
            return "Two things in the photo look like a cantilever."
    return None


def solve_cantilever(lines: CantileverLines) -> Reading | Refusal:
    """Direction of the cantilever from fitted lines.

    Parameters
    ----------
    lines : CantileverLines

    Returns
    -------
    Reading or Refusal
        Refusal where the uncertainty is too large to be of use.
    """
    solved = _solve([lines])
    parts = _budget([lines], solved)
    solved = replace(solved, turn=solved.turn + _image_doubt(lines)[0])
    total = math.hypot(*(p.standard_uncertainty for p in parts))
    if total > (MOST_U_PAPER_DEG if lines.plain else MOST_U_DEG):
        return Refusal(
            QUANTITY,
            f"The photo gives the direction only to ±{2 * total:.1f}°.",
            RETAKE,
            lines=tuple(replace(s, role="look") for s in lines.segments()),
        )
    return _reading([lines], solved, parts)


def combine_cantilever(a: CantileverLines, b: CantileverLines) -> Reading | Refusal:
    """One direction and one rise from two photos of the same setting, one from each side.

    Parameters
    ----------
    a, b : CantileverLines

    Returns
    -------
    Reading or Refusal
    """
    solved = _solve([a, b])
    parts = _budget([a, b], solved)
    return _reading([a, b], solved, parts)


def combine_cantilever_photos(
    sources: Sequence[str], readings: Sequence[Reading], options: Options
) -> Reading | Refusal | None:
    """Joint solution of several photos of one setting; None leaves it to averaging."""
    from vision.photo import PhotoError, load_photo

    found = []
    for source in sources:
        try:
            lines = find_cantilever(load_photo(source), options)
        except PhotoError:
            continue
        if not isinstance(lines, Refusal):
            found.append(lines)
    if len(found) < 2:
        return None
    solved = _solve(found)
    return _reading(found, solved, _budget(found, solved))


# --------------------------------------------------------------------------- solution


@dataclass(frozen=True)
class _Solved:
    """Turn and rise (radians), how each equation's error moves the turn, and chi-squared."""

    turn: float
    rise: float
    gains: Array  # (equations,) d turn per standard deviation of each equation
    rise_gains: Array
    kinds: tuple[str, ...]
    chi2: float


def _equations(lines: CantileverLines) -> list[tuple[Array, tuple[float, float], str]]:
    """Normal, standard deviations (angle rad, offset / f) and kind of each equation n.d = 0."""
    out: list[tuple[Array, tuple[float, float], str]] = []
    pose, rod = lines.pose, lines.rod
    scale = pose.camera.half_diagonal / REFERENCE_HALF_DIAGONAL
    pair = (rod.left, rod.right)
    floor = LIMB_FLOOR_PX * scale
    angle = math.hypot(*(_angle_sd(limb, floor) for limb in pair)) / 2
    offset = math.hypot(*(math.hypot(limb.offset_sd, floor) for limb in pair)) / 2
    out.append((axis_normal(rod, pose), (angle, offset / pose.camera.f), "edge fit"))
    if lines.image is not None:
        axis, floor = lines.image.axis, IMAGE_FLOOR_PX * scale
        sd = (_angle_sd(axis, floor), math.hypot(axis.offset_sd, floor) / pose.camera.f)
        out.append((mirrored_normal(axis, pose), sd, "reflection"))
    return out


def _angle_sd(limb: Limb, floor_px: float) -> float:
    """Fitted and floor: a shading error that bends over the length by ``floor_px``."""
    return math.hypot(limb.angle_sd, floor_px * math.sqrt(12) / max(limb.length, 1.0))


def _direction(turn: float, rise: float) -> tuple[Array, Array, Array]:
    """Direction in grid axes and its derivatives by turn and by rise."""
    st, ct, sr, cr = math.sin(turn), math.cos(turn), math.sin(rise), math.cos(rise)
    return (
        np.array([-st * cr, ct * cr, sr]),
        np.array([-ct * cr, -st * cr, 0.0]),
        np.array([st * sr, -ct * sr, cr]),
    )


def _solve(photos: Sequence[CantileverLines]) -> _Solved:
    """Weighted least squares of turn and rise over all photos, with the rise prior."""
    equations = []
    for lines in photos:
        middle = lines.pose.origin @ lines.pose.rotation
        for normal, sd, kind in _equations(lines):
            view = middle / np.linalg.norm(middle)
            if kind == "reflection":
                view = view * (1, 1, -1)
            equations.append((normal, sd, kind, view))
    turn, rise = 0.0, math.radians(RISE_DEG)
    for _ in range(20):
        d, by_turn, by_rise = _direction(turn, rise)
        rows, misses = [], []
        for normal, (angle_sd, offset_sd), _, view in equations:
            across = float(d @ view)
            sigma = math.hypot(
                angle_sd * math.sqrt(max(1 - across * across, 0)), offset_sd * across, 1e-6
            )
            rows.append(np.array([normal @ by_turn, normal @ by_rise]) / sigma)
            misses.append(-float(normal @ d) / sigma)
        u_rise = math.radians(RISE_U_DEG)
        rows.append(np.array([0.0, 1.0]) / u_rise)
        misses.append((math.radians(RISE_DEG) - rise) / u_rise)
        a, b = np.array(rows), np.array(misses)
        gain = np.linalg.solve(a.T @ a, a.T)
        step = gain @ b
        turn, rise = turn + float(step[0]), rise + float(step[1])
        if np.max(np.abs(step)) < 1e-10:
            break
    kinds = (*(kind for _, _, kind, _ in equations), "priors used")
    return _Solved(turn, rise, gain[0], gain[1], kinds, float(b @ b))


def _budget(photos: Sequence[CantileverLines], solved: _Solved) -> tuple[BudgetPart, ...]:
    by_kind = {
        kind: math.hypot(
            *(float(g) for g, k in zip(solved.gains, solved.kinds, strict=True) if k == kind)
        )
        for kind in ("edge fit", "reflection", "priors used")
    }
    surface = camera = focal = lens = 0.0
    for k in range(len(photos)):
        s, c, f = _pose_parts(photos, k, solved.turn)
        surface, camera, focal = math.hypot(surface, s), math.hypot(camera, c), focal + f
        lens += _lens_part(photos, k, solved.turn)
    choice = math.hypot(*(_choice(lines, solved) for lines in photos)) / len(photos)
    image = math.hypot(*(_image_doubt(lines)[1] for lines in photos)) / len(photos)
    values = {
        "choice of edges": math.hypot(choice, image),
        "edge fit": math.hypot(by_kind["edge fit"], by_kind["reflection"]),
        "surface reference": surface,
        "camera direction": camera,
        "focal length and principal point": focal,
        "lens distortion": lens,
        "priors used": by_kind["priors used"],
    }
    notes = {
        "choice of edges": "other lines along the same rod, such as highlights, or its reflection",
        "edge fit": "both edges of the cantilever and, where seen, of its reflection",
        "surface reference": "direction of the printed line",
        "camera direction": "tilt of the sheet, from the grid",
        "priors used": f"rise {RISE_DEG:.0f}° ± {RISE_U_DEG:.0f}°",
    }
    return tuple(
        BudgetPart(name, math.degrees(value), notes.get(name, "")) for name, value in values.items()
    )


def _choice(lines: CantileverLines, solved: _Solved) -> float:
    """Spread (radians) of the turn over the limb pairs along the rod, about the chosen one."""
    turn = turn_for_rise(axis_normal(lines.rod, lines.pose), solved.rise)
    total, square = 1.0, 0.0
    for other, share in lines.others:
        miss = turn_for_rise(axis_normal(other, lines.pose), solved.rise) - turn
        # further off it is the rod with a printed line or shadow beside it, unless it fits as well
        if abs(miss) < math.radians(2) or share > 0.3:
            total += share
            square += share * miss**2
    return math.sqrt(square / total)


def _image_doubt(lines: CantileverLines) -> tuple[float, float]:
    """Shift and spread (radians) of the turn from not being sure which lines are the reflection.

    The alternatives are the other places that fit and no reflection at all; each is weighed by how
    much of it was seen, and the mean over all takes the place of the best.
    """
    if lines.image is None:
        return 0.0, 0.0
    base = _solve([lines]).turn
    even = IMAGE_DOUBT_PX[len(lines.image.limbs) == 2]
    weight = [1.0, 1 / (1 + (lines.image.score / even) ** 3)]
    plain = _solve([replace(lines, image=None)])
    miss = [0.0, plain.turn - base]
    for axis, share in lines.image.rivals:
        rival = replace(lines, image=replace(lines.image, axis=axis))
        weight.append(share**4)
        miss.append(_solve([rival]).turn - base)
    w, m = np.array(weight) / sum(weight), np.array(miss)
    mean = float(w @ m)
    without = float(w[1] * plain.gains[-1] ** 2)  # then only the prior tells the rise
    return mean, math.sqrt(float(w @ (m - mean) ** 2) + without)


def _turned(lines: CantileverLines, vector: Array, log_f: float) -> CantileverLines:
    pose = lines.pose
    camera = replace(pose.camera, f=pose.camera.f * math.exp(log_f))
    turn = Rotation.from_rotvec(vector).as_matrix()
    origin = pose.origin * (1, 1, math.exp(log_f))
    return replace(
        lines, pose=replace(pose, camera=camera, rotation=turn @ pose.rotation, origin=origin)
    )


def _pose_parts(
    photos: Sequence[CantileverLines], k: int, turn: float
) -> tuple[float, float, float]:
    """Standard uncertainty of the turn from the line's direction, the tilt and the focal length."""
    lines = photos[k]

    def moved(vector: Array, log_f: float) -> float:
        changed = [*photos[:k], _turned(lines, vector, log_f), *photos[k + 1 :]]
        return _solve(changed).turn - turn

    step = 1e-4
    axes = lines.pose.rotation.T  # grid axes as rotation vectors: x, y (tilts), normal
    slope = np.array([moved(step * axis, 0.0) / step for axis in axes] + [moved(0 * axes[0], step)])
    slope[3] /= step
    basis = np.eye(4)
    basis[:3, :3] = axes
    covariance = basis @ lines.pose.covariance @ basis.T
    u_f = math.sqrt(max(covariance[3, 3], 1e-12))
    with_f = covariance[:, 3] / u_f
    focal = abs(float(slope @ with_f))
    rest = covariance - np.outer(with_f, with_f)
    camera = math.sqrt(max(float(slope[:2] @ rest[:2, :2] @ slope[:2]), 0.0))
    surface = math.sqrt(max(float(slope[2] ** 2 * rest[2, 2]), 0.0))
    return surface, camera, focal


def _lens_part(photos: Sequence[CantileverLines], k: int, turn: float) -> float:
    """Effect of a radial term wrong by 0.005, its typical error after the fit to the grid."""
    lines = photos[k]
    camera = lines.pose.camera
    bent = replace(camera, k1=0.005)

    def moved(limb: Limb) -> Limb:
        return replace(limb, p=bent.undistort(limb.p), q=bent.undistort(limb.q))

    rod = replace(lines.rod, left=moved(lines.rod.left), right=moved(lines.rod.right))
    changed = [*photos[:k], replace(lines, rod=rod), *photos[k + 1 :]]
    return abs(_solve(changed).turn - turn)


def _reading(
    photos: Sequence[CantileverLines], solved: _Solved, parts: tuple[BudgetPart, ...]
) -> Reading:
    flags = list(photos[0].flags)
    if all(p.image is None for p in photos):
        flags += ["no_reflection"]
        if len(photos) == 1:
            flags += ["rise_assumed"]
    pose = photos[0].pose
    up = pose.normal
    elevation = math.degrees(math.asin(float(np.clip(-up[2], -1, 1))))
    return Reading(
        quantity=QUANTITY,
        value=math.degrees(solved.turn),
        unit="deg",
        measurand=MEASURAND,
        budget=parts,
        definitional_uncertainty=GENERATOR_U_DEG,
        components=(
            Component(
                "rise",
                math.degrees(solved.rise),
                "deg",
                math.degrees(float(np.linalg.norm(solved.rise_gains))),
            ),
            Component("camera elevation", elevation, "deg", 0.5),
        ),
        flags=tuple(dict.fromkeys(flags)),
        lines=photos[0].segments(),
    )


# --------------------------------------------------------------------------- plumbing


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


def _scaled_image(image: Image, factor: float) -> Image:
    return replace(
        image,
        axis=_scaled_limb(image.axis, factor),
        rivals=tuple((_scaled_limb(a, factor), share) for a, share in image.rivals),
        limbs=tuple(_scaled_limb(a, factor) for a in image.limbs),
    )


def _marked_rod(
    rgb: NDArray[np.uint8], pose: GridPose, options: Options, factor: float
) -> Rod | Refusal:
    """The rod whose limbs a person drew roughly, snapped to its edges."""
    marks = options.marks or {}
    missing = missing_marks(marks, QUANTITY, MARKS)
    if missing is not None:
        return missing
    shift = (factor - 1) / 2
    ends = []
    for name in MARKS:
        drawn = np.array(marks[name], float) * factor + shift
        p, q = pose.camera.undistort(drawn)
        ends.append((p, q) if p[1] > q[1] else (q, p))
    rod = marked_rod(rgb, pose, ends[0], ends[1], reach=max(6.0, 12.0 * factor))
    if rod is None:
        return Refusal(
            QUANTITY,
            "No pair of edges lies along the two lines.",
            "Move the lines onto the cantilever's edges, or take a sharper photo.",
        )
    return rod
