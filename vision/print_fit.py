"""What a photo shows of print and of its ghosts -> the pose of the grid that covers all of it.

The grid as it is printed (`print_model`) is laid over what the network shows (`print_seen`). From
rough poses (`grid`), pose, lens, glass, width of the ink and length of the ticks are fitted to all
pixels at once, from coarse to fine. What is shown and not expected, and what is expected and not
shown where nothing stands before it, both speak against a pose: the few lines of a wide grid are
told from their ghosts, and ticks from rows, because the whole must fit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.grid_comb import TICK_HALF_MM, pixels_a_mm
from vision.grid_fit import moved_by
from vision.grid_match import counted
from vision.grid_pose import GridPose, apart
from vision.least_squares import least_squares
from vision.print_model import Inked, Landed, ghosts, landed, layers, moved_on_sheet
from vision.print_seen import Print

Array = NDArray[np.float64]

WIDTHS = (0.006, 0.009, 0.012, 0.016, 0.02, 0.026)  # half a line's, pitches
DEPTHS = np.arange(0.1, 1.0, 0.02)  # of glass, pitches
LEAST_GHOST = 0.06  # of all that is shown, for glass
ROUGH = (5, 3.0)  # every so many pixels, blur
STAGES = ((4, 2.5, 15), (3, 1.2, 10))  # the same, and steps at most
FINE = (2, 1.0)
TRIED, WORTH_TRYING = 3, 0.6  # starts, and how good against the best
ALIKE_DEG, ALIKE_FAR = 0.3, 0.02  # starts that come to the same
# of a pixel's share; pixels that share one error: known scenes. With one line of a family, what the
# network adds to all ticks or takes from them tilts the sheet, in glass the most
NOISE, SHARED, SHARED_BY_ONE, SHARED_IN_GLASS = 0.25, 900.0, 1500.0, 6000.0
# known beforehand: standard deviations of the lens' radial term, of the log of a line's width, and
# of what the network adds to all ends of ticks, pixels
K1_SD, INK_LOG_SD, END_PX = 0.06, 0.5, 0.4
LEAST_INK, MOST_INK, MOST_K1, MOST_TURN = 0.003, 0.06, 0.3, 0.3  # beyond these it is no fit
# unknowns: those of `moved_by`, the last of them glass, then the logs of a line's width and of the
# ticks' length; and what is a small change of each
FOCAL, BEND, GHOST, WIDTH, TICK = 6, 7, 8, 9, 10
SCALE = np.array([*[2e-3] * 6, 0.02, 0.01, 0.02, 0.1, 0.03])
# of 264 right poses 98 in 100 have 0.66 and 0.76, 95 in 100 of those in glass 0.43 and more
LEAST_SHOWN, LEAST_GIVEN, LEAST_GHOST_TOLD = 0.5, 0.7, 0.4
LEAST_ON_LINE = 15  # pixels of a line that show it
FLOOR_DEG = 0.02  # what more pixels would not lessen


@dataclass(frozen=True)
class Fit:
    """A pose with its ink, and how well it fits: 1 at best.

    ``shown``, ``given``: share of what is shown that is expected, and of what is expected that is
    shown; ``ghost`` the lesser of both for ghosts, None without glass. ``misfit`` is the sum of
    squares that least squares made least, over all pixels.
    """

    pose: GridPose
    ink: Inked
    shown: float
    given: float
    ghost: float | None
    misfit: float = math.inf

    @property
    def worth(self) -> float:
        """How well all of it fits."""
        return self.shown * self.given * (1.0 if self.ghost is None else math.sqrt(self.ghost))

    @property
    def holds(self) -> bool:
        """Whether so much fits that it can be no chance."""
        told = self.shown > LEAST_SHOWN and self.given > LEAST_GIVEN
        return told and (self.ghost is None or self.ghost > LEAST_GHOST_TOLD)


@dataclass(frozen=True)
class Pixels:
    """Some pixels of a copy (N): where, and what they show."""

    at: Array
    front: Array
    ghost: Array
    clear: Array
    blur: float

    @classmethod
    def of(cls, seen: Print, step: int, blur: float) -> Pixels:
        """Every so many pixels each way, of shares as blurred as what is expected."""
        high, wide = seen.front.shape
        x, y = np.meshgrid(np.arange(step // 2, wide, step), np.arange(step // 2, high, step))
        shares = [np.asarray(v, float) for v in (seen.front, seen.ghost, seen.clear)]
        if blur > FINE[1]:
            shares = [np.asarray(cv2.GaussianBlur(v, (0, 0), 0.6 * blur), float) for v in shares]
        front, ghost, clear = (v[y, x].ravel() for v in shares)
        return cls(np.stack([x.ravel(), y.ravel()], 1).astype(float), front, ghost, clear, blur)

    def near(self, pose: GridPose, ink: Inked, reach: float) -> Pixels:
        """Those in sight within a reach of what is expected."""
        use = np.maximum.reduce(layers(pose, landed(pose, self.at), ink, reach)) > 0
        use &= self.clear > 0.05
        return Pixels(self.at[use], self.front[use], self.ghost[use], self.clear[use], self.blur)


def _shares(shown: Array, told: Array, clear: Array) -> tuple[float, float]:
    both = shown * told
    return (
        float(both.sum() / max(shown.sum(), 1e-6)),
        float((both * clear).sum() / max((told * clear).sum(), 1e-6)),
    )


def best_fits(starts: Sequence[GridPose], seen: Print, prior: tuple[float, float]) -> list[Fit]:
    """What becomes of the best of some starts, likeliest first; all in pixels of the copy.

    Parameters
    ----------
    starts : sequence of GridPose
    seen : Print
    prior : (float, float)
        Mean and standard deviation of the log of the focal length.
    """
    rough = Pixels.of(seen, *ROUGH)
    front, ghost = (int((v > 0.5).sum()) for v in (seen.front, seen.ghost))
    glassy = ghost > LEAST_GHOST * (front + ghost)
    ranked = sorted((_with_width(pose, rough) for pose in starts), key=lambda f: -f.worth)
    tried: list[Fit] = []
    out = []
    for start in ranked:
        if len(tried) == TRIED or start.worth < WORTH_TRYING * ranked[0].worth:
            break
        if any(_alike(start.pose, other.pose) for other in tried):
            continue
        tried.append(start)
        fit = fitted(_in_glass(start, rough) if glassy else start, seen, prior)
        if fit is not None:
            out.append(fit)
    return sorted(out, key=lambda f: f.misfit)


def likeliest(fits: Sequence[Fit]) -> GridPose:
    """The first pose, its covariance that of all: others are as likely as they fit.

    The second moment of the mixture about the first (law of total variance).
    """
    shares = np.exp(-0.5 * (np.array([fit.misfit for fit in fits]) - fits[0].misfit))
    covariance = np.zeros((4, 4))
    pose = fits[0].pose
    for share, fit in zip(shares / shares.sum(), fits, strict=True):
        away = np.append(apart(fit.pose, pose), math.log(fit.pose.camera.f / pose.camera.f))
        covariance += share * (fit.pose.covariance + np.outer(away, away))
    return replace(pose, covariance=covariance)


def _alike(one: GridPose, other: GridPose) -> bool:
    far = abs(one.origin[2] / other.origin[2] - 1)
    turn = math.degrees(float(np.linalg.norm(apart(one, other))))
    return one.pitch_mm == other.pitch_mm and turn < ALIKE_DEG and far < ALIKE_FAR


def _with_width(pose: GridPose, some: Pixels) -> Fit:
    """The pose without glass and with the likeliest width of its lines."""
    bare = replace(pose, thickness=None)
    seen = landed(bare, some.at)
    fits = []
    for half in WIDTHS:
        (front,) = layers(bare, seen, Inked(half), some.blur)
        fits.append(Fit(bare, Inked(half), *_shares(some.front, front, some.clear), None))
    return max(fits, key=lambda f: f.worth)


def _in_glass(fit: Fit, some: Pixels) -> Fit:
    """With the depth of glass at which ghosts are expected where they are shown."""
    seen = landed(fit.pose, some.at)
    deep = []
    for t in DEPTHS:
        pose = replace(fit.pose, thickness=float(t))
        ghost = ghosts(pose, seen, fit.ink, some.blur)
        deep.append(replace(fit, pose=pose, ghost=min(_shares(some.ghost, ghost, some.clear))))
    return max(deep, key=lambda f: f.ghost or 0.0)


def fitted(start: Fit, seen: Print, prior: tuple[float, float]) -> Fit | None:
    """A start fitted to all pixels, from coarse to fine; None where the lens would be absurd.

    All is as for `best_fits`.
    """
    pose, ink = start.pose, start.ink
    unknown = [k for k in range(len(SCALE)) if k != GHOST or pose.thickness is not None]
    if pose.pitch_mm is None:
        unknown.remove(TICK)
    normal = np.eye(len(unknown))
    for step, blur, most in STAGES:
        some = Pixels.of(seen, step, blur).near(pose, ink, 2 * blur + 4)
        stage = _Stage(pose, ink, some, unknown, prior, step)
        found = least_squares(
            stage.missed, np.zeros(len(unknown)), SCALE[unknown], stage.slopes,
            most=most, tolerance=1e-6,
        )  # fmt: skip
        if np.abs(found.x[:3]).max() > MOST_TURN:
            return None
        pose, ink = stage.placed(found.x)
        if abs(pose.camera.k1) > MOST_K1 or not LEAST_INK < ink.half < MOST_INK:
            return None
        normal = found.slopes.T @ found.slopes
    keep = [0, 1, 2, 6]
    covariance = np.asarray(np.linalg.pinv(normal)[np.ix_(keep, keep)], float)
    some = Pixels.of(seen, *FINE)
    on = landed(pose, some.at)
    told = layers(pose, on, ink, some.blur)
    missed = _Stage(pose, ink, some, unknown, prior, FINE[0]).misses(pose, ink, told)
    shown, given = _shares(some.front, told[0], some.clear)
    ghost = min(_shares(some.ghost, told[1], some.clear)) if len(told) > 1 else None
    pose = _with_lines(replace(pose, support=shown, covariance=covariance), ink, some, on)
    return Fit(pose, ink, shown, given, ghost, float(missed @ missed))


@dataclass(frozen=True)
class _Stage:
    """What is missed of some pixels when a start's unknowns change."""

    pose: GridPose
    ink: Inked
    some: Pixels
    unknown: list[int]
    prior: tuple[float, float]
    step: int

    def placed(self, p: Array) -> tuple[GridPose, Inked]:
        """Pose and ink after a change of the unknowns."""
        full = np.zeros(len(SCALE))
        full[self.unknown] = p
        half, tick = (v * math.exp(float(d)) for v, d in
                      zip((self.ink.half, self.ink.tick), full[WIDTH:], strict=True))  # fmt: skip
        return moved_by(self.pose, full[:WIDTH]), Inked(half, tick)

    @property
    def weight(self) -> Array:
        """Of each pixel's miss."""
        return self.some.clear * (self.step / (NOISE * math.sqrt(SHARED)))

    def missed(self, p: Array) -> Array:
        """Misses of all pixels, and of what is known beforehand of lens and ink."""
        pose, ink = self.placed(p)
        told = layers(pose, landed(pose, self.some.at), ink, self.some.blur)
        return self.misses(pose, ink, told)

    def misses(self, pose: GridPose, ink: Inked, told: tuple[Array, ...]) -> Array:
        """The same, of what pose and ink let expect of each pixel (`layers`)."""
        shown = (self.some.front, self.some.ghost)  # the second in glass only
        out = [(a - b) * self.weight for a, b in zip(told, shown, strict=False)]
        known = [
            (math.log(pose.camera.f) - self.prior[0]) / self.prior[1],
            pose.camera.k1 / K1_SD,
            math.log(ink.half / self.ink.half) / INK_LOG_SD,
            math.log(ink.tick) / self._tick_sd,
        ]
        return np.concatenate([*out, known])

    @property
    def _tick_sd(self) -> float:
        return END_PX / (TICK_HALF_MM * pixels_a_mm(self.pose))

    def slopes(self, p: Array) -> Array:
        """Derivatives of `missed`: of what a pixel shows by its place, times those of the place."""
        pose, ink = self.placed(p)
        at, blur = self.some.at, self.some.blur
        base = landed(pose, at)
        a_px = 0.25 / base.scale  # pitches that make a quarter of a pixel
        here = layers(pose, base, ink, blur)
        by_place = []
        for k in (0, 1):
            step = np.zeros_like(base.grid)
            step[:, k] = a_px[:, k]
            there = layers(pose, replace(base, grid=base.grid + step), ink, blur)
            back = layers(pose, replace(base, grid=base.grid - step), ink, blur)
            by_place.append([(a - b) / (2 * a_px[:, k]) for a, b in zip(there, back, strict=True)])
        columns = []
        known = {FOCAL: self.prior[1], BEND: K1_SD, WIDTH: INK_LOG_SD, TICK: self._tick_sd}
        for n, number in enumerate(self.unknown):
            small = np.zeros(len(p))
            if number < WIDTH:
                small[n] = 1e-2 * SCALE[number]
                moved, _ = self.placed(p + small)
                grid, slide = moved_on_sheet(moved, at)
                shift = grid - base.grid
                thick, was = moved.thickness or 0.0, pose.thickness or 0.0
                shifts = (shift, shift + thick * slide - was * base.slide)[: len(here)]
                parts = [
                    (by_x * by[:, 0] + by_y * by[:, 1]) / small[n]
                    for by_x, by_y, by in zip(*by_place, shifts, strict=True)
                ]
            else:
                small[n] = 1e-2
                _, wider = self.placed(p + small)
                there = layers(pose, base, wider, blur)
                parts = [(a - b) / small[n] for a, b in zip(there, here, strict=True)]
            own = [1 / sd if number == k else 0.0 for k, sd in known.items()]
            columns.append(np.concatenate([*(v * self.weight for v in parts), own]))
        return np.stack(columns, axis=1)


def _with_lines(pose: GridPose, ink: Inked, some: Pixels, on: Landed) -> GridPose:
    """The pose with the lines that were seen, and what that makes of its uncertainty."""
    off = np.abs(on.grid - np.round(on.grid))
    shown = some.front > 0.5
    lines = []
    for k in (0, 1):
        near = (off[:, k] < ink.half) & (off[:, 1 - k] > 3 * ink.half) & shown
        lines.append(counted(np.round(on.grid[near, k]), LEAST_ON_LINE))
    in_glass = pose.thickness is not None
    more = 1.0
    if min(len(family) for family in lines) < 2:
        more = (SHARED_IN_GLASS if in_glass else SHARED_BY_ONE) / SHARED
    covariance = pose.covariance * more
    covariance[:3, :3] += np.eye(3) * math.radians(FLOOR_DEG) ** 2
    return replace(
        pose, columns=lines[0], rows=lines[1], covariance=covariance, layers_told=in_glass
    )
