"""Ground truth: every quantity of the table of measurements in DEVELOPERS.md, computed from the rendered mesh itself.

A body is any (rows, cols, 3) grid in the cake frame with rows bottom -> rim -> middle of the top and a last column
that repeats the first; `n_wall` rows belong to the side and the rounded edge. Clock hours everywhere in the output.
"""

from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter1d

TAU = 2 * np.pi
RIM = 0.8  # the top surface counts within this share of the radius
LO, HI = 0.1, 0.9  # the side counts between these shares of the height
CUTOFF = 8.0  # mm, Gaussian profile filter of side_ridges
PHI = np.linspace(0, TAU, 3600, endpoint=False)


def clock(angle):
    """Hours of a direction given counter-clockwise from +X in radians."""
    h = (90 - np.degrees(angle)) / 30 % 12
    return float(12.0 if h < 1e-9 else h)


def angle_of(hours):
    return np.radians(90 - 30 * hours)


# ---------------------------------------------------------------- circles and planes
def fit_circle(x, y):
    """Geometric least-squares circle (Gauss-Newton): x, y of the centre, radius, residuals."""
    A = np.stack([x, y, np.ones_like(x)], 1)  # algebraic start
    s = np.linalg.lstsq(A, x * x + y * y, rcond=None)[0]
    cx, cy = s[0] / 2, s[1] / 2
    r = np.hypot(x - cx, y - cy).mean()
    for _ in range(20):
        d = np.hypot(x - cx, y - cy)
        A = np.stack([(x - cx) / d, (y - cy) / d, np.ones_like(x)], 1)
        s = np.linalg.lstsq(A, d - r, rcond=None)[0]
        cx, cy, r = cx + s[0], cy + s[1], r + s[2]
        if np.abs(s).max() < 1e-9:
            break
    return {"x": float(cx), "y": float(cy), "r": float(r), "res": np.hypot(x - cx, y - cy) - r}


def _polar_rows(x, y, cx, cy, reduce_max):
    """Radius at the directions PHI of closed rows of points about (cx, cy)."""
    best = np.full(len(PHI), -np.inf)
    rows = []
    for xr, yr in zip(np.atleast_2d(x), np.atleast_2d(y), strict=True):
        a = np.arctan2(yr - cy, xr - cx) % TAU
        o = np.argsort(a)
        r = np.interp(PHI, a[o], np.hypot(xr - cx, yr - cy)[o], period=TAU)
        if reduce_max:
            best = np.maximum(best, r)
        else:
            rows.append(r)
    return best if reduce_max else np.array(rows)


def plan_outline(P):
    """Outline seen from straight above at infinity: radius at PHI about a rough centre, as points."""
    wide = np.hypot(P[..., 0] - P[..., 0].mean(), P[..., 1] - P[..., 1].mean()).max(1)
    Q = P[wide > 0.8 * wide.max(), :-1]
    cx, cy = Q[..., 0].mean(), Q[..., 1].mean()
    r = _polar_rows(Q[..., 0], Q[..., 1], cx, cy, True)
    return cx + r * np.cos(PHI), cy + r * np.sin(PHI)


def plan_circle(P):
    return fit_circle(*plan_outline(P))


def low_pass_closed(dev, upr=15):
    """Gaussian filter of a closed profile: 50 % transmission at `upr` undulations per revolution (ISO 12181-2)."""
    f = np.fft.rfft(dev)
    n = np.arange(len(f))
    return np.fft.irfft(f * 0.5 ** ((n / upr) ** 2), len(dev))


def roundness(P):
    """Plan circle and RONt (15 upr low-pass) about it."""
    x, y = plan_outline(P)
    c = fit_circle(x, y)
    a = np.arctan2(y - c["y"], x - c["x"]) % TAU
    o = np.argsort(a)
    dev = np.interp(PHI, a[o], (np.hypot(x - c["x"], y - c["y"]) - c["r"])[o], period=TAU)
    f = low_pass_closed(dev)
    return c, float(np.ptp(f)), float(np.ptp(dev))


def fit_plane(P, R, cx=0.0, cy=0.0):
    """Area-weighted least-squares plane z = a + b x + c y of the top grid within RIM of the radius."""
    d1, d2 = P[1:, :-1] - P[:-1, :-1], P[:-1, 1:] - P[:-1, :-1]
    area = np.abs(d1[..., 0] * d2[..., 1] - d1[..., 1] * d2[..., 0])  # plan area of each cell
    mid = 0.25 * (P[1:, 1:] + P[:-1, 1:] + P[1:, :-1] + P[:-1, :-1])
    w = area * (np.hypot(mid[..., 0] - cx, mid[..., 1] - cy) <= RIM * R)
    sw = np.sqrt(w[w > 0])
    m = mid[w > 0]
    A = np.stack([np.ones(len(m)), m[:, 0] - cx, m[:, 1] - cy], 1)
    s = np.linalg.lstsq(A * sw[:, None], m[:, 2] * sw, rcond=None)[0]
    return s


