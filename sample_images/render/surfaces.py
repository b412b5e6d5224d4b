"""Procedural textures (linear reflectance arrays) and the environment map."""

import cv2
import numpy as np


def noise(rng, shape, cell):
    """Smooth noise of unit rms; cell = (rows, cols) size of a feature in pixels."""
    n = rng.normal(
        size=(max(int(np.ceil(shape[0] / cell[0])) + 3, 4), max(int(np.ceil(shape[1] / cell[1])) + 3, 4))
    ).astype(np.float32)
    return cv2.resize(n, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)


def fractal(rng, shape, cell, octaves=5):
    out = 0
    for k in range(octaves):
        out = out + noise(rng, shape, (max(cell[0] / 2**k, 1), max(cell[1] / 2**k, 1))) / 1.8**k
    return out / 1.4


def wood(rng, n=1536, dark=None):
    dark = rng.uniform(0, 1) if dark is None else dark
    x = np.linspace(0, 1, n, dtype=np.float32)[None, :] + 0 * np.zeros((n, 1), np.float32)
    y = np.linspace(0, 1, n, dtype=np.float32)[:, None] + 0 * x
    plank = np.floor(y * 7)
    off = rng.uniform(0, 50, 8)[plank.astype(int) % 8]
    g = y * 46 + off + 2.2 * fractal(rng, (n, n), (n / 9, n / 2)) + 0.6 * fractal(rng, (n, n), (n / 40, n / 4))
    ring = 0.5 + 0.5 * np.sin(2 * np.pi * g / 2.2)
    fibre = fractal(rng, (n, n), (2, n / 10), 3)
    base = np.array([0.50, 0.30, 0.145]) * (1 - dark) + np.array([0.16, 0.075, 0.035]) * dark
    v = 0.74 + 0.30 * ring**1.5 + 0.13 * fibre + 0.10 * rng.normal(size=8)[plank.astype(int) % 8]
    gap = np.abs((y * 7) % 1 - 0.0) < 0.008
    v = np.where(gap, 0.25, v)
    return np.clip(base * v[..., None], 0.01, 0.9)


def marble(rng, n=1536):
    f = fractal(rng, (n, n), (n / 4, n / 4), 7)
    g = fractal(rng, (n, n), (n / 6, n / 6), 7)
    vein = np.exp(-np.abs(f + 0.25 * g) * 9) * np.clip(0.6 + 0.5 * noise(rng, (n, n), (n / 5, n / 5)), 0, 1)
    fine = np.exp(-np.abs(g - 0.5 + 0.2 * f) * 16) * 0.5
    v = 0.80 + 0.035 * g - 0.42 * vein - 0.2 * fine
    return np.clip(v[..., None] * np.array([1.0, 0.985, 0.96]), 0.1, 0.88)


def steel(rng, n=2048):
    v = (
        0.60
        + 0.035 * noise(rng, (n, n), (1, n / 5))
        + 0.008 * noise(rng, (n, n), (3, n / 12))
        + 0.03 * fractal(rng, (n, n), (n / 4, n / 3), 4)
    )
    return np.clip(v[..., None] * np.array([1.0, 0.99, 0.97]), 0.1, 0.9)


def plain(rng, rgb, n=512, mottling=0.02):
    v = 1 + mottling * fractal(rng, (n, n), (n / 6, n / 6), 6)
    return np.clip(np.array(rgb) * v[..., None], 0.005, 0.92)


def tiles(rng, n=1536, count=(14, 9), rgb=(0.75, 0.76, 0.74)):
    """Wall tiles: count = tiles across, up; brick bond."""
    y, x = np.mgrid[0:n, 0:n].astype(np.float32) / n
    row = np.floor(y * count[1]).astype(int)
    xs = x * count[0] + 0.5 * (row % 2)
    col = np.floor(xs).astype(int)
    tone = 1 + 0.03 * rng.normal(size=(count[1] + 1, count[0] + 2))[row, col]
    fx, fy = np.abs(xs % 1 - 0.5), np.abs((y * count[1]) % 1 - 0.5)
    grout = (fx > 0.485) | (fy > 0.485 * 0.985)
    img = np.array(rgb) * tone[..., None]
    img[grout] = np.array([0.42, 0.41, 0.39])
    return cv2.GaussianBlur(np.clip(img, 0.01, 0.9).astype(np.float32), (0, 0), 0.8)


