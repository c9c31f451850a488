"""Quick renderer of printed sheets in space, with objects on and over them, and of speed videos.

The PDF itself is rasterised (pypdfium2), laid on a plane (optionally curled, printed at a wrong
scale, mirrored), seen by a pinhole camera with radial distortion, blurred, given noise and saved
as a JPEG with EXIF, so a test runs from print to reading. Objects are cylinders, boxes and flat
shapes drawn by exact ray distance, in painter's order. Lengths in mm, the sheet's frame of
``vision.sheet_layouts``; the renderer shares no geometry code with the readers.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np
import pypdfium2
from PIL import Image

from bench.sheets import sheet_pdf
from vision.photo import Photo, load_photo

PAPER_SIZE = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}


@dataclass(frozen=True)
class Ink:
    """A rasterised page and the affine map (2, 3) from its millimetres to raster pixels."""

    grey: np.ndarray
    to_px: np.ndarray
    paper: tuple[float, float]


@lru_cache(maxsize=12)
def raster(
    name: str,
    page: int = 1,
    dpi: int = 200,
    paper: str = "a4",
    nulls: tuple[float, float] = (66.0, 120.9),
    length: float = 230.0,
    version: int = 1,
) -> Ink:
    """Rasterise a page of a sheet.

    The page is turned by 1.3 degrees while it is rasterised, because pdfium snaps upright
    rectangles to whole pixels (0.03 mm at 300 dpi), which no printer at 600 dpi or more does.
    """
    data = sheet_pdf(
        name, paper=paper, null_radii_mm=nulls, effective_length_mm=length, version=version
    )
    return raster_pdf(data, page, dpi, PAPER_SIZE[paper])


def raster_pdf(data: bytes, page: int, dpi: float, size: tuple[float, float]) -> Ink:
    """Rasterise one page of a PDF, turned as `raster` says."""
    raw = pypdfium2.raw
    s, turn = dpi / 72, math.radians(1.3)
    c, q = s * math.cos(turn), s * math.sin(turn)
    wide, tall = size[0] * 72 / 25.4, size[1] * 72 / 25.4
    corners = np.array([[c * x - q * y, q * x + c * y] for x in (0, wide) for y in (0, tall)])
    shift = 4 - corners.min(0)
    width, height = np.ceil(corners.max(0) + shift + 4).astype(int)
    document = pypdfium2.PdfDocument(data)
    bitmap = pypdfium2.PdfBitmap.new_native(int(width), int(height), raw.FPDFBitmap_Gray)
    bitmap.fill_rect((255, 255, 255, 255), 0, 0, int(width), int(height))
    matrix = raw.FS_MATRIX(c, q, -q, c, *map(float, shift))
    clip = raw.FS_RECTF(0, 0, float(width), float(height))
    raw.FPDF_RenderPageBitmapWithMatrix(bitmap, document[page - 1], matrix, clip, 0)
    grey = np.array(bitmap.to_numpy(), np.float32).squeeze() / 255
    k = 72 / 25.4
    a = np.array([[c * k, q * k], [q * k, -c * k]])
    middle = a @ [size[0] / 2, -size[1] / 2] + shift - 0.5
    return Ink(grey, np.column_stack([a, middle]), size)


@dataclass
class View:
    """Where the camera stands: looks at ``target`` from ``distance`` mm.

    ``elevation`` is the angle of the line of sight to the sheet, ``azimuth`` the side it comes
    from (0 = from +x, -90 = from the sheet's lower edge), ``roll`` turns the camera.
    """

    target: tuple[float, float, float]
    distance: float
    elevation: float = 90.0
    azimuth: float = -90.0
    roll: float = 0.0
    width: int = 1600
    height: int = 1200
    f35: float = 26.0
    k1: float = 0.0

    @property
    def f_px(self) -> float:
        return self.f35 * math.hypot(self.width, self.height) / 43.27

    def pose(self) -> tuple[np.ndarray, np.ndarray]:
        """R, t of X_camera = R X + t."""
        e, a = math.radians(self.elevation), math.radians(self.azimuth)
        back = np.array([math.cos(e) * math.cos(a), math.cos(e) * math.sin(a), math.sin(e)])
        up = np.array([-math.sin(e) * math.cos(a), -math.sin(e) * math.sin(a), math.cos(e)])
        z = -back
        y = -up
        x = np.cross(y, z)
        r = math.radians(self.roll)
        x, y = math.cos(r) * x + math.sin(r) * y, -math.sin(r) * x + math.cos(r) * y
        rotation = np.stack([x, y, z])
        eye = np.asarray(self.target, float) + self.distance * back
        return rotation, -rotation @ eye


@dataclass
class Shot:
    """A picture being painted. Call `sheet`, `shape`, `rod`, `box` in order, then `photo`."""

    view: View
    background: float = 0.35
    scale: int = 2
    canvas: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        shape = (self.view.height * self.scale, self.view.width * self.scale)
        self.canvas = np.full(shape, self.background, np.float32)
        self._rotation, self._shift = self.view.pose()
        self._eye = -self._rotation.T @ self._shift

    def project(self, xyz: np.ndarray) -> np.ndarray:
        """Pixels of the finished photo."""
        v = self.view
        q = np.asarray(xyz, float) @ self._rotation.T + self._shift
        u = q[..., :2] / q[..., 2:3] * v.f_px
        r2 = np.sum(u * u, -1, keepdims=True) / (math.hypot(v.width, v.height) / 2) ** 2
        return u * (1 + v.k1 * r2) + [(v.width - 1) / 2, (v.height - 1) / 2]

    def _rays(self, xs: np.ndarray, ys: np.ndarray) -> np.ndarray:
        """Directions in the sheet's frame for photo pixel grids, not normalised."""
        v = self.view
        half = math.hypot(v.width, v.height) / 2
        dx, dy = (xs - (v.width - 1) / 2) / half, (ys - (v.height - 1) / 2) / half
        ux, uy = dx, dy
        for _ in range(6 if v.k1 else 0):
            s = 1 + v.k1 * (ux * ux + uy * uy)
            ux, uy = dx / s, dy / s
        rays = np.stack([ux * half / v.f_px, uy * half / v.f_px, np.ones_like(ux)], -1)
        return rays @ self._rotation

    def sheet(
        self,
        ink: Ink,
        print_scale: tuple[float, float] = (1.0, 1.0),
        curl: Sequence[float] = (0.0, 0.0, 0.0),
        shift: tuple[float, float] = (0.0, 0.0),
        turn: float = 0.0,
        height: float = 0.0,
        window: tuple[float, float, float, float] | None = None,
        light: float = 0.0,
    ) -> None:
        """Lay a printed page: its own middle at ``shift``, turned, scaled; z = curl polynomial.

        ``window`` (x0, y0, x1, y1 in the page's mm) keeps only that part, as cut out.
        """
        s, g = self.scale, 8
        rows, cols = self.canvas.shape
        jx, jy = np.arange(-2, cols // g + 3), np.arange(-2, rows // g + 3)
        xs = (((jx + 0.5) * g - 0.5) + 0.5) / s - 0.5
        ys = (((jy + 0.5) * g - 0.5) + 0.5) / s - 0.5
        rays = self._rays(*np.meshgrid(xs, ys))
        z = np.full(rays.shape[:2], height)
        for _ in range(8 if any(curl) else 1):
            depth = (z - self._eye[2]) / rays[..., 2]
            x = self._eye[0] + rays[..., 0] * depth
            y = self._eye[1] + rays[..., 1] * depth
            z = height + curl[0] * (x / 100) ** 2 + curl[1] * x * y / 1e4 + curl[2] * (y / 100) ** 2
        c, q = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        px = (c * (x - shift[0]) + q * (y - shift[1])) / print_scale[0]
        py = (-q * (x - shift[0]) + c * (y - shift[1])) / print_scale[1]
        px = np.where(depth <= 0, 1e4, px).astype(np.float32)
        py = np.where(depth <= 0, 1e4, py).astype(np.float32)
        size = (len(jx) * g, len(jy) * g)
        mx, my = (
            cv2.resize(m, size, interpolation=cv2.INTER_CUBIC)[2 * g : 2 * g + rows, 2 * g :][
                :, :cols
            ]
            for m in (px, py)
        )
        w, h = ink.paper[0] / 2, ink.paper[1] / 2
        x0, y0, x1, y1 = window or (-w, -h, w, h)
        on = (mx >= x0) & (mx <= x1) & (my >= y0) & (my <= y1)
        t = ink.to_px.astype(np.float32)
        tx, ty = (t[i, 0] * mx + t[i, 1] * my + t[i, 2] for i in (0, 1))
        texture = cv2.remap(ink.grey, tx, ty, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        yy, xx = np.mgrid[0:rows, 0:cols].astype(np.float32)
        shade = 1 + light * ((xx / cols - 0.5) + (yy / rows - 0.5))
        self.canvas = np.where(on, (0.06 + 0.84 * texture) * shade, self.canvas).astype(np.float32)

    def _region(self, points: np.ndarray, margin: float = 6) -> tuple[slice, slice] | None:
        p = self.project(points) * self.scale
        x0, y0 = np.floor(p.min(0) - margin * self.scale).astype(int)
        x1, y1 = np.ceil(p.max(0) + margin * self.scale).astype(int)
        rows, cols = self.canvas.shape
        x0, x1 = max(x0, 0), min(x1, cols)
        y0, y1 = max(y0, 0), min(y1, rows)
        return (slice(y0, y1), slice(x0, x1)) if x1 > x0 and y1 > y0 else None

    def _grid(self, region: tuple[slice, slice]) -> np.ndarray:
        ys = (np.arange(region[0].start, region[0].stop) + 0.5) / self.scale - 0.5
        xs = (np.arange(region[1].start, region[1].stop) + 0.5) / self.scale - 0.5
        return self._rays(*np.meshgrid(xs, ys))

    def _blend(self, region: tuple[slice, slice], cover: np.ndarray, grey: np.ndarray) -> None:
        cover = np.clip(cover, 0, 1).astype(np.float32)
        self.canvas[region] = self.canvas[region] * (1 - cover) + cover * grey

    def shape(
        self,
        distance: Callable[[np.ndarray, np.ndarray], np.ndarray],
        box: tuple[float, float, float, float],
        height: float,
        grey: float,
    ) -> None:
        """A flat shape at a height: ``distance(x, y)`` is its signed distance in mm, < 0 inside."""
        x0, y0, x1, y1 = box
        corners = np.array([[x, y, height] for x in (x0, x1) for y in (y0, y1)])
        region = self._region(corners)
        if region is None:
            return
        rays = self._grid(region)
        depth = (height - self._eye[2]) / rays[..., 2]
        x = self._eye[0] + rays[..., 0] * depth
        y = self._eye[1] + rays[..., 1] * depth
        per = self.view.f_px / depth * self.scale
        self._blend(region, 0.5 - distance(x, y) * per, np.float32(grey))

    def disc(self, x: float, y: float, height: float, radius: float, grey: float) -> None:
        box = (x - radius, y - radius, x + radius, y + radius)
        self.shape(lambda a, b: np.hypot(a - x, b - y) - radius, box, height, grey)

    def ring(
        self, x: float, y: float, height: float, radius: float, width: float, grey: float
    ) -> None:
        box = (x - radius - width, y - radius - width, x + radius + width, y + radius + width)
        self.shape(
            lambda a, b: np.abs(np.hypot(a - x, b - y) - radius) - width / 2, box, height, grey
        )

    def rectangle(
        self,
        x: float,
        y: float,
        half: tuple[float, float],
        turn: float,
        height: float,
        grey: float,
        corner: float = 0.0,
    ) -> None:
        c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))

        def distance(a: np.ndarray, b: np.ndarray) -> np.ndarray:
            u = np.abs(c * (a - x) + s * (b - y)) - half[0] + corner
            w = np.abs(-s * (a - x) + c * (b - y)) - half[1] + corner
            outside = np.hypot(np.maximum(u, 0), np.maximum(w, 0))
            return outside + np.minimum(np.maximum(u, w), 0) - corner

        reach = math.hypot(*half)
        self.shape(distance, (x - reach, y - reach, x + reach, y + reach), height, grey)

    def rod(
        self,
        p: Sequence[float],
        q: Sequence[float],
        r0: float,
        r1: float | None = None,
        grey: float = 0.5,
        gloss: float = 0.3,
        floor: bool = False,
    ) -> None:
        """A round rod from p to q, radius r0 to r1, lit from above: exact distance of each ray.

        ``floor`` hides what lies below z = 0.
        """
        a, b = np.asarray(p, float), np.asarray(q, float)
        r1 = r0 if r1 is None else r1
        big = max(r0, r1)
        ends = np.array([e + d for e in (a, b) for d in big * np.vstack([np.eye(3), -np.eye(3)])])
        region = self._region(ends)
        if region is None:
            return
        rays = self._grid(region)
        length = np.linalg.norm(rays, axis=-1)
        w = rays / length[..., None]
        axis = b - a
        size = np.linalg.norm(axis)
        d = axis / size
        start = self._eye - a
        wd = w @ d
        s0, w0 = start @ d, w @ start
        den = np.maximum(1 - wd * wd, 1e-9)
        along = np.clip((s0 - wd * w0) / den, 0, size)
        nearest = a + along[..., None] * d
        t = np.sum((nearest - self._eye) * w, -1)
        gap = self._eye + t[..., None] * w - nearest
        miss = np.linalg.norm(gap, axis=-1)
        radius = r0 + (r1 - r0) * along / size
        per = self.view.f_px / np.maximum(t * (w @ self._rotation[2]), 1) * self.scale
        lit = grey * (1 + gloss * np.clip(gap[..., 2] / np.maximum(radius, 1e-6), -1, 1))
        cover = 0.5 + (radius - miss) * per
        if floor:
            front = t - np.sqrt(np.maximum(radius**2 - miss**2, 0))
            cover = np.where(front <= -self._eye[2] / w[..., 2] + 0.02, cover, 0)
        self._blend(region, cover, lit.astype(np.float32))

    def box(self, corners: np.ndarray, grey: float) -> None:
        """The silhouette of a convex body given by its corners (N, 3)."""
        p = self.project(np.asarray(corners, float)).astype(np.float32)
        hull = cv2.convexHull(p.reshape(-1, 1, 2)).reshape(-1, 2).astype(float)
        region = self._region(np.asarray(corners, float))
        if region is None:
            return
        ys = (np.arange(region[0].start, region[0].stop) + 0.5) / self.scale - 0.5
        xs = (np.arange(region[1].start, region[1].stop) + 0.5) / self.scale - 0.5
        gx, gy = np.meshgrid(xs, ys)
        inside = np.full(gx.shape, np.inf)
        middle = hull.mean(0)
        for (x0, y0), (x1, y1) in zip(hull, np.roll(hull, -1, 0), strict=True):
            n = np.array([y1 - y0, x0 - x1])
            if np.linalg.norm(n) < 1e-9:
                continue
            n /= np.linalg.norm(n)
            if (middle - [x0, y0]) @ n < 0:
                n = -n
            inside = np.minimum(inside, (gx - x0) * n[0] + (gy - y0) * n[1])
        self._blend(region, inside * self.scale + 0.5, np.float32(grey))

    def photo(
        self,
        rng: np.random.Generator,
        blur: float = 0.8,
        noise: float = 0.01,
        quality: int = 92,
        name: str = "scene.jpg",
        f35_tag: float | None = None,
        flip: bool = False,
    ) -> Photo:
        """Blur (px), vignette, noise, JPEG with the focal length in EXIF; loaded as a `Photo`."""
        return load_photo(self.jpeg(rng, blur, noise, quality, f35_tag, flip), name)

    def jpeg(
        self,
        rng: np.random.Generator,
        blur: float = 0.8,
        noise: float = 0.01,
        quality: int = 92,
        f35_tag: float | None = None,
        flip: bool = False,
    ) -> bytes:
        size = (self.view.width, self.view.height)
        picture = cv2.resize(self.canvas, size, interpolation=cv2.INTER_AREA)
        if blur > 0:
            picture = cv2.GaussianBlur(picture, (0, 0), blur)
        picture = picture + rng.normal(0, noise, picture.shape).astype(np.float32)
        if flip:
            picture = picture[:, ::-1]
        pixels = np.clip(picture * 255 + 0.5, 0, 255).astype(np.uint8)
        image = Image.fromarray(np.ascontiguousarray(pixels)).convert("RGB")
        exif = Image.Exif()
        exif.get_ifd(0x8769)[0xA405] = round(self.view.f35 if f35_tag is None else f35_tag)
        buffer = io.BytesIO()
        image.save(buffer, "JPEG", quality=quality, exif=exif)
        return buffer.getvalue()


def lay_sheet(shot: Shot, name: str, **how: object) -> None:
    """Rasterise a sheet and lay it in the shot; keywords of `raster` and `Shot.sheet`."""
    keys = ("page", "dpi", "paper", "nulls", "length", "version")
    asked = {k: how.pop(k) for k in keys if k in how}
    ink = raster(name, **asked)  # type: ignore[arg-type]
    if how.pop("mirrored", False):
        flip = ink.to_px @ np.diag([-1.0, 1.0, 1.0])
        ink = Ink(ink.grey, flip, ink.paper)
    shot.sheet(ink, **how)  # type: ignore[arg-type]
