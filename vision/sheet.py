"""A printed sheet in a photo -> which sheet it is, and the pose of its plane in millimetres.

In: a `Photo`. Out: a `SheetView` (layout, camera, pose with covariance) or a `Refusal`. The sheet
is known by its markers alone. The pose comes from the chequer corners (never from a lone marker's
corners, which are biased by blur): position, direction, focal length, principal point, one radial
distortion term and the paper's curl are fitted together, each with its prior, by least squares
(Hartley & Zisserman, Multiple View Geometry, 2nd ed., ch. 7; JCGM 100:2008 for the covariance).

Frames: the sheet's own (see `vision.sheet_layouts`), printed millimetres; X_camera = R X + t.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from vision.camera import Camera
from vision.photo import Photo
from vision.reading import BudgetPart, Refusal, Segment
from vision.sheet_layouts import (
    VERSION,
    Layout,
    Null,
    Patch,
    decode_numbers,
    digit_places,
    pages,
    pivot_cap,
    sheet_of,
)

Array = NDArray[np.float64]
DETECT_SIDE = 2000  # px; markers of a whole sheet are found at this size
SIGMA_PX = 0.08  # expected corner noise of a sharp photo
K1_PRIOR = 0.04  # radial distortion at the corner of the frame; phones mostly within 3 %
CENTRE_PRIOR = 0.01  # of the diagonal
CURL_PRIOR_MM = 0.4  # lift at the rim of the seen part
CURL_LIMIT_MM = 2.0
_POSE, _LENS, _CURL = slice(0, 6), slice(6, 9), slice(10, 13)
_K1 = 9


@dataclass(frozen=True)
class SheetView:
    """A sheet seen in a photo.

    Parameters
    ----------
    layout : Layout
    params : ndarray, shape (13,)
        Rotation vector, translation (mm), log f, cx, cy (px), k1, three curl terms (mm).
    information : ndarray, shape (13, 13)
        Inverse covariance of ``params``, priors included.
    middle : ndarray, shape (3,)
        Middle of the seen corners on the sheet and their reach from it, mm: curl is the lift at
        that reach.
    corners_px, corners_mm : ndarray, shape (N, 2)
        The chequer corners used.
    rms_px : float
        Residual of those corners.
    half_diagonal : float
    whole : bool
        False where only one null's surroundings were seen, so that the rest of the layout
        (spindle, other null) may not be used.
    null : Null or None
        The null in view for close-ups.
    found : dict
        Marker number to its four corners in px.
    """

    layout: Layout
    params: Array
    information: Array
    middle: Array
    corners_px: Array
    corners_mm: Array
    rms_px: float
    half_diagonal: float
    whole: bool
    null: Null | None
    found: dict[int, Array]

    @property
    def camera(self) -> Camera:
        """The fitted camera."""
        p = self.params
        return Camera(math.exp(p[6]), p[7], p[8], p[9], self.half_diagonal)

    @property
    def rotation(self) -> Array:
        """R of X_camera = R X + t."""
        return np.asarray(cv2.Rodrigues(self.params[:3])[0])

    @property
    def eye(self) -> Array:
        """The camera's place in the sheet's frame, mm."""
        return np.asarray(-self.rotation.T @ self.params[3:6])

    @property
    def normal(self) -> Array:
        """The sheet's upward normal in the camera frame."""
        return self.rotation[:, 2]

    def direction(self, angle_deg: float) -> Array:
        """A direction on the sheet (degrees from +x, counter-clockwise) in the camera frame."""
        a = math.radians(angle_deg)
        return np.asarray(self.rotation @ [math.cos(a), math.sin(a), 0.0])

    def to_image(self, xyz: ArrayLike) -> Array:
        """Pixels of points (N, 2) on the paper or (N, 3) above the flat plane."""
        points = np.atleast_2d(np.asarray(xyz, float))
        if points.shape[1] == 2:
            points = np.column_stack([points, self._lift(points)])
        return self.camera.project(points @ self.rotation.T + self.params[3:6])

    def to_sheet(self, xy: ArrayLike, height: float = 0.0) -> Array:
        """Where rays through pixels meet the paper (or a plane ``height`` mm above), (N, 2) mm."""
        rays = self.camera.ray(np.atleast_2d(np.asarray(xy, float))) @ self.rotation
        eye = self.eye
        z = np.full(len(rays), float(height))
        for _ in range(1 if height else 4):
            depth = (z - eye[2]) / rays[:, 2]
            points = eye[:2] + rays[:, :2] * depth[:, None]
            if not height:
                z = self._lift(points)
        return points

    def pixels_per_mm(self, xy: ArrayLike) -> float:
        """Mean image scale at a place on the sheet."""
        x, y = np.asarray(xy, float)
        p = self.to_image([[x, y], [x + 1, y], [x, y + 1]])
        return float(math.sqrt(abs(np.linalg.det(p[1:] - p[0]))))

    def curl_mm(self) -> float:
        """Largest lift over the seen corners."""
        lift = self._lift(self.corners_mm)
        return float(lift.max() - lift.min()) if len(lift) else 0.0

    def _lift(self, points: Array) -> Array:
        return _lift(self.params[_CURL], points, self.middle)

    def budget(self, value: Callable[[SheetView], float]) -> tuple[BudgetPart, ...]:
        """Standard uncertainty that the pose lends to a value, split by cause.

        The parts are nested: first the pose with a known lens, then what an uncertain focal
        length and principal point add, then distortion and curl; they are independent by
        construction and add in quadrature to the full propagation.
        """
        steps = np.sqrt(np.diag(np.linalg.pinv(self.information))) * 0.1
        gradient = np.zeros(len(self.params))
        for i, step in enumerate(steps):
            if step <= 0:
                continue
            up, down = self.params.copy(), self.params.copy()
            up[i] += step
            down[i] -= step
            ahead, back = value(replace(self, params=up)), value(replace(self, params=down))
            gradient[i] = (ahead - back) / (2 * step)
        groups = (
            ("surface reference", list(range(6))),
            ("focal length and principal point", list(range(9))),
            ("lens distortion", list(range(10))),
            ("paper flatness", list(range(13))),
        )
        parts, before = [], 0.0
        for name, index in groups:
            covariance = np.linalg.pinv(self.information[np.ix_(index, index)])
            variance = float(gradient[index] @ covariance @ gradient[index])
            parts.append(BudgetPart(name, math.sqrt(max(variance - before, 0.0))))
            before = max(variance, before)
        return tuple(parts)

    def outline(self) -> tuple[Segment, ...]:
        """The seen part of the sheet as four segments."""
        hull = cv2.minAreaRect(self.corners_mm.astype(np.float32))
        box = self.to_image(cv2.boxPoints(hull).astype(float))
        names = ("sheet edge 1", "sheet edge 2", "sheet edge 3", "sheet edge 4")
        return tuple(
            Segment(n, "look", *map(float, (*box[i], *box[(i + 1) % 4])))
            for i, n in enumerate(names)
        )


