"""Objects over a mirror and their images -> the mirror's line and normal in the picture.

A point at height h above a plane mirror and its image are joined by a line along the plane's
normal, h above it and h below. So in the picture the displacement from every point to its image
runs along the image of the normal, whatever the shape of the object and wherever the camera
stands; no slant enters, as it does with lines along the surface.

The line of symmetry is found first, at a small scale and over the whole picture: a column that
holds its own mirror image correlates with its reversed self at the offset of the line, so the
convolution of every column with itself, summed, peaks there (tilts are tried in turn). Then blocks
of the upper half are looked for in the flipped lower half (normalised cross-correlation), and the
sideways shift of each, which grows with its height, gives the direction of the normal. Blocks that
hang under the rod count most: the outline of a round rod's end is not the same seen from above
and, in the mirror, from below.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.network import shrink
from vision.side_rod import SideRod

Array = NDArray[np.float64]
Grey = NDArray[np.float32]
Picture = NDArray[np.uint8]

COARSE_WIDTH, MIDDLE_WIDTH = 240.0, 560.0  # px of the picture's width in the working copies
FINE_THICKNESS = 72.0  # px of rod thickness where the normal is measured
BEYOND, ALONG, ABOVE = 1.3, 3.2, 1.8  # what is looked at about the free end, in thicknesses
# luma and two colour differences
PLANES = np.array([[0.299, 0.587, 0.114], [0.7, -0.7, 0], [0, -0.7, 0.7]], np.float32)
_ROOTS = np.sqrt(np.arange(256, dtype=np.float32) / np.float32(255))
TILTS_DEG = np.arange(-8.0, 8.1, 1.0)
STARTS = 2
LEAST_START, SURE_START = 1.5, 6.0  # blocks that must agree, or settle it, at the start
LEAST_HEIGHT = 0.12  # of the picture's height: a mirror's line leaves this much above and below it
BLOCK, REACH = 27, 7  # px: size of the blocks; how far from its place a block is looked for
FEWER = 20  # px from block to block where only the line is wanted
LEAST_MATCH = 0.5  # correlation below which a block counts nothing
LEAST_INFO = 0.02  # mean squared gradient (of 1) across the direction wanted
# Mean product of the gradient's two parts, and its share: edges that a mirror turns round.
LEAST_SLANT, LEAST_SLOPE = 0.004, 0.12
OUTLINE_WEIGHT = 0.1  # of blocks on the rod itself
OUTLINE_U_DEG, FLOOR_U_DEG = 0.3, 0.06
AGREE_PX = 2.0  # by how much a block's image may miss the common line of symmetry
BLOCKS_TOGETHER = 4.0  # blocks overlap by half, and one edge runs through several
NOISES = 3.0  # of the median gradient: where an edge counts half
SOFT = 3.8  # px of further blur, against which focus is judged
LEAST_CLEAR = 2.0  # of the noise: an image fainter than this tells nothing of its focus


@dataclass(frozen=True)
class _Blocks:
    """Blocks of the upper half that were looked for in the flipped lower half, one an entry.

    ``u``, ``height``: place, px. ``aside``, ``down``: shift, px. ``match``: correlation.
    ``tells_x``, ``tells_y``: what the block tells of its two shifts. ``turned``: whether it would
    look different if it were not mirrored. ``steepness``: gradient of the image over the block's
    own. ``focus``: the same, each against its own blurred copy; NaN where the image is faint.
    """

    u: Array
    height: Array
    aside: Array
    down: Array
    match: Array
    tells_x: Array
    tells_y: Array
    turned: NDArray[np.bool_]
    steepness: Array
    focus: Array

    def __len__(self) -> int:
        return len(self.u)

    @property
    def trust(self) -> Array:
        """0..1 by the correlation."""
        return np.asarray(np.clip((self.match - LEAST_MATCH) / (1 - LEAST_MATCH), 0, 1))


@dataclass(frozen=True)
class _Seen:
    """Blocks, where they are, and which hang under the rod."""

    blocks: _Blocks
    origin: Array
    basis: Array
    at: Array
    hangs: NDArray[np.bool_]


@dataclass(frozen=True)
class SymmetryLine:
    """Line about which what is above it and what is below mirror each other.

    Parameters
    ----------
    point : ndarray, shape (2,)
        Pixels.
    tilt : float
        Direction, radians.
    matched : float
        Blocks found again in the image, weighted by how well they agree; those that would look
        different if they were not mirrored.
    share : float
        Of the blocks that should be found again, 0..1.
    steepness : float
        Median gradient of the image over that of the object.
    focus : float
        Median sharpness of the image over that of the object, whatever their contrasts.
    """

    point: Array
    tilt: float
    matched: float
    share: float
    steepness: float
    focus: float

    def y_at(self, x: float) -> float:
        """Height of the line in the picture at x."""
        return float(self.point[1] + math.tan(self.tilt) * (x - self.point[0]))


@dataclass(frozen=True)
class Normal:
    """Where the surface's normal points in the picture.

    Parameters
    ----------
    p0, p1 : ndarray, shape (2,)
        A mean point of the object and its image, pixels.
    angle_u : float
        Standard uncertainty of the direction p0-p1, radians.
    line : SymmetryLine
        The line of symmetry, measured anew near the rod's free end.
    """

    p0: Array
    p1: Array
    angle_u: float
    line: SymmetryLine
    seen: _Seen

    def about(self, x: float, reach: float) -> Normal:
        """The same with what lies within ``reach`` pixels of ``x`` (the stylus) counted whole."""
        full = self.seen.hangs | (np.abs(self.seen.at[:, 0] - x) < reach)
        found = _direction(self.seen, full)
        return self if found is None else Normal(*found, self.line, self.seen)


@dataclass(frozen=True)
class _Copy:
    """A straightened copy: photo = origin + basis @ (u, y), the surface's guess along y = 0."""

    origin: Array
    basis: Array
    u0: int
    rows: int  # above and below y = 0
    field: Grey  # (2 rows + 1, W, 2): gradient, clipped, noise held down
    square: Grey  # its square, unclipped
    blurred: Grey  # the same of the blurred picture
    inside: NDArray[np.bool_]