def shelves(rng, n=1536):
    """A wall with shelves full of jars, boxes and tins (always out of focus). About 3000 mm wide, 2000 mm high."""
    img = np.ones((n, n, 3), np.float32) * (0.45 * np.array([1.0, 0.97, 0.92], np.float32))
    palette = np.array(
        [
            [0.75, 0.74, 0.71],
            [0.55, 0.55, 0.55],
            [0.06, 0.06, 0.06],
            [0.30, 0.17, 0.08],
            [0.18, 0.06, 0.04],
            [0.10, 0.14, 0.22],
            [0.5, 0.42, 0.28],
            [0.12, 0.2, 0.12],
        ]
    )
    for y in range(n // 14, n + n // 10, n // 7):
        above = img[max(y - n // 8, 0) : y]
        above *= np.linspace(0.45, 1.0, max(len(above), 1), dtype=np.float32)[: len(above), None, None]
        x = 0
        while x < n:
            w, h = int(rng.integers(n // 60, n // 22)), int(rng.integers(n // 26, n // 9))
            for _ in range(int(rng.integers(0, 4))):  # a few alike in a row
                c = palette[rng.integers(len(palette))] * rng.uniform(0.7, 1.1)
                k = img[max(y - h, 0) : y, x : x + w]
                round_ = (
                    0.65 + 0.35 * np.sin(np.linspace(0.2, np.pi - 0.2, w))[: k.shape[1]]
                    if rng.random() < 0.6
                    else np.ones(k.shape[1])
                )
                k[:] = c * round_[None, :, None]
                x += w + 3
            x += int(rng.integers(4, n // 24))
        img[y : y + n // 110] = np.array([0.5, 0.5, 0.51])
    return np.clip(cv2.GaussianBlur(img, (0, 0), 1.5), 0.01, 0.9)


def environment(rng, h=256):
    """Lat-long kitchen: bright ceiling, walls, darker floor, cupboards, a few lamps; row 0 = straight up."""
    w = 2 * h
    el = np.linspace(90, -90, h)[:, None]
    img = np.where(el > 38, 0.62, np.where(el > -12, 0.34, 0.14))[..., None] * np.ones((1, w, 3))
    img *= np.array([1.0, 0.97, 0.92])

    def row(e):
        return int(np.clip((90 - e) / 180 * h, 0, h - 1))

    for _ in range(14):  # cupboards, doors, people in white or dark clothes
        x, ww = int(rng.integers(0, w)), int(rng.integers(w // 40, w // 9))
        a, b = sorted(rng.uniform(-12, 38, 2))
        c = rng.choice([0.05, 0.12, 0.3, 0.6]) * np.clip(rng.normal(1, 0.15, 3), 0.4, 1.4)
        cols = np.arange(x, x + ww) % w
        r = np.arange(row(b), row(a) + 1)
        img[np.ix_(r, cols)] = c
    for _ in range(int(rng.integers(2, 5))):  # ceiling lamps
        x, e = int(rng.integers(0, w)), rng.uniform(45, 75)
        cols = np.arange(x, x + int(w / rng.uniform(14, 30))) % w
        img[np.ix_(np.arange(row(e + 5), row(e) + 1), cols)] = rng.uniform(4, 9)
    img = cv2.GaussianBlur(img.astype(np.float32), (0, 0), 1.2, borderType=cv2.BORDER_REPLICATE)
    return img * (1 + 0.05 * fractal(rng, (h, w), (h / 6, w / 10))[..., None]).astype(np.float32).clip(0.5, 1.5)