@dataclass(frozen=True)
class _Detection:
    found: dict[int, Array]
    doubled: bool


def find_sheet(
    photo: Photo,
    quantity: str,
    names: Sequence[str] = (),
    numbers: tuple[float, float, float] | None = None,
    minimum: int = 4,
    page: int | None = None,
    only: str = "",
    join: bool = False,
    fine: bool = False,
    prefer: str = "card",
) -> SheetView | Refusal:
    """Find our sheet in a photo and solve its pose.

    Parameters
    ----------
    photo : Photo
    quantity : str
        Whose refusal it becomes.
    names : sequence of str
        Sheets that serve; empty = any.
    numbers : tuple of float, optional
        Null radii and effective length where the person knows them; else read from the sheet.
    minimum : int
        Fewest chequer corners.
    page : int, optional
        The page wanted of a sheet of several.
    only : str
        Use only patches whose name starts with this.
    join : bool
        Use the sheet's second page too, wherever it lies on the plane.
    fine : bool
        Look for small markers at full resolution (slower).
    prefer : {"card", "null", "inner", "outer"}
        Which block to rest on where the sheet's null radii cannot be read ("null": either).

    Returns
    -------
    SheetView or Refusal
    """
    seen = detect_markers(photo, 2 * DETECT_SIDE if fine else DETECT_SIDE)
    chosen = _which_sheet(seen, quantity, names, photo)
    if isinstance(chosen, Refusal):
        return chosen
    name, version = chosen
    if version != VERSION:
        return Refusal(
            quantity,
            f"This is version {version} of the {name} sheet; version {VERSION} is read.",
            f"Print the sheet again: deckplumb sheet {name}.",
        )
    if seen.doubled:
        return Refusal(
            quantity,
            f"Two {name} sheets (or copies of one marker) are in the picture.",
            "Leave one sheet in view.",
        )
    layout, whole = _layout(name, seen.found, numbers, page)
    patches = [p for p in layout.patches if p.name.startswith(only)]
    null = None
    if not whole:
        # The null radii are not known: only one block's own surroundings keep their distances.
        block = _best_block(layout, seen.found, prefer)
        null = next((n for n in layout.nulls if n.name == block), None)
        names_of = (block, "head") if block == "card" else (block,)
        patches = [p for p in patches if p.name.startswith(names_of)]
    pixels, places = refine_corners(photo, patches, seen.found)
    second = np.zeros(len(pixels), bool)
    if join and len(pixels):
        more, there = refine_corners(photo, pages(name)[1].patches, seen.found)
        if len(more) >= 3:
            pixels, places = np.concatenate([pixels, more]), np.concatenate([places, there])
            second = np.arange(len(pixels)) >= len(second)
    if len(pixels) < minimum or _nearly_in_line(places[~second]):
        return Refusal(
            quantity,
            f"Only {len(pixels)} of the {name} sheet's chequer corners can be made out; "
            f"{minimum} are needed, not all in one row.",
            "Take the photo again with the sheet sharp, evenly lit and whole in the frame.",
        )
    solved = _solve_pose(photo, pixels, places, second)
    view = SheetView(
        layout,
        solved.params,
        solved.information,
        solved.middle,
        solved.pixels,
        solved.places,
        solved.rms_px,
        _half_diagonal(photo),
        whole,
        null,
        seen.found,
    )
    bad = _check_fit(view, quantity)
    return bad or view


