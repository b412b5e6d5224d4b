"""Camera model and picture formation.

Convention (OpenCV): camera x right, y down, z forward; pixel centres at integer coordinates; the truth's K, dist
belong to the upright picture (after the EXIF orientation has been applied). The scene is rendered through an ideal
pinhole with some margin; warp() then brings it to the true K and distortion.
"""

import cv2
import numpy as np
from PIL import Image

FULL_FRAME_DIAGONAL = 43.27


def intrinsics(rng, width, height, mm35):
    """True K and distortion of a phone lens whose EXIF says mm35."""
    f = np.hypot(width, height) * mm35 / FULL_FRAME_DIAGONAL * (1 + np.clip(rng.normal(0, 0.007), -0.015, 0.015))
    cx = (width - 1) / 2 + rng.uniform(-0.005, 0.005) * width
    cy = (height - 1) / 2 + rng.uniform(-0.005, 0.005) * width
    K = np.array([[f, 0, cx], [0, f, cy], [0, 0, 1]])
    return K, np.array([rng.uniform(-0.03, 0.03), rng.uniform(-0.008, 0.008), 0, 0, 0])


def rotation(direction, up, roll):
    """World -> camera rotation of a camera that stands in `direction` from its target (unit vector)."""
    f = -np.asarray(direction, float)
    r = np.cross(f, up)
    r /= np.linalg.norm(r)
    R = np.stack([r, np.cross(f, r), f])
    c, s = np.cos(np.radians(roll)), np.sin(np.radians(roll))
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ R


def project(X, R, t, K, dist):
    return cv2.projectPoints(np.ascontiguousarray(X, float), cv2.Rodrigues(R)[0], np.asarray(t, float), K, dist)[
        0
    ].reshape(-1, 2)


def frame(points, R, K, dist, size, fill, shift=(0, 0)):
    """Camera translation (world -> camera) so that the points fill the given share of the picture, off-centre by
    `shift` (share of the picture)."""
    W, H = size
    target, D = points.mean(0), 3 * np.ptp(points, axis=0).max()
    for _ in range(40):
        t = -R @ target + np.array([0, 0, D])
        q = project(points, R, t, K, dist)
        lo, hi = q.min(0), q.max(0)
        used = max((hi[0] - lo[0]) / W, (hi[1] - lo[1]) / H)
        off = (lo + hi) / 2 - np.array([W * (0.5 + shift[0]), H * (0.5 + shift[1])])
        target = target + R.T @ np.array([off[0], off[1], 0]) * D / K[0, 0] * 0.8
        D *= (used / fill) ** 0.7
    return t


def render_window(K, dist, size):
    """Size of the ideal pinhole picture (same focal length, centred) that covers the distorted one."""
    W, H = size
    e = np.concatenate(
        [np.stack([np.linspace(0, W - 1, 50), np.full(50, y)], 1) for y in (0, H - 1)]
        + [np.stack([np.full(50, x), np.linspace(0, H - 1, 50)], 1) for x in (0, W - 1)]
    )
    n = np.abs(undistort(e, K, dist)).max(0) * K[0, 0]
    return tuple(int(2 * np.ceil(v + 3)) for v in n)


def undistort(q, K, dist):
    """Normalised pinhole coordinates of distorted pixels."""
    d = (q - K[:2, 2]) / K[0, 0]
    n = d.copy()
    for _ in range(12):
        r2 = (n**2).sum(-1, keepdims=True)
        n = d / (1 + dist[0] * r2 + dist[1] * r2**2)
    return n


def warp(img, K, dist, size, nearest=False, finer=1):
    """Ideal pinhole rendering, so many times as fine as K says -> picture with the true K and distortion."""
    W, H = size
    u, v = np.meshgrid(np.arange(W, dtype=np.float64), np.arange(H, dtype=np.float64))
    n = undistort(np.stack([u, v], -1), K, dist)
    m = (n * K[0, 0] * finer + [(img.shape[1] - 1) / 2, (img.shape[0] - 1) / 2]).astype(np.float32)
    return cv2.remap(
        img, m[..., 0], m[..., 1], cv2.INTER_NEAREST if nearest else cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )


