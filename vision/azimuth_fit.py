"""Candidates of a head-on photo -> their edges and sides, fitted.

Comes in: a photo, its printed lines and rough `Candidate`s. Goes out: `Fitted`s, each with what the
choice between them (`vision.azimuth_choose`) looks at: sides, likeness of body and image, ink.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.azimuth_candidate import Candidate
from vision.azimuth_find import FIND_WIDTH, INK_PX, opponent, without_ink
from vision.azimuth_shown import Shown, Witness
from vision.azimuth_solve import EDGE_FLOOR_DEG
from vision.edge_blocks import BlockFit, fit_blocks
from vision.edges import EdgeFit
from vision.ink_lines import InkLine, bridged, ink_mask
from vision.network import halved
from vision.photo import Photo

Picture = NDArray[np.float32]
# Half widths of the windows for soft edges, at fit size. A body that is rounded below has one whose
# image is softer than any camera's blur, and as straight as another.
WIDE_PX, WIDEST_PX = 16.0, 32.0
FIT_WIDTH = 1600  # wider pictures are reduced to this: blur and noise leave no more detail
HELD = 0.49  # of a window's half width
LIKELIEST, UNDER_EACH = 5, 4
FAR_BEHIND = 10.0  # a logarithm; sides change it by less
WITNESS_WRONG = 3.0  # the same: of the best pair from the best one the network bears out
LEAST_STRETCH = 0.25  # of a rough segment
SOME_INK = 0.4
STRAIGHT, SURE_DEG = 0.35, 0.02


def fit_scale(photo: Photo) -> float:
    """Fit size over full size."""
    return min(1.0, FIT_WIDTH / max(photo.width, photo.height))


def fit_picture(photo: Photo) -> tuple[NDArray[np.uint8], float]:
    """The picture at fit size, and fit size over full size."""
    scale = fit_scale(photo)
    if scale == 1:
        return photo.rgb, scale
    size = (round(photo.width * scale), round(photo.height * scale))
    rgb = cv2.resize(halved(photo.rgb, scale), size, interpolation=cv2.INTER_AREA)
    return np.asarray(rgb, np.uint8), scale


@dataclass(frozen=True)
class Fitted:
    """A candidate with its fits (full-resolution pixels) and what the choice looks at."""

    candidate: Candidate
    edge: BlockFit
    image: BlockFit
    sides: dict[str, BlockFit]
    half: float
    by_sides: float | None
    score: float
    alike: float
    ink: float = 0.0
    shown: Shown | None = None

    @property
    def sides_miss_deg(self) -> float | None:
        """How far edge and image say another angle than the sides, None without these."""
        return None if self.by_sides is None else math.degrees(self.half - self.by_sides)


class Fitter:
    """Fits candidates at fit size; lines that candidates share are fitted once."""

    def __init__(self, rgb: NDArray[np.uint8], scale: float, ink: Sequence[InkLine] = ()) -> None:
        # The median first: closing spreads single dark noise pixels into blots.
        calm = np.asarray(cv2.medianBlur(rgb, 5), np.uint8)
        size = round(INK_PX * max(rgb.shape[:2]) / FIND_WIDTH) | 1
        self.raw, self.closed = opponent(calm), opponent(without_ink(calm, size))
        self.bare = self.closed  # without the printed lines, for what is mirrored
        self.scale = scale
        self.printed: NDArray[np.bool_] | None = None
        if ink:
            shape = (rgb.shape[0], rgb.shape[1])
            self.printed = ink_mask(ink, shape, max(shape) / FIND_WIDTH)
            self.bare = opponent(without_ink(bridged(calm, self.printed), size))
        self.small = cv2.resize(self.closed, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        self._known: dict[tuple[int | bool, ...], BlockFit | None] = {}
        self._finer: dict[tuple[int | bool, ...], BlockFit] = {}

    def fit_all(self, candidates: list[Candidate], witness: Witness | None = None) -> list[Fitted]:
        """The edges of every candidate, then the sides and a finer fit of the likeliest.

        With a ``witness`` only of those that may lie on a body and its image, unless all of them
        are far less likely by themselves than another: then it may be wrong.
        """
        rough = [f for c in candidates if (f := self.edges(c)) is not None]
        if witness is not None:
            told = [replace(f, shown=witness(_ends(f.edge), _ends(f.image))) for f in rough]
            borne_out = [f for f in told if f.shown is not None and f.shown.may_be]
            best, of_those = (max(map(weigh, of), default=-math.inf) for of in (told, borne_out))
            rough = borne_out if of_those > best - WITNESS_WRONG else told
        rough.sort(key=weigh, reverse=True)
        likely: list[Fitted] = []
        for f in rough:
            if weigh(f) < weigh(rough[0]) - FAR_BEHIND:
                break
            # A few under each edge: the true edge must stay in the race against its reflections.
            if sum(same_line(f.edge.edge, o.edge.edge) for o in likely) < UNDER_EACH:
                likely.append(f)
        return [self.finish(f) for f in likely[:LIKELIEST]]

    def edges(self, candidate: Candidate) -> Fitted | None:
        """The two edges of one candidate; None where one does not hold."""
        edge = self.line(candidate.edge, 0.04)
        if edge is None:
            return None
        image = self.line(candidate.image, 0.04, mirrored=True)
        if image is None or image.edge.y <= edge.edge.y + 2 / self.scale:
            return None
        half = (edge.edge.angle - image.edge.angle) / 2
        return Fitted(
            candidate, edge, image, {}, half, None, candidate.score, self._alike(candidate)
        )

    def finish(self, fitted: Fitted) -> Fitted:
        """The same with its sides, and the edges fitted again without closing over ink."""
        sides = {
            name: fit
            for name, line in fitted.candidate.sides.items()
            if (fit := self.line(line, 0.03)) is not None and fit.share > 0.5
        }
        edge, image = fitted.edge, fitted.image
        for name in ("left", "right"):
            if name not in sides or f"{name} image" in sides:
                continue
            reflected = self.mirrored(sides[name], edge, image)
            if reflected is not None:
                sides[f"{name} image"] = reflected
        edge_ink, image_ink = self.ink(edge), self.ink(image, mirrored=True)
        edge = self.finer(edge, edge_ink > SOME_INK)
        image = self.finer(image, image_ink > SOME_INK, mirrored=True)
        by_sides = None
        if len(sides) == 4:
            lean = {n: (f.edge.angle % math.pi) - math.pi / 2 for n, f in sides.items()}
            by_sides = (lean["left"] + lean["right"] - lean["left image"] - lean["right image"]) / 4
        half = (edge.edge.angle - image.edge.angle) / 2
        return replace(
            fitted,
            edge=edge,
            image=image,
            sides=sides,
            half=half,
            by_sides=by_sides,
            ink=max(edge_ink, image_ink),
        )

    def mirrored(self, side: BlockFit, edge: BlockFit, image: BlockFit) -> BlockFit | None:
        """Reflection of a side where it must lie: across the line half-way between the edges."""
        turn = (edge.edge.angle + image.edge.angle) / 2
        normal = np.array([-math.sin(turn), math.cos(turn)])
        foot = np.array([edge.edge.x + image.edge.x, edge.edge.y + image.edge.y]) / 2
        ends = np.array(side.edge.ends)
        ends = ends - 2 * ((ends - foot) @ normal)[:, None] * normal
        low, high = sorted(ends, key=lambda p: float(p[1]))
        bottom = (self.raw.shape[0] - 1) / self.scale
        if low[1] > bottom - 0.1 * edge.edge.length:
            return None
        high = low + (high - low) * min(1.0, (bottom - low[1]) / max(high[1] - low[1], 1e-9))
        fit = self.line(np.stack([low, high]), 0.03)
        if fit is None or fit.share < 0.7 or fit.edge.length < 0.08 * edge.edge.length:
            return None
        # A reflection is no stronger than what it reflects, and of the same colours.
        strength = contrast(fit) / max(contrast(side), 1e-6)
        return fit if 0.2 < strength < 1.5 else None

    def ink(self, fit: BlockFit, mirrored: bool = False) -> float:
        """How much thin lines, dark or bright, run along the edge, in steps of the edge."""
        p0, p1 = (np.array(fit.edge.ends) + 0.5) * self.scale - 0.5
        reach = 0.4 * INK_PX * max(self.raw.shape[:2]) / FIND_WIDTH
        t = np.linspace(0.02, 0.98, 96)
        d = np.linspace(-1, 1, 9) * reach
        points = p0 + t[:, None, None] * (p1 - p0) + d[None, :, None] * fit.edge.normal
        x, y = points[..., 0].astype(np.float32), points[..., 1].astype(np.float32)
        taken = [
            cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            .reshape(12, 8, 9, 3)
            .mean(axis=1)
            for picture in (self.raw, self.bare if mirrored else self.closed)
        ]
        removed = np.linalg.norm(taken[0] - taken[1], axis=2)
        if mirrored and self.printed is not None:
            # Known ink was left out of the fit, so it does no harm.
            inside = np.clip(np.rint(points).astype(int), 0, np.array(self.raw.shape[1::-1]) - 1)
            known = self.printed[inside[..., 1], inside[..., 0]].reshape(12, 8, 9).mean(axis=1)
            removed = np.where(known > 0.1, 0.0, removed)
        return float(np.median(removed.max(axis=1))) / (abs(fit.edge.contrast) + 0.03)

    def finer(self, fit: BlockFit, inked: bool, mirrored: bool = False) -> BlockFit:
        """Fit again, fully, from a close start; on the picture with its ink if that is better."""
        key = (mirrored, inked, *np.round(np.array(fit.edge.ends).ravel() * 10).astype(int))
        if key not in self._finer:
            p0, p1 = (np.array(fit.edge.ends) + 0.5) * self.scale - 0.5
            half = max(5.0, 3.2 * fit.edge.blur * self.scale + 1)
            hidden = self.printed if mirrored else None
            pictures = [self.bare if mirrored else self.closed]
            if not inked:
                pictures.insert(0, self.raw)
            best = fit
            for picture in pictures:
                again = fit_blocks(picture, p0, p1, 1.5, 0.3, half, 0.0, hidden)
                if again is None:
                    continue
                again = again.scaled(1 / self.scale)
                if again.edge.angle_u < fit.edge.angle_u or picture is not self.raw:
                    best = again
                    break
            self._finer[key] = best
        return self._finer[key]

    def line(
        self, segment: NDArray[np.float64], trim: float, mirrored: bool = False
    ) -> BlockFit | None:
        """Edge near a segment, full-resolution pixels; printed ink covers mirrored ones."""
        key = (mirrored, *np.round(segment.ravel() * self.scale).astype(int))
        if key not in self._known:
            self._known[key] = self._line(segment, trim, mirrored)
        return self._known[key]

    def _alike(self, candidate: Candidate) -> float:
        """Correlation of the picture above the edge with that below the image, upside down.

        The strips reach past both corners, so that the sides count; the best of three heights is
        taken, because the mirror may end close below.
        """
        scale = self.scale / 2
        u = np.linspace(-0.12, 1.12, 48)
        v = np.linspace(0.03, 0.40, 24)[:, None]
        strips, inside = [], np.ones((24, 48), bool)
        for corners, sign in ((candidate.edge, 1.0), (candidate.image, -1.0)):
            p, q = (corners + 0.5) * scale - 0.5
            x = p[0] + u * (q - p)[0] + sign * v * (q - p)[1]
            y = p[1] + u * (q - p)[1] - sign * v * (q - p)[0]
            inside &= (x >= 0) & (y >= 0) & (x < self.small.shape[1]) & (y < self.small.shape[0])
            strips.append(
                cv2.remap(
                    self.small,
                    x.astype(np.float32),
                    y.astype(np.float32),
                    cv2.INTER_LINEAR,
                    borderMode=cv2.BORDER_REPLICATE,
                )
            )
        best = 0.0
        for top in (0.12, 0.2, 0.4):
            use = inside & (v < top)
            if use.sum() < 100:
                continue
            a, b = (s[use] - s[use].mean(axis=0) for s in strips)
            size = math.sqrt(float((a * a).sum()) * float((b * b).sum()))
            best = max(best, float((a * b).sum()) / (size + 1e-6))
        return best

    def _line(self, segment: NDArray[np.float64], trim: float, mirrored: bool) -> BlockFit | None:
        p0, p1 = (segment + 0.5) * self.scale - 0.5
        picture, hidden = (self.bare, self.printed) if mirrored else (self.closed, None)
        fit = fit_blocks(picture, p0, p1, trim=trim, hidden=hidden, rough=True)
        if fit is not None and fit.edge.blur > 2.2:
            # A soft edge needs a window of three blurs either side, or its blur is not known.
            wide = fit_blocks(picture, p0, p1, trim=trim, half_width=WIDE_PX, hidden=hidden)
            if fit.edge.blur > 3.2 or (wide is not None and wide.edge.angle_u < fit.edge.angle_u):
                fit = wide
        # What is softer than a window can hold: neither its blur nor its place is known.
        if fit is not None and fit.edge.blur > HELD * WIDE_PX:
            fit = fit_blocks(picture, p0, p1, trim=trim, half_width=WIDEST_PX, hidden=hidden)
            if fit is not None and fit.edge.blur > HELD * WIDEST_PX:
                return None
        if fit is not None and fit.share < 0.85:
            fit = self._shortened(fit, mirrored, whole=abs(p1[0] - p0[0]) > abs(p1[1] - p0[1]))
        return None if fit is None else fit.scaled(1 / self.scale)

    def _shortened(self, fit: BlockFit, mirrored: bool, whole: bool) -> BlockFit:
        """The fit over the stretch on which the edge is seen.

        A side ends at the next part of the body, the lower edge of an eight-sided front well inside
        its sides.
        """
        p0, p1 = fit.stretch(whole)
        length = float(np.linalg.norm(p1 - p0))
        if not LEAST_STRETCH * fit.edge.length < length < 0.9 * fit.edge.length:
            return fit
        half = max(7.0, 3.2 * fit.edge.blur + 1)
        picture, hidden = (self.bare, self.printed) if mirrored else (self.closed, None)
        again = fit_blocks(picture, p0, p1, 2.0, 0.6, half, 0.02, hidden, rough=True)
        return again if again is not None and again.share > fit.share else fit


def _ends(fit: BlockFit) -> NDArray[np.float64]:
    return np.array(fit.edge.ends)


def same_line(one: EdgeFit, other: EdgeFit) -> bool:
    """Whether two fits lie on one edge: within a hundredth of its length at both ends."""
    near = [abs(float((p - (other.x, other.y)) @ other.normal)) for p in one.ends]
    return max(near) < 0.012 * one.length


def apart(fitted: Fitted) -> float:
    """How far sides and their images are from meeting on the surface, in lengths of the edge.

    Every straight line meets its mirror image there, however either leans; the surface is half-way
    between the edge and its image. The larger of left and right, of those that are known.
    """
    edge, image = fitted.edge.edge, fitted.image.edge
    turn = (edge.angle + image.angle) / 2
    along, down = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    foot = np.array([edge.x + image.x, edge.y + image.y]) / 2
    found = [0.0]
    for name in ("left", "right"):
        if name in fitted.sides and f"{name} image" in fitted.sides:
            places = []
            for line in (fitted.sides[name].edge, fitted.sides[f"{name} image"].edge):
                start = np.array([line.x, line.y]) - foot
                direction = line.direction
                reach = (start @ down) / (direction @ down)
                places.append(float((start - reach * direction) @ along))
            found.append(abs(places[1] - places[0]) / edge.length)
    return max(found)


def line_u(fit: BlockFit) -> float:
    """Standard uncertainty of an edge's direction with what blocks cannot show, radians."""
    return math.hypot(fit.edge.angle_u, math.radians(EDGE_FLOOR_DEG))