def _nearly_in_line(places: Array) -> bool:
    spread = np.linalg.svd(places - places.mean(0), compute_uv=False)
    return bool(spread[1] / math.sqrt(len(places)) < 1.5)


def detect_markers(photo: Photo, limit: int = DETECT_SIDE) -> _Detection:
    """All markers of ours in the photo, corners in px of the photo."""
    side = max(photo.width, photo.height)
    scale = min(1.0, limit / side)
    found, doubled = _detect(photo, scale)
    if len(found) < 6 and scale < 0.99:
        more, twice = _detect(photo, min(1.0, 2 * scale))
        if len(more) > len(found):
            found, doubled = more, twice
    return _Detection(found, doubled)


def _detect(photo: Photo, scale: float, flip: bool = False) -> tuple[dict[int, Array], bool]:
    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    if scale < 0.99:
        grey = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    if flip:
        grey = np.ascontiguousarray(grey[:, ::-1])
    quads, ids, _ = _detector().detectMarkers(grey)
    found: dict[int, Array] = {}
    doubled = False
    if ids is None:
        return found, False
    for quad, number in zip(quads, np.asarray(ids).reshape(-1), strict=True):
        corners = (np.asarray(quad, float).reshape(4, 2) + 0.5) / scale - 0.5
        if int(number) in found:
            apart = np.linalg.norm(corners.mean(0) - found[int(number)].mean(0))
            doubled |= bool(apart > np.ptp(corners, axis=0).max())
        found[int(number)] = corners
    return found, doubled


def _detector() -> Any:
    settings = cv2.aruco.DetectorParameters()
    settings.minMarkerPerimeterRate = 0.015
    settings.adaptiveThreshWinSizeMin = 5
    settings.adaptiveThreshWinSizeMax = 25
    settings.adaptiveThreshWinSizeStep = 10
    settings.errorCorrectionRate = 0.4
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    return cv2.aruco.ArucoDetector(dictionary, settings)