def top_heights(P, R, plane, cx=0.0, cy=0.0):
    """Heights over the plane: at the middle (mean within 0.1 R), at the very middle, mean on the rim circle."""
    X, Y = P[..., 0] - cx, P[..., 1] - cy
    h = P[..., 2] - (plane[0] + plane[1] * X + plane[2] * Y)
    rho = np.hypot(X, Y)
    rim = []
    for j in range(P.shape[1] - 1):  # radius decreases along the rows
        rim.append(np.interp(-RIM * R, -rho[:, j], h[:, j]))
    inner = rho < 0.1 * R
    w = rho * inner  # polar grid: area ~ rho
    return float((h * w).sum() / max(w.sum(), 1e-9)), float(h[-1].mean()), float(np.mean(rim))


# ---------------------------------------------------------------- the side
def cut(wall, zs):
    """Horizontal cross-sections of the wall grid: x, y of shape (len(zs), cols - 1)."""
    cols = wall.shape[1] - 1
    X, Y = np.empty((len(zs), cols)), np.empty((len(zs), cols))
    for j in range(cols):
        z = wall[:, j, 2]
        n = int(np.argmax(z)) + 1
        X[:, j] = np.interp(zs, z[:n], wall[:n, j, 0])
        Y[:, j] = np.interp(zs, z[:n], wall[:n, j, 1])
    return X, Y


def gaussian_regression(z, r, cutoff=CUTOFF):
    """Gaussian profile filter of ISO 16610-21; at the ends the local straight line of ISO 16610-28/-31 (degree 1),
    which is the same filter inside the profile. Returns the smooth part."""
    alpha = np.sqrt(np.log(2) / np.pi)
    d = z[None, :] - z[:, None]
    w = np.exp(-np.pi * (d / (alpha * cutoff)) ** 2)
    s0, s1, s2 = w.sum(1), (w * d).sum(1), (w * d * d).sum(1)
    k = w * (s2[:, None] - s1[:, None] * d) / (s0 * s2 - s1**2)[:, None]
    return r @ k.T


def profile(z, r):
    """Straightness (STRt about the least-squares line), ridges (rms of the high-pass), slope; r may be (n, len(z))."""
    r = np.atleast_2d(r)
    A = np.stack([np.ones_like(z), z - z.mean()], 1)
    c = np.linalg.lstsq(A, r.T, rcond=None)[0]
    res = r - (A @ c).T
    rough = res - gaussian_regression(z, res)
    return np.ptp(res, axis=1), np.sqrt((rough**2).mean(1)), c[1]


def edge_radius(r, z):
    """Least-squares circle through the rounding of one meridian: where its normal rises 15..75 degrees."""
    dr, dz = np.gradient(gaussian_filter1d(r, 2)), np.gradient(gaussian_filter1d(z, 2))
    up = np.degrees(np.arctan2(-dr, dz))  # elevation of the outward normal
    k = (up > 15) & (up < 75)
    e = fit_circle(r[k], z[k])["r"] if k.sum() > 5 else np.nan
    return float(e) if e < 40 else float("nan")  # no rounding to speak of


class Side:
    """Cross-sections and meridians of a body, computed once."""

    def __init__(self, P, n_wall, n_side=0, dz=0.1):
        self.c, self.ront, self.ront_raw = roundness(P)
        self.R = self.c["r"]
        self.cx, self.cy = self.c["x"], self.c["y"]
        self.P, self.wall, self.top = P, P[:n_wall], P[n_wall - 1 :]
        self.n_side = n_side
        self.plane = fit_plane(self.top, self.R, self.cx, self.cy)
        self.H = float(self.plane[0])
        n = round((HI - LO) * self.H / dz) + 1
        self.z = np.linspace(LO * self.H, HI * self.H, n)
        self.X, self.Y = cut(self.wall, self.z)
        self.r = _polar_rows(self.X, self.Y, self.cx, self.cy, False)  # (z, PHI)
        self.str_all, self.rms_all, _ = profile(self.z, self.r.T)

    def meridian(self, a):
        i = round(a / TAU * len(PHI)) % len(PHI)
        r = self.r[:, i]
        s, q, _ = profile(self.z, r)
        j = round((a % TAU) / TAU * (self.P.shape[1] - 1)) % (self.P.shape[1] - 1)
        k = slice(max(self.n_side - 1, 0), len(self.wall))
        col = self.wall[k, j]
        e = edge_radius(np.hypot(col[:, 0] - self.cx, col[:, 1] - self.cy), col[:, 2])
        return {
            "clock": clock(a),
            "straightness": float(s[0]),
            "ridges": float(q[0]),
            "edge_radius": float(e),
            "radius_at_0_1": float(r[0]),
            "radius_at_0_9": float(r[-1]),
        }

    def seen(self, eye):
        """Silhouette as the camera at `eye` (cake frame) sees it: for each height the extreme bearing of the
        cross-section, as the radius of a circle about the axis that would be tangent to the same ray."""
        ax, ay = self.cx - eye[0], self.cy - eye[1]
        D, fwd = np.hypot(ax, ay), np.arctan2(ay, ax)
        b = (np.arctan2(self.Y - eye[1], self.X - eye[0]) - fwd + np.pi) % TAU - np.pi
        out: dict[str, Any] = {}
        for name, pick, sign in (("left", b.argmax(1), 1), ("right", b.argmin(1), -1)):
            bb = b[np.arange(len(b)), pick]
            r = D * np.sin(sign * bb)
            s, q, _ = profile(self.z, r)
            tangent = fwd + np.pi - sign * np.arccos(np.clip(self.R / D, -1, 1))
            m = self.meridian(tangent % TAU)
            out[name] = dict(
                m,
                envelope_straightness=float(s[0]),
                envelope_ridges=float(q[0]),
                envelope_radius_at_0_1=float(r[0]),
                envelope_radius_at_0_9=float(r[-1]),
            )
        out["visible"] = [
            float(np.arccos(np.clip(self.R / D, -1, 1))),
            float(fwd + np.pi),
        ]  # half-angle, facing direction
        return out


