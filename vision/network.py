"""A small network in an .onnx file beside this module, run on one picture by ONNX Runtime.

The networks are taught by `tests.teach` from rendered photographs. They say what is what; angles
come from edges fitted to the photo.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import cv2
import numpy as np
import onnxruntime
from numpy.typing import NDArray

Array = NDArray[np.float64]
Grey = NDArray[np.float32]
Picture = NDArray[np.uint8]


@cache
def _network(name: str, threads: int, lean: bool) -> onnxruntime.InferenceSession:
    onnxruntime.disable_telemetry_events()  # of its builds for Windows
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.enable_cpu_mem_arena = False  # it keeps 200 MB, and saves no time that can be measured
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")  # others want to work
    if lean:
        options.graph_optimization_level = onnxruntime.GraphOptimizationLevel.ORT_ENABLE_EXTENDED
    path = Path(__file__).with_name(name)
    return onnxruntime.InferenceSession(path, options, providers=["CPUExecutionProvider"])


def logits_of(name: str, picture: NDArray[np.uint8], lean: bool = False) -> Grey:
    """What a network says of a picture, as logarithms of shares up to one sum.

    Parameters
    ----------
    name : str
        File beside this module, as ``"outline.onnx"``.
    picture : ndarray of uint8, shape (H, W, 3)
        RGB, of the size that the network takes.
    lean : bool, optional
        Without layouts of channels by sixteens: where few channels are many pixels these take twice
        the memory, and no less time.

    Returns
    -------
    ndarray of float32, shape (kinds, H, W) or (kinds,)
    """
    net = _network(name, cv2.getNumThreads(), lean)  # as many as OpenCV is told to use
    seen = np.ascontiguousarray(picture.transpose(2, 0, 1)[None], np.float32) / np.float32(255)
    return np.asarray(net.run(None, {net.get_inputs()[0].name: seen})[0][0], np.float32)


def scores_of(name: str, told: Grey) -> Array:
    """A score (N,) for each of what a network is told, float32 of shape (N, steps, channels)."""
    net = _network(name, cv2.getNumThreads(), False)
    return np.asarray(net.run(None, {net.get_inputs()[0].name: told})[0], float)


def logs_both_ways(copy: Picture, name: str, mirrored: str) -> Array:
    """Mean logarithms of the shares of angles that two networks give, one to the mirrored copy.

    Parameters
    ----------
    copy : ndarray of uint8, shape (H, W, 3)
    name, mirrored : str
        Files, as in `logits_of`; their angles lie about 0, evenly to both sides.

    Returns
    -------
    ndarray, shape (angles,)
    """
    told = logits_of(name, copy), logits_of(mirrored, copy[:, ::-1])[::-1]
    each = [logs.astype(float) - np.logaddexp.reduce(logs.astype(float)) for logs in told]
    return np.asarray((each[0] + each[1]) / 2)


def mean_and_spread(logs: Array, angles: Array) -> tuple[float, float]:
    """Mean and standard deviation of angles whose shares' logarithms, up to one sum, are given."""
    share = np.exp(logs - logs.max())
    share /= share.sum()
    mean = float(share @ angles)
    return mean, float(np.sqrt(share @ (angles - mean) ** 2))


def shares_of(name: str, picture: NDArray[np.uint8], lean: bool = False) -> Grey:
    """Probability of each kind of thing at each pixel.

    Parameters
    ----------
    name, picture, lean
        As in `logits_of`.

    Returns
    -------
    ndarray of float32, shape (kinds, H, W)
        They add up to 1 at each pixel.
    """
    logits = logits_of(name, picture, lean)
    share = np.exp(logits - logits.max(axis=0))
    return np.asarray(share / share.sum(axis=0), np.float32)


