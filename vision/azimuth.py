"""Azimuth: the roll of the cartridge body against the surface, from its front and its reflection.

Comes in: a head-on photo of the body over a mirror. Goes out: a `Reading` (degrees, positive =
clockwise seen head-on from the front, 0 = square), or a `Refusal`. The lower edge and its mirror
image are found (`vision.azimuth_find`), fitted (`vision.edge_blocks`) and adjusted together with
camera and mirror (`vision.azimuth_solve`). Signs: DEVELOPERS.md, "Conventions".
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from vision.azimuth_choose import (
    LEAST_SHARE,
    LEAST_SIDES,
    QUANTITY,
    SHOW_BOTH,
    Choice,
    agree,
    doubts,
)
from vision.azimuth_find import ever_more, find_candidates, printed_lines
from vision.azimuth_fit import Fitted, Fitter, apart, fit_picture, fit_scale, same_line
from vision.azimuth_look import Borders, beneath, find_borders
from vision.azimuth_near import edges_of, frame
from vision.azimuth_shown import Witness
from vision.azimuth_solve import Depth, Lens, Solution, solve_lines
from vision.azimuth_tilt import Tilt, tilt_in
from vision.azimuth_told import fit_told
from vision.azimuth_word import Near, near_half
from vision.edges import EdgeFit
from vision.marks import edges_beside, missing_marks
from vision.near_edges import NearEdge
from vision.photo import FocalPrior, Photo
from vision.reading import BudgetPart, Component, Reading, Refusal, Segment

if TYPE_CHECKING:
    from vision.measure import Options

MARKS = ("lower edge", "reflected lower edge")
BESIDE_PX, BESIDE_SHARE = (
    10.0,
    0.008,
)  # a mark is good to ten pixels, a candidate to this of the width
HAND_PX = 7.0  # of one end of a mark against the other, five pixels each
Mark = tuple[tuple[float, float], tuple[float, float]]
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
NO_BODY = Refusal(QUANTITY, "No body with its reflection under it was found.", SHOW_BOTH)
# Where no cantilever is seen a pair must be surer than otherwise: on a face that fills the picture
# parts of it pass for body and image. Of 456 photos with a cantilever six show none, and are that
# sure.
SHARE_ALONE = 0.9
# So must one that neither the nearer look bears out nor what is shown as body and image: a face cut
# by the picture's rim, and the arm's shell under it.
SHARE_UNSHOWN = 0.95
# And the body must end at the edge: on 0.46 of its length and more in six readings without one.
LEAST_BORDER = 0.25
# Where the nearer look as a whole is as sure as this, it is heeded, and a pair that says nearly the
# same, on what is shown as body and image, may be less likely, and have no sides.
MOST_TILT_U_DEG, LEAST_TOLD, NEAR_WORD_DEG = 0.3, 0.3, 0.4
MOST_SHIFT = 0.056  # tangent of 6 degrees aside, of half the distance of edge and image
DEPTH_DEG = 8.0  # of borders of the underside's image: bodies are not quite square
MOST_U_DEG = 0.25  # U of 0.5 is as much as the usual tolerance
MOST_DRAWN_MISS_DEG = 0.9  # of edges that a person pointed at, from the body's sides
MOST_MISFIT, MOST_PRIOR_MISS, MOST_SIDE_MISS = 1.5, 2.6, 2.5  # standard uncertainties
DISTANCE_MM, U_DISTANCE, BODY_MM, U_BODY = 120.0, 0.35, 15.5, 0.15
SOFT_BLUR_WIDTHS = 0.005
ALWAYS_SHARP_PX = 2.6  # at fit size
WORD = "networks' word"
BUDGET_NOTES = {
    "edge fit": "scatter of the edges' blocks, and their straightness",
    "choice of edges": "other pairs of edges that may be the right one give other angles",
    WORD: "what two networks make of edge and image as a whole",
    "surface reference": "camera roll from the sides and their reflections",
    "camera direction": "elevation and side view, where the photo does not show them",
    "focal length and principal point": "",
    "lens distortion": "",
    "priors used": "taper alike on both sides, front upright",
}
GENERATOR_U_DEG = 0.75  # body against generator, commonly 1-2 degrees at most; common practice


# No pairs are looked for but those that are told where the choice among these is so sure and gives
# the angle so well. Once searched, the finer search only follows a refusal: it costs as much as all
# else, and readings that could be given without it are no better with it.
SETTLED_SHARE, SETTLED_U_DEG, SETTLED_SIDES_DEG = 0.95, 0.15, 0.25


@dataclass(frozen=True)
class AzimuthLines:
    """Fitted lines of one photo, full-resolution pixels.

    ``sides`` may hold any of the names of `SIDE_NAMES`; ``depths`` are borders of the underside's
    image, which run away from the camera. ``others`` are half slope differences (radians) of
    other pairs of edges that may be right too, each with its weight relative to this pair's;
    ``spread`` (radians) is how far off what is chosen may be beyond that. ``tilt`` is what the
    nearer look as a whole makes of it, where it is sure, and ``belief`` how likely this pair is
    the right one. ``drawn`` where a person said which edges are meant, so that no finder asked
    whether the sides agree.
    """

    edge: EdgeFit
    image: EdgeFit
    sides: Mapping[str, EdgeFit] = field(default_factory=dict)
    others: tuple[tuple[float, float], ...] = ()
    spread: float = 0.0
    flags: tuple[str, ...] = ()
    drawn: bool = False
    depths: tuple[Depth, ...] = ()
    tilt: Tilt | None = None
    belief: float = 1.0

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
    if options.marks:
        return _read(snap_azimuth(photo, options), photo)
    outcome: Reading | Refusal = NO_BODY
    for stage in stages(photo):
        outcome = stage.outcome
        if stage.settled:
            break
    return outcome


@dataclass(frozen=True)
class Stage:
    """All pairs known so far, what they tell, and whether nothing else need be looked for."""

    known: list[Fitted]
    near: Near | None
    tilt: Tilt | None
    depths: tuple[Depth, ...]
    outcome: Reading | Refusal
    settled: bool


def stages(photo: Photo) -> Iterator[Stage]:
    """What a reading chooses from: the pairs told, then what ever longer searches add to them."""
    rgb, scale = fit_picture(photo)
    ink = printed_lines(rgb)
    fitter = Fitter(rgb, scale, ink)
    witness = Witness(rgb, scale)
    least = LEAST_SHARE if witness.rod_seen else SHARE_ALONE
    looks = find_borders(rgb, scale, witness.share, witness.own)
    borders, tilt = _surest(rgb, scale, looks, witness)
    near, depths = near_half(borders), depths_of(borders)
    known = fit_told(borders, witness, fitter)
    candidates = [f.candidate for f in known]
    told = [(c.edge, c.image) for c in candidates]

    def answer(more: bool) -> tuple[Reading | Refusal, bool]:
        choice = agree(known, photo.width, candidates, near, more, tilt)
        return _answer(choice, depths, tilt, photo, more, least)

    yield Stage(known, near, tilt, depths, *answer(True))
    for k, candidates in enumerate(ever_more(rgb, ink=ink, scale=scale, told=told)):
        known = _joined(known, fitter.fit_all(candidates, witness))
        yield Stage(known, near, tilt, depths, *answer(k == 0 and bool(told)))


def _surest(
    rgb: NDArray[np.uint8], scale: float, looks: list[Borders], witness: Witness
) -> tuple[Borders | None, Tilt | None]:
    """Of nearer looks the one that is surest of the angle as a whole, and what it tells.

    A look framed by two edges between which no cantilever hangs, where one is seen, is as sure of
    these as of a body's and its image's, and is not heeded.
    """
    framed = [look for look in looks if witness.holds_rod(*edges_of(look.frame))]
    told = [(tilt_in(rgb, scale, look.frame), look) for look in framed]
    if not told:
        return None, None
    tilt, borders = min(told, key=lambda pair: pair[0].u)
    return borders, tilt


def _answer(
    choice: Choice | None,
    depths: tuple[Depth, ...],
    tilt: Tilt | None,
    photo: Photo,
    more: bool,
    least: float,
) -> tuple[Reading | Refusal, bool]:
    """What the pairs found so far tell, and whether nothing else need be looked for.

    Where no search was made yet (``more``) only what is sure; then all that is ``least`` likely.
    """
    if choice is None:
        return NO_BODY, False
    outcome = _read(_lines_of(choice, photo, depths, tilt, least), photo)
    if isinstance(outcome, Refusal):
        return outcome, False
    sure = choice.share > SETTLED_SHARE and outcome.standard_uncertainty < SETTLED_U_DEG
    return outcome, (sure and _sides_agree(choice.best)) or not more


def _sides_agree(best: Fitted) -> bool:
    """Whether its sides say the same as an edge and its image.

    Two borders in a body's image may pass for both, but seldom have sides square to them.
    """
    miss = best.sides_miss_deg
    return miss is not None and abs(miss) < SETTLED_SIDES_DEG


def _read(lines: AzimuthLines | Refusal, photo: Photo) -> Reading | Refusal:
    if isinstance(lines, Refusal):
        return lines
    return solve_azimuth(lines, photo.focal, photo.centre, (photo.width, photo.height), photo.k1)


def _lines_of(
    choice: Choice, photo: Photo, depths: tuple[Depth, ...], tilt: Tilt | None, least: float
) -> AzimuthLines | Refusal:
    """Lines of the pair chosen, or why it is not believed."""
    lines = lines_of(choice.best, choice.others, choice.spread, depths)
    sides, alone = LEAST_SIDES, least == SHARE_ALONE
    best, shown = choice.best, choice.best.shown
    if tilt is not None and tilt.u < MOST_TILT_U_DEG:
        lines = replace(lines, tilt=tilt, belief=choice.close)
        near = abs(math.degrees(best.half) - tilt.half) < NEAR_WORD_DEG
        if not alone and near and shown is not None and shown.may_be:
            least, sides = LEAST_TOLD, 0
    elif shown is not None and not shown.may_be:
        least = SHARE_UNSHOWN
    doubt = doubts(choice, ALWAYS_SHARP_PX / fit_scale(photo), photo.width, least, sides)
    if doubt is None and alone and shown is not None and shown.border < LEAST_BORDER:
        doubt = NO_BODY
    if doubt is None:
        return lines
    return replace(doubt, lines=tuple(replace(s, role="look") for s in lines.segments()))


def _joined(known: list[Fitted], found: list[Fitted]) -> list[Fitted]:
    """Pairs of two lists; of those that lie on the same edges, the one with the better sides.

    That is the one with more of them, of as many those that best meet their images.
    """
    left = list(known)
    kept = []
    for new in found:
        same = [f for f in left if _same_pair(f, new)]
        left = [f for f in left if not any(f is other for other in same)]
        best = max([new, *same], key=lambda f: (len(f.sides), -apart(f)))
        kept.append(best)
    return kept + left


def _same_pair(one: Fitted, other: Fitted) -> bool:
    """Whether two pairs lie on the same edges."""
    return same_line(one.edge.edge, other.edge.edge) and same_line(one.image.edge, other.image.edge)


def depths_of(borders: Borders | None) -> tuple[Depth, ...]:
    """Borders of the underside's image as the adjustment takes them."""
    lines = [] if borders is None else borders.depths
    u = math.radians(DEPTH_DEG)
    middles = [line.ends.mean(axis=0).tolist() for line in lines]
    return tuple(Depth(x, y, line.angle, u) for (x, y), line in zip(middles, lines, strict=True))


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
    if lines.drawn and solution.sides_alpha is not None:
        miss = math.degrees(abs(solution.alpha - solution.sides_alpha))
        if miss > MOST_DRAWN_MISS_DEG:
            return Refusal(
                QUANTITY,
                f"The edges and the sides of the body disagree by {miss:.1f}°.",
                "Take care that nothing stands before the body or its reflection.",
                lines=lines.segments(),
            )
    alpha, choice_u = solution.alpha, 0.0
    shift = solution.alpha - (lines.edge.angle - lines.image.angle) / 2
    if lines.others:
        # Other parallel edges of the same body, each corrected for perspective as the best was.
        values = np.array([solution.alpha] + [half + shift for half, _ in lines.others])
        weights = np.array([1.0] + [w for _, w in lines.others])
        weights /= weights.sum()
        alpha = float(weights @ values)
        choice_u = math.sqrt(float(weights @ (values - alpha) ** 2))
    choice_u = math.hypot(choice_u, lines.spread)
    parts = {name: math.degrees(u) for name, u in solution.parts.items()}
    parts["choice of edges"] = math.degrees(choice_u)
    if lines.tilt is not None:
        aside = MOST_SHIFT * (lines.image.y - lines.edge.y) / lens.f
        alpha += float(np.clip(shift, -aside, aside)) - shift
        told = [solution.alpha - shift, *(half for half, _ in lines.others)]
        tilt = _doubted(lines.tilt, np.degrees(told), parts["edge fit"])
        alpha = _heeding(tilt, lines.belief, alpha, shift, parts)
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


