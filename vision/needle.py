"""Likely styli -> the stylus whose edges are clearest and agree best.

`vision.needle_search` proposes shapes, `vision.needle_edges` finds edges along each of them and
`vision.needle_choose` picks the set that makes one stylus; the best sets are then fitted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.needle_choose import NeedleEdge, chosen, encloses, quality
from vision.needle_edges import FineCopy
from vision.needle_search import Search, Shape, search_reflection, search_shapes, shrunk
from vision.side_rod import SideRod

__all__ = ["Needle", "NeedleEdge", "find_needle", "usable"]

Array = NDArray[np.float64]

GOOD_QUALITY = 18.0  # of one view: no need to look further
LEAST_STEEP = 0.5  # slope of the reflection's edges against the stylus' own
LEAST_STRENGTH = 3.0  # the best of many lines through noise reaches 2 to 3
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
    best: Needle | None = None
    for thickness in (rod.thickness, 2.3 * rod.thickness):
        for needle in _at_scale(rgb, rod, thickness):
            if best is None or needle.rank > best.rank:
                best = needle
        if best is not None and best.rank > GOOD_QUALITY * (
            1.6 if best.mirrored(rod.mirrored) else 1.0
        ):
            break
    return best


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
    needles = []
    for shape in search.shapes:
        width = 2 * shape.half_width * fine.per
        edges = chosen(fine.candidates(shape), width, fine.per, fine.handed)
        apex = search.frame.to_photo(np.array([shape.apex_u, shape.apex_y]))
        needles.append(Needle(edges, quality(edges, width, fine.handed), apex, width, shape))
    needles = sorted(_with_enclosed(needles), key=lambda n: -n.rank)[:FITTED]
    for i, needle in enumerate(needles):
        edges = fine.fitted(needle.edges, needle.width)
        worth = quality(edges, needle.width, fine.handed)
        needles[i] = replace(needle, edges=edges, quality=worth)
    return sorted(needles, key=lambda n: -n.rank)


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
    for name, edge in edges.items():
        if edge.coverage > 0.3 and edge.strength > LEAST_STRENGTH:
            yield name, edge
