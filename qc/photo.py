"""Reading a photograph safely: format, size limits, EXIF.

The order matters: bytes are counted before they are read, the type is told by content, the size in pixels is taken
from the header before anything is decoded (a file of 200 kB can unpack to gigabytes), and a file that ends early is
refused instead of being filled with grey.
"""

import hashlib
import math
import struct
import threading
import warnings
import zlib
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image, ImageCms, PngImagePlugin

from qc.errors import PhotoError
from qc.quantities import PHOTO_NAMES

Pixels = NDArray[np.uint8]


@dataclass(frozen=True)
class PhotoLimits:
    """What is let in."""

    max_bytes: int = 40_000_000  # bytes; a 48 megapixel phone JPEG has 25 million
    max_pixels: float = 60e6  # pixels; three of them must fit into a kitchen laptop's memory
    min_pixels: float = 1e6  # pixels; below, a millimetre on the bench is less than two pixels


LIMITS = PhotoLimits()


@dataclass(frozen=True)
class Photo:
    """A decoded photograph, upright (its EXIF orientation has been applied).

    Attributes
    ----------
    name : str
        What messages call it: "top", "side", "side2", or the file's name.
    pixels : ndarray, shape (H, W, 3), uint8
        RGB in sRGB (IEC 61966-2-1); photos with another colour profile are converted.
    focal_35mm, focal_mm : float or None
        35 mm-equivalent (EXIF 0xA405) and true focal length (0x920A), in mm.
    orientation : int
        EXIF flag 1..8 that was applied; 1 for HEIC, whose decoder turns the picture itself.
    sha256 : str
        Of the original file's bytes.
    recorded_size : (int, int) or None
        Upright (width, height) that the camera wrote into the EXIF (0xA002, 0xA003).
    icc : bytes or None
        Colour profile that the file held.
    kind : str
        "JPEG", "PNG" or "HEIC".
    """

    name: str
    pixels: Pixels
    focal_35mm: float | None
    focal_mm: float | None
    make: str | None
    model: str | None
    orientation: int
    sha256: str
    recorded_size: tuple[int, int] | None = None
    icc: bytes | None = None
    kind: str = "JPEG"

    @property
    def said(self) -> str:
        """How a sentence begins that is about this photo."""
        return f"The {self.name} photo" if self.name in PHOTO_NAMES else self.name

    @property
    def width_px(self) -> int:
        return int(self.pixels.shape[1])

    @property
    def height_px(self) -> int:
        return int(self.pixels.shape[0])

    @property
    def resized_or_cropped(self) -> bool:
        """Whether the size differs from what the camera recorded."""
        return self.recorded_size is not None and self.recorded_size != (self.width_px, self.height_px)


@dataclass(frozen=True)
class _Header:
    """What a file says of itself before it is decoded."""

    size: tuple[int, int]  # (width, height) as stored
    exif: bytes | None
    icc: bytes | None


def read_photo(source: str | Path | bytes, name: str | None = None, limits: PhotoLimits = LIMITS) -> Photo:
    """Decode one photo after checking its size and type.

    Parameters
    ----------
    source : str, Path or bytes
        A file, or its content.
    name : str, optional
        What messages call the photo; the file's name when left out.

    Returns
    -------
    Photo
        Upright RGB pixels with what the EXIF says of the camera.

    Raises
    ------
    PhotoError
        The file is missing, no JPEG, PNG or HEIC picture, damaged or cut short, or larger or smaller than `limits`.
    """
    name = name or ("the photo" if isinstance(source, bytes) else Path(source).name)
    data = _bytes(source, name, limits)
    kind = _kind(data, name)
    header = _header(data, kind, name)
    _check_size(header.size, name, limits)
    pixels = _in_srgb(_decode(data, kind, name), header.icc)
    tags = _tags(header.exif)
    orientation = 1 if kind == "HEIC" else _orientation(tags)
    return Photo(
        name=name,
        pixels=_upright(pixels, orientation),
        focal_35mm=_positive(tags.get(0xA405), 3, 3000),
        focal_mm=_positive(tags.get(0x920A), 0.3, 3000),
        make=_text(tags.get(0x010F)),
        model=_text(tags.get(0x0110)),
        orientation=orientation,
        sha256=hashlib.sha256(data).hexdigest(),
        recorded_size=_recorded_size(tags, kind),
        icc=header.icc,
        kind=kind,
    )