def find_symmetry(rgb: Picture) -> SymmetryLine | None:
    """The line about which the picture mirrors itself downwards, or None where nothing does.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    """
    middle = shrink(rgb, min(1.0, MIDDLE_WIDTH / rgb.shape[1]))
    picture, ratio = shrink(middle[0], min(1.0, COARSE_WIDTH / middle[0].shape[1]))
    small = picture, ratio * middle[1]
    best: SymmetryLine | None = None
    for point, tilt in _starts(rgb, small):
        moved = _settled(_whole(middle, rgb.shape, point, tilt), tilt)
        if moved is None or (best is not None and moved.matched <= best.matched):
            continue
        best = moved
        if best.matched > SURE_START:
            break
    if best is None or best.matched < LEAST_START:
        return None
    return _settled(_whole(middle, rgb.shape, best.point, best.tilt), best.tilt)


def find_normal(rgb: Picture, rod: SideRod, line: SymmetryLine) -> Normal | None:
    """Direction of the surface's normal from what hangs about the rod's free end, or None.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (H, W, 3)
    rod : SideRod
    line : SymmetryLine
    """
    fine = shrink(rgb, min(1.0, FINE_THICKNESS / rod.thickness))
    down = line.y_at(float(rod.free_end[0])) - float(rod.free_end[1])
    if down < 0.1 * rod.thickness:
        return None
    near = _settled(_about_rod(fine, rgb.shape, rod, line.point, line.tilt), line.tilt)
    if near is None:
        return None
    copy = _about_rod(fine, rgb.shape, rod, near.point, near.tilt)
    if copy.rows < 2 * BLOCK:
        return None
    blocks = _blocks(copy)
    settled = _settled(copy, near.tilt, blocks)
    if settled is None:
        return None
    at = copy.origin + np.column_stack([blocks.u, -blocks.height]) @ copy.basis.T
    under = rod.bottom.y0 + math.tan(rod.bottom.angle) * (at[:, 0] - rod.bottom.x0)
    half = 0.5 * BLOCK * float(np.linalg.norm(copy.basis[:, 0]))
    seen = _Seen(blocks, copy.origin, copy.basis, at, at[:, 1] > under + half)
    found = _direction(seen, seen.hangs)
    return None if found is None else Normal(*found, settled, seen)


