"""Piped and laid decorations and the foot border, as (V, F, rgb) meshes standing on z = 0."""

import numpy as np

from .geometry import TAU, grid_faces, smoothstep

RED, DARK_BLUE = np.array([0.46, 0.018, 0.022]), np.array([0.035, 0.045, 0.11])


def _grid(P, rgb):
    rows, cols = P.shape[:2]
    return P.reshape(-1, 3), grid_faces(rows, cols), np.broadcast_to(rgb, P.shape).reshape(-1, 3)


def _join(a, b):
    return (
        np.concatenate([a[0], b[0]]),
        np.concatenate([a[1], b[1] + np.uint32(len(a[0]))]),
        np.concatenate([a[2], b[2]]),
    )


def _revolve(r, z, n=96, rib=0.0, ribs=8, twist=0.0, phase=0.0):
    """Body of revolution through (r, z) with star ribs that twist with height; top closed by r = 0."""
    t = np.linspace(0, TAU, n + 1)[None]
    r, z = np.asarray(r)[:, None], np.asarray(z)[:, None]
    star = 1 + rib * _ribs(ribs * (t - twist * z) + phase)
    rr = r * star
    return np.stack([rr * np.cos(t), rr * np.sin(t), z + 0 * t], -1)


def _ribs(x):
    """Rounded ridges with sharp valleys, zero mean: what a star nozzle leaves."""
    return 2 * np.sqrt(np.abs(np.cos(x / 2))) - 1.52


def rosette(d, rng, rgb, ribs):
    """Star-nozzle swirl: a ribbed rope that winds inwards and up, closed by a pulled-off tip."""
    a = d * rng.uniform(0.19, 0.23)  # rope radius
    turns = rng.uniform(1.6, 2.0)
    s = np.linspace(0, 1, 240)
    ang = -TAU * turns * s
    rad = (d / 2 - a) + (0.13 * d - (d / 2 - a)) * smoothstep(s, 0.30, 0.95)
    lift = a * 0.80 + d * 0.26 * smoothstep(s, 0.15, 1.0)
    C = np.stack([rad * np.cos(ang), rad * np.sin(ang), lift], 1)
    size = a * (1 - 0.30 * smoothstep(s, 0.5, 1.0)) * (1 - 0.6 * smoothstep(s, 0.93, 1.0)) * smoothstep(s, -0.03, 0.03)
    T = np.gradient(C, axis=0)
    T /= np.linalg.norm(T, axis=1, keepdims=True)
    out = np.stack([np.cos(ang), np.sin(ang), 0 * ang], 1)
    up = np.cross(T, out)
    up *= np.sign(up[0, 2]) / np.linalg.norm(up, axis=1, keepdims=True)
    out = np.cross(up, T)
    q = np.linspace(0, TAU, 97)[None]
    star = size[:, None] * (1 + 0.22 * _ribs(ribs * q + 5.0 * s[:, None]))
    P = C[:, None] + star[..., None] * (np.cos(q)[..., None] * out[:, None] + np.sin(q)[..., None] * up[:, None])
    P[..., 2] = np.maximum(P[..., 2], 0)
    rope = _grid(P[:, ::-1] if np.dot(np.cross(out[0], up[0]), T[0]) < 0 else P, rgb)
    tip = kiss(0.50 * d, rng, rgb, ribs)
    tip = (tip[0] + [0, 0, lift[-1] - 0.06 * d], tip[1], tip[2])
    return _join(rope, tip)


def kiss(d, rng, rgb, ribs):
    """Star-nozzle kiss: ribbed drop with a pulled, slightly bent tip."""
    t = np.linspace(0, 1, 90)
    h = d * rng.uniform(0.75, 0.98)
    u = np.clip((t - 0.22) / 0.78, 0, 1)
    r = (
        d
        / 2
        * np.where(
            t < 0.22,
            np.sqrt(np.clip(1 - ((0.22 - t) / 0.30) ** 2, 0, 1)),
            0.30 * (1 - u) + 0.35 * (1 + np.cos(np.pi * u)),
        )
    )
    P = _revolve(r / 1.07, t * h, 120, 0.16, ribs, rng.uniform(-0.05, 0.05) * 20 / d, rng.uniform(0, 6))
    bend = rng.normal(0, 0.07, 2) * d
    P[..., 0] += bend[0] * (P[..., 2] / h) ** 3
    P[..., 1] += bend[1] * (P[..., 2] / h) ** 3
    return _grid(P, rgb)