# ---------------------------------------------------------------- bytes and type
def _bytes(source: str | Path | bytes, name: str, limits: PhotoLimits) -> bytes:
    """The file's content, never more than the limit."""
    too_large = f"{name} has more than {limits.max_bytes // 1_000_000} MB; send the photo as the camera saved it."
    if isinstance(source, bytes):
        data = source
    else:
        try:
            if not Path(source).is_file():
                raise PhotoError(f"{name} cannot be found or is no file; check where the photo is ({source}).")
            if Path(source).stat().st_size > limits.max_bytes:
                raise PhotoError(too_large)
            data = Path(source).read_bytes()
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or "its name is not a file's"
            raise PhotoError(f"{name} cannot be read ({why}); check the file and who may open it.") from error
    if len(data) > limits.max_bytes:
        raise PhotoError(too_large)
    if not data:
        raise PhotoError(f"{name} is empty; take or send the photo again.")
    return data


def _kind(data: bytes, name: str) -> str:
    """Type by content, whatever the file is called."""
    if data[:3] == b"\xff\xd8\xff":
        return "JPEG"
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return "PNG"
    if data[4:8] == b"ftyp":
        brands = {data[8:12]} | {data[i : i + 4] for i in range(16, min(int.from_bytes(data[:4]), 128), 4)}
        if brands & {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1"}:
            return "HEIC"
    raise PhotoError(f"{name} is no JPEG, PNG or HEIC photo; choose the photo as the phone or camera saved it.")


def _damaged(name: str) -> PhotoError:
    return PhotoError(f"{name} is damaged or was cut short on its way; send or take the photo again.")


# ---------------------------------------------------------------- header
def _header(data: bytes, kind: str, name: str) -> _Header:
    """Size, EXIF and colour profile without decoding; refuses a file that ends early."""
    header = None
    try:
        if kind == "HEIC":
            heif = pillow_heif.open_heif(data)
            image = heif[heif.primary_index]
            info: dict[str, Any] = dict(image.info)
            header = _Header(image.size, info.get("exif"), info.get("icc_profile"))
        elif kind == "JPEG":
            header = _jpeg_header(data)
        elif _png_is_whole(data):
            # the class itself and not Image.open, which warns and fails at limits of its own
            with PngImagePlugin.PngImageFile(BytesIO(data)) as picture:
                header = _Header(picture.size, picture.info.get("exif"), picture.info.get("icc_profile"))
    except Exception as error:  # what the readers raise on damaged headers is not documented
        raise _damaged(name) from error
    if header is None:
        raise _damaged(name)
    return header


def _jpeg_header(data: bytes) -> _Header | None:
    """Header of a JPEG's first picture (ITU-T T.81, B.1.1 and B.2.2); None when its end marker is missing.

    Without that the decoder fills the rest with grey and says nothing. What follows the picture is not looked at.
    """
    at, size, exif, icc = 2, None, None, b""
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker, length = data[at + 1], int.from_bytes(data[at + 2 : at + 4])
        content = data[at + 4 : at + 2 + length]
        if marker == 0xFF:  # fill byte
            at += 1
            continue
        if marker == 0xDA:  # start of scan: within coded data 0xFF is always followed by 0x00 or RSTn
            whole = data.find(b"\xff\xd9", at) > 0
            return _Header(size, exif, icc or None) if whole and size is not None else None
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):  # start of frame
            size = (int.from_bytes(content[3:5]), int.from_bytes(content[1:3]))
        elif marker == 0xE1 and content[:6] == b"Exif\x00\x00" and exif is None:
            exif = content
        elif marker == 0xE2 and content[:12] == b"ICC_PROFILE\x00":
            icc += content[14:]
        at += 2 + length
    return None


def _png_is_whole(data: bytes) -> bool:
    """Whether all chunks up to IEND are there with right checksums (ISO/IEC 15948, 5.3)."""
    at, view = 8, memoryview(data)
    while at + 12 <= len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        end = at + 12 + length
        if end > len(data) or zlib.crc32(view[at + 4 : end - 4]) != int.from_bytes(view[end - 4 : end]):
            return False
        if kind == b"IEND":
            return True
        at = end
    return False


