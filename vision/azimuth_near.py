"""A nearer look at a body's lower edge and its mirror image, that a network takes.

In the copy that it sees the two edges lie level on average, `EDGE_PX` long and `GAP_PX` apart: what
lies between them is stretched upright, so that borders are seen finely.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.network import out_of, part_of, rescaled, shares_of

Array = NDArray[np.float64]
Grey = NDArray[np.float32]

FILE = "azimuth_near.onnx"

WIDTH, HEIGHT = 288, 288  # of the copy
EDGE_PX, GAP_PX = 224.0, 96.0  # length of the edges and their distance in it
LEAST_STRETCH, MOST_STRETCH = 0.7, 3.0  # upright against level


def frame(edge: Array, image: Array) -> Array:
    """Matrix from pixels of the photo to pixels of the copy.

    Parameters
    ----------
    edge, image : ndarray, shape (2, 2)
        Left and right end of the lower edge and of its mirror image, pixels of the photo.

    Returns
    -------
    ndarray, shape (2, 3)
        ``copy = frame[:, :2] @ photo + frame[:, 2]``
    """
    runs = [ends[1] - ends[0] for ends in (edge, image)]
    along = sum((run / np.linalg.norm(run) for run in runs), np.zeros(2))
    along = along / np.linalg.norm(along)
    down = np.array([-along[1], along[0]])
    gap = float((image.mean(axis=0) - edge.mean(axis=0)) @ down)
    x = EDGE_PX / float(np.linalg.norm(runs[0]))
    y = float(np.clip(GAP_PX / max(gap, 1e-6), LEAST_STRETCH * x, MOST_STRETCH * x))
    turn = np.array([x * along, y * down])
    middle = (edge.mean(axis=0) + image.mean(axis=0)) / 2
    return np.column_stack([turn, np.array([WIDTH, HEIGHT]) / 2 - turn @ middle])


def edges_of(frame: Array) -> tuple[Array, Array]:
    """The edge and its image that a frame lays level, (left, right) ends in pixels of the photo."""
    across = np.array([[-EDGE_PX, 0.0], [EDGE_PX, 0.0]]) / 2
    middle = np.array([WIDTH, HEIGHT]) / 2
    edge, image = (middle + across + [0.0, down] for down in (-GAP_PX / 2, GAP_PX / 2))
    return out_of(frame, edge), out_of(frame, image)


def look(rgb: NDArray[np.uint8], scale: float, edge: Array, image: Array) -> tuple[Grey, Array]:
    """What each pixel of the copy shows, and its frame.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    scale : float
        Size of ``rgb`` over the full photo's.
    edge, image : ndarray, shape (2, 2)
        As for `frame`, pixels of the full photo.

    Returns
    -------
    (ndarray of float32, shape (6, 288, 288)), (ndarray, shape (2, 3))
        Probabilities of the kinds of `vision.azimuth_body`; the frame from pixels of the photo.
    """
    matrix = frame(edge, image)
    return shares_of(FILE, copy_of(rgb, scale, matrix)), matrix


def copy_of(rgb: NDArray[np.uint8], scale: float, frame: Array) -> NDArray[np.uint8]:
    """The copy that a frame from pixels of the full photo shows, shape (288, 288, 3)."""
    return part_of(rgb, rescaled(frame, 1 / scale), (WIDTH, HEIGHT))
