"""Azimuth: the roll of the cartridge body against the surface, from its front and its reflection.

Comes in: a head-on photo of the body over a mirror. Goes out: a `Reading` (degrees, positive =
clockwise seen head-on from the front, 0 = square), or a `Refusal`. The lower edge and its mirror
image are found (`vision.azimuth_find`), fitted (`vision.edge_blocks`) and adjusted together with
camera and mirror (`vision.azimuth_solve`). Signs: DEVELOPERS.md, "Conventions".
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.azimuth_find import (
    FIND_WIDTH,
    INK_PX,
    Candidate,
    find_candidates,
    opponent,
    without_ink,
)
from vision.azimuth_solve import EDGE_FLOOR_DEG, Lens, Solution, solve_lines
from vision.edge_blocks import BlockFit, fit_blocks
from vision.edges import EdgeFit
from vision.marks import missing_marks
from vision.photo import FocalPrior, Photo
from vision.reading import BudgetPart, Component, Reading, Refusal, Segment

if TYPE_CHECKING:
    from vision.measure import Options

Picture = NDArray[np.float32]
FIT_WIDTH = 1600  # wider pictures are reduced to this: blur and noise leave no more detail
QUANTITY = "azimuth"
MARKS = ("lower edge", "reflected lower edge")
SIDE_NAMES = {
    "left": "left side",
    "right": "right side",
    "left image": "reflected left side",
    "right image": "reflected right side",
}
MEASURAND = (
    "roll of the cartridge body's front lower edge against the mirror, positive clockwise seen "
    "from the front; the body, not the generator inside it"
)
MARK_REACH_PX, MARK_TURN_DEG = 12.0, 3.5
MOST_U_DEG = 0.25
MOST_MISFIT, MOST_PRIOR_MISS, MOST_SIDE_MISS = 1.5, 2.6, 2.5  # standard uncertainties
PAIR_FLOOR_DEG = 0.03
LIKELIEST = 8
SOME_INK, MOST_INK = 0.4, 0.8
FAINT_OUTLINE = 0.1
PARALLEL_LOSS = 5.0
LEAST_VALUE, LEAST_SHARE, MOST_MISS_DEG = 9.0, 0.65, 0.9  # from the tuning photographs
LEAST_SIDES, SURE_VALUE = 3, 12.5
DISTANCE_MM, U_DISTANCE, BODY_MM, U_BODY = 120.0, 0.35, 15.5, 0.15
LEAST_ALIKE, LEAST_WIDTH = 0.25, 0.19
SOFT_BLUR_WIDTHS, MOST_BLUR_WIDTHS, MOST_SIDE_BLUR_WIDTHS = 0.005, 0.0085, 0.010
ALWAYS_SHARP_PX = 2.6  # at fit size
BUDGET_NOTES = {
    "edge fit": "scatter of the edges' blocks, and their straightness",
    "choice of edges": "other parallel edges of the body give slightly different angles",
    "surface reference": "camera roll from the sides and their reflections",
    "camera direction": "elevation and side view, where the photo does not show them",
    "focal length and principal point": "",
    "lens distortion": "",
    "priors used": "taper alike on both sides, front upright",
}
GENERATOR_U_DEG = 0.75  # body against generator, commonly 1-2 degrees at most; common practice
SHOW_BOTH = (
    "Photograph the body head-on from 5-12° above with its reflection in a clean mirror, the "
    "whole lower edge and both sides in the frame."
)


@dataclass(frozen=True)
class AzimuthLines:
    """Fitted lines of one photo, full-resolution pixels.

    ``sides`` may hold any of the names of `SIDE_NAMES`; ``bows`` the sagitta of "edge" and
    "image" with its standard uncertainty (px). ``others`` are half slope differences (radians) of
    other pairs of edges of the same body, each with its weight relative to this pair's.
    """

    edge: EdgeFit
    image: EdgeFit
    sides: Mapping[str, EdgeFit] = field(default_factory=dict)
    bows: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    others: tuple[tuple[float, float], ...] = ()
    flags: tuple[str, ...] = ()

    def segments(self) -> tuple[Segment, ...]:
        """The lines as named segments."""
        lines = [
            self.edge.segment("lower edge"),
            self.image.segment("reflected lower edge", "reflection"),
        ]
        for key, name in SIDE_NAMES.items():
            if key in self.sides:
                role = "reflection" if key.endswith("image") else "edge"
                lines.append(self.sides[key].segment(name, role))
        return tuple(lines)


def read_azimuth(photo: Photo, options: Options) -> Reading | Refusal:
    """Azimuth of the body in one photo.

    Parameters
    ----------
    photo : Photo
    options : Options
        ``marks`` named "lower edge" and "reflected lower edge" (and optionally the names of
        `SIDE_NAMES`) take the place of the finder.

    Returns
    -------
    Reading or Refusal
    """
    lines = snap_azimuth(photo, options) if options.marks else find_azimuth(photo, options)
    if isinstance(lines, Refusal):
        return lines
    return solve_azimuth(lines, photo.focal, photo.centre, (photo.width, photo.height), photo.k1)


def find_azimuth(photo: Photo, options: Options) -> AzimuthLines | Refusal:
    """Find and fit the lower edge, its reflection and the sides.

    Parameters
    ----------
    photo : Photo
    options : Options
        Not used by the finder.

    Returns
    -------
    AzimuthLines or Refusal
        The best candidate's lines, with the runners-up that agree with it.
    """
    fitter = _Fitter(photo)
    choice = agree(fitter.fit_all(find_candidates(photo.rgb)))
    if choice is None:
        return Refusal(QUANTITY, "No body with its reflection under it was found.", SHOW_BOTH)
    lines = choice.best.lines(choice.others)
    doubt = doubts(choice, ALWAYS_SHARP_PX / fitter.scale, photo.width)
    if doubt is not None:
        return replace(doubt, lines=tuple(replace(s, role="look") for s in lines.segments()))
    return lines


def solve_azimuth(
    lines: AzimuthLines,
    focal: FocalPrior,
    centre: tuple[float, float],
    size: tuple[int, int],
    k1: float = 0.0,
) -> Reading | Refusal:
    """Azimuth from fitted lines.

    Parameters
    ----------
    lines : AzimuthLines
    focal : FocalPrior
    centre : (float, float)
        Principal point, px.
    size : (int, int)
        Width and height of the photo, px.
    k1 : float
        Known radial distortion (`vision.camera.Camera`).

    Returns
    -------
    Reading or Refusal
        Refusal where the uncertainty is too large to be of use.
    """
    f, relative_u = _focal(focal, lines.edge.length)
    lens = Lens(f, relative_u, *centre, math.hypot(*size) / 2, k1=k1)
    solution, sides = _solve_dropping(lines, lens)
    if solution is None:
        return Refusal(
            QUANTITY,
            "The two edges do not fit a body above its reflection.",
            SHOW_BOTH,
            lines=lines.segments(),
        )
    lines = replace(lines, sides=sides)
    sight = math.degrees(solution.sight)
    if solution.misfit > MOST_MISFIT or solution.worst["camera direction"] > MOST_PRIOR_MISS:
        return Refusal(
            QUANTITY,
            f"The edges, their reflections and a camera {sight:.0f}° above do not fit together.",
            SHOW_BOTH,
            lines=lines.segments(),
        )
    if solution.sides_alpha is not None:
        miss = math.degrees(abs(solution.alpha - solution.sides_alpha))
        if miss > MOST_MISS_DEG:
            return Refusal(
                QUANTITY,
                f"The edges and the sides of the body disagree by {miss:.1f}°.",
                "Take care that nothing stands before the body or its reflection.",
                lines=lines.segments(),
            )
    alpha, choice_u = solution.alpha, 0.0
    if lines.others:
        # Other parallel edges of the same body, each corrected for perspective as the best was.
        shift = solution.alpha - (lines.edge.angle - lines.image.angle) / 2
        values = np.array([solution.alpha] + [half + shift for half, _ in lines.others])
        weights = np.array([1.0] + [w for _, w in lines.others])
        weights /= weights.sum()
        alpha = float(weights @ values)
        choice_u = math.sqrt(float(weights @ (values - alpha) ** 2))
    parts = {name: math.degrees(u) for name, u in solution.parts.items()}
    parts["choice of edges"] = math.degrees(choice_u)
    total = math.hypot(*parts.values())
    if total > MOST_U_DEG:
        return Refusal(
            QUANTITY,
            f"The edges give the azimuth only to ±{2 * total:.1f}°.",
            "Move closer, focus on the body's lower edge, and keep the whole body in the frame.",
            lines=lines.segments(),
        )
    flags = list(lines.flags)
    if lines.edge.blur > SOFT_BLUR_WIDTHS * lines.edge.length:
        flags.append("soft_focus")
    return Reading(
        quantity=QUANTITY,
        value=math.degrees(alpha),
        unit="deg",
        measurand=MEASURAND,
        budget=tuple(
            BudgetPart(name, parts.get(name, 0.0), note) for name, note in BUDGET_NOTES.items()
        ),
        definitional_uncertainty=GENERATOR_U_DEG,
        components=_components(solution),
        flags=tuple(dict.fromkeys(flags)),
        lines=(*lines.segments(), *_drawn(lines)),
    )


def _focal(focal: FocalPrior, width_px: float) -> tuple[float, float]:
    """Focal length in pixels and its relative standard uncertainty.

    Where the file does not tell, the picture does, roughly: a cartridge is about 15.5 mm wide and
    was photographed from 80-180 mm, as near as phones focus (common practice, no source).
    """
    if focal.low_high is None and focal.source != "guess":
        return focal.f_px, max(focal.relative_u, 0.005)
    return width_px * DISTANCE_MM / BODY_MM, math.hypot(U_DISTANCE, U_BODY)


def _solve_dropping(lines: AzimuthLines, lens: Lens) -> tuple[Solution | None, dict[str, EdgeFit]]:
    """Solve; a side that does not fit the rest was something else and is left out."""
    sides = dict(lines.sides)
    while True:
        try:
            solution = solve_lines(lines.edge, lines.image, sides, lens, lines.bows)
        except (ValueError, np.linalg.LinAlgError):
            return None, sides
        misses = {n: solution.worst.get(f"surface reference/{n}", 0.0) for n in sides}
        name = max(misses, key=lambda n: misses[n], default="")
        if not name or misses[name] < MOST_SIDE_MISS or len(sides) < 3:
            return solution, sides
        del sides[name]


def _components(solution: Solution) -> tuple[Component, ...]:
    found = [Component("camera roll", math.degrees(solution.roll), "deg", 0.5)]
    if solution.sides_alpha is not None:
        found.append(
            Component(
                "azimuth by the sides alone",
                math.degrees(solution.sides_alpha),
                "deg",
                math.degrees(solution.sides_alpha_u),
            )
        )
    return tuple(found)


def _drawn(lines: AzimuthLines) -> tuple[Segment, ...]:
    """Where the surface runs under the body, and the square to it, for the overlay."""
    edge, image = lines.edge, lines.image
    x, y = (edge.x + image.x) / 2, (edge.y + image.y) / 2
    half = edge.length / 2
    turn = (edge.angle + image.angle) / 2
    dx, dy = half * math.cos(turn), half * math.sin(turn)
    return (
        Segment("surface", "surface", x - dx, y - dy, x + dx, y + dy),
        Segment("body axis", "axis", *_axis(edge, half)),
    )


def _axis(edge: EdgeFit, reach: float) -> tuple[float, float, float, float]:
    up = -edge.normal * reach
    return edge.x, edge.y, float(edge.x + up[0]), float(edge.y + up[1])


def fit_channels(photo: Photo) -> tuple[Picture, Picture, float]:
    """Colour channels at fit size, the same with ink closed over, and fit size over full size."""
    scale = min(1.0, FIT_WIDTH / max(photo.width, photo.height))
    rgb = photo.rgb
    if scale < 1:
        rgb = np.asarray(
            cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8
        )
    size = round(INK_PX * max(rgb.shape[:2]) / FIND_WIDTH) | 1
    # The median first: closing spreads single dark noise pixels into blots.
    calm = np.asarray(cv2.medianBlur(rgb, 5), np.uint8)
    return opponent(calm), opponent(without_ink(calm, size)), scale


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
    outline: float = 1.0

    def lines(self, others: tuple[tuple[float, float], ...] = ()) -> AzimuthLines:
        """What the solver needs of it."""
        return AzimuthLines(
            self.edge.edge,
            self.image.edge,
            {name: fit.edge for name, fit in self.sides.items()},
            {"edge": (self.edge.bow, self.edge.bow_u), "image": (self.image.bow, self.image.bow_u)},
            others,
        )


class _Fitter:
    """Fits candidates at fit size; lines that candidates share are fitted once."""

    def __init__(self, photo: Photo) -> None:
        self.raw, self.closed, self.scale = fit_channels(photo)
        self.small = cv2.resize(self.closed, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        self._known: dict[tuple[int, ...], BlockFit | None] = {}
        self._finer: dict[tuple[int, ...], BlockFit] = {}

    def fit_all(self, candidates: list[Candidate]) -> list[Fitted]:
        """The edges of every candidate, then the sides and a finer fit of the likeliest."""
        rough = [f for c in candidates if (f := self.edges(c)) is not None]
        rough.sort(key=weigh, reverse=True)
        likely: list[Fitted] = []
        for f in rough:
            # A few under each edge: the true edge must stay in the race against its reflections.
            if sum(same_line(f.edge.edge, o.edge.edge) for o in likely) < LIKELIEST // 2:
                likely.append(f)
        return [self.finish(f) for f in likely[:LIKELIEST]]

    def edges(self, candidate: Candidate) -> Fitted | None:
        """The two edges of one candidate; None where one does not hold."""
        edge = self.line(candidate.edge, 0.04)
        if edge is None:
            return None
        image = self.line(candidate.image, 0.04)
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
        edge_ink, image_ink = self.ink(edge), self.ink(image)
        edge = edge if edge_ink > SOME_INK else self.finer(edge)
        image = image if image_ink > SOME_INK else self.finer(image)
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
            outline=self.outline(sides, edge.edge.length),
        )

    def outline(self, sides: dict[str, BlockFit], width: float) -> float:
        """Least colour difference between the body and what lies beside it; 1 without sides.

        Measured well off the line, where the two sides of a painted stroke are alike.
        """
        least = 1.0
        for name, outwards in (("left", -1.0), ("right", 1.0)):
            if name not in sides:
                continue
            p0, p1 = (np.array(sides[name].edge.ends) + 0.5) * self.scale - 0.5
            base = p0 + np.linspace(0.05, 0.95, 20)[:, None] * (p1 - p0)
            off = np.linspace(0.04, 0.09, 6) * width * self.scale * outwards
            colours = []
            for sign in (1.0, -1.0):
                x = np.clip(base[:, :1] + sign * off, 0, self.closed.shape[1] - 1).astype(int)
                y = np.clip(base[:, 1:] + 0 * off, 0, self.closed.shape[0] - 1).astype(int)
                colours.append(np.median(self.closed[y, x].reshape(-1, 3), axis=0))
            least = min(least, float(np.linalg.norm(colours[0] - colours[1])))
        return least

    def ink(self, fit: BlockFit) -> float:
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
            for picture in (self.raw, self.closed)
        ]
        removed = np.linalg.norm(taken[0] - taken[1], axis=2).max(axis=1)
        return float(np.median(removed)) / (abs(fit.edge.contrast) + 0.03)

    def finer(self, fit: BlockFit) -> BlockFit:
        """Fit again on the picture with its ink, from a close start; kept where it is better."""
        key = tuple(np.round(np.array(fit.edge.ends).ravel() * 10).astype(int))
        if key not in self._finer:
            p0, p1 = (np.array(fit.edge.ends) + 0.5) * self.scale - 0.5
            half = max(5.0, 3.2 * fit.edge.blur * self.scale + 1)
            again = fit_blocks(self.raw, p0, p1, 1.5, 0.3, half_width=half, trim=0.0)
            if again is not None:
                again = again.scaled(1 / self.scale)
            better = again is not None and again.edge.angle_u < fit.edge.angle_u
            self._finer[key] = again if better and again is not None else fit
        return self._finer[key]

    def line(self, segment: NDArray[np.float64], trim: float) -> BlockFit | None:
        """Edge near a segment, full-resolution pixels."""
        key = tuple(np.round(segment.ravel() * self.scale).astype(int))
        if key not in self._known:
            self._known[key] = self._line(segment, trim)
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

    def marked(self, segment: NDArray[np.float64]) -> BlockFit | None:
        """Edge near a segment that a person drew: wider search, then as any other."""
        p0, p1 = (segment + 0.5) * self.scale - 0.5
        reach = max(MARK_REACH_PX * self.scale, 4.0)
        fit = fit_blocks(self.raw, p0, p1, reach=reach, turn_deg=MARK_TURN_DEG, trim=0.0)
        if fit is None:
            return None
        closed = self.line(np.array(fit.scaled(1 / self.scale).edge.ends), 0.0)
        return None if closed is None else self.finer(closed)

    def _line(self, segment: NDArray[np.float64], trim: float) -> BlockFit | None:
        p0, p1 = (segment + 0.5) * self.scale - 0.5
        fit = fit_blocks(self.closed, p0, p1, trim=trim)
        if fit is not None and fit.edge.blur > 2.2:
            # A soft edge needs a window of three blurs either side, or its blur is not known.
            wide = fit_blocks(self.closed, p0, p1, trim=trim, half_width=16.0)
            if fit.edge.blur > 3.2 or (wide is not None and wide.edge.angle_u < fit.edge.angle_u):
                fit = wide
        return None if fit is None else fit.scaled(1 / self.scale)


@dataclass(frozen=True)
class Choice:
    """The candidate chosen, what agrees with it, and the share of all weight that does.

    ``value`` is the best logarithmic weight, ``width`` the longest edge (px) among those that
    agree.
    """

    best: Fitted
    others: tuple[tuple[float, float], ...]
    share: float
    value: float
    width: float


def same_line(one: EdgeFit, other: EdgeFit) -> bool:
    """Whether two fits lie on one edge: within a hundredth of its length at both ends."""
    near = [abs(float((p - (other.x, other.y)) @ other.normal)) for p in one.ends]
    return max(near) < 0.012 * one.length


def parallel(k: int, fitted: list[Fitted], logs: NDArray[np.float64]) -> bool:
    """Whether a pair looks like two edges on one side of the mirror.

    Two edges of the body, or two of its reflection, are parallel and say 0 whatever the azimuth.
    They betray themselves by a rival that shares one of the two lines and does not say 0.
    """
    own = fitted[k]
    if abs(own.half) > math.radians(0.2):
        return False
    for j, other in enumerate(fitted):
        if logs[j] < logs[k] - 5.0 or abs(other.half) < abs(own.half) + math.radians(0.25):
            continue
        mine, theirs = (own.edge.edge, own.image.edge), (other.edge.edge, other.image.edge)
        if any(same_line(a, b) for a in mine for b in theirs):
            return True
    return False


def line_u(fit: BlockFit) -> float:
    """Standard uncertainty of an edge's direction with what blocks cannot show, radians."""
    return math.hypot(fit.edge.angle_u, math.radians(EDGE_FLOOR_DEG))