def quantities(P, n_wall, n_side=0):
    """The body's quantities (no photos involved). Also returns the Side for the per-photo values."""
    S = Side(P, n_wall, n_side)
    _, b, c = S.plane
    slope = float(np.hypot(b, c))
    mid, very_mid, rim = top_heights(S.top, S.R, S.plane, S.cx, S.cy)
    lo, hi = fit_circle(S.X[0], S.Y[0]), fit_circle(S.X[-1], S.Y[-1])
    sx, sy = hi["x"] - lo["x"], hi["y"] - lo["y"]
    D = 2 * S.R
    m = {str(h): S.meridian(angle_of(h)) for h in (3, 6, 9, 12)}
    edges = [S.meridian(a)["edge_radius"] for a in np.linspace(0, TAU, 72, endpoint=False)]

    def at(h, k):
        return m[str(h)][k]

    return S, {
        "diameter": D,
        "out_of_round": S.ront,
        "out_of_round_unfiltered": S.ront_raw,
        "height": S.H,
        "level": D * slope,
        "level_low_clock": clock(np.arctan2(-c, -b)) if slope > 0 else None,
        "level_9_to_3": D * float(b),
        "level_6_to_12": D * float(c),  # positive: 3 (12) o'clock is higher
        "dome": mid - rim,
        "dome_very_middle": very_mid - rim,
        "lean": float(np.hypot(sx, sy)),
        "lean_clock": clock(np.arctan2(sy, sx)),
        "lean_to_3": float(sx),
        "lean_to_12": float(sy),
        "taper": 2 * (hi["r"] - lo["r"]),
        "taper_9_3": at(3, "radius_at_0_9") + at(9, "radius_at_0_9") - at(3, "radius_at_0_1") - at(9, "radius_at_0_1"),
        "taper_12_6": at(12, "radius_at_0_9")
        + at(6, "radius_at_0_9")
        - at(12, "radius_at_0_1")
        - at(6, "radius_at_0_1"),
        "side_straightness": max(at(3, "straightness"), at(9, "straightness")),
        "side_straightness_4": max(at(h, "straightness") for h in (3, 6, 9, 12)),
        "side_straightness_mean": float(S.str_all.mean()),
        "side_straightness_max": float(S.str_all.max()),
        "side_ridges": max(at(3, "ridges"), at(9, "ridges")),
        "side_ridges_4": max(at(h, "ridges") for h in (3, 6, 9, 12)),
        "side_ridges_mean": float(S.rms_all.mean()),
        "side_ridges_max": float(S.rms_all.max()),
        "edge_radius": float(np.nanmean([at(3, "edge_radius"), at(9, "edge_radius")])),
        "edge_radius_mean": float(np.nanmean(edges)),
        "edge_radius_median": float(np.nanmedian(edges)),
        "edge_radius_sd": float(np.nanstd(edges)),
        "edge_reaches_0_9": bool(np.nanmedian(edges) + 0.5 * D * slope > (1 - HI) * S.H),
        "meridians": m,
    }