def _doubted(tilt: Tilt, told: NDArray[np.float64], u: float) -> Tilt:
    """The look's word, less sure where it is far from all that edges tell (degrees, each to ``u``).

    Its variance and that of the nearest of these are then together as large as the square of what
    they differ by (method of moments): two borders of a thick printed line are no edge of a body.
    """
    off = float(np.abs(told - tilt.half).min())
    between = max(0.0, off**2 - tilt.u**2 - u**2)
    return replace(tilt, u=math.sqrt(tilt.u**2 + between))


def _heeding(
    tilt: Tilt, belief: float, alpha: float, shift: float, parts: dict[str, float]
) -> float:
    """Azimuth (radians) of the edges and of the nearer look together; ``parts`` are changed.

    Where the edges are the right ones (``belief``), the mean of both weighted by their inverse
    variances (Bevington and Robinson 2003, 4.1, from memory); where they are not, the look's own
    word. The variance is that of the two cases together. ``shift`` (radians) is what an azimuth is
    more than half the slopes' difference.
    """
    own = math.degrees(alpha - shift)
    u = math.hypot(parts["edge fit"], parts["choice of edges"])
    weight = u**2 / (u**2 + tilt.u**2)
    off = tilt.half - own
    heed = belief * weight + 1 - belief
    apart = weight * (1 - weight) * max(0.0, off**2 - u**2 - tilt.u**2)
    apart = belief * (apart + (1 - belief) * ((1 - weight) * off) ** 2)
    left = math.sqrt(belief) * (1 - weight)
    parts["edge fit"] *= left
    parts["choice of edges"] = math.hypot(left * parts["choice of edges"], math.sqrt(apart))
    parts[WORD] = tilt.u * math.sqrt(belief * weight**2 + 1 - belief)
    return alpha + math.radians(heed * off)


