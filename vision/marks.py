"""Lines a person drew roughly -> the same lines snapped to edges.

A mark is a name and two points, good to about ten pixels and three degrees. Each is moved to the
strongest straight edge within reach and then fitted like any edge the finder found itself, so that
the reading that follows has the same budget.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from vision.edges import EdgeFit, fit_edge, snap_line
from vision.photo import Photo
from vision.reading import Refusal, Segment

REACH_PX = 12.0
TURN_DEG = 4.0

Marks = Mapping[str, tuple[tuple[float, float], tuple[float, float]]]


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
    fits: dict[str, EdgeFit] = {}
    for name, (p0, p1) in marks.items():
        fit = snap_edge(photo, p0, p1)
        if fit is None:
            return Refusal(
                quantity,
                f"No edge lies within {REACH_PX:.0f} px of the line {name!r}.",
                "Move the line onto the edge, or take a sharper photo.",
                lines=(Segment(name, "look", *p0, *p1),),
            )
        fits[name] = fit
    return fits


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


def snap_edge(photo: Photo, p0: tuple[float, float], p1: tuple[float, float]) -> EdgeFit | None:
    """The edge nearest in place and direction to one mark, or None."""
    length = float(np.hypot(p1[0] - p0[0], p1[1] - p0[1]))
    turn = min(TURN_DEG, 60 * 8 / max(length, 1))
    near = snap_line(photo.grey, p0, p1, reach=REACH_PX, turn_deg=turn)
    if near is None:
        return None
    q0, q1, slope = near
    return fit_edge(photo.grey, q0, q1, polarity=1 if slope > 0 else -1)