def pair_u(fitted: Fitted) -> float:
    """Standard uncertainty of half the slopes' difference, degrees."""
    return math.degrees(math.hypot(line_u(fitted.edge), line_u(fitted.image))) / 2


def belief(fitted: Fitted) -> float:
    """How believable it is that these are edges of one body and its image, as a logarithm."""
    value = 3.0 * fitted.score + 3.0 * fitted.alike
    value -= 1.5 * min(max(0.0, fitted.ink - MOST_INK), 1.5)
    value -= 2.0 * max(0.0, math.log(FAINT_OUTLINE / max(fitted.outline, 0.02)))
    for fit, most in ((fitted.edge, 1.0), (fitted.image, 0.8)):
        value -= min(max(0.0, fit.edge.straightness / fit.edge.blur - 0.35), 1.0)
        faint = max(0.0, math.log(0.04 / max(contrast(fit), 1e-3)))
        value += 1.5 * min(fit.share, most) - 0.5 * faint
    if fitted.by_sides is not None:
        miss = math.degrees(abs(fitted.half - fitted.by_sides)) / 0.3
        value += 0.7 - 1.5 * math.log1p(miss * miss)
    return value


def weigh(fitted: Fitted) -> float:
    """Belief less a penalty for a poorly defined edge, as a logarithm."""
    return belief(fitted) - 2.0 * math.log(max(pair_u(fitted), 0.02) / 0.02)


