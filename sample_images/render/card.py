"""The reference card of DEVELOPERS.md: texture, geometry and reference points (card frame, mm)."""

import cv2
import numpy as np

from .geometry import grid_faces

PX = 24  # texture pixels per mm
SQUARES, SQUARE, MARKER, PANEL, MARGIN = 7, 15.0, 11.0, 120.0, 7.5
PAPER, INK = np.array([0.86, 0.865, 0.87]), np.array([0.042, 0.041, 0.040])  # linear reflectances
DICT = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_100)


def charuco(panel):
    """OpenCV board of the 'floor' (ids 0-23) or the 'standing' panel (ids 24-47)."""
    ids = np.arange(24) + (24 if panel == "standing" else 0)
    return cv2.aruco.CharucoBoard((SQUARES, SQUARES), SQUARE, MARKER, DICT, ids)


def texture(panel):
    """Linear reflectance image of one panel, 120 x 120 mm; its top-left is far-left (floor) or top-left (standing)."""
    n = int(SQUARES * SQUARE * PX)
    img = charuco(panel).generateImage((n, n), None, 0, 1)
    m = int(MARGIN * PX)
    img = cv2.copyMakeBorder(img, m, m, m, m, cv2.BORDER_CONSTANT, value=255)
    if panel == "floor":  # the 100 mm line, in the margin nearest the person
        y, x0, x1 = int(116.5 * PX), int(10 * PX), int(110 * PX)
        cv2.line(img, (x0, y), (x1, y), 0, 5)
        for x in (x0, x1):
            cv2.line(img, (x, y - 24), (x, y + 24), 0, 5)
    img = cv2.GaussianBlur(img, (0, 0), 1.2).astype(np.float32) / 255  # ink spreads a little
    return (INK + (PAPER - INK) * img[..., None]).astype(np.float32)


def place(panel, x, d, card):
    """Card-frame points of a panel: x mm from its left end, d mm from the fold (nominal, i.e. before print scale)."""
    x, d, s = np.asarray(x, float), np.asarray(d, float), card["print_scale"]
    if panel == "floor":
        return s * np.stack([x, -d, 0 * x], -1)
    a = np.radians(card["fold_deg"])  # angle between the panels; 90 = upright, 180 = flat
    u, h = x / PANEL, d / PANEL
    out = card["bow_mm"] * 4 * u * (1 - u) * h + card["curl_mm"] * h * h  # towards the person
    y = -d * s * np.cos(a) - out * np.sin(a)
    z = d * s * np.sin(a) - out * np.cos(a)
    return np.stack([s * x, y, z], -1)


def panel_mesh(panel, card, n=41):
    """(V, F, uv): front of a panel; uv (0, 0) = top-left of its texture."""
    g = np.linspace(0, PANEL, n)
    x, d = np.meshgrid(g, g)
    V = place(panel, x, d, card).reshape(-1, 3)
    t = d / PANEL if panel == "floor" else 1 - d / PANEL
    uv = np.stack([x / PANEL, t], -1).reshape(-1, 2)
    F = grid_faces(n, n)
    if panel == "floor":  # d grows towards the person: turn the faces up
        F = F[:, ::-1]
    return V, F, uv


def corners(panel, card):
    """The 36 inner chessboard corners: (ids, points in the card frame)."""
    c = charuco(panel).getChessboardCorners()
    u, v = c[:, 0], c[:, 1]
    d = MARGIN + v if panel == "floor" else 112.5 - v
    return np.arange(len(c)), place(panel, MARGIN + u, d, card)


def outline(card):
    """Corner points of both panels (card frame)."""
    return np.concatenate(
        [place(p, np.array([0, 120, 0, 120.0]), np.array([0, 0, 120, 120.0]), card) for p in ("floor", "standing")]
    )


def sample(rng, photo, print_scale):
    flat = photo == "top"
    return {
        "print_scale": float(print_scale),
        "fold_deg": float(180 - abs(rng.normal(0, 1.0)) if flat else 90 + np.clip(rng.normal(0, 1.5), -4, 4)),
        "bow_mm": float(0 if flat or rng.random() < 0.5 else rng.uniform(-2, 2)),
        "curl_mm": float(0 if flat else rng.normal(0, 0.5)),
        "thickness": 0.25,
    }