def _check_size(size: tuple[int, int], name: str, limits: PhotoLimits) -> None:
    pixels = size[0] * size[1]
    said = f"{name} has {size[0]} x {size[1]} pixels"
    if pixels > limits.max_pixels:
        raise PhotoError(f"{said}, more than {limits.max_pixels / 1e6:.0f} megapixels; take it at a smaller size.")
    if pixels < limits.min_pixels or min(size) < 400:
        raise PhotoError(f"{said}, too few to measure in; send the photo at the camera's full size.")


# ---------------------------------------------------------------- pixels
def _decode(data: bytes, kind: str, name: str) -> Pixels:
    """RGB pixels (H, W, 3) as stored."""
    try:
        if kind == "HEIC":
            heif = pillow_heif.open_heif(data, convert_hdr_to_8bit=True)
            pixels = np.asarray(heif[heif.primary_index].to_pillow().convert("RGB"))
            return np.ascontiguousarray(pixels)
        flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
        decoded = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except Exception as error:  # decoders raise their own kinds
        raise _damaged(name) from error
    if decoded is None:
        raise _damaged(name)
    return np.asarray(decoded, np.uint8)


def _in_srgb(pixels: Pixels, icc: bytes | None) -> Pixels:
    """Pixels (H, W, 3) converted from an embedded RGB profile (Display P3 on many phones); unchanged where none helps.

    Relative colorimetric, by LittleCMS; a profile that says of itself that it is sRGB is taken at its word.
    """
    if not icc:
        return pixels
    try:
        profile = ImageCms.ImageCmsProfile(BytesIO(icc))
        if profile.profile.xcolor_space.strip() != "RGB" or "sRGB" in (profile.profile.profile_description or ""):
            return pixels
        image = Image.fromarray(pixels)
        ImageCms.profileToProfile(image, profile, ImageCms.createProfile("sRGB"), inPlace=True)
        return np.ascontiguousarray(np.asarray(image, np.uint8))
    except (ImageCms.PyCMSError, OSError, TypeError, ValueError):  # a profile that cannot be read is no profile
        return pixels


def _upright(pixels: Pixels, orientation: int) -> Pixels:
    """Apply the EXIF orientation (Exif 2.32, tag 0x0112)."""
    if orientation in (5, 6, 7, 8):
        turned = {6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}
        if orientation in turned:
            return np.asarray(cv2.rotate(pixels, turned[orientation]), np.uint8)
        pixels = np.asarray(cv2.transpose(pixels), np.uint8)
        return pixels if orientation == 5 else np.asarray(cv2.flip(pixels, -1), np.uint8)
    flips = {2: 1, 3: -1, 4: 0}
    return np.asarray(cv2.flip(pixels, flips[orientation]), np.uint8) if orientation in flips else pixels


# ---------------------------------------------------------------- EXIF
_quiet = threading.Lock()  # silencing warnings is not safe for threads


def _tags(raw: bytes | None) -> dict[int, object]:
    """All tags of both EXIF directories; damaged EXIF counts as none."""
    if not raw:
        return {}
    exif = Image.Exif()
    try:
        with _quiet, warnings.catch_warnings():
            warnings.simplefilter("ignore")
            exif.load(raw if raw[:6] == b"Exif\x00\x00" else b"Exif\x00\x00" + raw)
            return {**dict(exif.get_ifd(0x8769)), **dict(exif)}
    except Exception:  # a photo is still a photo without its EXIF
        return {}


def _positive(value: object, low: float, high: float) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) and low <= number <= high else None


def _orientation(tags: dict[int, object]) -> int:
    value = tags.get(0x0112)
    return value if isinstance(value, int) and 1 <= value <= 8 else 1


def _text(value: object) -> str | None:
    """A short printable string."""
    if isinstance(value, bytes):
        value = value.decode("utf-8", "replace")
    if not isinstance(value, str):
        return None
    text = "".join(c for c in value.split("\x00")[0] if c.isprintable()).strip()[:64]
    return text or None


def _recorded_size(tags: dict[int, object], kind: str) -> tuple[int, int] | None:
    """Upright size that the camera recorded; a HEIC file's EXIF is not clear about which way round."""
    width, height = (_positive(tags.get(t), 1, 1e6) for t in (0xA002, 0xA003))
    if width is None or height is None or kind == "HEIC":
        return None
    size = (int(width), int(height))
    return (size[1], size[0]) if _orientation(tags) >= 5 else size