def contrast(fit: BlockFit) -> float:
    """Step of an edge in square-root intensity, 0 to 1."""
    return abs(fit.edge.contrast)


def agree(fitted: list[Fitted]) -> Choice | None:
    """The azimuth most candidates' weight stands behind, and the best candidate of it."""
    if not fitted:
        return None
    logs = np.array([weigh(f) for f in fitted])
    logs = logs - np.array([PARALLEL_LOSS * parallel(k, fitted, logs) for k in range(len(logs))])
    weights = np.exp(logs - logs.max())
    half = np.degrees([f.half for f in fitted])
    near = np.exp(-0.5 * ((half[:, None] - half[None, :]) / 0.1) ** 2)
    mode = int(np.argmax(near @ weights))
    inside = np.nonzero(np.abs(half - half[mode]) < 0.25)[0]
    # Within the mode every pair is taken to be edges of the same body, so precision counts
    # fully and belief only mildly.
    precision = np.array([1 / (pair_u(fitted[k]) ** 2 + PAIR_FLOOR_DEG**2) for k in inside])
    trust = np.exp(0.5 * (logs[inside] - logs[inside].max())) * precision
    order = np.argsort(-trust)
    best = int(inside[order[0]])
    others = tuple(
        (fitted[inside[k]].half, float(trust[k] / trust[order[0]]))
        for k in order[1:]
        if trust[k] > 0.03 * trust[order[0]]
    )
    share = float(weights[inside].sum() / weights.sum())
    width = max(fitted[k].edge.edge.length for k in inside)
    return Choice(fitted[best], others, share, float(logs[inside].max()), width)