def pair_u(fitted: Fitted) -> float:
    """Standard uncertainty of half the slopes' difference, degrees."""
    return math.degrees(math.hypot(line_u(fitted.edge), line_u(fitted.image))) / 2


def weigh(fitted: Fitted) -> float:
    """How believable two edges are before their sides are known, as a logarithm."""
    value = 3.0 * fitted.score + 3.0 * fitted.alike + 2.0 * fitted.candidate.support
    for fit, most in ((fitted.edge, 1.0), (fitted.image, 0.8)):
        value -= crooked(fit.edge)
        faint = max(0.0, math.log(0.04 / max(contrast(fit), 1e-3)))
        value += 1.5 * min(fit.share, most) - 0.5 * faint
    return value - 2.0 * vague(fitted)


def crooked(edge: EdgeFit) -> float:
    """How far an edge lies off its straight line, in blurs, beyond what is common."""
    return min(max(0.0, edge.straightness / edge.blur - STRAIGHT), 1.0)


def vague(fitted: Fitted) -> float:
    """Logarithm of how badly a pair tells its half slope difference, 0 where it is sure."""
    return math.log(max(pair_u(fitted), SURE_DEG) / SURE_DEG)


def contrast(fit: BlockFit) -> float:
    """Step of an edge in square-root intensity, 0 to 1."""
    return abs(fit.edge.contrast)
