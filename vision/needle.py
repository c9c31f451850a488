"""Likely styli -> the stylus whose edges are clearest and agree best.

`vision.needle_search` proposes shapes, `vision.needle_edges` finds edges along each of them and
`vision.needle_choose` picks the set that makes one stylus; the best sets are then fitted.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.needle_choose import (
    CLEAR_STRENGTH,
    HANDS,
    NeedleEdge,
    axis_lean,
    chosen,
    distinct,
    encloses,
    quality,
)
from vision.needle_edges import FineCopy
from vision.needle_search import Search, Shape, search_reflection, search_shapes, shrunk
from vision.side_rod import SideRod

__all__ = ["Needle", "NeedleEdge", "find_needle", "usable"]

Array = NDArray[np.float64]

GOOD_QUALITY = 18.0  # of one view: no need to look further
LEAST_STEEP = 0.5  # slope of the reflection's edges against the stylus' own
LEAST_COVERAGE, LEAST_STRENGTH = 0.3, 2.0
WEAK_U_DEG = 0.5  # added to an edge barely stronger than noise
VOUCHED_DEG = 0.7
CONE_SKEW_DEG = 0.3  # of a cone's bisector from the axis, where no shank shows the axis
RIVAL_SHARE = 0.8  # of the best one's rank, from which another set of edges counts
SURE_QUALITY = 24.0  # below this a stylus seen once is less certain in proportion
ENCLOSED_SHARE = 0.6  # what a stylus inside another one's silhouette counts
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
    return _doubted(max(seen, key=lambda n: n.rank), seen) if seen else None


def _doubted(best: Needle, seen: list[Needle]) -> Needle:
    """Edges made as uncertain as nearly as good sets of edges differ from the best one.

    A stylus seen once and not clearly is less certain still, since nothing vouches for it.
    """
    axis = axis_lean(best.edges)
    if axis is None:
        return best
    total, shares = 0.0, 1.0
    for n in seen:
        lean = axis_lean(n.edges)
        if n is best or n.enclosed or lean is None:
            continue
        share = float(np.clip((n.rank / best.rank - RIVAL_SHARE) / (1 - RIVAL_SHARE), 0, 1))
        total += share * (lean - axis) ** 2
        shares += share
    once = not any(name.startswith("reflected") for name in best.edges)
    spread = math.sqrt(total / shares) * (1.0 if once else 0.5)  # the other view halves it
    spread *= math.sqrt(len(best.edges))  # common to all of them
    weak = max(1.0, SURE_QUALITY / best.quality) if once else 1.0
    edges = {
        name: _wider(replace(e, angle_u=weak * e.angle_u), spread) for name, e in best.edges.items()
    }
    return replace(best, edges=edges)


def _at_scale(rgb: NDArray[np.uint8], rod: SideRod, thickness: float) -> list[Needle]:
    needles: list[Needle] = []
    small = shrunk(rgb, thickness)
    if rod.mirrored:
        height, tilt = rod.surface_at_free_end()
        line = (np.array([rod.free_end[0], height]), tilt)
        needles += _fit_best(rgb, search_shapes(small, rod, thickness, line))
        if needles and needles[0].rank > 1.6 * GOOD_QUALITY:
            return needles
    direct = search_shapes(small, rod, thickness, None)
    found = _fit_best(rgb, direct)
    needles += found
    if found and not rod.mirrored:
        both = search_reflection(small, rod, thickness, direct.frame, found[0].shape)
        if both is not None:
            needles += [n for n in _fit_best(rgb, both) if n.mirrored(False)]
    return needles


def _fit_best(rgb: NDArray[np.uint8], search: Search) -> list[Needle]:
    fine = FineCopy(rgb, search.frame)
    middle = float(np.mean([s.middle for s in search.shapes])) if search.shapes else 0.0
    needles = []
    pool: dict[str, list[NeedleEdge]] = {}
    for shape in search.shapes:
        width = 2 * shape.half_width * fine.per
        slots = fine.candidates(shape, middle)
        for name, edges in slots.items():
            pool.setdefault(name, []).extend(edges)
        needles.append(_needle(slots, width, fine, shape))
    if needles:
        best = max(needles, key=lambda n: n.quality)
        slots = {name: distinct(edges, best.width) for name, edges in pool.items()}
        mixed = _needle(slots, best.width, fine, best.shape)
        pair = [mixed.edges.get(f"shank {hand}") for hand in HANDS]
        if pair[0] is not None and pair[1] is not None:
            width = abs(pair[1].place - pair[0].place) * fine.per
            mixed = replace(mixed, width=width, quality=quality(mixed.edges, width, fine.handed))
        needles.append(mixed)
    needles = sorted(_with_enclosed(needles), key=lambda n: -n.rank)[:FITTED]
    for i, needle in enumerate(needles):
        fitted = fine.fitted(needle.edges, needle.width)
        worth = quality(fitted, needle.width, fine.handed)
        needles[i] = replace(needle, edges=fitted, quality=worth)
    return sorted(needles, key=lambda n: -n.rank)


def _needle(
    slots: Mapping[str, list[NeedleEdge]], width: float, fine: FineCopy, shape: Shape
) -> Needle:
    edges = chosen(slots, width, fine.per, fine.handed)
    apex = fine.frame.to_photo(np.array([shape.apex_u, shape.apex_y]))
    return Needle(edges, quality(edges, width, fine.handed), apex, width, shape)


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
    """Edges long and clear enough to measure with.

    The best of many lines through noise is about as strong as the weakest of these, so that a weak
    edge is less certain, unless the other view shows the same one.
    """
    kept = {}
    for name, edge in edges.items():
        if edge.coverage < LEAST_COVERAGE or edge.strength < LEAST_STRENGTH:
            continue
        other = name.removeprefix("reflected ") if "reflected" in name else f"reflected {name}"
        vouched = other in edges and abs(edges[other].lean - edge.lean) < VOUCHED_DEG
        if edge.strength < CLEAR_STRENGTH and not vouched:
            edge = _wider(edge, WEAK_U_DEG)
        kept[name] = edge
    sides = {name.removeprefix("reflected ") for name in kept}
    if not {f"shank {hand}" for hand in HANDS} <= sides:
        cones = sum("cone" in name for name in kept)
        for name in kept:
            if "cone" in name:  # in common to all of them, so that it does not average out
                kept[name] = _wider(kept[name], CONE_SKEW_DEG * math.sqrt(cones))
    yield from kept.items()


def _wider(edge: NeedleEdge, degrees: float) -> NeedleEdge:
    return replace(edge, angle_u=math.hypot(edge.angle_u, math.radians(degrees)))