def _which_sheet(
    seen: _Detection, quantity: str, names: Sequence[str], photo: Photo
) -> tuple[str, int] | Refusal:
    votes: dict[tuple[str, int], int] = {}
    for number in seen.found:
        sheet = sheet_of(number)
        if sheet:
            votes[sheet] = votes.get(sheet, 0) + 1
    wanted = {k: n for k, n in votes.items() if n >= 2 and (not names or k[0] in names)}
    if not wanted:
        return _no_sheet(votes, quantity, names, photo)
    ranked = sorted(wanted, key=lambda k: -wanted[k])
    if len(ranked) > 1 and wanted[ranked[1]] >= 3:
        both = " and ".join(f"{n} (version {v})" for n, v in ranked[:2])
        return Refusal(
            quantity, f"Two sheets are in the picture: {both}.", "Leave one sheet in view."
        )
    return ranked[0]


def _no_sheet(
    votes: dict[tuple[str, int], int], quantity: str, names: Sequence[str], photo: Photo
) -> Refusal:
    wanted = " or ".join(names) if names else "printed"
    others = [k[0] for k, n in votes.items() if n >= 2]
    if others:
        return Refusal(
            quantity,
            f"The picture shows the {others[0]} sheet; this reading needs the {wanted} sheet.",
            f"Lay out the {wanted} sheet: deckplumb sheet {names[0] if names else 'NAME'}.",
        )
    scale = min(1.0, DETECT_SIDE / max(photo.width, photo.height))
    mirrored, _ = _detect(photo, scale, flip=True)
    if sum(sheet_of(n) is not None for n in mirrored) >= 3:
        return Refusal(
            quantity,
            "The sheet is mirrored: a mirrored print, or a picture from a front camera.",
            "Print without mirroring and use the rear camera.",
        )
    return Refusal(
        quantity,
        f"No {wanted} sheet was found in the picture.",
        "Have the sheet's marker blocks in view, sharp and evenly lit; the smallest marker must "
        "span at least 20 px. Move closer or use a higher resolution.",
    )


def _layout(
    name: str,
    found: dict[int, Array],
    numbers: tuple[float, float, float] | None,
    page: int | None,
) -> tuple[Layout, bool]:
    """The page in view, drawn for the right null radii; whole = False where those are unknown."""
    if digit_places(name):
        read = numbers or _read_digits(found)
        if read is None:
            return pages(name)[0], False
        n1, n2, length = read
        return pages(name, null_radii_mm=(n1, n2), effective_length_mm=length)[0], True
    made = pages(name)
    if page:
        return made[page - 1], True
    counts = [sum(m.number in found for m in layout.markers()) for layout in made]
    return made[int(np.argmax(counts))], True


def _read_digits(found: dict[int, Array]) -> tuple[float, float, float] | None:
    return decode_numbers(n for n in found if n >= 600)


def _best_block(layout: Layout, found: dict[int, Array], prefer: str) -> str:
    """The null, or "card", with most of its own markers in view."""
    counts = {}
    for block in (*(n.name for n in layout.nulls), "card"):
        mine = (block, "head") if block == "card" else (block,)
        own = [p for p in layout.patches if p.name.startswith(mine)]
        counts[block] = sum(m.number in found for p in own for m in p.markers())
    if prefer in counts:
        return prefer
    nulls = {b: n for b, n in counts.items() if b != "card"}
    if prefer == "null" and max(nulls.values(), default=0) >= 4:
        return max(nulls, key=lambda b: nulls[b])
    return max(counts, key=lambda b: counts[b])