def dollop(d, rng, rgb, ribs):
    """Round-nozzle drop."""
    t = np.linspace(0, 1, 70)
    h = d * rng.uniform(0.6, 0.75)
    r = (
        d
        / 2
        * np.where(
            t < 0.35,
            np.sqrt(np.clip(1 - ((0.35 - t) / 0.42) ** 2, 0, 1)),
            np.sqrt(np.clip(1 - (np.maximum(t - 0.35, 0) / 0.65) ** 1.6, 0, 1)),
        )
    )
    z = t * h + 0.12 * d * smoothstep(t, 0.88, 1.0)
    P = _revolve(r, z, 90)
    bend = rng.normal(0, 0.05, 2) * d
    P[..., 0] += bend[0] * (P[..., 2] / h) ** 4
    P[..., 1] += bend[1] * (P[..., 2] / h) ** 4
    return _grid(P, rgb)


def _berry(d, rng, length):
    """Strawberry-like berry about its long axis (z: shoulder at 0, tip at `length`), with seeds."""
    nt, n = 180, 240
    t = np.linspace(0, 1, nt)
    r = d / 2 * np.sin(np.pi * np.clip(t, 0, 1) ** 0.72) ** 0.62 * (1.06 - 0.30 * t)
    r = r / r.max() * d / 2
    P = _revolve(r, t * length, n)
    th = np.linspace(0, TAU, n + 1)
    P *= 1 + 0.02 * np.cos(2 * th + rng.uniform(0, 6))[None, :, None] * np.array([1, 1, 0])
    rgb = np.broadcast_to(RED * rng.uniform(0.8, 1.15), P.shape).copy()
    pale = smoothstep(-t, -0.16, -0.02)[:, None, None] * 0.55
    rgb = rgb * (1 - pale) + np.array([0.75, 0.42, 0.28]) * pale
    for i in range(1, 13):  # rows of seeds
        ti = 0.06 + 0.88 * i / 13
        m = max(int(TAU * np.interp(ti, t, r) / (d * 0.125)), 3)
        for j in range(m):
            aj = TAU * (j + 0.5 * (i % 2)) / m + rng.normal(0, 0.03)
            rr = np.interp(ti, t, r)
            u = ((th - aj + np.pi) % TAU - np.pi)[None] * rr
            v = (t - ti)[:, None] * length
            s = np.hypot(u / (d * 0.014), v / (d * 0.024))
            pit = np.clip(1 - (s / 2.4) ** 2, 0, 1) ** 2
            seed = s < 1
            P[..., :2] *= (1 - 0.03 * pit + 0.015 * seed)[..., None]
            rgb[seed] = (0.62, 0.42, 0.10)
    return P, rgb


def berry(d, rng, rgb, ribs):
    """Whole hulled berry, tip up."""
    P, c = _berry(d, rng, d * rng.uniform(1.0, 1.2))
    return _grid(P, c)


def half_berry(d, rng, rgb, ribs):
    """Halved berry lying on its side: cut face down (two in three) or up."""
    length = d * rng.uniform(1.05, 1.2)
    P, c = _berry(d * 0.92, rng, length)
    down = rng.random() < 0.66
    P = np.stack([P[..., 2] - length / 2, P[..., 0], P[..., 1]], -1)  # lay the axis along x
    cut_face = P[..., 2] < 0
    core = np.hypot(P[..., 0] / (0.30 * length), P[..., 1] / (0.16 * d))
    flesh = (
        np.array([0.80, 0.30, 0.24]) * (1 - np.exp(-(core**2)))[..., None]
        + np.array([0.88, 0.72, 0.62]) * np.exp(-(core**2))[..., None]
    )
    rim = smoothstep(np.maximum(P[..., 2], -3), -1.0, 0)[..., None]
    c = np.where(cut_face[..., None], flesh * (1 - rim) + RED * rim, c)
    P[..., 2] = np.maximum(P[..., 2], 0)
    if not down:
        P = P * np.array([1, 1, -1])
        P[..., 2] -= P[..., 2].min()
        P = P[:, ::-1]
        c = c[:, ::-1]
    return _grid(P, c)


