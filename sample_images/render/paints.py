"""Paint of the teaching pictures' cakes: icing colours, dust, sprinkles, drips, writing, show-through, cut layers."""

from dataclasses import dataclass

import cv2
import numpy as np

from . import surfaces
from .geometry import TAU, smoothstep

SIDE_PX, TOP_PX = (360, 1400), 700  # side texture (height, around), top texture


@dataclass(frozen=True)
class Paint:
    """Textures (linear reflectance) of the side, the top and a cut face."""

    side: np.ndarray
    top: np.ndarray
    cut: np.ndarray


@dataclass(frozen=True)
class Drips:
    """A poured icing that runs down the side: thickness (mm) on the side grid, its colour, and its painted mask."""

    thick: np.ndarray
    mask: np.ndarray
    rgb: np.ndarray


def icing_rgb(rng, held_out=False):
    """An icing colour, linear. held_out: the hues that training never shows (blue-green)."""
    if held_out:
        return np.array([0.05, 0.36, 0.38]) * rng.uniform(0.6, 1.6) + rng.uniform(0, 0.25)
    u = rng.random()
    if u < 0.34:  # whites and creams
        return np.array([0.90, 0.875, 0.82]) * rng.uniform(0.85, 1.02) * [1, rng.uniform(0.95, 1), rng.uniform(0.78, 1)]
    if u < 0.52:  # chocolate, coffee, caramel
        t = rng.uniform(0, 1) ** 0.7
        return (np.array([0.03, 0.012, 0.007]) * (1 - t) + np.array([0.50, 0.27, 0.12]) * t) * rng.uniform(0.8, 1.2)
    hue = rng.uniform(0, 1)
    while 0.44 < hue < 0.56:  # blue-green is kept out of training
        hue = rng.uniform(0, 1)
    strong = rng.random() < 0.35
    hsv = np.array(
        [
            [
                [
                    hue * 360,
                    rng.uniform(0.5, 0.95) if strong else rng.uniform(0.1, 0.45),
                    rng.uniform(0.35, 0.95) if strong else rng.uniform(0.8, 0.96),
                ]
            ]
        ],
        np.float32,
    )
    return np.clip(cv2.cvtColor(hsv, cv2.COLOR_HSV2RGB)[0, 0].astype(float) ** 2.2, 0.005, 0.92)


def drips(rng, radius, height, th, z, rgb):
    """Drips on a side grid (rows of z, columns of th)."""
    n = int(rng.integers(9, 34))
    mask = np.zeros(np.broadcast(th, z).shape)
    down = height - z
    mask = np.maximum(mask, smoothstep(-down, -rng.uniform(3, 10) - 2, -3))
    reach = rng.uniform(0.15, 0.75) * height
    for i in range(n):
        a = TAU * (i + rng.uniform(-0.35, 0.35)) / n
        long, w = reach * rng.uniform(0.25, 1.0), rng.uniform(2.5, 5.5)
        x = ((th - a + np.pi) % TAU - np.pi) * radius
        tip = np.maximum(down - (long - w), 0)
        mask = np.maximum(mask, np.sqrt(np.clip(1 - (x / w) ** 2 - (tip / w) ** 2, 0, 1)))
    colour = icing_rgb(rng) if rng.random() < 0.5 else np.array([0.05, 0.02, 0.012]) * rng.uniform(0.6, 3)
    return Drips(mask * rng.uniform(1, 2.6), mask, colour)


def body(rng, finish, rgb, radius, height, drip):
    """Textures of one tier."""
    side = _tone(rng, SIDE_PX, rgb, 0.03)
    top = _tone(rng, (TOP_PX, TOP_PX), rgb, 0.03)
    if rng.random() < 0.12:  # shaded from foot to rim, or two colours
        other, t = icing_rgb(rng), np.linspace(0, 1, SIDE_PX[0])[:, None, None]
        t = t if rng.random() < 0.6 else (t > rng.uniform(0.3, 0.7)).astype(float)
        side = side * (1 - t) + _tone(rng, SIDE_PX, other, 0.03) * t
    if finish in ("naked", "fingers"):
        side = (
            _naked(rng, side)
            if finish == "naked"
            else _tone(rng, SIDE_PX, np.array([0.55, 0.33, 0.12]) * rng.uniform(0.7, 1.2), 0.12)
        )
    if finish == "coated":
        side = _specks(rng, side, int(rng.integers(1500, 6000)), (2, 6), _speck_colours(rng))
        if rng.random() < 0.5:
            top = _specks(rng, top, int(rng.integers(1500, 5000)), (2, 6), _speck_colours(rng))
    if rng.random() < 0.12:
        top = _tone(rng, (TOP_PX, TOP_PX), icing_rgb(rng), 0.05)  # another colour on top: jelly, glaze, cocoa
    if drip is not None:
        m = cv2.resize(drip.mask[::-1].astype(np.float32), SIDE_PX[::-1])[..., None]
        side = side * (1 - smoothstep(m, 0.05, 0.3)) + drip.rgb * smoothstep(m, 0.05, 0.3)
        top = _tone(rng, (TOP_PX, TOP_PX), drip.rgb, 0.02)
    side, top = _strewn(rng, side, top)
    if rng.random() < 0.10:
        top = writing(rng, top)
    if rng.random() < 0.08:
        side = _pattern(rng, side)
    return Paint(_ready(side), _ready(top), _ready(cut_face(rng, rgb)))


