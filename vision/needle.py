"""Rod -> the stylus under its free end, with edges that can be measured.

`vision.outline` shows roughly where the stylus is, `vision.needle_edges` finds edges beside that
outline and `vision.needle_choose` picks the set that makes one stylus, which is then fitted.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.needle_choose import (
    HANDS,
    NeedleEdge,
    axis_lean,
    chosen,
    outline_share,
    quality,
    taper_seen,
    tip_seen,
)
from vision.needle_edges import FineCopy, segment_of
from vision.needle_search import search_reflection, shrunk, straightened
from vision.needle_shape import Frame, Shape
from vision.outline import Outline, find_image, find_outline
from vision.side_rod import SideRod

__all__ = ["Needle", "NeedleEdge", "find_needle", "usable"]

Array = NDArray[np.float64]

MOST_IMAGE_U_DEG = 2.0  # what turns more from look to look is no image
UNLIKE_WIDTH, UNLIKE_LENGTH = 0.25, 0.15  # log ratio of a mirror image's to the stylus' own
LEAST_COVERAGE, LEAST_STRENGTH = 0.3, 2.0
CONE_SKEW_DEG = 0.65  # of a cone's bisector from the axis, where no shank shows the axis
# Share of edges that are not the stylus' at some quality, falling as a power of it; and how far off
WRONG_ONCE, WRONG_TWICE, MOST_WRONG = (0.25, 15.0, 2.2), (0.12, 40.0, 1.6), 0.65
OFF_ONCE_DEG, OFF_TWICE_DEG = 1.8, 1.4
# Sides of a shank are parallel or clearly taper. Half their opening (degrees) below which it is so
# many times as likely that one is wrong: the axis is then off by that half.
OPENINGS = ((0.15, 0.15), (0.3, 0.5), (0.7, 1.0), (2.3, 2.0))
UNEQUAL_SIDES = 0.05  # of a taper: they need not taper alike
OUTLINE_FAR = (0.05, 3.0)  # share of outlines that are off by so many times as much
CLEAR_FLANKS = 4.0  # strength of a flank and its image that show where the tip stands
ALIKE_DEG = 2.0  # between a flank and its image
AT_SURFACE = 0.1  # of the rod's thickness
OTHER_SCALE = 2.0  # of the rod's thickness, where the first shows no stylus
OFF_OUTLINE = (0.025, 0.03)  # of rod and stylus' width: how far the outline may be off
LEAN_OFF_DEG = {"shank": 3.0, "cone": 5.0}
OFF_SHARE = 0.4  # departure (`needle_choose.outline_share`) at one such error


@dataclass(frozen=True)
class Needle:
    """A stylus with its edges: names as ``"reflected shank left"``, left and right in the photo."""

    edges: Mapping[str, NeedleEdge]
    quality: float
    outline: Outline
    image: Outline | None = None
    axis_u_deg: float = 90.0
    image_u_deg: float = 90.0

    @property
    def apex(self) -> Array:
        """Where the tip stands, photo pixels."""
        return self.outline.tip

    @property
    def width(self) -> float:
        """Of the shank, photo pixels."""
        return 2 * self.outline.half_width


def find_needle(rgb: NDArray[np.uint8], rod: SideRod) -> Needle | None:
    """The stylus with the edges beside its outline that agree best, or None.

    The reflection is looked for about the line of symmetry of the rod and its image where they
    were found, else straight below the stylus' tip.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    rod : SideRod
    """
    for thickness in (rod.thickness, OTHER_SCALE * rod.thickness):
        outline = find_outline(rgb, rod, thickness)
        if outline is not None:
            seen = _along_outline(rgb, rod, thickness, outline)
            return _doubted(max(seen, key=lambda n: n.quality))
    return None


def _along_outline(
    rgb: NDArray[np.uint8], rod: SideRod, thickness: float, outline: Outline
) -> list[Needle]:
    """The stylus with edges beside its outline, and with its mirror image's where it has one."""
    small = shrunk(rgb, thickness)
    line = None
    if rod.mirrored:
        height, tilt = rod.surface_at_free_end()
        line = (np.array([rod.free_end[0], height]), tilt)
    frame = straightened(small, rod, thickness, line)
    if rod.mirrored:
        return [_beside_outline(rgb, frame, outline, _image(rgb, rod, frame, outline))]
    needles = [_beside_outline(rgb, frame, outline, None)]
    level = search_reflection(small, rod, thickness, frame, _shape_of(outline, frame))
    if level is not None:
        image = _image(rgb, rod, level, outline)
        if image is not None:
            needles.append(_beside_outline(rgb, level, outline, image))
    return needles


def _image(rgb: NDArray[np.uint8], rod: SideRod, frame: Frame, outline: Outline) -> Outline | None:
    """The outline of the stylus' mirror image in a frame whose u axis is the line of symmetry.

    A record smears what it reflects; what it shows is not of the stylus' own size. Where the photo
    ends before the image does, it is as long as there is room for.
    """
    turn = frame.basis @ np.diag([1.0, -1.0]) @ np.linalg.inv(frame.basis)
    image = find_image(rgb, rod, outline, turn, frame.origin - turn @ frame.origin)
    if image is None or image.axis_u_deg > MOST_IMAGE_U_DEG:
        return None
    length = min(outline.length, _room(image, rgb.shape))
    alike = (
        abs(math.log(image.half_width / outline.half_width)) < UNLIKE_WIDTH
        and abs(math.log(image.length / length)) < UNLIKE_LENGTH
    )
    return image if alike else None


