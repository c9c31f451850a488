"""Files as phones make them, and files that are no photos."""

import io
import math
import struct
import zlib

import numpy as np
import pytest
from PIL import Image

from vision.photo import MAX_PIXELS, PhotoError, load_photo


def picture(width=640, height=480):
    """Left half dark, right half bright, a red corner at the top left."""
    rgb = np.full((height, width, 3), 40, np.uint8)
    rgb[:, width // 2 :] = 200
    rgb[:60, :60] = (250, 0, 0)
    return Image.fromarray(rgb)


def encoded(image, fmt="JPEG", **options):
    held = io.BytesIO()
    image.save(held, fmt, **options)
    return held.getvalue()


def exif_with(f35=None, orientation=None, lens=None, zoom=None, size=None):
    exif = Image.Exif()
    if orientation:
        exif[0x0112] = orientation
    ifd = exif.get_ifd(0x8769)
    if f35:
        ifd[0xA405] = f35
    if lens:
        ifd[0xA434] = lens
    if zoom:
        ifd[0xA404] = zoom
    if size:
        ifd[0xA002], ifd[0xA003] = size
    return exif


def red_corner(photo):
    r, g = photo.rgb[..., 0].astype(int), photo.rgb[..., 1].astype(int)
    ys, xs = np.nonzero(r - g > 100)
    return xs.mean() < photo.width / 2, ys.mean() < photo.height / 2


def test_plain_jpeg():
    photo = load_photo(encoded(picture()), "a.jpg")
    assert (photo.width, photo.height) == (640, 480)
    assert photo.grey.dtype == np.float32
    assert 0 <= photo.grey.min() <= photo.grey.max() <= 1
    assert "focal_unknown" in photo.warnings
    assert len(photo.sha256) == 64


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_exif_orientation_comes_out_upright(orientation):
    """EXIF 2.32, tag 0x0112: each value names the stored row/column order."""
    undo = {
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_90,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_270,
    }
    image = picture()
    stored = image.transpose(undo[orientation]) if orientation in undo else image
    photo = load_photo(encoded(stored, exif=exif_with(orientation=orientation), quality=95))
    assert (photo.width, photo.height) == (640, 480)
    assert red_corner(photo) == (True, True)


@pytest.mark.parametrize("progressive", [False, True])
def test_pixels_are_those_that_pillow_reads(progressive):
    noise = np.random.default_rng(1).integers(0, 255, (300, 401, 3), np.uint8)
    thumbnail = encoded(Image.fromarray(noise[:60, :80]), quality=50)
    file = encoded(Image.fromarray(noise), quality=80, progressive=progressive, comment=thumbnail)
    np.testing.assert_array_equal(load_photo(file).rgb, np.asarray(Image.open(io.BytesIO(file))))
    with pytest.raises(PhotoError, match="damaged"):
        load_photo(file[: len(file) // 2])


def test_focal_length_by_the_diagonal():
    """CIPA DCG-001: the 35 mm equivalent is by the diagonal, 43.27 mm (36 x 24 mm)."""
    photo = load_photo(encoded(picture(), exif=exif_with(f35=26)))
    assert photo.focal.f_px == pytest.approx(
        26 / math.hypot(36, 24) * math.hypot(640, 480), rel=1e-3
    )
    assert photo.focal.relative_u == pytest.approx(0.05)
    assert "focal_unknown" not in photo.warnings


@pytest.mark.parametrize(
    ("size", "exif"),
    [
        ((640, 300), {"f35": 26}),
        ((640, 480), {"f35": 26, "zoom": 3.0}),
        ((640, 360), {"f35": 26, "size": (4000, 3000)}),
    ],
)
def test_a_crop_frees_the_focal_length(size, exif):
    photo = load_photo(encoded(picture(*size), exif=exif_with(**exif)))
    assert "cropped" in photo.warnings
    low, high = photo.focal.low_high
    assert high / low == pytest.approx(8.0)


def test_front_camera_is_warned_of():
    photo = load_photo(encoded(picture(), exif=exif_with(f35=24, lens="Phone A front camera")))
    assert "mirrored_suspect" in photo.warnings


@pytest.mark.parametrize("mode", ["L", "LA", "P", "PA", "RGBA", "1", "I;16", "CMYK", "F"])
def test_every_mode_becomes_rgb(mode):
    if mode == "I;16":
        ramp = np.tile(np.linspace(0, 65535, 400), (300, 1)).astype(np.uint16)
        data = encoded(Image.fromarray(ramp), "PNG")
    elif mode == "CMYK":
        data = encoded(picture().convert("CMYK"), "JPEG")
    elif mode == "F":
        data = encoded(
            Image.fromarray(np.tile(np.linspace(0, 1, 400, dtype=np.float32), (300, 1))), "TIFF"
        )
    elif mode == "PA":
        data = encoded(picture().convert("P"), "PNG", transparency=0)
    else:
        data = encoded(picture().convert(mode), "PNG")
    photo = load_photo(data)
    assert photo.rgb.dtype == np.uint8
    assert photo.rgb.ndim == 3
    assert photo.rgb.max() > 150
    assert photo.rgb.min() < 80
    if mode in ("I;16", "F"):  # a ramp must stay a ramp: no saturation, no wrap
        assert len(np.unique(photo.rgb[0, :, 0])) > 200


def test_heic_and_first_frame_of_mpo():
    import pillow_heif

    pillow_heif.register_heif_opener()
    photo = load_photo(encoded(picture(), "HEIF"), "a.heic")
    assert red_corner(photo) == (True, True)
    second = Image.new("RGB", (640, 480), (0, 255, 0))
    mpo = encoded(picture(), "MPO", save_all=True, append_images=[second])
    assert red_corner(load_photo(mpo, "a.jpg")) == (True, True)


def test_48_megapixels_are_halved():
    photo = load_photo(encoded(picture(8000, 6000), exif=exif_with(f35=26)))
    assert (photo.width, photo.height) == (4000, 3000)
    assert photo.focal.f_px == pytest.approx(26 / 43.27 * 5000, rel=1e-3)


def png_header(width, height):
    ihdr = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunk = b"IHDR" + ihdr
    return (
        b"\x89PNG\r\n\x1a\n"
        + struct.pack(">I", 13)
        + chunk
        + struct.pack(">I", zlib.crc32(chunk))
        + struct.pack(">I", 0)
        + b"IDAT"
        + struct.pack(">I", zlib.crc32(b"IDAT"))
    )


BAD = {
    "empty.jpg": (b"", "empty"),
    "text.jpg": (b"this is not a picture at all", "not a photo"),
    "program.jpg": (b"MZ" + bytes(4000), "not a photo"),
    "broken.heic": (b"\x00\x00\x00\x18ftypheic" + bytes(200), "not a photo|damaged"),
    "tiny.png": (encoded(Image.new("RGB", (1, 1)), "PNG"), "1 x 1"),
    "huge.png": (png_header(20000, 10000), "million pixels"),
    "cut.jpg": (encoded(picture())[:2000], "damaged"),
    "cut at the end.jpg": (encoded(picture())[:-60], "damaged"),
    "moving.gif": (
        encoded(picture(), "GIF", save_all=True, append_images=[Image.new("RGB", (640, 480))]),
        "animation",
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_files_say_what_is_wrong(name, tmp_path):
    data, words = BAD[name]
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(PhotoError, match=words) as caught:
        load_photo(path)
    assert name in caught.value.reason
    assert caught.value.advice


def test_missing_and_folder(tmp_path):
    with pytest.raises(PhotoError, match="not found"):
        load_photo(tmp_path / "no.jpg")
    with pytest.raises(PhotoError, match="folder"):
        load_photo(tmp_path)


def test_cap_is_on_purpose():
    assert 50e6 < MAX_PIXELS < 200e6