def _solve_dropping(lines: AzimuthLines, lens: Lens) -> tuple[Solution | None, dict[str, EdgeFit]]:
    """Solve; a side that does not fit the rest was something else and is left out."""
    sides = dict(lines.sides)
    while True:
        try:
            solution = solve_lines(lines.edge, lines.image, sides, lens, lines.depths)
        except (ValueError, np.linalg.LinAlgError):
            return None, sides
        if sides and solution.worst["camera direction"] > MOST_PRIOR_MISS:
            # Sides of another face ask for a camera where none stands; the edges need none of them.
            sides = {}
            continue
        misses = {n: solution.worst.get(f"surface reference/{n}", 0.0) for n in sides}
        name = max(misses, key=lambda n: misses[n], default="")
        if not name or misses[name] < MOST_SIDE_MISS or len(sides) < 3:
            if sides and not lines.drawn and solution.misfit > MOST_MISFIT:
                sides = {}
                continue
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


def lines_of(
    fitted: Fitted,
    others: tuple[tuple[float, float], ...] = (),
    spread: float = 0.0,
    depths: tuple[Depth, ...] = (),
) -> AzimuthLines:
    """What the solver needs of a fitted candidate."""
    edge, image = fitted.edge, fitted.image
    return AzimuthLines(
        edge.edge,
        image.edge,
        {name: fit.edge for name, fit in fitted.sides.items()},
        others,
        spread,
        depths=depths,
    )


