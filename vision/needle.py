"""Likely styli -> the stylus whose edges are clearest and agree best.

`vision.needle_search` proposes shapes, `vision.needle_edges` finds edges along each of them and
`vision.needle_choose` picks the set that makes one stylus; the best sets are then fitted.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.needle_backdrop import departures, outline_share
from vision.needle_choose import (
    HANDS,
    MOST_TAPER_DEG,
    VIEWS,
    NeedleEdge,
    axis_lean,
    chosen,
    distinct,
    encloses,
    odds_of_chance,
    quality,
    taper_seen,
    tip_seen,
)
from vision.needle_edges import COARSE_THICKNESS, FineCopy
from vision.needle_search import (
    Search,
    search_reflection,
    search_shapes,
    shape_between,
    shrunk,
)
from vision.needle_shape import Frame, Shape
from vision.side_rod import SideRod

__all__ = ["Needle", "NeedleEdge", "find_needle", "usable"]

Array = NDArray[np.float64]

GOOD_QUALITY = 18.0  # of one view: no need to look further
LEAST_STEEP = 0.5  # slope of the reflection's edges against the stylus' own
LEAST_COVERAGE, LEAST_STRENGTH = 0.3, 2.0
CONE_SKEW_DEG = 0.45  # of a cone's bisector from the axis, where no shank shows the axis
RIVAL_SHARE = 0.8  # of the best one's rank, from which another set of edges counts
# Quality in one view or two below which u is wider, and how wide where it is half of that. A mirror
# shows everything twice, so that a wrong line must be wrong in both views alike.
SURE_ONCE, FAINT_ONCE_U_DEG = 20.0, 3.0
SURE_TWICE, FAINT_TWICE_U_DEG = 45.0, 1.2
NO_CONE_U_DEG = 3.0  # of a shank seen once: two parallel lines may be an edge and a facet's,
HALF_CONE = 0.5  # half of that where the weaker flank of the cone is worth so much (`_line_worth`)
UNEQUAL_SIDES = 0.04  # of a shank's taper: half of what one side may lean more than the other
MOST_ODDS = 2.0  # doubt grows by no more where shank and cone disagree: scatter tells it too
ENCLOSED_SHARE = 0.6  # what a stylus inside another one's silhouette counts
WIDTHS = (0.12, 0.95)  # of a stylus, in the rod's thickness
CLEAR_FLANKS = 4.0  # strength of a flank and its image that show where the tip stands
ALIKE_DEG = 2.0  # between a flank and its image
AT_SURFACE = 0.1  # of the rod's thickness
BETWEEN_LINES = 2  # shapes tried between lines beside the best one
LEAST_SHARE_OF_BEST = 0.55  # score of a shape looked at more closely
FITTED = 3  # shapes whose edges are fitted


@dataclass(frozen=True)
class Needle:
    """A stylus with its edges: names as ``"reflected shank left"``, left and right in the photo."""

    edges: Mapping[str, NeedleEdge]
    quality: float
    apex: Array
    width: float
    shape: Shape
    enclosed: bool = False

    @property
    def rank(self) -> float:
        """Quality, less where a clearer silhouette runs outside."""
        return ENCLOSED_SHARE * self.quality if self.enclosed else self.quality

    def mirrored(self, rod_mirrored: bool) -> bool:
        """Whether the reflection's edges are steep enough against the originals to be a mirror's.

        A record smears what it reflects; only where the rod's own mirror image vouches for the
        mirror are a few faint edges enough.
        """
        ratios = [
            edge.steepness / max(self.edges[name.removeprefix("reflected ")].steepness, 1e-6)
            for name, edge in self.edges.items()
            if name.startswith("reflected") and name.removeprefix("reflected ") in self.edges
        ]
        if rod_mirrored:
            return bool(ratios) and float(np.median(ratios)) > 0.2
        return len(ratios) >= 3 and float(np.median(ratios)) > LEAST_STEEP


def find_needle(rgb: NDArray[np.uint8], rod: SideRod) -> Needle | None:
    """The stylus whose edges are clearest and agree best, or None.

    The reflection is looked for about the line of symmetry of the rod and its image where they
    were found, else straight below the stylus' tip.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    rod : SideRod
    """
    seen: list[Needle] = []
    for thickness in (rod.thickness, 2.3 * rod.thickness):
        seen = _with_enclosed(seen + _at_scale(rgb, rod, thickness))
        if not seen:
            continue
        best = max(seen, key=lambda n: n.rank)
        if best.rank > GOOD_QUALITY * (1.6 if best.mirrored(rod.mirrored) else 1.0):
            break
    return _doubted(max(seen, key=lambda n: n.rank), seen, rod.mirrored) if seen else None


def _doubted(best: Needle, seen: list[Needle], on_mirror: bool) -> Needle:
    """Edges made as uncertain as nearly as good sets of edges differ from the best one.

    A stylus not seen clearly is less certain still, the more so where a mirror should show it too;
    so is one that tapers, since its sides need not do so alike.
    """
    axis = axis_lean(best.edges)
    total, shares = 0.0, 1.0
    for n in seen:
        lean = axis_lean(n.edges)
        if n is best or n.enclosed or lean is None or axis is None:
            continue
        share = float(np.clip((n.rank / best.rank - RIVAL_SHARE) / (1 - RIVAL_SHARE), 0, 1))
        total += share * (lean - axis) ** 2
        shares += share
    once = not any(name.startswith("reflected") for name in best.edges)
    spread = math.sqrt(total / shares) * (1.0 if once else 0.5)  # the other view halves it
    sure, wide = (
        (SURE_ONCE, FAINT_ONCE_U_DEG) if once and not on_mirror else (SURE_TWICE, FAINT_TWICE_U_DEG)
    )
    doubt = wide * max(sure / max(best.quality, 1.0) - 1, 0.0)
    if once:
        flanks = [best.edges.get(f"cone {hand}") for hand in HANDS]
        worth = min(0.0 if e is None else _line_worth(e) for e in flanks)
        doubt = math.hypot(doubt, NO_CONE_U_DEG / (1 + (worth / HALF_CONE) ** 2))
    odds = min(odds_of_chance(best.edges), MOST_ODDS)
    if once and on_mirror:
        odds = max(odds, 1.0)  # no agreement outweighs that the mirror does not show it
    doubt *= math.sqrt(odds)
    spread = math.hypot(spread, doubt, UNEQUAL_SIDES * taper_seen(best.edges))
    spread *= math.sqrt(len(best.edges))  # common to all of them
    edges = {name: _wider(e, spread) for name, e in best.edges.items()}
    return replace(best, edges=edges)


def _at_scale(rgb: NDArray[np.uint8], rod: SideRod, thickness: float) -> list[Needle]:
    needles: list[Needle] = []
    tip = None
    small = shrunk(rgb, thickness)
    if rod.mirrored:
        height, tilt = rod.surface_at_free_end()
        line = (np.array([rod.free_end[0], height]), tilt)
        needles, tip = _fit_best(rgb, search_shapes(small, rod, thickness, line))
        if needles and needles[0].rank > 1.6 * GOOD_QUALITY:
            return needles
    direct = search_shapes(small, rod, thickness, None)
    found, _ = _fit_best(rgb, direct, tip)
    needles += found
    if found and not rod.mirrored:
        both = search_reflection(small, rod, thickness, direct.frame, found[0].shape)
        if both is not None:
            needles += [n for n in _fit_best(rgb, both)[0] if n.mirrored(False)]
    return needles


def _fit_best(
    rgb: NDArray[np.uint8], search: Search, tip: Array | None = None
) -> tuple[list[Needle], Array | None]:
    """The best few styli, and where their tip stands on the mirror if that is seen or known."""
    fine = FineCopy(rgb, search.frame)
    middle = float(np.mean([s.middle for s in search.shapes])) if search.shapes else 0.0
    pool: dict[str, list[NeedleEdge]] = {}
    top = max((s.score for s in search.shapes), default=0.0)
    shapes = [s for s in search.shapes if s.score > LEAST_SHARE_OF_BEST * top]
    shapes += _between_lines(rgb, search, middle)
    found = against_backdrop([fine.candidates(shape, middle) for shape in shapes], search.frame)
    for slots in found:
        for name, edges in slots.items():
            pool.setdefault(name, []).extend(edges)
    tip = _tip_on_mirror(pool, fine) if tip is None else tip
    needles = [
        _needle(slots, 2 * shape.half_width * fine.per, fine, shape, tip)
        for shape, slots in zip(shapes, found, strict=True)
    ]
    if needles:
        best = max(needles, key=lambda n: n.quality)
        slots = {name: distinct(edges, best.width) for name, edges in pool.items()}
        mixed = _needle(slots, best.width, fine, best.shape, tip)
        pair = [mixed.edges.get(f"shank {hand}") for hand in HANDS]
        if pair[0] is not None and pair[1] is not None:
            width = abs(pair[1].place - pair[0].place) * fine.per
            worth = quality(mixed.edges, width, fine.handed, tip)
            mixed = replace(mixed, width=width, quality=worth)
        needles.append(mixed)
    needles = sorted(_with_enclosed(needles), key=lambda n: -n.rank)[:FITTED]
    for i, needle in enumerate(needles):
        fitted = fine.fitted(needle.edges, needle.width)
        worth = quality(fitted, needle.width, fine.handed, tip)
        needles[i] = replace(needle, edges=fitted, quality=worth)
    return sorted(needles, key=lambda n: -n.rank), tip


def _tip_on_mirror(pool: Mapping[str, list[NeedleEdge]], fine: FineCopy) -> Array | None:
    """Where the clearest flank of a cone meets its own mirror image, photo pixels, or None."""
    frame = fine.frame
    best: tuple[float, Array | None] = (CLEAR_FLANKS, None)
    for hand in HANDS:
        for own in pool.get(f"cone {hand}", []):
            for image in pool.get(f"reflected cone {hand}", []):
                if not frame.mirrored or abs(own.lean - image.lean) > ALIKE_DEG:
                    continue
                worth = min(_line_worth(own), _line_worth(image))
                tip = tip_seen({f"cone {hand}": own, f"reflected cone {hand}": image}, "")
                if worth > best[0] and tip is not None:
                    height = abs(float(frame.from_photo(tip)[1]))
                    if height < AT_SURFACE * frame.thickness:
                        best = (worth, tip)
    return best[1]


def _between_lines(rgb: NDArray[np.uint8], search: Search, middle: float) -> list[Shape]:
    """Shapes between two clear lines beside the best shape that have the backdrop outside."""
    if not search.shapes:
        return []
    frame = search.frame
    t = frame.thickness
    views = FineCopy(rgb, frame, COARSE_THICKNESS).across(search.shapes[0], middle)
    sides = []
    for hand in HANDS:
        slots = {f"{view}shank {hand}": edges for view, edges in zip(VIEWS, views, strict=False)}
        sides.append([e for v in against_backdrop([slots], frame)[0].values() for e in v])
    if float(np.linalg.det(frame.basis)) < 0:
        sides.reverse()
    pairs = []
    for a in sides[0]:
        for b in sides[1]:
            apart, taper = b.place - a.place, (b.lean - a.lean) / 2
            if WIDTHS[0] * t < apart < WIDTHS[1] * t and -2.0 < taper < MOST_TAPER_DEG:
                pairs.append((_line_worth(a) + _line_worth(b), a, b))
    shapes: list[Shape] = []
    for _, a, b in sorted(pairs, key=lambda v: -v[0]):
        u, half = (a.place + b.place) / 2, (b.place - a.place) / 2
        if all(
            abs(s.half_width - half) > 0.1 * half or abs(_axis_at(s, middle) - u) > 0.1 * half
            for s in (*search.shapes, *shapes)
        ):
            shapes.append(shape_between(search, (a.lean, a.place), (b.lean, b.place), middle))
        if len(shapes) == BETWEEN_LINES:
            break
    return shapes


def _line_worth(edge: NeedleEdge) -> float:
    share = float(outline_share(np.asarray(edge.inside)))
    return share * min(edge.strength, 8.0) * min(edge.coverage, 1.0)


def _axis_at(shape: Shape, y: float) -> float:
    return shape.apex_u + (shape.apex_y - y) * math.tan(math.radians(shape.lean))


def against_backdrop(
    found: Sequence[Mapping[str, list[NeedleEdge]]], frame: Frame
) -> list[dict[str, list[NeedleEdge]]]:
    """The same edges, each with how far what lies outside it departs from the backdrop."""
    flat = [(i, name, e) for i, slots in enumerate(found) for name in slots for e in slots[name]]
    result: list[dict[str, list[NeedleEdge]]] = [{name: [] for name in slots} for slots in found]
    if not flat:
        return result
    handed = float(np.sign(np.linalg.det(frame.basis)))
    ends = frame.from_photo(np.array([(e.p0, e.p1) for _, _, e in flat]))
    outwards = np.array([handed * (-1.0 if name.endswith("left") else 1.0) for _, name, _ in flat])
    reflected = np.array([name.startswith("reflected") for _, name, _ in flat])
    for (i, name, e), inside in zip(
        flat, departures(frame, ends, outwards, reflected), strict=True
    ):
        result[i][name].append(replace(e, inside=float(inside)))
    return result


def _needle(
    slots: Mapping[str, list[NeedleEdge]],
    width: float,
    fine: FineCopy,
    shape: Shape,
    tip: Array | None,
) -> Needle:
    edges = chosen(slots, width, fine.per, fine.handed)
    apex = fine.frame.to_photo(np.array([shape.apex_u, shape.apex_y]))
    return Needle(edges, quality(edges, width, fine.handed, tip), apex, width, shape)


def _with_enclosed(needles: list[Needle]) -> list[Needle]:
    """Needles marked that lie inside the silhouette of another, nearly as good one."""
    return [
        replace(
            n,
            enclosed=any(
                o.quality > ENCLOSED_SHARE * n.quality and encloses(o.edges, n.edges)
                for o in needles
                if o is not n
            ),
        )
        for n in needles
    ]


def usable(edges: Mapping[str, NeedleEdge]) -> Iterator[tuple[str, NeedleEdge]]:
    """Edges long and clear enough to measure with."""
    kept = {
        name: edge
        for name, edge in edges.items()
        if edge.coverage >= LEAST_COVERAGE and edge.strength >= LEAST_STRENGTH
    }
    sides = {name.removeprefix("reflected ") for name in kept}
    if not {f"shank {hand}" for hand in HANDS} <= sides:
        cones = sum("cone" in name for name in kept)
        for name in kept:
            if "cone" in name:  # in common to all of them, so that it does not average out
                kept[name] = _wider(kept[name], CONE_SKEW_DEG * math.sqrt(cones))
    yield from kept.items()


def _wider(edge: NeedleEdge, degrees: float) -> NeedleEdge:
    return replace(edge, angle_u=math.hypot(edge.angle_u, math.radians(degrees)))