def refine_corners(
    photo: Photo, patches: Iterable[Patch], found: dict[int, Array]
) -> tuple[Array, Array]:
    """Sub-pixel chequer corners near detected markers: pixels (N, 2) and millimetres (N, 2)."""
    pixels, places = [], []
    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    for patch in patches:
        markers = [m for m in patch.markers() if m.number in found]
        saddles = patch.saddles()
        if not markers or not len(saddles):
            continue
        near = np.array([[m.x, m.y] for m in markers])
        reach = 0.75 * patch.square
        for saddle in saddles:
            gaps = np.linalg.norm(near - saddle, axis=1)
            if gaps.min() > reach:
                continue
            order = np.argsort(gaps)[:4]
            source = np.concatenate([markers[i].corners() for i in order])
            target = np.concatenate([found[markers[i].number] for i in order])
            homography, _ = cv2.findHomography(source, target, 0)
            if homography is None:
                continue
            corner, size = _refined(grey, homography, saddle, patch.square)
            if corner is not None and size > 4:
                pixels.append(corner)
                places.append(saddle)
    if not pixels:
        return np.zeros((0, 2)), np.zeros((0, 2))
    return np.array(pixels), np.array(places)


def _refined(
    grey: NDArray[Any], homography: NDArray[Any], saddle: Array, square: float
) -> tuple[Array | None, float]:
    around = saddle + np.array([[0, 0], [square, 0], [0, square]])
    guess = cv2.perspectiveTransform(around[None], homography)[0]
    size = float(min(np.linalg.norm(guess[1:] - guess[0], axis=1)))
    half = int(np.clip(0.14 * size, 2, 9))  # the marker begins at 0.15
    x, y = guess[0]
    height, width = grey.shape
    if not (half + 3 <= x < width - half - 3 and half + 3 <= y < height - half - 3):
        return None, size
    start = guess[:1].astype(np.float32).reshape(-1, 1, 2)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 1e-3)
    end = cv2.cornerSubPix(grey, start, (half, half), (-1, -1), stop).reshape(2).astype(float)
    if np.linalg.norm(end - guess[0]) > max(2.0, 0.22 * size):
        return None, size
    return end, size


# ---- pose ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Solved:
    params: Array
    information: Array
    middle: Array
    pixels: Array
    places: Array
    rms_px: float


def _half_diagonal(photo: Photo) -> float:
    return math.hypot(photo.width, photo.height) / 2


def _lift(curl: Array, points: Array, middle: Array) -> Array:
    u = np.clip((points - middle[:2]) / middle[2], -1.6, 1.6)
    return np.asarray(curl[0] * u[:, 0] ** 2 + curl[1] * u[:, 0] * u[:, 1] + curl[2] * u[:, 1] ** 2)


def _solve_pose(photo: Photo, pixels: Array, places: Array, second: NDArray[Any]) -> _Solved:
    """Fit, drop corners far off, fit again.

    Corners of a joined second page (``second``) first get that page's shift and turn, which are
    fitted along with the rest and then marginalised.
    """
    centre = places[~second].mean(0)
    reach = max(float(np.linalg.norm(places[~second] - centre, axis=1).max()), 10.0)
    middle = np.array([*centre, reach])
    start = _start(photo, pixels[~second], places[~second])
    if second.any():
        start = np.concatenate([start, _start_join(start, pixels, places, second, photo)])
    keep = np.ones(len(pixels), bool)
    fit = None
    for _ in range(3):
        fit = _fit(photo, pixels[keep], places[keep], second[keep], middle, start)
        if keep.all() and 2 * fit.cost > 60 * len(pixels):
            # corners half hidden by an object pull the plain fit: let them count less at first
            fit = _fit(photo, pixels, places, second, middle, fit.x, robust=True)
        miss = np.linalg.norm(_predict(fit.x, places, second, middle, photo) - pixels, axis=1)
        gate = max(4 * 1.4826 * float(np.median(miss[keep])), 0.6)
        new = miss < gate
        if new.sum() < max(4, 0.5 * len(pixels)) or (new == keep).all():
            break
        keep, start = new, fit.x
    assert fit is not None
    used, placed = pixels[keep], _joined(fit.x, places, second)[keep]
    miss = _predict(fit.x, places[keep], second[keep], middle, photo) - used
    rms = float(np.sqrt(np.mean(np.sum(miss**2, axis=1))))
    freedom = max(2 * len(used) - 8, 2)
    noise = max(float(np.sqrt(np.sum(miss**2) / freedom)) / SIGMA_PX, 1.0)
    rows = 2 * len(used)
    data, prior = fit.jac[:rows], fit.jac[rows:]
    information = data.T @ data / noise**2 + prior.T @ prior
    if second.any():
        a, b, c = information[:13, :13], information[:13, 13:], information[13:, 13:]
        information = a - b @ np.linalg.solve(c, b.T)
    return _Solved(fit.x[:13], information, middle, used, placed, rms)


