"""Lines a person drew roughly -> the same lines snapped to edges.

A mark is a name and two points, good to about ten pixels and three degrees. Each is moved to a
straight edge within reach and then fitted like any edge the finder found itself, so that the
reading that follows has the same budget. Where two lines and both their reflections are drawn, the
four edges are chosen together: an object and its mirror image are equally wide and open by the
same angle.
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from vision.edges import EdgeFit, half_turn
from vision.near_edges import NearEdge, near_edges
from vision.photo import Photo
from vision.reading import Refusal, Segment

REACH_PX = 12.0
TURN_DEG = 4.0
OPENING_DEG, WIDTH_SHARE = 1.0, 0.03  # how well an image repeats its object: deviations

Point = tuple[float, float]
Marks = Mapping[str, tuple[Point, Point]]


def load_marks(path: str | Path) -> dict[str, tuple[tuple[float, float], tuple[float, float]]]:
    """Marks from a JSON file: ``{"shank left": [[x0, y0], [x1, y1]], ...}``.

    Raises
    ------
    ValueError
        If the file is missing, not JSON, or not of that form; the message says which.
    """
    try:
        raw = json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise ValueError(f"marks: {path} cannot be read ({error.strerror})") from error
    except ValueError as error:
        raise ValueError(f"marks: {path} is not JSON ({error})") from error
    if not isinstance(raw, dict) or not raw:
        raise ValueError(f"marks: {path} must hold one object of named lines")
    marks = {}
    for name, points in raw.items():
        values = np.asarray(points, dtype=object)
        if values.shape != (2, 2) or not all(
            isinstance(v, int | float) and np.isfinite(v) for v in values.flat
        ):
            raise ValueError(f"marks: {name!r} must be [[x0, y0], [x1, y1]], got {points!r}")
        marks[str(name)] = (
            (float(points[0][0]), float(points[0][1])),
            (float(points[1][0]), float(points[1][1])),
        )
    return marks


def snap_marks(
    photo: Photo, marks: Marks, quantity: str, needed: tuple[str, ...]
) -> dict[str, EdgeFit] | Refusal:
    """Fit every mark to the edge it was drawn along.

    Parameters
    ----------
    photo : Photo
    marks : mapping of str to two points
        Pixels of the upright photo.
    quantity : str
        For the refusal.
    needed : tuple of str
        Names that must be there.

    Returns
    -------
    dict of str to EdgeFit, or Refusal
        Refusal where a needed mark is missing or no edge lies near one.
    """
    missing = missing_marks(marks, quantity, needed)
    if missing is not None:
        return missing
    found: dict[str, list[NearEdge]] = {}
    for name, (p0, p1) in marks.items():
        found[name] = edges_beside(photo, p0, p1)
        if not found[name]:
            return Refusal(
                quantity,
                f"No edge lies within {REACH_PX:.0f} px of the line {name!r}.",
                "Move the line onto the edge, or take a sharper photo.",
                lines=(Segment(name, "look", *p0, *p1),),
            )
    chosen = {name: edges[0].fit for name, edges in found.items()}
    names = [name for name in marks if f"reflected {name}" in marks]
    if len(names) == 2:
        four = (*names, *(f"reflected {name}" for name in names))
        chosen |= dict(zip(four, _mirrored([found[n] for n in four]), strict=True))
    return chosen


def missing_marks(marks: Marks, quantity: str, needed: tuple[str, ...]) -> Refusal | None:
    """Refusal that names the lines still to be drawn, or None where all are there."""
    missing = [name for name in needed if name not in marks]
    if not missing:
        return None
    return Refusal(
        quantity,
        f"These lines are not drawn yet: {', '.join(missing)}.",
        "Draw each along the edge it names.",
    )


def edges_beside(photo: Photo, p0: Point, p1: Point) -> list[NearEdge]:
    """The edges that one mark may mean, likeliest first."""
    length = float(np.hypot(p1[0] - p0[0], p1[1] - p0[1]))
    turn = min(TURN_DEG, math.degrees(math.atan(2 * REACH_PX / max(length, 1.0))))
    return near_edges(photo, p0, p1, REACH_PX, turn)


def _mirrored(found: Sequence[Sequence[NearEdge]]) -> list[EdgeFit]:
    """The best four of (one, other, one reflected, other reflected)."""

    def worth(four: tuple[NearEdge, ...]) -> float:
        one, other, image_one, image_other = (x.fit for x in four)
        opening = _opening(one, other) + _opening(image_one, image_other)
        width, image_width = _gap(one, other), _gap(image_one, image_other)
        spread = math.hypot(OPENING_DEG, *(math.degrees(x.fit.angle_u) for x in four))
        unlike = (width - image_width) / (WIDTH_SHARE * (width + image_width) / 2 + 1.0)
        doubt = (math.degrees(opening) / spread) ** 2 + unlike**2
        return 2 * sum(math.log(x.score) for x in four) - 0.5 * min(doubt, 18.0)

    return [x.fit for x in max(itertools.product(*found), key=worth)]


def _opening(one: EdgeFit, other: EdgeFit) -> float:
    """Signed angle from one line to another, -pi/2 to pi/2."""
    return half_turn(other.angle - one.angle)


def _gap(one: EdgeFit, other: EdgeFit) -> float:
    """Distance of the middle of one line from the other, px."""
    return abs(float(np.array([one.x - other.x, one.y - other.y]) @ other.normal))
