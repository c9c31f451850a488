"""A file or bytes from a phone -> `Photo`: upright RGB, float grey, focal prior, hash.

Every hazard of a file stops here: whatever comes out of `load_photo` is an upright 8-bit RGB
picture of a workable size, and whatever cannot become one raises `PhotoError` with a reason and
a cure in plain words.

Focal prior: f_px = f35 * diagonal_px / 43.27 (35 mm equivalent by the frame's diagonal,
CIPA DCG-001-2018); some phones use the width instead, which differs by 4 % on a 4:3 frame.
"""

from __future__ import annotations

import hashlib
import io
import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps, UnidentifiedImageError

MAX_PIXELS = 120_000_000  # above this the phone's own 12 or 50 MP mode serves better
HALVE_ABOVE_PIXELS = 26_000_000  # a 48 MP phone photo holds no more detail than its 12 MP form
MIN_SIDE = 200
MAX_BYTES = 250_000_000
DIAGONAL_35MM = 43.27
U_FOCAL_EXIF = 0.05
U_FOCAL_GUESS = 0.20
DEFAULT_F35_MM = 27.0  # main camera of most phones, from memory
CROPPED_RANGE = 8.0
NATIVE_ASPECTS = (4 / 3, 3 / 2, 16 / 9, 1.0)

# how a picture is made upright that Exif's orientation (CIPA DC-008) says is turned or mirrored
UPRIGHT: dict[int, Callable[[NDArray[np.uint8]], Any]] = {
    2: lambda rgb: cv2.flip(rgb, 1),
    3: lambda rgb: cv2.rotate(rgb, cv2.ROTATE_180),
    4: lambda rgb: cv2.flip(rgb, 0),
    5: cv2.transpose,
    6: lambda rgb: cv2.rotate(rgb, cv2.ROTATE_90_CLOCKWISE),
    7: lambda rgb: cv2.flip(cv2.transpose(rgb), -1),
    8: lambda rgb: cv2.rotate(rgb, cv2.ROTATE_90_COUNTERCLOCKWISE),
}
_ORIENTATION = 0x0112
_EXIF_IFD, _F35, _FOCAL, _ZOOM, _WIDTH, _HEIGHT, _LENS = (
    0x8769,
    0xA405,
    0x920A,
    0xA404,
    0xA002,
    0xA003,
    0xA434,
)


class PhotoError(Exception):
    """The file cannot be used as a photo: ``reason`` is what is wrong, ``advice`` the cure."""

    def __init__(self, reason: str, advice: str) -> None:
        super().__init__(f"{reason} {advice}")
        self.reason = reason
        self.advice = advice


@dataclass(frozen=True)
class FocalPrior:
    """What is known of the focal length before looking at the picture.

    Parameters
    ----------
    f_px : float
        Best guess, in pixels of the loaded photo.
    relative_u : float
        Relative standard uncertainty of ``f_px``.
    low_high : tuple of float, optional
        Where the focal length cannot be trusted (crop, digital zoom, clip-on lens): the range in
        pixels over which it is log-uniform.
    source : str
        ``"exif"``, ``"guess"``, ``"profile"`` or ``"cropped"``.
    """

    f_px: float
    relative_u: float
    low_high: tuple[float, float] | None = None
    source: str = "exif"


@dataclass(frozen=True)
class Photo:
    """An upright 8-bit RGB picture and what is known about how it was taken."""

    name: str
    rgb: NDArray[np.uint8]
    sha256: str
    focal: FocalPrior
    warnings: tuple[str, ...] = ()
    camera_key: str = ""
    k1: float = 0.0

    @property
    def width(self) -> int:
        """Width in pixels."""
        return int(self.rgb.shape[1])

    @property
    def height(self) -> int:
        """Height in pixels."""
        return int(self.rgb.shape[0])

    @property
    def centre(self) -> tuple[float, float]:
        """Assumed principal point: the middle of the frame, pixel centres at integers."""
        return (self.width - 1) / 2, (self.height - 1) / 2

    @cached_property
    def grey(self) -> NDArray[np.float32]:
        """Luma (ITU-R BT.601 weights, as encoded in the file), 0 to 1, shape (height, width)."""
        grey = cv2.cvtColor(self.rgb, cv2.COLOR_RGB2GRAY)
        return np.asarray(grey, np.float32) / np.float32(255)