# ---------------------------------------------------------------- from radiance to JPEG
def srgb(x):
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 0.0031308) ** (1 / 2.4) - 0.055)


def develop(lin, look, rng):
    """Linear radiance -> 8-bit picture: white balance, exposure, noise, denoising, sRGB, sharpening."""
    img = np.maximum(lin, 0).astype(np.float32) / np.array(look["wb"], np.float32)
    y = img @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    h, w = y.shape
    centre = y[h // 6 : -h // 6, w // 6 : -w // 6]
    gain = (
        min(
            look["grey"] / max(float(np.exp(np.log(centre + 1e-3).mean())), 1e-4),
            look["white"] / max(float(np.percentile(centre, 98.5)), 1e-4),
        )
        * 2.0 ** look["ev"]
    )
    img = img * gain
    full = look["electrons"]  # electrons at clipping
    sd = np.sqrt(np.maximum(img, 0) / full + (look["read"] / full) ** 2)
    img = img + rng.normal(size=img.shape).astype(np.float32) * sd
    img = srgb(np.clip(img, 0, 1))
    img = img + look["contrast"] * (img * img * (3 - 2 * img) - img)  # a phone's mild S-curve
    img = np.clip(img, 0, 1)
    img = (255 * img + 0.5).astype(np.uint8)
    if look["denoise"] > 0:  # what a phone does to its noise
        lab = cv2.cvtColor(img, cv2.COLOR_RGB2LAB)
        L = cv2.bilateralFilter(lab[..., 0], 5, look["denoise"], 1.3)
        c = [
            cv2.bilateralFilter(cv2.GaussianBlur(lab[..., k], (0, 0), 1.0), 7, 3 * look["denoise"], 2.5) for k in (1, 2)
        ]
        img = cv2.cvtColor(np.stack([L] + c, -1), cv2.COLOR_LAB2RGB)
    f = img.astype(np.float32)
    f = f + look["sharpen"] * (f - cv2.GaussianBlur(f, (0, 0), look["sharpen_radius"]))
    return np.clip(f + 0.5, 0, 255).astype(np.uint8), gain


def sample_look(rng, light_rgb):
    """Exposure, white balance (imperfect correction of the light's colour) and processing of one photo."""
    t = np.array(light_rgb) / np.mean(light_rgb)
    keep = rng.uniform(0.0, 0.25)  # part of the light's tint that stays
    wb = t ** (1 - keep) * np.exp(rng.normal(0, 0.02, 3))
    return {
        "contrast": float(rng.uniform(0, 0.5)),
        "wb": [float(v) for v in wb / wb[1]],
        "grey": float(rng.uniform(0.28, 0.42)),
        "white": float(rng.uniform(0.84, 1.0)),
        "ev": -1.0 if rng.random() < 0.15 else float(rng.normal(-0.05, 0.12)),
        "electrons": float(rng.uniform(3000, 12000)),
        "read": float(rng.uniform(2, 6)),
        "denoise": float(rng.uniform(4, 9)),
        "sharpen": float(rng.uniform(0.25, 0.6)),
        "sharpen_radius": float(rng.uniform(0.8, 1.3)),
        "quality": int(rng.integers(85, 94)),
    }


STORE = {1: None, 3: Image.Transpose.ROTATE_180, 6: Image.Transpose.ROTATE_90, 8: Image.Transpose.ROTATE_270}


def write_jpeg(path, img, mm35, orientation, quality, when):
    """JPEG with EXIF; orientation != 1 stores the pixels rotated, with the flag that brings them upright again."""
    im = Image.fromarray(img)
    turn = STORE[orientation]
    if turn is not None:
        im = im.transpose(turn)
    ex = Image.Exif()
    ex[0x010F], ex[0x0110], ex[0x0112], ex[0x0132] = "Demo", "Demo phone", orientation, when
    sub = ex.get_ifd(0x8769)
    sub[0x9003] = when
    sub[0x920A] = 6.86  # both settings use the same lens; 2x is a crop
    sub[0xA405] = int(mm35)
    sub[0xA404] = mm35 / 26.0
    im.save(path, quality=quality, exif=ex.tobytes(), subsampling=2)