def shrink(rgb: Picture, scale: float) -> tuple[Picture, Array]:
    """Area-averaged copy and its pixels per photo pixel in x and y.

    Whole factors of two first: they are the quick ones.
    """
    picture, ratio = rgb, np.ones(2)
    while scale / ratio[0] <= 0.5:
        picture = _half(picture[: picture.shape[0] // 2 * 2, : picture.shape[1] // 2 * 2])
        ratio = ratio / 2
    rest = scale / ratio[0]
    if rest >= 1:
        return picture, ratio
    cells = (max(1, round(picture.shape[1] * rest)), max(1, round(picture.shape[0] * rest)))
    ratio = ratio * (cells[0] / picture.shape[1], cells[1] / picture.shape[0])
    return np.asarray(cv2.resize(picture, cells, interpolation=cv2.INTER_AREA), np.uint8), ratio


def halved(rgb: Picture, scale: float) -> Picture:
    """A picture halved as often as the scale it is wanted at and its even sides allow."""
    while scale <= 0.5 and not (rgb.shape[0] % 2 or rgb.shape[1] % 2):
        rgb, scale = _half(rgb), 2 * scale
    return rgb


def _half(even: Picture) -> Picture:
    size = (even.shape[1] // 2, even.shape[0] // 2)
    return np.asarray(cv2.resize(even, size, interpolation=cv2.INTER_AREA), np.uint8)


def part_of(rgb: NDArray[np.uint8], frame: Array, size: tuple[int, int]) -> NDArray[np.uint8]:
    """A copy of the part of a photo that a frame shows; shrunk first where that would alias.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    frame : ndarray, shape (2, 3)
        ``copy = frame[:, :2] @ photo + frame[:, 2]``, pixels.
    size : (int, int)
        Width and height of the copy.

    Returns
    -------
    ndarray of uint8, shape (height, width, 3)
        The photo's rim goes on outside it.
    """
    ends = np.array([(0, 0), (size[0], 0), (0, size[1]), size], float)
    at = out_of(frame, ends)
    last = np.array([rgb.shape[1], rgb.shape[0]])
    low = np.clip(np.floor(at.min(axis=0)).astype(int) - 4, 0, last - 8)
    high = np.clip(np.ceil(at.max(axis=0)).astype(int) + 4, low + 8, last)
    part = np.ascontiguousarray(rgb[low[1] : high[1], low[0] : high[0]])
    step = min(1.0, 2 * float(np.linalg.norm(frame[:, :2], axis=1).max()))
    small, ratio = shrink(part, step)
    turn = frame[:, :2] / ratio
    shift = frame[:, 2] + frame[:, :2] @ low - turn @ (0.5 * ratio - 0.5)
    copy = cv2.warpAffine(
        small, np.column_stack([turn, shift]), size, flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return np.asarray(copy, np.uint8)


def out_of(frame: Array, points: Array) -> Array:
    """Pixels of the photo of pixels (..., 2) of a copy."""
    return np.asarray((points - frame[:, 2]) @ np.linalg.inv(frame[:, :2]).T)


def rescaled(frame: Array, factor: float) -> Array:
    """The frame of the same copy in a picture with ``1 / factor`` times as many pixels each way."""
    out = frame.copy()
    out[:, :2] *= factor
    out[:, 2] += frame[:, :2] @ np.full(2, (factor - 1) / 2)
    return out


def framed(basis: Array, origin: Array) -> Array:
    """The frame (2, 3) of a copy given the other way round: ``photo = origin + basis @ copy``."""
    turn = np.linalg.inv(basis)
    return np.column_stack([turn, -turn @ origin])


def fitted_in(rgb: NDArray[np.uint8], width: int, height: int) -> tuple[NDArray[np.uint8], float]:
    """A whole photo shrunk to fit a size, filled up at the right and below.

    Returns
    -------
    copy : ndarray of uint8, shape (height, width, 3)
        Its upper left corner is the photo's.
    k : float
        Pixels of the photo a pixel of the copy.
    """
    k = max(rgb.shape[1] / width, rgb.shape[0] / height)
    size = (min(round(rgb.shape[1] / k), width), min(round(rgb.shape[0] / k), height))
    small = cv2.resize(halved(rgb, 1 / k), size, interpolation=cv2.INTER_AREA)
    copy = cv2.copyMakeBorder(
        small, 0, height - size[1], 0, width - size[0], cv2.BORDER_REPLICATE
    )  # fmt: skip
    return np.asarray(copy, np.uint8), k