def _joined(params: Array, places: Array, second: NDArray[Any]) -> Array:
    """Corner places with the second page moved by the fitted join (mm, mm, rad)."""
    if len(params) == 13 or not second.any():
        return places
    dx, dy, turn = params[13:]
    c, s = math.cos(turn), math.sin(turn)
    moved = places @ np.array([[c, s], [-s, c]]) + [dx, dy]
    return np.where(second[:, None], moved, places)


def _start_join(
    start: Array, pixels: Array, places: Array, second: NDArray[Any], photo: Photo
) -> Array:
    """Where the second page seems to lie, from the first page's pose."""
    camera = Camera(math.exp(start[6]), start[7], start[8], start[9], _half_diagonal(photo))
    rotation = cv2.Rodrigues(start[:3])[0]
    rays = camera.ray(pixels[second]) @ rotation
    eye = -rotation.T @ start[3:6]
    seen = eye[:2] - rays[:, :2] * (eye[2] / rays[:, 2])[:, None]
    own = places[second]
    a, b = own - own.mean(0), seen - seen.mean(0)
    turn = math.atan2(float(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])), float(np.sum(a * b)))
    c, s = math.cos(turn), math.sin(turn)
    shift = seen.mean(0) - own.mean(0) @ np.array([[c, s], [-s, c]])
    return np.array([*shift, turn])


def _start(photo: Photo, pixels: Array, places: Array) -> Array:
    f = photo.focal.f_px
    cx, cy = photo.centre
    matrix = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1.0]])
    world = np.column_stack([places, np.zeros(len(places))])
    count, rotations, shifts, errors = cv2.solvePnPGeneric(
        world, pixels, matrix, None, flags=cv2.SOLVEPNP_IPPE
    )
    if not count:
        _, turn, shift = cv2.solvePnP(world, pixels, matrix, None, flags=cv2.SOLVEPNP_ITERATIVE)
        rotations, shifts, errors = [turn], [shift], np.zeros(1)
        count = 1
    options = [i for i in range(count) if shifts[i][2, 0] > 0] or [0]
    best = min(options, key=lambda i: float(np.asarray(errors).reshape(-1)[i]))
    pose = np.concatenate([rotations[best].ravel(), shifts[best].ravel()])
    return np.concatenate([pose, [math.log(f), cx, cy, photo.k1], np.zeros(3)])


def _predict(
    params: Array, places: Array, second: NDArray[Any], middle: Array, photo: Photo
) -> Array:
    places = _joined(params, places, second)
    points = np.column_stack([places, _lift(params[_CURL], places, middle)])
    q = points @ cv2.Rodrigues(params[:3])[0].T + params[3:6]
    depth = np.maximum(q[:, 2], 1e-3)
    u = q[:, :2] / depth[:, None] * math.exp(params[6])
    r2 = np.sum(u * u, axis=1, keepdims=True) / _half_diagonal(photo) ** 2
    return np.asarray(u * (1 + params[_K1] * r2) + params[7:9])