def _room(outline: Outline, shape: tuple[int, ...]) -> float:
    """Pixels from an outline's tip along its axis to the photo's border, at least its width."""
    far = np.where(outline.axis > 0, np.array(shape[1::-1]) - 1.0, 0.0) - outline.tip
    reach = far[outline.axis != 0] / outline.axis[outline.axis != 0]
    return max(float(reach.min()), 2 * outline.half_width)


def _shape_of(outline: Outline, frame: Frame) -> Shape:
    per = float(np.linalg.norm(frame.basis[:, 0]))
    tip, above = frame.from_photo(np.array([outline.tip, outline.tip + per * outline.axis]))
    lean = math.degrees(math.atan2(above[0] - tip[0], tip[1] - above[1]))
    return Shape(
        float(tip[0]),
        float(tip[1]),
        lean,
        outline.half_width / per,
        outline.cone_half,
        outline.taper,
    )


def _beside_outline(
    rgb: NDArray[np.uint8], frame: Frame, outline: Outline, image: Outline | None
) -> Needle:
    fine = FineCopy(rgb, frame)
    shape = _shape_of(outline, frame)
    slots = off_outline(fine.candidates(shape, shape.middle), shape, frame)
    if image is None:
        slots = {name: edges for name, edges in slots.items() if not name.startswith("reflected")}
    tip = _tip_on_mirror(slots, fine)
    width = 2 * outline.half_width
    edges = fine.fitted(chosen(slots, width, fine.per, fine.handed), width)
    worth = quality(edges, width, fine.handed, tip)
    return Needle(edges, worth, outline, image)


def off_outline(
    slots: Mapping[str, list[NeedleEdge]], shape: Shape, frame: Frame
) -> dict[str, list[NeedleEdge]]:
    """The same edges, each with how far it lies from the outline's."""
    handed = float(np.sign(np.linalg.det(frame.basis)))
    allowed = OFF_OUTLINE[0] * frame.thickness + OFF_OUTLINE[1] * 2 * shape.half_width
    result: dict[str, list[NeedleEdge]] = {}
    for name, edges in slots.items():
        kind, hand = name.removeprefix("reflected ").split()
        side = handed * (-1 if hand == "left" else 1)
        model = segment_of(shape, frame, kind, int(side))
        if model is None:
            result[name] = edges
            continue
        along = (model[1] - model[0]) / np.linalg.norm(model[1] - model[0])
        lean = math.degrees(math.atan2(along[0], -along[1]))
        flip = (1.0, -1.0) if name.startswith("reflected") else (1.0, 1.0)
        result[name] = []
        for e in edges:
            away = frame.from_photo((e.p0 + e.p1) / 2) * flip - model[0]
            off = float(along[0] * away[1] - along[1] * away[0]) / allowed
            turned = (e.lean - lean) / LEAN_OFF_DEG[kind]
            result[name].append(replace(e, off=OFF_SHARE * math.hypot(off, turned)))
    return result


def _doubted(needle: Needle) -> Needle:
    """Edges as uncertain as it is likely that they are not the stylus' own.

    A faint edge may be a facet's or a highlight's that runs along the side it is taken for; the
    less likely, the better it agrees with the outline's axis. A mirror shows such lines too, so
    that two views outweigh one by less than their number. Edges and outline get the uncertainties
    with which their weighted mean has mean and variance of both possibilities together.
    """
    once = not any(name.startswith("reflected") for name in needle.edges)
    (share, at, steep), off = (WRONG_ONCE, OFF_ONCE_DEG) if once else (WRONG_TWICE, OFF_TWICE_DEG)
    opening = taper_seen(needle.edges)
    share *= 1.0 if opening is None else next((k for most, k in OPENINGS if opening < most), 1.0)
    wrong = min(share * (at / max(needle.quality, 1.0)) ** steep, MOST_WRONG)
    lean, outline = axis_lean(needle.edges), needle.outline
    doubt = off * math.sqrt(wrong)
    axis_u = outline.axis_u_deg
    if lean is not None:
        apart = lean - math.degrees(math.atan2(outline.axis[0], -outline.axis[1]))
        far, times = OUTLINE_FAR
        outlines = (1 - far) * _normal(apart, axis_u) + far * _normal(apart, times * axis_u)
        chances = (wrong * _normal(apart, math.hypot(axis_u, off)), (1 - wrong) * outlines)
        wrong = chances[0] / (sum(chances) or 1.0)
        axis_u = math.hypot(axis_u, math.sqrt(1 - wrong) * apart)
        doubt = axis_u * math.sqrt(wrong / (1 - wrong))
    if opening is not None:
        doubt = math.hypot(doubt, opening * (1.0 if opening < OPENINGS[-1][0] else UNEQUAL_SIDES))
    telling = [sum(kind in name for name in needle.edges) for kind in ("shank", "cone")]
    doubt *= math.sqrt(telling[0] if telling[0] > 1 else max(telling[1], 1))  # common to them
    edges = {name: _wider(e, doubt) for name, e in needle.edges.items()}
    image_u = 90.0 if needle.image is None else needle.image.axis_u_deg
    return replace(needle, edges=edges, axis_u_deg=axis_u, image_u_deg=image_u)


def _normal(x: float, sd: float) -> float:
    return math.exp(-0.5 * (x / sd) ** 2) / sd + 1e-9


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


def _line_worth(edge: NeedleEdge) -> float:
    share = outline_share(edge.off)
    return share * min(edge.strength, 8.0) * min(edge.coverage, 1.0)


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