def doubts(choice: Choice, sharp: float, frame: int) -> Refusal | None:
    """Reason not to trust the best candidate, or None.

    ``sharp`` px of blur are always fine; ``frame`` is the width of the photo, px.
    """
    best = choice.best
    width = best.edge.edge.length
    blur = best.edge.edge.blur
    if choice.width < LEAST_WIDTH * frame:
        return Refusal(
            QUANTITY,
            f"The body's lower edge spans only {choice.width:.0f} of {frame} px.",
            f"Move closer until it spans at least {0.35 * frame:.0f} px.",
        )
    if blur > max(MOST_BLUR_WIDTHS * width, sharp):
        return Refusal(
            QUANTITY,
            f"The body's lower edge is blurred over {2 * blur:.0f} px.",
            "Tap on the body's lower edge to focus, hold the phone still or rest it on something, "
            "and add light.",
        )
    unlike = best.alike < LEAST_ALIKE and choice.value < SURE_VALUE
    if choice.value < LEAST_VALUE or unlike:
        return Refusal(
            QUANTITY, "No body with its reflection under it was found for certain.", SHOW_BOTH
        )
    if choice.share < LEAST_SHARE:
        return Refusal(
            QUANTITY,
            "Several edges could be the reflected one, and they disagree.",
            "Clean the mirror, keep printed lines away from the reflection, and "
            + SHOW_BOTH[0].lower()
            + SHOW_BOTH[1:],
        )
    if len(best.sides) < (LEAST_SIDES if choice.value < SURE_VALUE else LEAST_SIDES - 1):
        return Refusal(
            QUANTITY, "The body's sides and their reflections are not seen well enough.", SHOW_BOTH
        )
    side_blur = float(np.median([f.edge.blur for f in best.sides.values()]))
    if side_blur > max(MOST_SIDE_BLUR_WIDTHS * width, sharp):
        return Refusal(
            QUANTITY,
            f"The body's sides are blurred over {2 * side_blur:.0f} px.",
            "Hold the phone still or rest it on something, and add light.",
        )
    if best.by_sides is not None:
        miss = math.degrees(abs(best.half - best.by_sides))
        if miss > 1.7 * MOST_MISS_DEG:
            return Refusal(
                QUANTITY,
                f"The edges and the sides of the body disagree by {miss:.1f}°.",
                "Take care that the whole body and its reflection are seen without anything before "
                "them.",
            )
    return None


def snap_azimuth(photo: Photo, options: Options) -> AzimuthLines | Refusal:
    """The same lines from marks a person drew roughly (±10 px, ±3°)."""
    marks = dict(options.marks or {})
    missing = missing_marks(marks, QUANTITY, MARKS)
    if missing is not None:
        return missing
    fitter = _Fitter(photo)
    fits: dict[str, BlockFit] = {}
    for name, (p0, p1) in marks.items():
        segment = np.array(sorted([p0, p1]) if name in MARKS else [p0, p1], float)
        fit = fitter.marked(segment)
        if fit is None:
            return Refusal(
                QUANTITY,
                f"No edge lies within reach of the line {name!r}.",
                "Move the line onto the edge, or take a sharper photo.",
                lines=(Segment(name, "look", *map(float, segment.ravel())),),
            )
        fits[name] = fit
    edge, image = (fits[name] for name in MARKS)
    return AzimuthLines(
        edge.edge,
        image.edge,
        {key: fits[name].edge for key, name in SIDE_NAMES.items() if name in fits},
        {"edge": (edge.bow, edge.bow_u), "image": (image.bow, image.bow_u)},
    )