def _starts(rgb: Picture, small: tuple[Picture, Array]) -> Iterator[tuple[Array, float]]:
    """Likely lines of symmetry, best first."""
    height, width = rgb.shape[:2]
    picture, scale = small[0], float(small[1][1])
    field, _, _ = _gradient(picture)
    tall, wide = picture.shape[:2]
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    field[:2], field[-2:], field[:, :2], field[:, -2:] = 0, 0, 0, 0
    steep = np.maximum(np.hypot(field[..., 0], field[..., 1]), np.float32(1e-6))
    level = (field[..., 0] ** 2 - field[..., 1] ** 2) / steep
    slanted = 2 * field[..., 0] * field[..., 1] / steep
    size = cv2.getOptimalDFTSize(2 * tall)
    # offset s pairs rows y and s - y: the line lies at s / 2; a mirror turns the sign of slants
    first = int(2 * LEAST_HEIGHT * tall)
    sums = np.arange(first, int(2 * (1 - LEAST_HEIGHT) * tall))
    curves = []
    for tilt in TILTS_DEG:
        turn = cv2.getRotationMatrix2D(((wide - 1) / 2, (tall - 1) / 2), float(tilt), 1.0)
        twice = 2 * math.radians(tilt)
        turned = math.cos(twice) * slanted - math.sin(twice) * level
        seen = np.asarray(cv2.warpAffine(turned, turn, (wide, tall), flags=cv2.INTER_LINEAR))
        wave = np.fft.rfft(seen, size, axis=0)
        same = -np.fft.irfft(np.sum(wave**2, axis=1), size)
        energy = np.cumsum(np.sum(seen**2, axis=1))
        hidden = energy[np.clip(sums - tall, 0, tall - 1)] * (sums >= tall)
        paired = energy[np.minimum(sums, tall - 1)] - hidden
        share = same[sums] / (paired + 1e-6)
        curves.append(np.clip(same[sums], 0, None) * np.clip(share, 0, 1))
    table = np.stack(curves)
    for _ in range(STARTS):
        i, k = divmod(int(np.argmax(table)), table.shape[1])
        if table[i, k] <= 0:
            return
        tilt = math.radians(float(TILTS_DEG[i]))
        down = ((first + k) / 2 - (tall - 1) / 2) / scale
        yield centre + down * np.array([-math.sin(tilt), math.cos(tilt)]), tilt
        table[max(0, i - 2) : i + 3, max(0, k - 8) : k + 9] = 0
        table[:, max(0, k - 3) : k + 4] = 0


def _whole(
    small: tuple[Picture, Array],
    shape: tuple[int, ...],
    point: Array,
    tilt: float,
) -> _Copy:
    """A copy of the whole picture's width."""
    scale = small[1]
    half = shape[1] * float(scale[0]) / 2
    aside = float((point[0] - (shape[1] - 1) / 2) * scale[0])
    tall = min(float(point[1]), shape[0] - 1 - float(point[1])) + math.sin(abs(tilt)) * shape[1] / 2
    rows = int(min(tall, 0.75 * shape[0]) * float(scale[1]))
    return _copied(small, shape, point, tilt, (int(-half - aside), int(half - aside)), rows)


