"""Candidate edges of a stylus -> the one set that makes sense together, and how good it is.

A stylus has two silhouette edges along the shank and two along the cone, and on a mirror the same
four again. They share one axis: the shank's edges lean from it by half the taper, the cone's by
half the cone angle, and the reflected edges lie where the direct ones do once turned about the
surface. The set is chosen as a whole: of edges that answer equally well, the pair that agrees with
the other view in width and direction wins, and of those the outermost (facets and highlights lie
inside the silhouette). One edge without its partner counts less than half, since half the taper
is not the lean.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.intp]

# (mean, standard deviation) in degrees: lean, half the difference of the two views' leans (the
# line of symmetry is good to about that), lean of a shank's side from its axis, cone half angle.
PRIORS = np.array([(-2.0, 7.0), (0.0, 0.8), (0.0, 2.5), (25.0, 8.0)])
EDGE_SD = {"shank": 0.3, "cone": 0.6}
TOLERANCE = {"shank": 1.0, "cone": 1.5}  # miss in degrees at which an edge counts a third
LONE_SHARE = 0.45  # of an edge whose partner is missing
OUTER_BONUS = 0.25  # of the score, from the narrowest to the widest pair
WIDTH_MISS = 0.12  # of the shank's width, between the two views
BESIDE = 0.15  # of the width: how far the cone's middle may lie from the shank's
OFF_AXIS = 0.15  # of the shank's width: miss of the tip from its axis
MOST_TAPER_DEG = 9.0  # lean of a side from the axis
CONE_HALVES_DEG = (10.0, 42.0)
COLOUR_PLANE, COLOUR_SHARE = 3, 0.7  # first plane that is a colour difference
HALF_OFF = 0.8
ENOUGH = 12.0  # strength beyond which an edge is not clearer
KINDS = ("shank", "cone")
VIEWS = ("", "reflected ")
HANDS = ("left", "right")


@dataclass(frozen=True)
class NeedleEdge:
    """One edge, full-photo pixels.

    ``lean`` (degrees) and ``place`` (pixels across, half way up the shape) are those in the
    straightened frame, reflected edges turned about the surface. ``off`` tells how far the
    edge lies from the outline the network shows (`vision.needle.off_outline`).
    """

    p0: Array
    p1: Array
    angle_u: float
    coverage: float
    strength: float
    lean: float
    place: float
    plane: int
    sign: int
    steepness: float
    blur: float
    off: float = 0.0

    @property
    def length(self) -> float:
        """Pixels of the full photo."""
        return float(np.linalg.norm(self.p1 - self.p0))


Edges = dict[str, NeedleEdge]


def outline_share(departure: float) -> float:
    """1 for an edge on the outline, half where it departs by `HALF_OFF`, and so on."""
    return 1 / (1 + (departure / HALF_OFF) ** 2)


def weight(edge: NeedleEdge, width: float) -> float:
    """How much an edge counts: strength, cover and length.

    Less where only a colour difference shows it: lenses shift colours against each other;
    and where it lies off the outline.
    """
    share = min(edge.length / (1.5 * width), 1.0)
    plain = COLOUR_SHARE if edge.plane >= COLOUR_PLANE else 1.0
    plain *= outline_share(edge.off)
    return plain * min(edge.strength, ENOUGH) * edge.coverage * math.sqrt(share)


def roles(names: Iterable[str], handed: float) -> Array:
    """Factors of (lean, asymmetry of the views, shank's side, cone half angle), one row an edge.

    ``handed`` is the determinant's sign of the straightened frame: whether left stays left.
    """
    rows = []
    for name in names:
        side = handed * (-1.0 if name.endswith("left") else 1.0)
        flip = -1.0 if name.startswith("reflected") else 1.0
        rows.append((1.0, flip, 0.0, side) if "cone" in name else (1.0, flip, side, 0.0))
    return np.array(rows).reshape(-1, 4)


def misses(edges: Mapping[str, NeedleEdge], handed: float) -> Array:
    """How far each edge leans from the stylus that suits them all best, degrees."""
    rows = roles(edges, handed)
    count = len(rows)
    design = np.vstack([rows, np.eye(4)])
    target = np.array([*(e.lean for e in edges.values()), *PRIORS[:, 0]])
    sigma = np.array([*(EDGE_SD[_kind(name)] for name in edges), *PRIORS[:, 1]])
    robust = np.ones(len(sigma))
    miss = np.zeros(count)
    for _ in range(6):
        w = robust / sigma**2
        x = np.linalg.solve((design * w[:, None]).T @ design, (design * w[:, None]).T @ target)
        miss = np.abs(target - design @ x)[:count]
        robust[:count] = 1 / (1 + (miss / sigma[:count] / 2) ** 2)
    return miss


def quality(
    edges: Mapping[str, NeedleEdge], width: float, handed: float, tip: Array | None = None
) -> float:
    """Sum over edges of strength, cover and length, less where one disagrees with the rest.

    ``tip`` (photo pixels) is where the stylus is known to stand, if it is.
    """
    if not edges:
        return 0.0
    agree = np.exp(-((misses(edges, handed) / 1.5) ** 2))
    total = 0.0
    for (name, edge), a in zip(edges.items(), agree, strict=True):
        total += float(a) * weight(edge, width) * (1.0 if _partner(name) in edges else LONE_SHARE)
    return total * math.exp(-0.5 * (off_axis(edges, tip) / OFF_AXIS) ** 2)


def off_axis(edges: Mapping[str, NeedleEdge], known: Array | None = None) -> float:
    """How far the tip lies from the shank's axis, in widths of the shank; 0 where it is not known.

    The tip is where the two flanks of the cone meet, or a flank and its mirror image.
    """
    worst = 0.0
    for view in VIEWS:
        left, right = (edges.get(f"{view}shank {hand}") for hand in HANDS)
        if left is None or right is None:
            continue
        tip = tip_seen(edges, view) if known is None else known
        if tip is not None:
            width = abs(_across_at(right, (left.p0 + left.p1) / 2))
            middle = (_across_at(left, tip) + _across_at(right, tip)) / 2
            worst = max(worst, abs(middle) / max(width, 1.0))
    return worst


def tip_seen(edges: Mapping[str, NeedleEdge], view: str) -> Array | None:
    """Where the two flanks of the cone meet in one view, or else each flank and its image."""
    pairs = [[f"{view}cone {hand}" for hand in HANDS]]
    pairs += [[f"{each}cone {hand}" for each in VIEWS] for hand in HANDS]
    tips = [_meeting(*(edges[n] for n in pair)) for pair in pairs if all(n in edges for n in pair)]
    return None if not tips else tips[0] if set(pairs[0]) <= set(edges) else np.mean(tips, axis=0)


def _across_at(edge: NeedleEdge, point: Array) -> float:
    """Signed distance of a point from an edge's line, pixels, positive to its right."""
    along = edge.p0 - edge.p1 if edge.p1[1] > edge.p0[1] else edge.p1 - edge.p0
    away = point - edge.p0
    return float(-along[1] * away[0] + along[0] * away[1]) / float(np.hypot(*along))


def _meeting(a: NeedleEdge, b: NeedleEdge) -> Array:
    """Where the lines of two flanks cross; flanks are never nearly parallel."""
    d, e, away = a.p1 - a.p0, b.p1 - b.p0, b.p0 - a.p0
    cross = float(d[0] * e[1] - d[1] * e[0])
    share = float(away[0] * e[1] - away[1] * e[0]) / (cross or 1e-9)
    return np.asarray(a.p0 + d * share)


def chosen(
    slots: Mapping[str, Sequence[NeedleEdge]], width: float, scale: float, handed: float
) -> Edges:
    """At most one edge a place, so that together they make one stylus.

    Parameters
    ----------
    slots : mapping of name to candidates
    width : float
        Of the stylus, pixels of the full photo.
    scale : float
        Pixels of the full photo a pixel of the straightened frame.
    handed : float
        See `roles`.
    """
    hands = HANDS if handed > 0 else HANDS[::-1]  # side -1, then +1, of the frame
    shanks = [_pairs(slots, view + "shank", hands, width) for view in VIEWS]
    x, score, own, image = _shank_sets(shanks[0], shanks[1], width / scale)
    cones = [_pairs(slots, view + "cone", hands, width) for view in VIEWS]
    total = score
    picks = []
    for flip, pairs, shank, index in zip((1.0, -1.0), cones, shanks, (own, image), strict=True):
        gain = _cone_scores(pairs, x[:, 0] + flip * x[:, 1])
        gain = gain * _on_one_axis(shank, pairs)[index]
        picks.append(gain.argmax(axis=1))
        total = total + 0.8 * gain.max(axis=1)
    best = int(np.argmax(total))
    edges: Edges = {}
    rows = [(shanks[0], own), (shanks[1], image), (cones[0], picks[0]), (cones[1], picks[1])]
    for (pairs, index), (kind, view) in zip(
        rows, ((k, v) for k in KINDS for v in VIEWS), strict=True
    ):
        for hand, edge in zip(hands, pairs.edges[int(index[best])], strict=True):
            if edge is not None:
                edges[f"{view}{kind} {hand}"] = edge
    off = misses(edges, handed) if edges else np.zeros(0)
    return {
        name: edge
        for (name, edge), miss in zip(edges.items(), off, strict=True)
        if miss < 2 * TOLERANCE[_kind(name)]
    }


def axis_lean(edges: Mapping[str, NeedleEdge]) -> float | None:
    """Lean in the photo of the bisector of shank (else cone) as seen directly, degrees."""
    for kind in KINDS:
        pair = [edges.get(f"{kind} {hand}") for hand in HANDS]
        leans = []
        for e in pair:
            if e is not None:
                dx, dy = e.p1 - e.p0
                leans.append(math.degrees(math.atan(-dx / dy)))
        if len(leans) == len(HANDS):
            return float(np.mean(leans))
    return None


def taper_seen(edges: Mapping[str, NeedleEdge]) -> float | None:
    """Half the angle between the shank's sides, degrees, mean of the views; None if not seen."""
    halves = []
    for view in VIEWS:
        pair = [edges.get(f"{view}shank {hand}") for hand in HANDS]
        leans = [e.lean for e in pair if e is not None]
        if len(leans) == len(HANDS):
            halves.append(abs(leans[1] - leans[0]) / 2)
    return float(np.mean(halves)) if halves else None


@dataclass(frozen=True)
class _Pairs:
    """Every way to fill the two sides of one kind in one view, empty ones included.

    Arrays have a column for each side; an empty side has weight 0.
    """

    edges: list[tuple[NeedleEdge | None, NeedleEdge | None]]
    lean: Array
    place: Array
    weight: Array


def _pairs(
    slots: Mapping[str, Sequence[NeedleEdge]], kind: str, hands: Sequence[str], width: float
) -> _Pairs:
    sides: list[list[NeedleEdge | None]] = [
        [None, *slots.get(f"{kind} {hand}", ())] for hand in hands
    ]
    edges = [(a, b) for a in sides[0] for b in sides[1]]
    lean = np.array([[0.0 if e is None else e.lean for e in pair] for pair in edges])
    place = np.array([[0.0 if e is None else e.place for e in pair] for pair in edges])
    worth = np.array([[0.0 if e is None else weight(e, width) for e in pair] for pair in edges])
    return _Pairs(edges, lean, place, worth)


def _shank_sets(own: _Pairs, image: _Pairs, width: float) -> tuple[Array, Array, Index, Index]:
    """Every direct pair with every reflected one: (lean, asymmetry, side), score, two indices."""
    n, m = len(own.edges), len(image.edges)
    i, j = np.repeat(np.arange(n), m), np.tile(np.arange(m), n)
    lean = np.hstack([own.lean[i], image.lean[j]])
    worth = np.hstack([own.weight[i], image.weight[j]])
    rows = np.array([[1, 1, -1], [1, 1, 1], [1, -1, -1], [1, -1, 1]], float)
    prior = PRIORS[:3]
    w = (worth > 0) / EDGE_SD["shank"] ** 2
    normal = np.einsum("kr,ra,rb->kab", w, rows, rows) + np.diag(1 / prior[:, 1] ** 2)
    right = np.einsum("kr,ra,kr->ka", w, rows, lean) + prior[:, 0] / prior[:, 1] ** 2
    x = np.linalg.solve(normal, right[..., None])[..., 0]
    miss = lean - x @ rows.T
    worth = worth * np.exp(-((miss / TOLERANCE["shank"]) ** 2))
    apart_own = own.place[i, 1] - own.place[i, 0]
    apart_image = image.place[j, 1] - image.place[j, 0]
    score = np.zeros(len(i))
    both = []
    for k, apart in ((0, apart_own), (2, apart_image)):
        pair = (worth[:, k] > 0) & (worth[:, k + 1] > 0)
        outer = 1 + OUTER_BONUS * (np.clip(apart / width, 0.4, 1.3) - 1)
        kept = np.where(apart > 0.3 * width, outer, 0.0)
        score += np.where(pair, kept, LONE_SHARE) * (worth[:, k] + worth[:, k + 1])
        both.append(pair)
    unlike = np.where(both[0] & both[1], (apart_own - apart_image) / (WIDTH_MISS * width), 0.0)
    score *= np.exp(-0.5 * np.minimum(np.abs(unlike), 2.0) ** 2)
    score *= np.exp(-0.5 * ((x[:, 0] - prior[0, 0]) / prior[0, 1]) ** 2)
    score *= np.exp(-0.5 * (x[:, 1] / prior[1, 1]) ** 2)
    score *= np.exp(-0.5 * (np.maximum(x[:, 2] - 1, 0) / 4) ** 2)
    score *= np.exp(-0.5 * (np.minimum(x[:, 2] + 0.5, 0) / 1.0) ** 2)  # shanks narrow to the tip
    score[np.abs(x[:, 2]) > MOST_TAPER_DEG] *= 0.1
    return np.asarray(x), score, i, j


def _cone_scores(pairs: _Pairs, axis: Array) -> Array:
    """Score of every pair of cone edges about every axis (degrees), shape (axes, pairs)."""
    off = pairs.lean[None] - axis[:, None, None]
    half = off * np.array([-1.0, 1.0])
    fair = (half > CONE_HALVES_DEG[0]) & (half < CONE_HALVES_DEG[1])
    usual = np.exp(-0.5 * ((half - PRIORS[3, 0]) / (1.5 * PRIORS[3, 1])) ** 2)
    worth = pairs.weight[None] * fair * usual
    pair = (worth > 0).all(axis=2)
    skew = (half[..., 1] - half[..., 0]) / 2
    agree = np.where(pair, np.exp(-((skew / TOLERANCE["cone"]) ** 2)), LONE_SHARE)
    return np.asarray(worth.sum(axis=2) * agree)


def _on_one_axis(shank: _Pairs, cone: _Pairs) -> Array:
    """Less than 1 where a pair of cone edges stands beside a pair of shank edges, not below it.

    Shape (shank pairs, cone pairs); places are compared where the cone ends.
    """
    above, below = (np.asarray((p.weight > 0).all(axis=1)) for p in (shank, cone))
    whole = above[:, None] & below[None]
    beside = shank.place.mean(axis=1)[:, None] - cone.place.mean(axis=1)[None]
    wide = [np.abs(p.place[:, 1] - p.place[:, 0]) for p in (shank, cone)]
    widest = np.maximum(np.maximum(wide[0][:, None], wide[1][None]), 1.0)
    return np.where(whole, np.exp(-0.5 * (beside / (BESIDE * widest)) ** 2), 1.0)


def _kind(name: str) -> str:
    return "cone" if "cone" in name else "shank"


def _partner(name: str) -> str:
    stem, hand = name.rsplit(" ", 1)
    return f"{stem} {HANDS[1 - HANDS.index(hand)]}"
