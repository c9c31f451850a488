"""Camera profiles: focal length and distortion of one phone lens, from photos of our board.

In: photos of the calibration sheet taken with one lens. Out: a `CameraProfile`, kept per phone
model and lens, that replaces the guess from EXIF in later photos and so lowers their uncertainty.

All photos are fitted together: one focal length, principal point and radial term, one pose a
photo, by least squares on the chequer corners (Zhang, IEEE PAMI 22, 2000, ch. 3; the model of
`vision.camera`). The residuals' spread gives the covariance; 0.15 % is added for a board that is
not quite flat.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo import FocalPrior, Photo
from vision.reading import Refusal
from vision.sheet import SheetView, find_sheet

Array = NDArray[np.float64]
QUANTITY = "camera"
LEAST_PHOTOS = 4
LEAST_CORNERS = 20
LEAST_TILT_DEG = 15.0
U_BOARD = 0.0015
LIMIT_U = 0.01
STORE = "DECKPLUMB_CAMERAS"


@dataclass(frozen=True)
class CameraProfile:
    """One lens.

    Parameters
    ----------
    key : str
        Phone model, lens and focal length as EXIF gives them.
    width, height : int
        Size of the photos it was made from, px; later photos are scaled to it.
    f_px, cx, cy : float
        Focal length and principal point, px.
    k1 : float
        Radial term at the half diagonal (`vision.camera.Camera`).
    relative_u : float
        Relative standard uncertainty of ``f_px``.
    photos, corners : int
    rms_px : float
    """

    key: str
    width: int
    height: int
    f_px: float
    cx: float
    cy: float
    k1: float
    relative_u: float
    photos: int
    corners: int
    rms_px: float


def calibrate(photos: Sequence[Photo]) -> CameraProfile | Refusal:
    """Solve one lens from at least four photos of the calibration sheet."""
    if len(photos) < LEAST_PHOTOS:
        return _refuse(f"{len(photos)} photos were given; at least {LEAST_PHOTOS} are needed.")
    first = photos[0]
    for photo in photos[1:]:
        if photo.camera_key != first.camera_key:
            return _refuse(f"{photo.name} was taken with another phone or lens than {first.name}.")
        if (photo.width, photo.height) != (first.width, first.height):
            return _refuse(
                f"{photo.name} is {photo.width} x {photo.height} px and {first.name} is "
                f"{first.width} x {first.height} px."
            )
    views, left_out = [], []
    for photo in photos:
        view = find_sheet(photo, QUANTITY, ("calibration",), minimum=LEAST_CORNERS)
        if isinstance(view, Refusal):
            left_out.append(f"{photo.name}: {view.reason}")
        else:
            views.append(view)
    if len(views) < LEAST_PHOTOS:
        return _refuse(f"Only {len(views)} photos show the board. " + " ".join(left_out[:3]))
    tilts = [math.degrees(math.acos(min(1.0, abs(float(v.normal[2]))))) for v in views]
    if max(tilts) < LEAST_TILT_DEG:
        return _refuse("All photos look straight at the board, which hides the focal length.")
    return _solve(first, views)


def with_profile(photo: Photo, profile: CameraProfile | None = None) -> Photo:
    """The photo with a known lens; unchanged where no profile fits it.

    A stored profile is used where the EXIF model, lens and focal length agree and the frame has
    the same shape. A cropped or zoomed photo keeps its own wide prior.
    """
    if photo.focal.source not in ("exif", "guess") or not photo.camera_key:
        return photo
    profile = profile or load_profiles().get(photo.camera_key)
    if profile is None or profile.key != photo.camera_key:
        return photo
    wide, tall = (photo.width, photo.height), (profile.width, profile.height)
    if (wide[0] > wide[1]) != (tall[0] > tall[1]):
        tall = (tall[1], tall[0])
    scale = wide[0] / tall[0]
    if abs(wide[1] / tall[1] / scale - 1) > 0.005:
        return photo
    focal = FocalPrior(profile.f_px * scale, profile.relative_u, None, "profile")
    flags = tuple(w for w in photo.warnings if w != "focal_unknown")
    return replace(photo, focal=focal, k1=profile.k1, warnings=flags)


def store_path() -> Path:
    """Where profiles are kept: ``DECKPLUMB_CAMERAS`` or the user's data folder."""
    if os.environ.get(STORE):
        return Path(os.environ[STORE])
    from platformdirs import user_data_path

    return user_data_path("deckplumb", appauthor=False) / "cameras.json"


