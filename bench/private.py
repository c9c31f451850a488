"""A photo without what it tells of its place and owner, its pixels untouched where possible.

In: the bytes of a JPEG, PNG or another picture. Out: bytes to keep. From JPEG and PNG the
location, maker notes, XMP, IPTC, comments and anything after the picture's end are cut out and the
compressed pixels stay as they were; other kinds are decoded and kept as JPEG. Orientation, focal
length and pixel counts stay, so that a kept photo can be read again. Formats: Exif 2.32
(CIPA DC-008), JPEG (ISO/IEC 10918-1 annex B), PNG (ISO/IEC 15948).
"""

from __future__ import annotations

import io
import struct
import zlib

from PIL import Image

EXIF_HEADER = b"Exif\x00\x00"
PNG_HEADER = b"\x89PNG\r\n\x1a\n"
# Kept Exif tags: what the reading needs. Everything else, GPS and serial numbers among it, goes.
KEPT_TAGS = {0x0100, 0x0101, 0x010F, 0x0110, 0x0112}
KEPT_EXIF_TAGS = {0xA002, 0xA003, 0xA404, 0xA405, 0x920A, 0xA432, 0xA434, 0x829A, 0x829D, 0x8827}
_EXIF_IFD = 0x8769
_KEPT_CHUNKS = {
    b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"iCCP", b"sBIT",
}  # fmt: skip


def without_location(data: bytes) -> tuple[bytes, str]:
    """Return the cleaned picture and its file name ending (``jpg`` or ``png``).

    Raises
    ------
    ValueError
        If the bytes are not a picture that can be cleaned.
    """
    try:
        if data[:2] == b"\xff\xd8":
            return _clean_jpeg(data), "jpg"
        if data[:8] == PNG_HEADER:
            return _clean_png(data), "png"
        return _as_jpeg(data), "jpg"
    except (
        OSError, SyntaxError, struct.error, IndexError, KeyError, TypeError,
        Image.DecompressionBombError, Image.DecompressionBombWarning,
    ) as problem:  # fmt: skip
        raise ValueError(f"photo: cannot be kept ({problem})") from problem


def _clean_jpeg(data: bytes) -> bytes:
    out = [b"\xff\xd8"]
    exif = _kept_exif(_jpeg_exif(data))
    if exif:
        body = EXIF_HEADER + exif
        out.append(b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body)
    at, scanned = 2, False
    while at < len(data) - 1:
        if data[at] != 0xFF:
            raise ValueError("photo: damaged JPEG segments")
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        if marker == 0xD9:
            break
        (length,) = struct.unpack(">H", data[at + 2 : at + 4])
        segment = data[at : at + 2 + length]
        at += 2 + length
        if marker == 0xDA:
            scanned = True
            end = _scan_end(data, at)
            segment += data[at:end]
            at = end
        if _keep_segment(marker, segment):
            out.append(segment)
    if not scanned:
        raise ValueError("photo: a JPEG without a picture")
    return b"".join(out) + b"\xff\xd9"


def _keep_segment(marker: int, segment: bytes) -> bool:
    if marker == 0xFE:
        return False
    if 0xE0 <= marker <= 0xEF:
        kind = segment[4:16]
        return marker == 0xE0 or marker == 0xEE or kind.startswith(b"ICC_PROFILE")
    return True


def _scan_end(data: bytes, at: int) -> int:
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            return len(data)
        following = data[at + 1]
        if following == 0x00 or 0xD0 <= following <= 0xD7:
            at += 2
        elif following == 0xFF:
            at += 1
        else:
            return at


def _clean_png(data: bytes) -> bytes:
    out, at = [PNG_HEADER], 8
    exif = _kept_exif(_png_exif(data))
    while at + 8 <= len(data):
        length, kind = struct.unpack(">I4s", data[at : at + 8])
        chunk = data[at : at + 12 + length]
        at += 12 + length
        if kind in _KEPT_CHUNKS:
            out.append(chunk)
        if kind == b"IHDR" and exif:
            body = b"eXIf" + exif
            out.append(struct.pack(">I", len(exif)) + body + struct.pack(">I", zlib.crc32(body)))
        if kind == b"IEND":
            break
    return b"".join(out)


def _as_jpeg(data: bytes) -> bytes:
    try:
        import pillow_heif

        pillow_heif.register_heif_opener()
    except ImportError:
        pass
    with Image.open(io.BytesIO(data)) as picture:
        exif = _filtered(picture.getexif())
        out = io.BytesIO()
        picture.convert("RGB").save(out, "JPEG", quality=95, subsampling=0, exif=exif)
    return _clean_jpeg(out.getvalue())


def _jpeg_exif(data: bytes) -> bytes:
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF and data[at + 1] != 0xDA:
        (length,) = struct.unpack(">H", data[at + 2 : at + 4])
        if data[at + 1] == 0xE1 and data[at + 4 : at + 10] == EXIF_HEADER:
            return data[at + 10 : at + 2 + length]
        at += 2 + length
    return b""


def _png_exif(data: bytes) -> bytes:
    at = 8
    while at + 8 <= len(data):
        length, kind = struct.unpack(">I4s", data[at : at + 8])
        if kind == b"eXIf":
            return data[at + 8 : at + 8 + length]
        at += 12 + length
    return b""


def _kept_exif(raw: bytes) -> bytes:
    if not raw:
        return b""
    found = Image.Exif()
    found.load(EXIF_HEADER + raw)
    kept = _filtered(found)
    if not len(kept) and not kept.get_ifd(_EXIF_IFD):
        return b""
    return kept.tobytes().removeprefix(EXIF_HEADER)


def _filtered(source: Image.Exif) -> Image.Exif:
    kept = Image.Exif()
    for tag in KEPT_TAGS:
        if tag in source:
            kept[tag] = source[tag]
    inner = {t: v for t, v in source.get_ifd(_EXIF_IFD).items() if t in KEPT_EXIF_TAGS}
    if inner:
        kept.get_ifd(_EXIF_IFD).update(inner)
    return kept