def blueberry(d, rng, rgb, ribs):
    n, m = 60, 80
    t = np.linspace(0, np.pi, n)
    r, z = d / 2 * np.sin(t), -0.45 * d * np.cos(t)
    P = _revolve(np.maximum(r, 1e-4), z, m)
    th = np.linspace(0, TAU, m + 1)[None]
    star = 0.16 * (1 + 0.22 * np.cos(5 * th))
    q = (r[:, None] / d) / star
    crown = np.where(z[:, None] > 0, np.exp(-(((q - 1.15) / 0.25) ** 2)) * 0.05 - 0.10 * smoothstep(-q, -1.1, -0.5), 0)
    P[..., 2] += crown * d
    bloom = 0.5 + 0.5 * np.cos(3 * th + 2 * t[:, None]) * np.sin(5 * t[:, None] + rng.uniform(0, 6))
    c = DARK_BLUE * (0.7 + 1.3 * bloom[..., None])
    c = np.where((crown < -0.04)[..., None], c * 0.35, c)
    tilt = rng.uniform(-0.9, 0.9)  # the crown may look sideways
    P = P @ np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]]).T
    P[..., 2] -= P[..., 2].min() + 0.04 * d
    return _grid(P, c)


def macaron(d, rng, rgb, ribs):
    """Two shells with a ruffled foot and a filling, laid flat."""
    h = d * rng.uniform(0.40, 0.46)
    t = np.linspace(0, 1, 40)
    shell_r, shell_z = d / 2 * 0.97 * np.sqrt(np.clip(1 - t**2.6, 0, 1)), 0.30 * h * t
    foot_r, foot_z = d / 2 * (1 - 0.03 * np.cos(np.linspace(0, np.pi * 2, 24))), np.linspace(0, 0.1 * h, 24)
    fill = 0.5 * d * (0.955 + 0.02 * np.sin(np.linspace(0, np.pi, 16)))
    zf = np.linspace(0.40 * h, 0.60 * h, 16)
    r = np.concatenate([shell_r[::-1], foot_r, fill, foot_r, shell_r])
    z = np.concatenate([0.30 * h - shell_z[::-1], 0.30 * h + foot_z, zf, 0.60 * h + foot_z, 0.70 * h + shell_z])
    kind = np.concatenate([np.zeros(40), np.ones(24), np.full(16, 2), np.ones(24), np.zeros(40)])
    P = _revolve(np.maximum(r, 1e-4), z, 140)
    th = np.linspace(0, TAU, 141)
    ruffle = sum(rng.normal(0, 1) * np.cos(m * th + rng.uniform(0, 6)) for m in range(12, 34)) / 9
    P[kind == 1] *= (1 + 0.012 * ruffle)[None, :, None] * np.array([1, 1, 0]) + np.array([0, 0, 1 - 0])
    c = np.broadcast_to(rgb, P.shape).copy()
    c[kind == 1] *= 1.06
    c[kind == 2] = np.array([[0.80, 0.70, 0.55], [0.45, 0.06, 0.09], [0.09, 0.04, 0.022]][int(rng.integers(3))])
    return _grid(P, np.clip(c, 0, 0.92))


MAKE = {
    "rosette": rosette,
    "kiss": kiss,
    "dollop": dollop,
    "berry": berry,
    "half_berry": half_berry,
    "blueberry": blueberry,
    "macaron": macaron,
}
GLOSS = {
    "rosette": "cream",
    "kiss": "cream",
    "dollop": "cream",
    "berry": "fruit",
    "half_berry": "fruit",
    "blueberry": "berry",
    "macaron": "dry",
}