def load_profiles(path: Path | None = None) -> dict[str, CameraProfile]:
    """All stored profiles by key; an unreadable store counts as empty."""
    try:
        raw = json.loads((path or store_path()).read_text(encoding="utf-8"))
        return {key: CameraProfile(**value) for key, value in raw.items()}
    except (OSError, ValueError, TypeError, AttributeError):
        return {}


def save_profile(profile: CameraProfile, path: Path | None = None) -> Path:
    """Add or replace one profile; the store is written whole and moved into place.

    Raises
    ------
    ValueError
        If the photos carried no EXIF model, so that later photos could not be recognised.
    OSError
        If the folder cannot be written.
    """
    if not profile.key:
        raise ValueError("key: the photos carry no phone model in their EXIF data")
    target = path or store_path()
    target.parent.mkdir(parents=True, exist_ok=True)
    everything = {k: asdict(p) for k, p in load_profiles(target).items()}
    everything[profile.key] = asdict(profile)
    fresh = target.with_suffix(".new")
    fresh.write_text(json.dumps(everything, indent=1, sort_keys=True), encoding="utf-8")
    fresh.replace(target)
    return target


# ---------------------------------------------------------------------------------------------


def _solve(photo: Photo, views: list[SheetView]) -> CameraProfile | Refusal:
    """Joint fit over all photos; corners beyond four spreads are dropped once."""
    from scipy.optimize import least_squares  # slow to load, and every reading loads this file

    half = views[0].half_diagonal
    cx, cy = photo.centre
    f0 = float(np.median([v.camera.f for v in views]))
    start = np.concatenate(
        [[math.log(f0), cx, cy, 0.0], *(np.asarray(v.params[:6], float) for v in views)]
    )
    keep = [np.ones(len(v.corners_px), bool) for v in views]

    def residuals(p: Array) -> Array:
        rows = [
            (_project(p[:4], p[4 + 6 * i : 10 + 6 * i], v.corners_mm, half) - v.corners_px)[k]
            for i, (v, k) in enumerate(zip(views, keep, strict=True))
        ]
        return np.concatenate(rows).ravel()

    scale = np.concatenate([[0.05, 20, 20, 0.02], np.tile([0.1, 0.1, 0.1, 10, 10, 10], len(views))])
    fit = least_squares(residuals, start, x_scale=scale, method="lm")
    gate = 4 * 1.4826 * float(np.median(np.abs(fit.fun)))
    for i, view in enumerate(views):
        p = fit.x
        miss = _project(p[:4], p[4 + 6 * i : 10 + 6 * i], view.corners_mm, half) - view.corners_px
        keep[i] = np.abs(miss).max(axis=1) < max(gate, 0.3)
    fit = least_squares(residuals, fit.x, x_scale=scale, method="lm")
    count = len(fit.fun)
    spread = math.sqrt(float(fit.fun @ fit.fun) / max(count - len(fit.x), 1))
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac) * spread**2
    relative = math.hypot(math.sqrt(float(covariance[0, 0])), U_BOARD)
    rms = math.sqrt(float(fit.fun @ fit.fun) / (count / 2))
    if rms > 1.5:
        return _refuse(f"The board's corners lie {rms:.1f} px off: it is not flat, or not ours.")
    if relative > LIMIT_U:
        return _refuse(
            f"The focal length is known to {100 * relative:.1f} % only; {100 * LIMIT_U:.0f} % is "
            "needed."
        )
    return CameraProfile(
        photo.camera_key,
        photo.width,
        photo.height,
        math.exp(fit.x[0]),
        float(fit.x[1]),
        float(fit.x[2]),
        float(fit.x[3]),
        relative,
        len(views),
        count // 2,
        rms,
    )


def _project(lens: Array, pose: Array, places: Array, half: float) -> Array:
    points = np.column_stack([places, np.zeros(len(places))])
    q = points @ np.asarray(cv2.Rodrigues(pose[:3])[0]).T + pose[3:6]
    u = q[:, :2] / np.maximum(q[:, 2:3], 1e-3) * math.exp(lens[0])
    r2 = np.sum(u * u, axis=1, keepdims=True) / half**2
    return np.asarray(u * (1 + lens[3] * r2) + lens[1:3])


def _refuse(reason: str) -> Refusal:
    return Refusal(
        QUANTITY,
        reason,
        "Glue the calibration sheet flat and take 8 or more photos with the same lens and zoom: "
        "straight on and from four sides at 30–45°, the board filling the frame.",
    )