def _ready(t):
    return np.clip(t, 0.004, 0.94).astype(np.float32)


def _tone(rng, shape, rgb, amount):
    f = 1 + amount * surfaces.fractal(rng, shape, (shape[0] / 5, shape[1] / 9), 4)
    return np.asarray(rgb)[None, None] * f[..., None]


def _naked(rng, side):
    """Sponge and filling that show through a thin coat."""
    sponge = np.array([[0.58, 0.37, 0.15], [0.10, 0.045, 0.022], [0.36, 0.06, 0.04]])[int(rng.integers(3))]
    h, w = side.shape[:2]
    f = surfaces.fractal(rng, (h, w), (h / 6, w / 5), 5) + rng.uniform(-1.2, 0.6)
    m = (smoothstep(f, -0.1, 0.4) * rng.uniform(0.5, 1.0))[..., None]
    crumb = sponge * (1 + 0.25 * surfaces.fractal(rng, (h, w), (4, 4), 2))[..., None]
    layers = (np.sin(np.linspace(0, np.pi * rng.integers(2, 5) * 2, h)) > 0.8)[:, None, None]
    crumb = np.where(layers, side * 0.95, crumb)
    return side * (1 - m) + crumb * m


def _speck_colours(rng):
    sets = (
        [[0.5, 0.3, 0.12], [0.7, 0.5, 0.25]],
        [[0.05, 0.02, 0.01]],
        [[0.9, 0.9, 0.88]],
        [[0.8, 0.1, 0.15], [0.1, 0.3, 0.8], [0.9, 0.75, 0.1], [0.1, 0.6, 0.2]],
        [[0.75, 0.55, 0.18]],
        [[0.5, 0.02, 0.05]],
        [[0.8, 0.4, 0.5], [0.95, 0.9, 0.9]],
    )
    return np.array(sets[int(rng.integers(len(sets)))])


def _specks(rng, tex, n, size, colours, where=None):
    """Strewn bits: short strokes, dots or flakes."""
    out = np.ascontiguousarray(tex, np.float32)
    h, w = out.shape[:2]
    x, y = rng.uniform(0, w, 4 * n), rng.uniform(0, h, 4 * n)
    if where is not None:
        keep = rng.random(4 * n) < where(x / w, y / h)
        x, y = x[keep], y[keep]
    style = int(rng.integers(3))
    for i in range(min(n, len(x))):
        c = (colours[int(rng.integers(len(colours)))] * rng.uniform(0.75, 1.2)).tolist()
        p, s = (int(x[i]), int(y[i])), rng.uniform(*size)
        if style == 0:
            a = rng.uniform(0, np.pi)
            cv2.line(
                out,
                p,
                (int(p[0] + 2.2 * s * np.cos(a)), int(p[1] + 2.2 * s * np.sin(a))),
                c,
                max(1, int(s * 0.5)),
                cv2.LINE_AA,
            )
        elif style == 1:
            cv2.circle(out, p, max(1, int(s * 0.6)), c, -1, cv2.LINE_AA)
        else:
            cv2.fillConvexPoly(out, (np.array(p) + rng.normal(0, s, (4, 2))).astype(np.int32), c, cv2.LINE_AA)
    return out


