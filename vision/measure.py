"""The pipeline: a photo and a quantity in, a `Reading` or a `Refusal` out.

Each quantity lives in its own file and offers ``read_<quantity>(photo, options)``; this module
only chooses the file, adds what the photo itself warns of, and makes sure that a bad file becomes
a refusal in plain words.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from importlib import import_module
from pathlib import Path
from types import MappingProxyType

import numpy as np

from vision.photo import Photo, PhotoError, load_photo
from vision.profile import with_profile
from vision.reading import Outcome, Reading, Refusal

PHOTO_QUANTITIES = (
    "rake",
    "cantilever",
    "azimuth",
    "arm-level",
    "platter-level",
    "mounting-distance",
    "overhang",
    "null-points",
    "body-square",
    "print-scale",
)
QUANTITIES = (*PHOTO_QUANTITIES, "speed")
MIRROR_FLIPS = ("rake", "cantilever", "azimuth", "arm-level", "body-square")

LEAST_BRIGHT, SPARSE = 40.0, 8  # of 255, at every so many pixels

Marks = Mapping[str, tuple[tuple[float, float], tuple[float, float]]]


@dataclass(frozen=True)
class Options:
    """What a person may tell besides the photo; everything is optional.

    Parameters
    ----------
    pivot : {"auto", "left", "right"}
        Side of the arm's pivot in the photo (rake, arm level).
    marks : mapping of str to two points, optional
        Roughly drawn lines by name, in pixels of the upright photo (`vision.marks`).
    mirror_mm, record_mm : float, optional
        Thickness of the mirror (or card) under the stylus and of the record it stands for.
    effective_length_mm : float, optional
        Stylus to pivot.
    tip : str
        Stylus tip shape; ``"conical"`` has no rake target.
    given : mapping of str to float
        Typed quantities that some readings need; each module lists its keys.
    """

    pivot: str = "auto"
    marks: Marks | None = None
    mirror_mm: float | None = None
    record_mm: float | None = None
    effective_length_mm: float | None = None
    tip: str = ""
    given: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))

    def __post_init__(self) -> None:
        if self.pivot not in ("auto", "left", "right"):
            raise ValueError(f"pivot: expected auto, left or right, got {self.pivot!r}")
        for name, value, low, high in (
            ("mirror_mm", self.mirror_mm, 0.0, 30.0),
            ("record_mm", self.record_mm, 0.0, 10.0),
            ("effective_length_mm", self.effective_length_mm, 100.0, 500.0),
        ):
            if value is not None and not low <= value <= high:
                raise ValueError(f"{name}: expected {low:g} to {high:g} mm, got {value!r}")


def measure_file(
    source: str | Path | bytes,
    quantity: str,
    options: Options | None = None,
    name: str | None = None,
) -> Outcome:
    """Read one quantity from a photo file; a file that cannot be read becomes a `Refusal`."""
    if quantity == "speed":
        try:
            return _reader("speed")(source, options or Options())
        except PhotoError as error:
            return _unreadable(source, quantity, name, error)
    photo = load_or_refuse(source, quantity, name)
    return photo if isinstance(photo, Refusal) else measure(photo, quantity, options)


def load_or_refuse(
    source: str | Path | bytes, quantity: str, name: str | None = None
) -> Photo | Refusal:
    """The photo in a file, or the refusal that says why the file cannot be read."""
    try:
        return load_photo(source, name)
    except PhotoError as error:
        return _unreadable(source, quantity, name, error)


def _unreadable(
    source: str | Path | bytes, quantity: str, name: str | None, error: PhotoError
) -> Refusal:
    shown = name or (Path(source).name if isinstance(source, str | Path) else "photo")
    return Refusal(quantity, error.reason, error.advice, photo=shown, unreadable=True)


def measure(photo: Photo, quantity: str, options: Options | None = None) -> Outcome:
    """Read one quantity from a loaded photo.

    Parameters
    ----------
    photo : Photo
    quantity : str
        One of `PHOTO_QUANTITIES`.
    options : Options, optional

    Returns
    -------
    Reading or Refusal

    Raises
    ------
    ValueError
        For an unknown quantity.
    """
    options = options or Options()
    read = _reader(quantity)
    brightest = float(np.percentile(photo.rgb[::SPARSE, ::SPARSE].max(axis=2), 99))
    if brightest < LEAST_BRIGHT and not options.marks:
        return Refusal(
            quantity,
            f"The photo is nearly black: its brightest parts reach {brightest:.0f} of 255.",
            "Take it again in more light, or with a longer exposure and the phone at rest.",
            photo=photo.name,
            sha256=photo.sha256,
        )
    photo = with_profile(photo)
    outcome = read(photo, options)
    labelled = replace(outcome, photo=photo.name, sha256=photo.sha256)
    if isinstance(labelled, Refusal):
        return labelled
    return _with_photo_warnings(labelled, photo, options)


def _reader(quantity: str) -> Callable[..., Outcome]:
    if quantity not in QUANTITIES:
        raise ValueError(f"quantity: expected one of {', '.join(QUANTITIES)}, got {quantity!r}")
    module = import_module("vision." + quantity.replace("-", "_"))
    reader: Callable[..., Outcome] = getattr(module, "read_" + quantity.replace("-", "_"))
    return reader


def _with_photo_warnings(reading: Reading, photo: Photo, options: Options) -> Reading:
    flags = [
        flag
        for flag in photo.warnings
        if flag != "mirrored_suspect" or reading.quantity in MIRROR_FLIPS
    ]
    if options.marks:
        flags.append("marked_by_hand")
    if reading.quantity == "rake" and options.tip == "conical":
        flags.append("no_rake_target")
    return reading.flagged(*flags)