def build(p, body):
    """Meshes of the decorations in the cake frame: list of dicts kind, material, V, F, rgb, ring."""
    out = []
    for q in (p["decor"] or {}).get("pieces", []):
        rng = np.random.default_rng(q["seed"])
        V, F, rgb = MAKE[q["kind"]](q["size"], rng, p["decor"]["rgb"], p["decor"]["ribs"])
        t = np.radians(q["spin"])
        V = V @ np.array([[np.cos(t), -np.sin(t), 0], [np.sin(t), np.cos(t), 0], [0, 0, 1]]).T
        x, y = q["x"], q["y"]
        V = V + np.array([x, y, top_z(body, x, y, q["size"] * 0.35) - 0.4])
        out.append({"kind": q["kind"], "material": GLOSS[q["kind"]], "V": V, "F": F, "rgb": rgb, "ring": q["ring"]})
    return out


def top_z(body, x, y, near):
    """Height on which a piece of that reach rests."""
    T = body.top[::2, ::4]
    d = np.hypot(T[..., 0] - x, T[..., 1] - y)
    return float(np.mean(T[..., 2][d <= max(near, 3, d.min())]))


def foot_border(p, body):
    """Piped pearls or shells around the foot: one mesh, or None."""
    f = p["foot"]
    if not f:
        return None
    rng = np.random.default_rng(p["noise_seed"] + 77)
    ring = body.P[int(0.05 * body.n_side)]
    R = float(np.hypot(ring[:, 0], ring[:, 1]).mean())
    n = int(TAU * (R + 0.2 * f["size"]) / (f["size"] * 0.97))
    parts, F, base = [], [], 0
    t = np.linspace(0, np.pi, 26)
    for i in range(n):
        a = TAU * (i + rng.normal(0, 0.05)) / n
        s = f["size"] * (1 + rng.normal(0, f["jitter"]))
        j = int(a / TAU * (ring.shape[0] - 1)) % (ring.shape[0] - 1)
        r = np.hypot(*ring[j, :2]) + 0.22 * s
        if f["style"] == "pearl":
            P = _revolve(
                np.maximum(s / 2 * np.sin(t), 1e-4),
                -0.46 * s * np.cos(t) + 0.10 * s * np.exp(-(((t - np.pi) / 0.25) ** 2)),
                36,
            )
        else:  # shell: ribbed drop lying along the foot
            u = np.linspace(0, 1, 40)
            P = _revolve(
                np.maximum(
                    s * 0.52 * np.sqrt(np.clip(1 - (1 - u / 0.3) ** 2, 0, 1)) * (u < 0.3)
                    + s * 0.52 * np.clip((1 - (u - 0.3) / 0.7), 0, 1) ** 0.8 * (u >= 0.3),
                    1e-4,
                ),
                u * s * 1.7,
                64,
                0.14,
                8,
            )
            P = np.stack([P[..., 1], P[..., 2] - 0.8 * s, P[..., 0]], -1)
        c, si = np.cos(a), np.sin(a)
        Q = P @ np.array([[c, -si, 0], [si, c, 0], [0, 0, 1]]).T + np.array([r * c, r * si, 0.42 * s])
        parts.append(Q.reshape(-1, 3))
        F.append(grid_faces(*P.shape[:2]) + base)
        base += len(parts[-1])
    V = np.concatenate(parts)
    V[:, 2] = np.maximum(V[:, 2], 0.02)
    return {
        "kind": "foot",
        "material": "cream",
        "V": V,
        "F": np.concatenate(F).astype(np.uint32),
        "rgb": np.broadcast_to(np.array(f["rgb"]), V.shape),
        "ring": False,
    }


def smooth_normals(V, F):
    """Area-weighted vertex normals; coincident vertices (seams, poles) share theirs."""
    fn = np.cross(V[F[:, 1]] - V[F[:, 0]], V[F[:, 2]] - V[F[:, 0]])
    key = np.unique(np.round(V, 4), axis=0, return_inverse=True)[1].ravel()
    n = np.zeros((key.max() + 1, 3))
    for k in range(3):
        np.add.at(n, key[F[:, k]], fn)
    n = n[key]
    return n / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-12)