def _strewn(rng, side, top):
    """Dust, sprinkles, crumbs and flecks on top or along the side's foot or rim."""
    if rng.random() < 0.2:  # sugar or cocoa dust through a sieve, in a ring or all over
        colour = np.array([0.92, 0.91, 0.9]) if rng.random() < 0.6 else np.array([0.10, 0.045, 0.02])
        y, x = np.mgrid[0:TOP_PX, 0:TOP_PX] / (TOP_PX / 2) - 1
        ring = smoothstep(-np.abs(np.hypot(x, y) - rng.uniform(0.2, 0.7)), -rng.uniform(0.15, 0.6), 0)
        grain = surfaces.noise(rng, (TOP_PX, TOP_PX), (2, 2)) + surfaces.fractal(rng, (TOP_PX, TOP_PX), (60, 60), 3)
        m = (smoothstep(grain + 2 * ring, rng.uniform(1.0, 2.4), 3.0) * rng.uniform(0.6, 1))[..., None]
        top = top * (1 - m) + colour * m
    if rng.random() < 0.25:
        r0, wide = rng.uniform(0, 0.8), rng.uniform(0.1, 0.8)

        def near(u, v):
            return np.abs(np.hypot(2.3 * u - 1.15, 2.3 * v - 1.15) - r0) < wide

        top = _specks(
            rng, top, int(rng.integers(30, 900)), (2, 8 if rng.random() < 0.6 else 18), _speck_colours(rng), near
        )
    if rng.random() < 0.25:
        foot = rng.random() < 0.6
        reach = rng.uniform(0.05, 0.5)

        def near(u, v):
            return np.exp(-((1 - v) if foot else v) / reach)

        side = _specks(
            rng, side, int(rng.integers(60, 1500)), (2, 7 if rng.random() < 0.6 else 14), _speck_colours(rng), near
        )
    return side, top


WORDS = (
    "Happy Day",
    "Anna",
    "Love",
    "10",
    "Mia & Tom",
    "Best wishes",
    "40",
    "Hooray",
    "Zoe",
    "Bravo",
    "Thank you",
    "7",
)


def writing(rng, top):
    """Piped words or a scroll on the top."""
    mask = np.zeros((TOP_PX, TOP_PX), np.uint8)  # the library writes on bytes only
    for line in range(int(rng.integers(1, 3))):
        font = int(
            rng.choice([cv2.FONT_HERSHEY_SCRIPT_SIMPLEX, cv2.FONT_HERSHEY_SCRIPT_COMPLEX, cv2.FONT_HERSHEY_TRIPLEX])
        )
        word = WORDS[int(rng.integers(len(WORDS)))]
        scale = rng.uniform(1.0, 2.2)
        (w, _), _ = cv2.getTextSize(word, font, scale, 4)
        at = (int(TOP_PX / 2 - w / 2), int(TOP_PX * rng.uniform(0.4, 0.5) + 110 * line))
        cv2.putText(mask, word, at, font, scale, 255, int(rng.integers(4, 9)), cv2.LINE_AA)
    t = np.linspace(0, TAU * rng.integers(2, 6), 200)
    p = np.stack([TOP_PX * (0.3 + 0.4 * t / t[-1]) + 18 * np.cos(t), TOP_PX * 0.68 + 18 * np.sin(t)], -1)
    cv2.polylines(mask, [p.astype(np.int32)], False, 255, 5, cv2.LINE_AA)
    turn = cv2.getRotationMatrix2D((TOP_PX / 2, TOP_PX / 2), float(rng.uniform(0, 360)), 1)
    m = (cv2.warpAffine(mask, turn, (TOP_PX, TOP_PX)) / 255.0)[..., None]
    return top * (1 - m) + icing_rgb(rng) * m


def _pattern(rng, side):
    """Painted stripes, dots or garlands on the side."""
    out = np.ascontiguousarray(side, np.float32)
    h, w = out.shape[:2]
    c, kind, n = icing_rgb(rng).tolist(), int(rng.integers(3)), int(rng.integers(8, 40))
    for i in range(n):
        x = int(w * i / n)
        if kind == 0:
            cv2.line(out, (x, 0), (x, h), c, max(2, int(w / n / 3)))
        elif kind == 1:
            for y in range(h // 10, h, h // 5):
                cv2.circle(out, (x + (w // n // 2) * ((y // (h // 5)) % 2), y), h // 24, c, -1, cv2.LINE_AA)
        else:
            cv2.ellipse(out, (x, h // 4), (w // n // 2, h // 6), 0, 0, 180, c, 7, cv2.LINE_AA)
    return out


def cut_face(rng, rgb):
    """Layers of sponge and filling with a coat of icing at the outside (right) and top."""
    h, w = 200, 200
    sponge = np.array([[0.62, 0.42, 0.18], [0.10, 0.045, 0.022], [0.36, 0.06, 0.04], [0.8, 0.7, 0.45]])[
        int(rng.integers(4))
    ]
    filling = icing_rgb(rng)
    n, share = int(rng.integers(2, 6)), rng.uniform(0.15, 0.4)
    v = np.linspace(0, n, h)[:, None] + 0.03 * surfaces.noise(rng, (h, w), (60, 30))
    is_filling = ((v % 1) < share)[..., None]
    crumb = sponge * (1 + 0.2 * surfaces.fractal(rng, (h, w), (6, 6), 3))[..., None]
    out = np.where(is_filling, filling[None, None], crumb)
    out[:, int(w * 0.94) :] = rgb
    out[: int(h * 0.05)] = rgb
    return out