# ---------------------------------------------------------------- decorations and board
def plan_shape(V, F, px=0.05):
    """Centroid, equal-area diameter of a mesh seen from straight above (raster of px mm)."""
    import cv2

    lo = V[:, :2].min(0) - 1
    q = (V[:, :2] - lo) / px
    size = np.ceil(q.max(0)).astype(int) + 3
    img = np.zeros((size[1], size[0]), np.uint8)
    for t in np.round(q[F] * 16).astype(np.int32):
        cv2.fillConvexPoly(img, t, 1, cv2.LINE_8, 4)
    m = cv2.moments(img, True)
    x, y = m["m10"] / m["m00"] * px + lo[0], m["m01"] / m["m00"] * px + lo[1]
    return float(x), float(y), float(2 * np.sqrt(m["m00"] * px * px / np.pi) - px)  # OpenCV also fills the edge pixels


def ring(pieces, cx=0.0, cy=0.0):
    """Quantities of the decorations; pieces: dicts with x_mm, y_mm, diameter_mm, ring (bool)."""
    out: dict[str, Any] = {"decoration_count": len(pieces)}
    if not pieces:
        return out
    d = np.array([q["diameter_mm"] for q in pieces])
    out.update(
        decoration_size=float(d.mean()), decoration_size_cv=float(100 * d.std(ddof=1) / d.mean()) if len(d) > 1 else 0.0
    )
    on = [q for q in pieces if q["ring"]]
    if len(on) >= 3:
        x, y = np.array([q["x_mm"] for q in on]), np.array([q["y_mm"] for q in on])
        c = fit_circle(x, y)
        a = np.sort(np.arctan2(y - c["y"], x - c["x"]) % TAU)
        gaps = np.degrees(np.diff(np.append(a, a[0] + TAU)))
        dd = np.array([q["diameter_mm"] for q in on])
        out.update(
            ring_count=len(on),
            ring_radius=c["r"],
            ring_scatter=float(np.sqrt((c["res"] ** 2).mean())),
            ring_offset=float(np.hypot(c["x"] - cx, c["y"] - cy)),
            ring_x=c["x"],
            ring_y=c["y"],
            spacing_error=float(np.abs(gaps - 360 / len(on)).max()),
            gaps_deg=[float(g) for g in gaps],
            ring_size=float(dd.mean()),
            ring_size_cv=float(100 * dd.std(ddof=1) / dd.mean()),
        )
    return out


def board(b, P):
    """board_offset and margins; b: centre x, y in the cake frame, half (radius or half side), shape, turn (deg)."""
    x, y = plan_outline(P)
    dx, dy = x - b["x"], y - b["y"]
    if b["shape"] == "round":
        m = b["half"] - np.hypot(dx, dy)
    else:
        t = np.radians(b["turn"])
        m = b["half"] - np.maximum(np.abs(dx * np.cos(t) + dy * np.sin(t)), np.abs(-dx * np.sin(t) + dy * np.cos(t)))
    c = fit_circle(x, y)
    return {
        "board_offset": float(np.hypot(c["x"] - b["x"], c["y"] - b["y"])),
        "board_offset_clock": clock(np.arctan2(c["y"] - b["y"], c["x"] - b["x"])),
        "margin_min": float(m.min()),
        "margin_max": float(m.max()),
        "board_height": b["thickness"],
    }


# ---------------------------------------------------------------- colour
def lab(rgb):
    """CIELAB (D65) of linear sRGB reflectances."""
    M = np.array(
        [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
    )
    t = np.asarray(rgb, float) @ M.T / (M.sum(1))
    f = np.where(t > 216 / 24389, np.cbrt(t), (24389 / 27 * t + 16) / 116)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], -1)


def show_through(rgb, weight, area_grid, keep, icing, min_area=4.0):
    """Share (%) of the kept cells whose colour differs from the icing's by CIEDE2000 > 6 in patches of >= min_area mm2.
    rgb (rows, cols, 3) reflectances, area_grid mm2 per cell, keep bool; columns wrap around. Also lists the patches."""
    from scipy.ndimage import label
    from skimage.color import deltaE_ciede2000

    bad = (deltaE_ciede2000(lab(rgb), lab(icing)[None, None]) > 6) & (weight > 0)
    n = label(np.concatenate([bad, bad], 1), np.ones((3, 3)))[0]
    cols = bad.shape[1]
    lab2 = n[:, :cols].copy()
    for i in range(bad.shape[0]):  # join the seam: the first column's labels seen again at `cols`
        a, b = n[i, 0], n[i, cols]
        if a and b and a != b:
            lab2[lab2 == b] = a
            n[n == b] = a
    ids = np.unique(lab2[lab2 > 0])
    area = {int(k): float(area_grid[lab2 == k].sum()) for k in ids}
    good = [k for k in ids if area[int(k)] >= min_area]
    mask = np.isin(lab2, good)
    total = area_grid[keep].sum()
    return (
        100 * float(area_grid[mask & keep].sum() / max(total, 1e-9)),
        mask,
        [{"label": int(k), "area_mm2": area[int(k)]} for k in good],
        lab2,
    )
