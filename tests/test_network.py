"""Copies that networks are shown: what shrinking keeps; and what the networks say.

Checked against scikit-image's block means, and OpenCV's own runner of the same files.
"""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.special import softmax
from skimage import data
from skimage.measure import block_reduce

import vision
from vision import azimuth_body, azimuth_near, outline, rod_around, rod_kinds, rod_near
from vision.network import fitted_in, halved, shares_of, shrink

ROUNDING = 1.5  # grey levels, of two halvings


@pytest.mark.parametrize(("scale", "block"), [(0.5, 2), (0.25, 4)])
def test_halving_is_the_mean_of_blocks(scale: float, block: int) -> None:
    picture = np.ascontiguousarray(data.astronaut()[:480, :512])
    means = block_reduce(picture, (block, block, 1), np.mean)
    assert np.abs(halved(picture, scale) - means).max() <= ROUNDING
    small, ratio = shrink(picture, scale)
    assert np.abs(small - means).max() <= ROUNDING
    assert ratio == pytest.approx([scale, scale])


def test_halving_stops_above_the_scale_and_at_odd_sides() -> None:
    picture = np.zeros((300, 400, 3), np.uint8)
    assert halved(picture, 0.3).shape == (150, 200, 3)
    assert halved(picture, 0.6).shape == picture.shape
    assert halved(picture, 0.1).shape == (75, 100, 3)  # 75 is odd
    assert halved(picture[:-1], 0.1).shape == (299, 400, 3)


@pytest.mark.parametrize("size", [(1601, 1199), (1600, 1200), (643, 900)])
def test_places_in_a_shrunk_picture_are_those_of_the_photo(size: tuple[int, int]) -> None:
    width, height = size
    y, x = np.mgrid[:height, :width]
    ramp = np.stack([x * 250 / width, y * 250 / height, 0 * x], axis=-1).astype(np.uint8)
    small, ratio = shrink(ramp, 0.21)
    at = np.array([40.0, 30.0])
    photo = (at + 0.5) / ratio - 0.5
    seen = small[30, 40, :2]
    assert seen == pytest.approx(photo * 250 / np.array(size), abs=1.5)
    copy, k = fitted_in(ramp, 100, 80)
    photo = (np.array([20.0, 15.0]) + 0.5) * k - 0.5
    assert copy[15, 20, :2] == pytest.approx(photo * 250 / np.array(size), abs=2.5)


@pytest.mark.parametrize(
    ("file", "size"),
    [
        (outline.WIDE_FILE, (outline.WIDTH, outline.HEIGHT)),
        (outline.NEAR_FILE, (outline.NEAR_WIDTH, outline.NEAR_HEIGHT)),
        (rod_kinds.FILE, (rod_kinds.WIDTH, rod_kinds.HEIGHT)),
        (rod_near.FILE, (rod_near.WIDTH, rod_near.HEIGHT)),
        (rod_around.FILE, (rod_around.WIDTH, rod_around.HEIGHT)),
        (azimuth_body.FILE, (azimuth_body.WIDTH, azimuth_body.HEIGHT)),
        (azimuth_near.FILE, (azimuth_near.WIDTH, azimuth_near.HEIGHT)),
    ],
)
@pytest.mark.parametrize("threads", [1, 2])
def test_shares_are_those_of_another_runner(
    file: str, size: tuple[int, int], threads: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cv2, "getNumThreads", lambda: threads)
    picture = np.asarray(cv2.resize(data.coffee(), size, interpolation=cv2.INTER_AREA), np.uint8)
    net = cv2.dnn.readNetFromONNX(str(Path(vision.__file__).with_name(file)))
    net.setInput(cv2.dnn.blobFromImage(picture, 1 / 255))
    shares = shares_of(file, picture)
    assert shares == pytest.approx(softmax(net.forward()[0], axis=0), abs=1e-3)
    assert shares.shape[1:] == size[::-1] and len(np.unique(shares.argmax(axis=0))) > 1