def snap_azimuth(photo: Photo, options: Options) -> AzimuthLines | Refusal:
    """The same lines from marks a person drew roughly (±10 px, ±3°).

    The finder's own candidates along the two marks come first; where it has none, the straight
    edges nearest the marks are taken.
    """
    marks = dict(options.marks or {})
    missing = missing_marks(marks, QUANTITY, MARKS)
    if missing is not None:
        return missing
    rgb, scale = fit_picture(photo)
    ink = printed_lines(rgb)
    fitter = Fitter(rgb, scale, ink)
    drawn = [np.array(marks[name], float) for name in MARKS]
    reach = BESIDE_PX + BESIDE_SHARE * photo.width
    beside = [
        c
        for c in find_candidates(rgb, ink=ink, scale=scale)
        if _beside(c.edge, drawn[0], reach) and _beside(c.image, drawn[1], reach)
    ]
    tilt = _told_of_marks(rgb, scale, drawn)
    choice = agree(fitter.fit_all(beside), photo.width, beside, tilt=tilt)
    nearest = _beside_marks(photo, marks, MARKS)
    if choice is not None:
        lines = lines_of(choice.best, choice.others, choice.spread)
        other = 1 - choice.share
    elif isinstance(nearest, Refusal):
        return nearest
    else:
        lines, other = _pair_of(*nearest.values()), 0.5
    pairs = [] if isinstance(nearest, Refusal) else _pairs(*nearest.values())
    doubt = math.sqrt(other) * _rivals(lines, pairs, drawn)
    lines = replace(lines, spread=max(lines.spread, doubt), tilt=tilt, belief=1 - other)
    names = {key: name for key, name in SIDE_NAMES.items() if name in marks}
    sides = _beside_marks(photo, marks, tuple(names.values()))
    if isinstance(sides, Refusal):
        return sides
    drawn_sides = {key: sides[name][0].fit for key, name in names.items()}
    return replace(lines, sides=dict(lines.sides) | drawn_sides, drawn=True)