def _about_rod(
    small: tuple[Picture, Array], shape: tuple[int, ...], rod: SideRod, point: Array, tilt: float
) -> _Copy:
    """A copy of what is about the rod's free end."""
    scale = float(small[1][0])
    turn = np.array([[math.cos(tilt), -math.sin(tilt)], [math.sin(tilt), math.cos(tilt)]])
    end = scale * (rod.free_end - point) @ turn
    t = rod.thickness * scale
    left, right = (BEYOND, ALONG) if rod.pivot_right else (ALONG, BEYOND)
    columns = (int(end[0] - left * t), int(end[0] + right * t))
    return _copied(small, shape, point, tilt, columns, int(ABOVE * t - end[1]))


def _copied(
    small: tuple[Picture, Array],
    shape: tuple[int, ...],
    point: Array,
    tilt: float,
    columns: tuple[int, int],
    rows: int,
) -> _Copy:
    picture, ratio = small
    scale = float(ratio[0])
    turn = np.array([[math.cos(tilt), -math.sin(tilt)], [math.sin(tilt), math.cos(tilt)]])
    basis = turn / scale
    u0, u1 = columns
    size = (u1 - u0, 2 * rows + 1)
    start = point + basis @ np.array([u0, -rows], float)
    matrix = np.column_stack([ratio[:, None] * basis, ratio * (start + 0.5) - 0.5])
    warped = cv2.warpAffine(
        picture,
        matrix,
        size,
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    field, square, blurred = _gradient(np.asarray(warped, np.uint8))
    y = np.arange(-rows, rows + 1, dtype=np.float32)[:, None]
    u = np.arange(u0, u1, dtype=np.float32)[None]
    edge = 6 / scale
    inside = np.ones(size[::-1], bool)
    for axis, length in ((0, shape[1]), (1, shape[0])):
        along, down = basis[axis].astype(np.float32)
        at = np.float32(point[axis]) + along * u + down * y
        inside &= (at > edge) & (at < length - 1 - edge)
    return _Copy(point, basis, u0, rows, field * inside[..., None], square, blurred, inside)


def _gradient(picture: Picture) -> tuple[Grey, Grey, Grey]:
    """Gradient of the locally strongest of luma and two colour differences.

    Clipped and with what may be noise held down; its square, whole; and that of a blurred copy.
    """
    specks_gone = cv2.medianBlur(picture, 3)
    f = cv2.transform(cv2.LUT(specks_gone, _ROOTS), PLANES)
    f = cv2.GaussianBlur(f, (0, 0), 1.2)
    gx, gy, square = _strongest(f)
    noise = max(0.01, NOISES * math.sqrt(float(np.median(square[::2, ::2]))))
    weight = np.sqrt(square) / (square + np.float32(noise**2))
    half = cv2.resize(f, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    _, _, coarse = _strongest(cv2.GaussianBlur(half, (0, 0), SOFT / 2))
    blurred = cv2.resize(coarse / 4, square.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.dstack([gx * weight, gy * weight]), square, np.asarray(blurred, np.float32)


def _strongest(planes: cv2.typing.MatLike) -> tuple[Grey, Grey, Grey]:
    """Gradient of that plane in which it is largest, pixel by pixel, and its square."""
    gx, gy, square = np.zeros((3, *planes.shape[:2]), np.float32)
    for plane in cv2.split(planes):
        x = cv2.Sobel(plane, cv2.CV_32F, 1, 0, scale=1 / 8)
        y = cv2.Sobel(plane, cv2.CV_32F, 0, 1, scale=1 / 8)
        own = np.asarray(x * x + y * y, np.float32)
        more = own > square
        for best, this in ((gx, x), (gy, y), (square, own)):
            np.copyto(best, this, where=more)
    return gx, gy, square


def _settled(copy: _Copy, tilt: float, blocks: _Blocks | None = None) -> SymmetryLine | None:
    """The line of symmetry of a copy, moved to where its halves agree.

    Blocks not given are looked for, fewer of them.
    """
    if copy.rows < 2 * BLOCK:
        return None
    blocks = _blocks(copy, FEWER) if blocks is None else blocks
    if len(blocks) < 4:
        return None
    shift = _line(blocks)
    point = copy.origin + copy.basis @ np.array([0.0, -shift[0] / 2])
    tilt = tilt - math.atan(shift[1] / 2)
    if abs(tilt) > math.radians(TILTS_DEG[-1] + 1):
        return None
    miss = blocks.down - shift[0] - shift[1] * blocks.u
    agree = blocks.trust * np.exp(-0.5 * (miss / AGREE_PX) ** 2)
    matched = float(agree[blocks.turned].sum())
    good = blocks.turned & (agree > 0.2)
    steepness = float(np.median(blocks.steepness[good])) if good.any() else 0.0
    clear = good & np.isfinite(blocks.focus)
    focus = float(np.median(blocks.focus[clear])) if clear.any() else 0.0
    share = matched / max(1, int(blocks.turned.sum()))
    return SymmetryLine(point, tilt, matched, share, steepness, focus)


def _blocks(copy: _Copy, step: int = BLOCK // 2) -> _Blocks:
    """Blocks of the upper half and where they are in the flipped lower half."""
    up = copy.field
    flipped = np.ascontiguousarray(up[::-1] * np.array([1, -1], np.float32))
    both = copy.inside & copy.inside[::-1]
    clear = cv2.erode(both.astype(np.uint8), np.ones((BLOCK, BLOCK), np.uint8)) > 0
    xx, yy, xy = map(_boxed, (up[..., 0] ** 2, up[..., 1] ** 2, up[..., 0] * up[..., 1]))
    about_x, about_y = xx - xy**2 / (yy + 3e-3), yy - xy**2 / (xx + 3e-3)
    slanted = np.abs(xy) > np.maximum(LEAST_SLANT, LEAST_SLOPE * (xx + yy))
    worth = clear & (slanted | (np.maximum(about_x, about_y) > LEAST_INFO))
    turned = slanted | (np.minimum(about_x, about_y) > LEAST_INFO / 2)
    square, blurred = _boxed(copy.square), _boxed(copy.blurred) + 1e-12
    noise = 1.5 * float(np.median(copy.square[copy.inside])) if copy.inside.any() else 0.0
    clean = np.maximum(square - noise, 0)
    half, width = BLOCK // 2, up.shape[1]
    rows = []
    for r in range(half + 1, copy.rows - half, step):
        for c in range(half + 1 + REACH, width - half - REACH - 1, step):
            if not worth[r, c]:
                continue
            first = max(0, r - half - REACH)
            seen = flipped[first : r + half + 1 + REACH, c - half - REACH : c + half + 1 + REACH]
            own = up[r - half : r + half + 1, c - half : c + half + 1]
            match = cv2.matchTemplate(seen, own, cv2.TM_CCORR_NORMED)
            v = np.arange(match.shape[0]) + first - (r - half)
            u = np.arange(match.shape[1]) - REACH
            score = match - 2e-3 * v[:, None] ** 2 - 5e-4 * u[None] ** 2
            i, j = divmod(int(np.argmax(score)), score.shape[1])
            if not (0 < i < score.shape[0] - 1 and 0 < j < score.shape[1] - 1):
                continue
            du = _vertex(score[i, j - 1 : j + 2])
            dv = _vertex(score[i - 1 : i + 2, j])
            image = (2 * copy.rows - r - v[i], c + u[j])
            focus = clean[image] / blurred[image] * blurred[r, c] / max(clean[r, c], 1e-12)
            rows.append(
                (
                    copy.u0 + c, copy.rows - r, u[j] + du, v[i] + dv, match[i, j],
                    about_x[r, c], about_y[r, c], turned[r, c],
                    math.sqrt(max(square[image], 0.0) / max(square[r, c], 1e-12)),
                    focus if square[image] > LEAST_CLEAR * noise else math.nan,
                )
            )  # fmt: skip
    u, height, aside, down, *rest = np.array(rows, float).reshape(-1, 10).T
    alike, tells_x, tells_y, turns, steepness, focus = rest
    return _Blocks(
        u, height, aside, down, alike, tells_x, tells_y, turns > 0, steepness, focus
    )  # fmt: skip


def _boxed(a: Grey) -> Grey:
    return np.asarray(cv2.boxFilter(np.ascontiguousarray(a), -1, (BLOCK, BLOCK)))


def _vertex(y: Array) -> float:
    bend = min(float(y[0] - 2 * y[1] + y[2]), -1e-6)
    return min(max(0.5 * float(y[0] - y[2]) / bend, -0.5), 0.5)


def _line(blocks: _Blocks) -> Array:
    """Downward shift of the blocks at u = 0, and its slope along u."""
    u, v = blocks.u, blocks.down
    weight = blocks.trust * np.minimum(blocks.tells_y, 0.1)
    if np.count_nonzero(weight) < 4:
        return np.zeros(2)
    design = np.column_stack([np.ones_like(u), u])
    robust: Array = np.ones_like(u)
    shift: Array = np.zeros(2)
    for _ in range(12):
        w = weight * robust
        normal = (design * w[:, None]).T @ design + np.diag([1e-9, 1e-3])
        shift = np.asarray(np.linalg.solve(normal, (design * w[:, None]).T @ v), float)
        miss = v - design @ shift
        spread = max(0.7, 1.4826 * float(np.median(np.abs(miss[weight > 0]))))
        robust = 1 / (1 + (miss / spread) ** 2)
    return np.asarray(shift)


def _direction(seen: _Seen, full: NDArray[np.bool_]) -> tuple[Array, Array, float] | None:
    """Mean point, its image and the uncertainty of their direction; ``full`` blocks count whole."""
    blocks = seen.blocks
    u, height, aside = blocks.u, blocks.height, blocks.aside
    line = _line(blocks)
    off = np.abs(blocks.down - line[0] - line[1] * u) > 4
    told = np.minimum(blocks.tells_x, 0.1)
    weight = np.where(off, 0, blocks.trust * told) * np.where(full, 1, OUTLINE_WEIGHT)
    if np.count_nonzero(weight) < 4:
        return None
    # shift = turn * 2 height + a constant that should vanish
    design = np.column_stack([2 * height, np.ones_like(height)])
    robust: Array = np.ones_like(height)
    for _ in range(15):
        w = weight * robust
        normal = (design * w[:, None]).T @ design + np.diag([0, 0.4 * w.sum()])
        turn, constant = np.linalg.solve(normal, (design * w[:, None]).T @ aside)
        miss = aside - design @ np.array([turn, constant])
        spread = max(0.3, 1.4826 * math.sqrt(np.average(np.minimum(miss**2, 4), weights=weight)))
        robust = 1 / (1 + (miss / spread) ** 2)
    count = max(float(w.sum() ** 2 / np.sum(w**2)) / BLOCKS_TOGETHER, 1.0)
    few = math.sqrt((count + 2) / count)  # a scatter told by few blocks is itself uncertain
    scatter = math.sqrt(max(float(np.average(miss**2, weights=w)), 0.1**2))
    mean_height = math.sqrt(float(np.average(height**2, weights=w)))
    outline = float(w[~full].sum() / w.sum())
    angle_u = math.hypot(
        few * scatter / (2 * mean_height * math.sqrt(count)),
        math.radians(FLOOR_U_DEG),
        outline * math.radians(OUTLINE_U_DEG),
        float(constant) / (2 * mean_height),
    )
    tall, along = float(np.average(height, weights=w)), float(np.average(u, weights=w))
    p0 = seen.origin + seen.basis @ np.array([along, -tall])
    p1 = seen.origin + seen.basis @ np.array([along + 2 * tall * turn, tall])
    return p0, p1, angle_u