def load_photo(source: str | Path | bytes, name: str | None = None) -> Photo:
    """Read a photo from a path or from bytes.

    Parameters
    ----------
    source : str, Path or bytes
    name : str, optional
        Shown to people; the file's name by default.

    Returns
    -------
    Photo

    Raises
    ------
    PhotoError
        Missing, empty, oversized, truncated, animated or not a picture.
    """
    data, name = _read_bytes(source, name)
    try:
        with warnings.catch_warnings():
            # Pillow warns at 89 MP; our own cap is checked before any pixel is decoded.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            warnings.filterwarnings("ignore", category=UserWarning, module="PIL")
            image = _open(data, name)
            _check_shape(image, name)
            native = image.size
            if image.format == "JPEG" and native[0] * native[1] > HALVE_ABOVE_PIXELS:
                image.draft("RGB", (native[0] // 2, native[1] // 2))
            facts = _Facts.from_image(image)
            rgb = _plain_jpeg(image, data) if image.size == native else None
            if rgb is None:
                image.load()
                ImageOps.exif_transpose(image, in_place=True)
                rgb = _to_rgb8(image)
    except (OSError, SyntaxError, ValueError, EOFError, MemoryError) as error:
        raise PhotoError(
            f"{name} is damaged or incomplete and cannot be decoded.",
            "Copy it from the phone again, or take the photo again.",
        ) from error
    while rgb.shape[0] * rgb.shape[1] > HALVE_ABOVE_PIXELS:
        half = (rgb.shape[1] // 2, rgb.shape[0] // 2)
        rgb = np.asarray(cv2.resize(rgb, half, interpolation=cv2.INTER_AREA), np.uint8)
    focal, flags = _focal_prior(facts, native, rgb.shape[1], rgb.shape[0])
    return Photo(
        name=name,
        rgb=np.ascontiguousarray(rgb),
        sha256=hashlib.sha256(data).hexdigest(),
        focal=focal,
        warnings=flags,
        camera_key=facts.camera_key,
    )


def _read_bytes(source: str | Path | bytes, name: str | None) -> tuple[bytes, str]:
    if isinstance(source, bytes | bytearray):
        data, name = bytes(source), name or "photo"
    else:
        path = Path(source)
        name = name or path.name or str(source)
        try:
            size = path.stat().st_size
            if path.is_dir():
                raise PhotoError(f"{name} is a folder, not a photo.", "Name the photo itself.")
            if size > MAX_BYTES:
                raise PhotoError(
                    f"{name} has {size / 1e6:.0f} MB; the limit is {MAX_BYTES / 1e6:.0f} MB.",
                    "Use the phone's ordinary JPEG or HEIC photo.",
                )
            data = path.read_bytes()
        except (FileNotFoundError, NotADirectoryError) as error:
            raise PhotoError(f"{name} was not found.", "Check the name and the folder.") from error
        except OSError as error:
            raise PhotoError(
                f"{name} cannot be opened ({error.strerror or 'unreadable'}).",
                "Check that you may read this file.",
            ) from error
        except ValueError as error:
            raise PhotoError(f"{name!r} is not a file name.", "Check the name.") from error
    if not data:
        raise PhotoError(f"{name} is empty (0 bytes).", "Copy it from the phone again.")
    if len(data) > MAX_BYTES:
        raise PhotoError(
            f"{name} has {len(data) / 1e6:.0f} MB; the limit is {MAX_BYTES / 1e6:.0f} MB.",
            "Use the phone's ordinary JPEG or HEIC photo.",
        )
    return data, name


def _open(data: bytes, name: str) -> Image.Image:
    if data[4:8] == b"ftyp":
        import pillow_heif

        pillow_heif.register_heif_opener()
    try:
        return Image.open(io.BytesIO(data))
    except UnidentifiedImageError as error:
        raise PhotoError(
            f"{name} is not a photo in a format that can be read.",
            "Use JPEG, HEIC, PNG, TIFF or WebP as the phone writes them.",
        ) from error
    except Image.DecompressionBombError as error:
        raise PhotoError(
            f"{name} has more than {MAX_PIXELS / 1e6:.0f} million pixels.",
            "Set the phone to its 12 or 50 megapixel mode.",
        ) from error


def _check_shape(image: Image.Image, name: str) -> None:
    width, height = image.size
    if width * height > MAX_PIXELS:
        raise PhotoError(
            f"{name} has {width * height / 1e6:.0f} million pixels; the limit is "
            f"{MAX_PIXELS / 1e6:.0f}.",
            "Set the phone to its 12 or 50 megapixel mode.",
        )
    if min(width, height) < MIN_SIDE:
        raise PhotoError(
            f"{name} has only {width} x {height} pixels; at least {MIN_SIDE} each way are needed.",
            "Use the photo as the phone took it, not a thumbnail.",
        )
    if getattr(image, "is_animated", False) and image.format not in ("MPO", "HEIF", "TIFF"):
        raise PhotoError(f"{name} is an animation, not a photo.", "Take a single still photo.")


def _plain_jpeg(image: Image.Image, data: bytes) -> NDArray[np.uint8] | None:
    """The upright picture of an ordinary JPEG, None for any other.

    The same pixels as Pillow's (both use libjpeg-turbo), but in one copy instead of three.
    """
    if image.format not in ("JPEG", "MPO") or image.mode != "RGB":
        return None
    if data.find(b"\xff\xd9", _scan_at(data)) < 0:
        raise OSError("the picture's end is missing")
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    decoded = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    if decoded is None or decoded.shape[1::-1] != image.size:
        return None
    rgb = np.asarray(decoded, np.uint8)
    upright = UPRIGHT.get(image.getexif().get(_ORIENTATION, 1))
    return rgb if upright is None else np.asarray(upright(rgb), np.uint8)


def _scan_at(data: bytes) -> int:
    """Where the compressed pixels of a JPEG begin, behind its tables (ISO/IEC 10918-1, B.1)."""
    at = 2
    while at + 4 <= len(data) and data[at + 1] != 0xDA:
        at += 1 if data[at + 1] == 0xFF else 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return at


def _to_rgb8(image: Image.Image) -> NDArray[np.uint8]:
    mode = image.mode
    if mode.startswith("I") or mode == "F":
        values = np.asarray(image, np.float64)
        top = 65535.0 if mode != "F" or values.max() > 1.0 else 1.0
        grey = np.clip(values / top * 255.0 + 0.5, 0, 255).astype(np.uint8)
        return np.repeat(grey[:, :, None], 3, axis=2)
    if mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        layered = image.convert("RGBA")
        paper = Image.new("RGBA", layered.size, (255, 255, 255, 255))
        image = Image.alpha_composite(paper, layered)
    return np.asarray(image if image.mode == "RGB" else image.convert("RGB"), np.uint8)


@dataclass(frozen=True)
class _Facts:
    """The few EXIF fields that matter here; absent or nonsensical ones are None."""

    f35_mm: float | None
    zoom: float | None
    recorded_size: tuple[int, int] | None
    lens: str
    camera_key: str

    @classmethod
    def from_image(cls, image: Image.Image) -> _Facts:
        try:
            exif = image.getexif()
            ifd = exif.get_ifd(_EXIF_IFD)
        except (OSError, SyntaxError, ValueError, KeyError, TypeError):
            return cls(None, None, None, "", "")
        f35 = _number(ifd.get(_F35))
        zoom = _number(ifd.get(_ZOOM))
        width, height = _number(ifd.get(_WIDTH)), _number(ifd.get(_HEIGHT))
        size = (int(width), int(height)) if width and height else None
        lens = str(ifd.get(_LENS, "") or "")
        model = str(exif.get(0x0110, "") or "").strip("\x00 ")
        focal = _number(ifd.get(_FOCAL))
        key = "|".join([model, lens.strip("\x00 "), f"{focal:g}" if focal else ""])
        return cls(
            f35 if f35 and 5 <= f35 <= 5000 else None,
            zoom if zoom and zoom > 1.0 else None,
            size,
            lens,
            key if key.strip("|") else "",
        )


def _number(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) and number > 0 else None


def _focal_prior(
    facts: _Facts, native: tuple[int, int], width: int, height: int
) -> tuple[FocalPrior, tuple[str, ...]]:
    diagonal = math.hypot(width, height)
    flags: list[str] = []
    if "front" in facts.lens.lower():
        flags.append("mirrored_suspect")
    if facts.f35_mm is None:
        flags.append("focal_unknown")
        return FocalPrior(
            DEFAULT_F35_MM * diagonal / DIAGONAL_35MM, U_FOCAL_GUESS, None, "guess"
        ), tuple(flags)
    f_px = facts.f35_mm * diagonal / DIAGONAL_35MM
    if _looks_cropped(facts, native):
        flags.append("cropped")
        return FocalPrior(
            f_px * math.sqrt(CROPPED_RANGE),
            math.log(CROPPED_RANGE) / math.sqrt(12),
            (f_px, f_px * CROPPED_RANGE),
            "cropped",
        ), tuple(flags)
    return FocalPrior(f_px, U_FOCAL_EXIF, None, "exif"), tuple(flags)


def _looks_cropped(facts: _Facts, native: tuple[int, int]) -> bool:
    if facts.zoom is not None:
        return True
    aspect = max(native) / min(native)
    if min(abs(aspect / known - 1) for known in NATIVE_ASPECTS) > 0.02:
        return True
    if facts.recorded_size is None:
        return False
    recorded = max(facts.recorded_size) / min(facts.recorded_size)
    smaller = max(native) < 0.98 * max(facts.recorded_size)
    return smaller and abs(aspect / recorded - 1) > 0.01
