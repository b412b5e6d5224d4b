"""Taking personal metadata out of a photo without touching its picture.

Place, time, serial numbers, names, embedded previews and editing history go; what measuring needs (orientation, make,
model, focal lengths) stays, in a fresh Exif block. Layouts: JPEG ITU-T T.81 annex B; Exif CIPA DC-008; PNG (W3C).
"""

import io
import struct
import warnings
import zlib
from dataclasses import dataclass

import pillow_heif
from PIL import Image, UnidentifiedImageError

from qc.errors import PhotoError

pillow_heif.register_heif_opener()
_MAKE, _MODEL, _ORIENTATION, _EXIF_IFD = 0x010F, 0x0110, 0x0112, 0x8769
_FOCAL, _FOCAL_35, _ZOOM = 0x920A, 0xA405, 0xA404
_SUFFIX = {"JPEG": ".jpg", "MPO": ".jpg", "PNG": ".png", "HEIF": ".heic"}
_NO_PICTURE = (
    UnidentifiedImageError,
    OSError,
    ValueError,
    struct.error,
    IndexError,
    SyntaxError,  # what Pillow raises on a broken PNG
    Image.DecompressionBombError,
)
_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
_PNG_DROPPED = (b"tEXt", b"zTXt", b"iTXt", b"eXIf", b"tIME")


@dataclass(frozen=True)
class CleanPhoto:
    """A photo's bytes after personal metadata was removed."""

    data: bytes
    suffix: str
    width_px: int
    height_px: int


def strip_metadata(original: bytes, name: str = "photo") -> CleanPhoto:
    """The same picture without personal metadata.

    JPEG and PNG keep their compressed picture byte for byte; in HEIC the metadata is overwritten in place; other
    formats become PNG.

    Raises
    ------
    PhotoError
        The bytes are no photo, or a damaged one.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # a damaged Exif block is no reason to refuse a photo
            with Image.open(io.BytesIO(original)) as image:
                width_px, height_px, form = image.width, image.height, image.format or ""
                data = _clean(original, image, form)
    except _NO_PICTURE as error:
        raise PhotoError(f"The {name} photo cannot be read as a picture: choose a JPEG, PNG or HEIC.") from error
    return CleanPhoto(data, _SUFFIX.get(form, ".png"), width_px, height_px)


def _clean(original: bytes, image: Image.Image, form: str) -> bytes:
    exif = minimal_exif(image)
    if form in ("JPEG", "MPO"):
        return clean_jpeg(original, exif)
    if form == "PNG":
        return clean_png(original, exif)
    if form == "HEIF":
        return _clean_heif(original, image, exif)
    out = io.BytesIO()
    image.save(out, "PNG", exif=exif)
    return out.getvalue()


def minimal_exif(image: Image.Image) -> bytes:
    """A fresh Exif block ("Exif\\0\\0" + TIFF) with only what measuring needs."""
    source = image.getexif()
    lens = source.get_ifd(_EXIF_IFD)
    fresh = Image.Exif()
    for tag in (_MAKE, _MODEL, _ORIENTATION):
        if tag in source:
            fresh[tag] = source[tag]
    kept = {tag: lens[tag] for tag in (_FOCAL, _FOCAL_35, _ZOOM) if tag in lens}
    if kept:
        fresh.get_ifd(_EXIF_IFD).update(kept)
    return fresh.tobytes()


def clean_jpeg(original: bytes, exif: bytes) -> bytes:
    """Copy every segment but the metadata; what follows the picture's end (second pictures, video) goes too."""
    out = bytearray(b"\xff\xd8")
    at, scanning, head = 2, False, True
    while at < len(original) - 1:
        if scanning:  # entropy-coded data runs to the next marker that is no stuffing or restart
            start = at
            while not (original[at] == 0xFF and original[at + 1] not in (0, 0xFF, *range(0xD0, 0xD8))):
                at = original.index(b"\xff", at + 1)
                if at + 1 >= len(original):
                    raise ValueError("picture data ends too early")
            out += original[start:at]
        marker = original[at + 1]
        if marker == 0xFF:  # fill byte
            at += 1
            continue
        if marker == 0xD9:
            return bytes(out + b"\xff\xd9")
        end = at + 2 + struct.unpack(">H", original[at + 2 : at + 4])[0]
        segment = original[at:end]
        if head and not _is_jfif(segment):
            out += b"\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif
            head = False
        if _keeps(segment):
            out += segment
        scanning, at = marker == 0xDA, end
    raise ValueError("no end of picture")


def _is_jfif(segment: bytes) -> bool:
    return segment[1] == 0xE0 and segment[4:9] == b"JFIF\0"


def _keeps(segment: bytes) -> bool:
    """Keep the picture's own segments, JFIF without a preview, the colour profile, Adobe's colour transform."""
    marker, body = segment[1], segment[4:]
    if marker == 0xE0:
        return body.startswith(b"JFIF\0") and len(body) == 14
    if marker == 0xE2:
        return body.startswith(b"ICC_PROFILE\0")
    if marker == 0xEE:
        return body.startswith(b"Adobe") and len(body) == 12
    return not (0xE0 <= marker <= 0xEF or marker == 0xFE)


def clean_png(original: bytes, exif: bytes) -> bytes:
    """Copy every chunk but text, time and Exif; the fresh Exif block follows the header."""
    out, at = bytearray(_PNG_SIGNATURE), len(_PNG_SIGNATURE)
    while True:
        length, kind = struct.unpack(">I4s", original[at : at + 8])
        end = at + 12 + length
        if kind not in _PNG_DROPPED:
            out += original[at:end]
        if kind == b"IHDR":
            out += _png_chunk(b"eXIf", exif.removeprefix(b"Exif\0\0"))
        if kind == b"IEND":
            return bytes(out)
        at = end


def _png_chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _clean_heif(original: bytes, image: Image.Image, exif: bytes) -> bytes:
    """Overwrite the metadata items where they lie, so that the picture stays as it was compressed."""
    fresh = exif.removeprefix(b"Exif\0\0")
    blocks = [image.info.get("exif") or b"", image.info.get("xmp") or b""]
    blocks += [m["data"] for m in image.info.get("metadata") or []]
    out = bytearray(original)
    for index, block in enumerate(blocks):
        old = block.removeprefix(b"Exif\0\0")
        if not old:
            continue
        at = out.find(old)
        if at < 0 or (index == 0 and len(fresh) > len(old)):
            raise ValueError("metadata not found where it should be")
        out[at : at + len(old)] = (fresh if index == 0 else b"").ljust(len(old), b"\0")
    return bytes(out)
