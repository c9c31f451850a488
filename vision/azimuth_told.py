"""What networks show of a body and its image -> pairs of edges, fitted, without any search.

Comes in: `Borders` of the nearer look and the wide look's shares. Goes out: `Fitted`s of each edge
with each image, the longest first. The sides are fitted beside the borders of body and image in the
wide look.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.azimuth_body import BODY, IMAGE, ROD
from vision.azimuth_borders import lower_border, straight_runs, upper_border
from vision.azimuth_candidate import MAX_STEEP, Candidate
from vision.azimuth_fit import Fitted, Fitter
from vision.azimuth_look import SHOWN, Borders, beneath
from vision.azimuth_shown import Witness

Array = NDArray[np.float64]
Grey = NDArray[np.float32]

# Where a side's border may lie off the edge's end, in widths: inwards, outwards, highest.
INWARDS, OUTWARDS, HIGHEST = 0.15, 0.35, 0.6
LEAST_SIDE, LEAST_SIDE_PX, ROOM_PX = 0.08, 8.0, 2


def fit_told(borders: Borders | None, witness: Witness, fitter: Fitter) -> list[Fitted]:
    """Pairs of the borders of a nearer look that lie on a body and its image, fitted.

    Returns
    -------
    list of Fitted
        Full-resolution pixels; the pair of the longest borders first. None that do not hold.
    """
    found = []
    for candidate in _candidates(borders, witness):
        fitted = fitter.edges(candidate)
        if fitted is None:
            continue
        pair = [np.array(fit.edge.ends) for fit in (fitted.edge, fitted.image)]
        shown = witness(*pair)
        if shown.may_be and witness.holds_rod(*pair):
            found.append(fitter.finish(replace(fitted, shown=shown)))
    return found


def _candidates(borders: Borders | None, witness: Witness) -> list[Candidate]:
    """Every edge with every image under it, with the sides that the wide look shows."""
    if borders is None:
        return []
    found = []
    for edge in borders.edges:
        for border in borders.images:
            image = beneath(edge.ends, border.ends)
            if image is None:
                continue
            sides = sides_beside(witness.share, edge.ends, witness.size, BODY)
            under = sides_beside(witness.share, image, witness.size, IMAGE)
            sides |= {f"{name} image": line for name, line in under.items()}
            found.append(Candidate(edge.ends, image, sides, 0.0, {"cup": 0.0}))
    return found


def sides_beside(share: Grey, line: Array, size: float, kind: int) -> dict[str, Array]:
    """Left and right border of the body above its edge, or of its image below the edge's image.

    Parameters
    ----------
    share : ndarray, shape (6, H, W)
        What the wide look shows.
    line : ndarray, shape (2, 2)
        Left and right end of the edge or of its image, photo px.
    size : float
        Size of the look over the photo's.
    kind : {BODY, IMAGE}

    Returns
    -------
    dict of {"left", "right"} to ndarray, shape (2, 2)
        From the corner outwards, photo px; only those that are seen straight.
    """
    ends = (line + 0.5) * size - 0.5
    width = float(np.linalg.norm(ends[1] - ends[0]))
    along = (ends[1] - ends[0]) / width
    away = np.array([-along[1], along[0]]) * (1 if kind == IMAGE else -1)
    shows, rod = (np.ascontiguousarray(share[k].T) for k in (kind, ROD))
    found = {}
    for name, border, corner, sign in (
        ("left", upper_border, ends[0], -1),
        ("right", lower_border, ends[1], 1),
    ):
        points = border(shows, rod > SHOWN)  # of the transposed picture: y, x
        off = points[:, ::-1] - corner
        out, high = sign * (off @ along) / width, off @ away / width
        last = np.array(share.shape[1:]) - 1 - ROOM_PX
        seen = ((points > ROOM_PX) & (points < last)).all(axis=1)
        seen &= (out > -INWARDS) & (out < OUTWARDS) & (high > 0.02) & (high < HIGHEST)
        runs = straight_runs(points[seen], max(LEAST_SIDE_PX, LEAST_SIDE * width), MAX_STEEP, 1)
        if runs:
            side = runs[0].ends[:, ::-1]
            found[name] = ((side if kind == IMAGE else side[::-1]) + 0.5) / size - 0.5
    return found