def _fit(
    photo: Photo,
    pixels: Array,
    places: Array,
    second: NDArray[Any],
    middle: Array,
    start: Array,
    robust: bool = False,
) -> Any:
    from scipy.optimize import least_squares  # slow to load, and readings without a sheet do not

    cx, cy = photo.centre
    centre_u = CENTRE_PRIOR * 2 * _half_diagonal(photo)
    k1_u = K1_PRIOR if photo.focal.source != "profile" else 0.004
    sigma = np.array([photo.focal.relative_u, centre_u, centre_u, k1_u, *[CURL_PRIOR_MM] * 3])
    if photo.focal.source == "profile":
        sigma[1:3] = 0.004 * 2 * _half_diagonal(photo)
    target = np.array([math.log(photo.focal.f_px), cx, cy, photo.k1, 0, 0, 0])

    def residuals(params: Array) -> Array:
        miss = (_predict(params, places, second, middle, photo) - pixels) / SIGMA_PX
        return np.concatenate([miss.ravel(), (params[6:13] - target) / sigma])

    scale = np.array([0.1, 0.1, 0.1, 10, 10, 10, 0.05, 20, 20, 0.02, 0.5, 0.5, 0.5, 10, 10, 0.1])
    scale = scale[: len(start)]
    if robust:
        return least_squares(residuals, start, x_scale=scale, loss="cauchy", f_scale=2.0)
    return least_squares(residuals, start, x_scale=scale, method="lm", max_nfev=2000)


def _check_fit(view: SheetView, quantity: str) -> Refusal | None:
    scale = view.pixels_per_mm(view.middle[:2])
    curl = view.curl_mm() if _curl_shows(view) else 0.0
    off_mm = view.rms_px / scale
    if curl > CURL_LIMIT_MM or view.rms_px > max(0.7, 0.05 * scale):
        return Refusal(
            quantity,
            f"The sheet is not flat: it lifts by about {curl:.1f} mm and its corners lie "
            f"{off_mm:.2f} mm off a smooth surface.",
            "Flatten the paper or tape it to stiff card, and take the photo again.",
            view.outline(),
        )
    return None


def _curl_shows(view: SheetView) -> bool:
    """Whether the fitted curl stands out from its own uncertainty."""
    covariance = np.linalg.pinv(view.information)[_CURL, _CURL]
    curl = view.params[_CURL]
    return bool(curl @ np.linalg.pinv(covariance) @ curl > 16)


@dataclass(frozen=True)
class GridPose:
    """The plane and direction of a null grid, for readings that need no length.

    ``normal`` (out of the paper) and ``along`` (the groove's direction, towards the pivot) are
    unit vectors in the camera frame; their standard uncertainties are in radians.
    """

    view: SheetView
    null: Null
    normal: Array
    along: Array
    normal_u: float
    along_u: float

    def cross(self) -> Array:
        """The null cross in px."""
        return self.view.to_image([[self.null.x, self.null.y]])[0]


def find_grid(photo: Photo, quantity: str) -> GridPose | Refusal:
    """Pose of the null grid in view of an alignment or two-point sheet.

    With both grids in view the one nearer to the middle of the picture is taken.
    """
    view = find_sheet(photo, quantity, ("alignment", "two-point"), prefer="null")
    if isinstance(view, Refusal):
        return view
    nulls = [view.null] if view.null else list(view.layout.nulls)
    if not nulls or (view.null is None and not view.whole):
        return Refusal(
            quantity,
            "No null grid is in the picture.",
            "Have the grid under the stylus and its two marker strips in view.",
            view.outline(),
        )
    middle = np.array(photo.centre)
    null = min(nulls, key=lambda n: float(np.linalg.norm(view.to_image([[n.x, n.y]])[0] - middle)))
    frame = view.rotation

    def spread(value: Callable[[SheetView], float]) -> float:
        return math.hypot(*(part.standard_uncertainty for part in view.budget(value)))

    return GridPose(
        view,
        null,
        view.normal,
        view.direction(null.angle),
        math.hypot(
            spread(lambda v: float(v.normal @ frame[:, 0])),
            spread(lambda v: float(v.normal @ frame[:, 1])),
        ),
        spread(lambda v: float(v.rotation[:, 0] @ frame[:, 1])),
    )


def pivot_mark(view_or_found: SheetView, photo: Photo) -> Array | None:
    """Pixel of the pivot cap's middle corner, or None where the cap is not in view."""
    cap = pivot_cap()
    pixels, _ = refine_corners(photo, [cap], view_or_found.found)
    return pixels[0] if len(pixels) else None