def _told_of_marks(
    rgb: NDArray[np.uint8], scale: float, drawn: list[NDArray[np.float64]]
) -> Tilt | None:
    """What a nearer look at marks along the edge and its image makes of them; None if unsure."""
    edge, image = (mark[np.argsort(mark[:, 0])] for mark in drawn)
    below = beneath(edge, image)
    if below is None:
        return None
    tilt = tilt_in(rgb, scale, frame(edge, below))
    return tilt if tilt.u < MOST_TILT_U_DEG else None


def _pair_of(edges: list[NearEdge], images: list[NearEdge]) -> AzimuthLines:
    """The strongest edge beside each mark; other pairs widen the uncertainty by their strength."""
    pairs = _pairs(edges, images)
    others = tuple((half, score / pairs[0][1]) for half, score in pairs[1:])
    return AzimuthLines(edges[0].fit, images[0].fit, others=others)


def _pairs(edges: list[NearEdge], images: list[NearEdge]) -> list[tuple[float, float]]:
    """Half slope difference (radians) and strength of every pair of edges beside the marks."""
    return [
        ((e.fit.angle - i.fit.angle) / 2, e.score * i.score) for e in edges for i in images
    ]  # fmt: skip


def _rivals(
    lines: AzimuthLines, pairs: list[tuple[float, float]], drawn: list[NDArray[np.float64]]
) -> float:
    """How far (radians) from the pair chosen other pairs beside the marks lie, and the marks.

    The marks' own directions stand for an edge that nothing else found; what a hand adds to them
    is taken off.
    """
    half = (lines.edge.angle - lines.image.angle) / 2
    along = [mark[np.argsort(mark[:, 0])] for mark in drawn]
    along = [ends[1] - ends[0] for ends in along]
    slopes = [math.atan2(d[1], d[0]) for d in along]
    by_hand = sum((HAND_PX / np.linalg.norm(d)) ** 2 for d in along) / 4
    off = max(0.0, (half - (slopes[0] - slopes[1]) / 2) ** 2 - float(by_hand))
    total = sum(score**2 for _, score in pairs)
    if not total:
        return math.sqrt(off)
    return math.sqrt(
        (off + sum(score**2 * (half - other) ** 2 for other, score in pairs) / total) / 2
    )


def _beside(line: NDArray[np.float64], mark: NDArray[np.float64], reach: float) -> bool:
    """Whether a candidate's line runs along a mark, within reach (px) at both its ends."""
    along = (line[1] - line[0]) / np.linalg.norm(line[1] - line[0])
    off = (mark - line[0]) @ np.array([-along[1], along[0]])
    middle = float((mark.mean(axis=0) - line[0]) @ along) / float(np.linalg.norm(line[1] - line[0]))
    return bool(np.abs(off).max() <= reach) and 0 <= middle <= 1


def _beside_marks(
    photo: Photo, marks: dict[str, Mark], names: tuple[str, ...]
) -> dict[str, list[NearEdge]] | Refusal:
    found = {}
    for name in names:
        p0, p1 = marks[name]
        found[name] = edges_beside(photo, *(sorted([p0, p1]) if name in MARKS else [p0, p1]))
        if not found[name]:
            return Refusal(
                QUANTITY,
                f"No edge lies within reach of the line {name!r}.",
                "Move the line onto the edge, or take a sharper photo.",
                lines=(Segment(name, "look", *p0, *p1),),
            )
    return found
