"""Reading photos: what is let in, what is refused and in which words, EXIF, orientation."""

import io
import struct
import zlib
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image

from qc.camera import focal_px_from_35mm
from qc.errors import PhotoError
from qc.photo import PhotoLimits, read_photo
from tests.published import optics

OPENCV_DOC = Path("/usr/share/doc/opencv-doc")
SMALL = PhotoLimits(min_pixels=1e5)


def picture(width: int = 1200, height: int = 900) -> Image.Image:
    """Red left half, blue right half, a green bar along the top: turning it shows."""
    pixels = np.zeros((height, width, 3), np.uint8)
    pixels[:, : width // 2, 0], pixels[:, width // 2 :, 2] = 220, 220
    pixels[: height // 5] = (0, 200, 0)
    return Image.fromarray(pixels)


def encoded(image: Image.Image, kind: str = "JPEG", **options) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def exif(orientation: int = 1, **tags) -> bytes:
    """EXIF of a phone."""
    block = Image.Exif()
    block[0x010F], block[0x0110], block[0x0112] = "Maker\x00", "Phone 3 ", orientation
    sub = block.get_ifd(0x8769)
    sub[0x920A], sub[0xA405] = 6.86, 26
    for tag, value in tags.items():
        sub[int(tag[1:], 16)] = value
    return block.tobytes()


def png_chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


# ---------------------------------------------------------------- recovery of known content
@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_pixels_and_type_by_content(tmp_path, kind):
    path = tmp_path / "cake.txt"  # the name says nothing
    path.write_bytes(encoded(picture(), kind))
    photo = read_photo(path)
    assert (photo.kind, photo.name, photo.width_px, photo.height_px) == (kind, "cake.txt", 1200, 900)
    assert photo.pixels.dtype == np.uint8
    assert np.abs(photo.pixels[600, 100].astype(int) - (220, 0, 0)).max() < 5
    assert np.abs(photo.pixels[600, 1100].astype(int) - (0, 0, 220)).max() < 5


@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_comes_out_upright(orientation):
    """Exif 2.32, tag 0x0112: how the stored rows and columns lie in the picture."""
    stored = {  # what the camera stores when the picture is to be seen upright
        1: None,
        2: Image.Transpose.FLIP_LEFT_RIGHT,
        3: Image.Transpose.ROTATE_180,
        4: Image.Transpose.FLIP_TOP_BOTTOM,
        5: Image.Transpose.TRANSPOSE,
        6: Image.Transpose.ROTATE_90,
        7: Image.Transpose.TRANSVERSE,
        8: Image.Transpose.ROTATE_270,
    }[orientation]
    image = picture() if stored is None else picture().transpose(stored)
    photo = read_photo(encoded(image, quality=95, exif=exif(orientation)))
    assert (photo.width_px, photo.height_px, photo.orientation) == (1200, 900, orientation)
    assert photo.pixels[50, 600, 1] > 180  # green on top
    assert photo.pixels[600, 100, 0] > 200  # red on the left
    assert photo.pixels.flags.c_contiguous


def test_exif_is_read_and_cleaned():
    photo = read_photo(encoded(picture(), exif=exif(xA002=1200, xA003=900)), "top")
    assert (photo.make, photo.model, photo.focal_35mm) == ("Maker", "Phone 3", 26.0)
    assert photo.focal_mm == pytest.approx(6.86)
    assert photo.recorded_size == (1200, 900)
    assert not photo.resized_or_cropped
    assert photo.said == "The top photo"


@pytest.mark.parametrize("bad", [0, float("nan"), -5])
def test_senseless_focal_lengths_count_as_none(bad):
    block = Image.Exif()
    block.get_ifd(0x8769)[0x920A] = bad
    photo = read_photo(encoded(picture(), exif=block.tobytes()))
    assert photo.focal_mm is None
    assert photo.focal_35mm is None


def test_damaged_exif_is_no_reason_to_refuse():
    photo = read_photo(encoded(picture(), exif=b"Exif\x00\x00MM\x00*\x00\x00\xff\xff rubbish"))
    assert photo.model is None
    assert photo.orientation == 1


@pytest.mark.parametrize("mode", ["L", "LA", "RGBA", "P", "I;16"])
def test_every_kind_of_png_becomes_rgb(mode):
    if mode == "I;16":
        image = Image.fromarray((np.arange(1200 * 900, dtype=np.uint32) % 65536).reshape(900, 1200).astype(np.uint16))
    else:
        image = picture().convert(mode)
    photo = read_photo(encoded(image, "PNG"))
    assert photo.pixels.shape == (900, 1200, 3)


def test_cmyk_and_grey_jpeg_become_rgb():
    for mode in ("CMYK", "L"):
        assert read_photo(encoded(picture().convert(mode))).pixels.shape == (900, 1200, 3)


def test_heic_with_its_exif():
    pillow_heif.register_heif_opener()
    photo = read_photo(encoded(picture(), "HEIF", quality=80, exif=exif()), "side")
    assert (photo.kind, photo.width_px, photo.height_px) == ("HEIC", 1200, 900)
    assert photo.model == "Phone 3"
    assert photo.focal_35mm == 26.0
    assert photo.pixels[600, 100, 0] > 180
    assert photo.pixels[600, 1100, 2] > 180


def test_heic_turned_by_its_flag_comes_out_upright():
    pillow_heif.register_heif_opener()
    stored = picture().transpose(Image.Transpose.ROTATE_90)
    photo = read_photo(encoded(stored, "HEIF", quality=80, exif=exif(6)))
    assert (photo.width_px, photo.height_px) == (1200, 900)
    assert photo.pixels[50, 600, 1] > 150


def test_what_follows_the_picture_is_let_be():
    """Phones append a second picture or a short film to the JPEG."""
    assert read_photo(encoded(picture()) + b"\x00" * 5000 + b"ftypmp42").width_px == 1200


def matrix_profile(primaries: dict[str, tuple[float, float, float]]) -> bytes:
    """A small ICC profile (ISO 15076-1): matrix of D50 primaries, tone curve of sRGB (parametric type 3)."""

    def s15(*values: float) -> bytes:
        return b"".join(struct.pack(">i", round(v * 65536)) for v in values)

    text = b"wide gamut"
    tags = {
        b"desc": b"desc" + bytes(4) + struct.pack(">I", len(text) + 1) + text + b"\0" + bytes(78),
        b"cprt": b"text" + bytes(4) + b"public domain\0",
        b"wtpt": b"XYZ " + bytes(4) + s15(0.9642, 1.0, 0.8249),
    }
    for name, xyz in primaries.items():
        tags[name.encode() + b"XYZ"] = b"XYZ " + bytes(4) + s15(*xyz)
        curve = s15(2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
        tags[name.encode() + b"TRC"] = b"para" + bytes(4) + struct.pack(">HH", 3, 0) + curve
    table, body, at = struct.pack(">I", len(tags)), b"", 128 + 4 + 12 * len(tags)
    for name, content in tags.items():
        content += bytes(-len(content) % 4)
        table += name + struct.pack(">II", at + len(body), len(content))
        body += content
    head = struct.pack(">I", at + len(body)) + bytes(4) + struct.pack(">I", 0x04000000) + b"mntrRGB XYZ " + bytes(12)
    head += b"acsp" + bytes(28) + s15(0.9642, 1.0, 0.8249)
    return head.ljust(128, b"\0") + table + body


# Display P3 (SMPTE EG 432-1 primaries, D65) and sRGB (IEC 61966-2-1), adapted to D50 by Bradford: as in the profiles
# that phones embed (from memory; checked here by their sum, which must be D50)
P3 = {"r": (0.51512, 0.2412, -0.00105), "g": (0.29198, 0.69225, 0.04189), "b": (0.1571, 0.06657, 0.78407)}
SRGB = {"r": (0.43607, 0.22249, 0.01392), "g": (0.38515, 0.71687, 0.09708), "b": (0.14307, 0.06061, 0.7141)}


def test_wide_gamut_photos_become_srgb():
    """A colour stored in Display P3 comes out as the matrices of both spaces say."""
    for space in (P3, SRGB):
        assert np.sum(list(space.values()), 0) == pytest.approx([0.9642, 1.0, 0.8249], abs=2e-3)
    stored = np.array([190, 110, 100])
    linear = ((stored / 255 + 0.055) / 1.055) ** 2.4
    light = np.linalg.solve(np.array(list(SRGB.values())).T, np.array(list(P3.values())).T @ linear)
    expected = 255 * (1.055 * light ** (1 / 2.4) - 0.055)
    assert np.abs(expected - stored).max() > 8  # not converting would show
    flat = Image.fromarray(np.full((900, 1200, 3), stored, np.uint8))
    profile = matrix_profile(P3)
    for kind in ("PNG", "JPEG"):
        photo = read_photo(encoded(flat, kind, icc_profile=profile))
        assert photo.icc == profile
        assert np.abs(photo.pixels[400, 600] - expected).max() < 2.5


def test_srgb_and_unreadable_profiles_change_nothing():
    from PIL import ImageCms

    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    for icc in (srgb, b"no profile at all", matrix_profile(P3)[:200]):
        photo = read_photo(encoded(picture(), "PNG", icc_profile=icc))
        assert np.array_equal(photo.pixels, np.asarray(picture()))


# ---------------------------------------------------------------- published
def test_phone_photograph_of_opencv_doc():
    """EXIF of a real phone photograph (tests/published/optics.py)."""
    path = OPENCV_DOC / "opencv4/html/singlemarkersoriginal.jpg"
    if not path.exists():
        pytest.skip("Debian's opencv-doc is not installed")
    photo = read_photo(path, limits=SMALL)
    assert photo.focal_mm == optics.PHONE_PHOTO["focal_mm"]
    assert photo.focal_35mm == optics.PHONE_PHOTO["focal_35mm"]
    assert photo.make == optics.PHONE_PHOTO["make"]
    assert (photo.width_px, photo.height_px) == optics.PHONE_PHOTO["size"]
    # 43.27 is the standard's 43.2666 rounded
    assert focal_px_from_35mm(26, 640, 480) == pytest.approx(optics.PHONE_FOCAL_PX, rel=1e-4)


# ---------------------------------------------------------------- bad input
def refused(source, name="side", **options) -> str:
    """The sentence with which a photo is refused: one, naming the photo, saying what to do."""
    with pytest.raises(PhotoError) as caught:
        read_photo(source, name, **options)
    words = str(caught.value)
    assert words.startswith(name)
    assert words.endswith(".")
    assert words.count(". ") == 0
    assert ";" in words
    return words


def test_missing_file_and_folder(tmp_path):
    assert "cannot be found" in refused(tmp_path / "none.jpg")
    assert "cannot be found" in refused(tmp_path)
    assert refused("bad\x00name.jpg")


def test_empty_and_wrong_type():
    assert "empty" in refused(b"")
    assert "no JPEG, PNG or HEIC" in refused(b"%PDF-1.7 this is no photo" * 100)
    assert "no JPEG, PNG or HEIC" in refused(encoded(picture(), "GIF"))
    assert "no JPEG, PNG or HEIC" in refused(b"\x00\x00\x00\x18ftypmp42" + b"\x00" * 64)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "HEIF"])
@pytest.mark.parametrize("share", [0.02, 0.5, 0.97])
def test_truncated(kind, share):
    pillow_heif.register_heif_opener()
    rng = np.random.default_rng(0)
    high = 256 if kind != "HEIF" else 8  # noise is slow to pack
    noisy = Image.fromarray(rng.integers(0, high, (900, 1200, 3), dtype=np.uint8))
    data = encoded(noisy, kind)
    assert "damaged" in refused(data[: int(len(data) * share)])


def test_flipped_bytes_in_a_png():
    data = bytearray(encoded(picture(), "PNG"))
    data[len(data) // 2] ^= 0xFF
    assert "damaged" in refused(bytes(data))


def test_headers_without_a_picture():
    for head in (b"\xff\xd8\xff\xe0", b"\x89PNG\r\n\x1a\n", b"\x00\x00\x00\x18ftypheic"):
        assert "damaged" in refused(head + b"\x00" * 300)


def test_too_large_and_too_small():
    assert "too few" in refused(encoded(picture(800, 600)))
    assert "MB" in refused(b"\xff\xd8\xff" + b"\x00" * 40_000_000)
    assert "megapixels" in refused(encoded(picture(), "PNG"), limits=PhotoLimits(max_pixels=1e6))


def test_large_file_is_refused_before_it_is_read(tmp_path, monkeypatch):
    path = tmp_path / "film.jpg"
    with path.open("wb") as file:
        file.truncate(50_000_000)
    monkeypatch.setattr(Path, "read_bytes", lambda self: pytest.fail("the file was read"))
    assert "MB" in refused(path)


def test_unpacking_bomb_is_refused_by_its_header(monkeypatch):
    """A PNG of 20 000 x 20 000 pixels in a few hundred kB: the header alone decides."""
    side = 20_000
    header = png_chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0))
    packed = zlib.compress(b"\x00" * 3_000_000, 9)
    data = b"\x89PNG\r\n\x1a\n" + header + png_chunk(b"IDAT", packed) + png_chunk(b"IEND", b"")
    monkeypatch.setattr("qc.photo._decode", lambda *_: pytest.fail("the picture was decoded"))
    assert "20000 x 20000" in refused(data)


def test_names():
    assert refused(b"", "top").startswith("top")
    photo = read_photo(encoded(picture()))
    assert photo.name == "the photo"
