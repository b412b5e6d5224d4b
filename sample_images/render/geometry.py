"""The iced body: analytic side r(theta, z) and top z(theta, rho) joined by a rounded edge, as one dense mesh.

The generator's frame has Z up and the board plane at Z = 0; build_body() then moves the origin to the centre of the
plan outline (truth.plan_circle), which makes it the cake frame of measurements.md. Angles theta run counter-clockwise
from +X (3 o'clock), in radians inside this file.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.special import ndtri

TAU = 2 * np.pi


@dataclass
class Body:
    P: np.ndarray  # (rows, cols, 3) vertices; rows bottom -> over the edge -> middle of the top; last col = first
    N: np.ndarray  # shading normals
    rgb: np.ndarray  # linear reflectance per vertex
    show: np.ndarray  # 0..1, how much filling or sponge shows
    n_side: int  # rows of the side
    n_edge: int  # rows of the rounding
    shift: np.ndarray  # what was subtracted from x, y: generator frame -> cake frame
    p: dict

    @property
    def wall(self):  # side and rounding: the part on which a horizontal cut meets each column once
        return self.P[: self.n_side + self.n_edge]

    @property
    def top(self):
        return self.P[self.n_side + self.n_edge - 1 :]


def waves(seed, a, b, la, lb, n=28, period_a=None):
    """Smooth random field of unit rms over coordinates a, b (mm); la, lb = (shortest, longest) wavelength.
    With period_a the field repeats after period_a."""
    rng = np.random.default_rng(seed)
    out = np.zeros(np.broadcast(a, b).shape, np.float32)
    a, b = np.asarray(a, np.float32), np.asarray(b, np.float32)
    for _ in range(n):
        ka = rng.choice([-1, 1]) / np.exp(rng.uniform(np.log(la[0]), np.log(la[1])))
        kb = 1 / np.exp(rng.uniform(np.log(lb[0]), np.log(lb[1])))
        if period_a:
            ka = np.round(ka * period_a) / period_a
        out += np.cos(np.float32(TAU) * (np.float32(ka) * a + np.float32(kb) * b + np.float32(rng.random())))
    return out * np.sqrt(2 / n)


def bump(s):
    """Compact bump: 1 at s = 0, 0 from s = 1 on."""
    return np.clip(1 - s * s, 0, 1) ** 2


def wrap(a):
    return (a + np.pi) % TAU - np.pi


def smoothstep(x, a, b):
    t = np.clip((x - a) / (b - a), 0, 1)
    return t * t * (3 - 2 * t)


def blemish_field(b, across, up):
    """(0..1 weight) of one blemish at offsets (mm) across and up from its place; 0 outside its outline."""
    t = np.radians(b["turn"])
    x, y = across * np.cos(t) + up * np.sin(t), -across * np.sin(t) + up * np.cos(t)
    return bump(np.sqrt((x / (b["size"] / 2)) ** 2 + (y / (b["size"] / 2 * b["ratio"])) ** 2))


def side_radius(p, th, z, blemishes=True):
    """r(theta, z) about the (leaning) centre line."""
    R, u = p["radius"], z / p["height"]
    s = p["noise_seed"]
    around = TAU * R
    r = R + 0.5 * p["taper"] * (u - 0.5) / 0.8 + p["barrel"] * (np.sin(np.pi * np.clip(u, 0, 1)) - 0.6)
    for m, a, ph in p["harmonics"]:
        r = r + a * np.cos(m * th - np.radians(ph))
    for z0, a, w, uneven, ph in p["belts"]:
        r = r + a * np.exp(-(((z - z0) / w) ** 2)) * (1 + uneven * np.cos(th - np.radians(ph)))
    for z0, a, w in p["grooves"]:
        r = r - a * np.exp(-(((z - z0) / w) ** 2)) * (1 + 0.3 * np.cos(3 * th + z0))
    r = r + p["foot_flare"][0] * np.exp(-np.maximum(z, 0) / p["foot_flare"][1])
    g = p["ridge"]
    if g["amp"] > 0:
        drift = g["turns"] * th / TAU + g["wander"] * 0.35 * waves(
            s + 1, th * R, z * 0, (150, around), (1, 2), 5, around
        )
        local = np.clip(0.75 + 0.35 * waves(s + 2, th * R, z, (90, around), (25, 120), 9, around), 0.1, 1.6)
        r = r + g["amp"] * local * np.sin(TAU * (z / g["pitch"] + drift) + np.radians(g["phase"]))
    if p["chatter"]["amp"] > 0:
        w = p["chatter"]["waves"]
        gate = np.clip(waves(s + 3, th * R, z, (60, 250), (40, 200), 7, around), 0, 1.5)
        r = r + p["chatter"]["amp"] * gate * np.sin(w * th + 2 * np.sin(z / 17.0) + 1.5 * np.sin(3 * th))
    if p["blade_lines"] > 0:  # fine lines left by the blade, long around, short in z
        r = r + 0.5 * p["blade_lines"] * waves(s + 4, th * R, z, (60, around), (1.6, 6), 34, around)
    r = r + p["rough"] * waves(s + 5, th * R, z, (9, 60), (6, 40), 26, around)
    if p["rough"] > 0.015:
        r = r + 0.25 * p["rough"] * waves(s + 6, th * R, z, (1.8, 6), (1.8, 6), 26, around)
    if p["show"]["type"] == "scrape":
        r = r - 0.35 * scrape_mask(p, th, z) * (1 + 0.6 * waves(s + 7, th * R, z, (1.5, 5), (1.5, 5), 24, around))
    if p["drips"]:
        r = r + p["drips"]["thick"] * drip_mask(p, th, z)
    if blemishes:
        for b in p["blemishes"]:
            if b["on"] == "side":
                r = r - b["depth"] * blemish_field(b, wrap(th - np.radians(b["theta"])) * R, z - b["z"])
    return r


def scrape_mask(p, th, z):
    """Semi-naked: 1 where the icing has been scraped down to the sponge."""
    R, s = p["radius"], p["noise_seed"]
    f = 0.75 * waves(s + 21, th * R, z, (90, 600), (9, 60), 30, TAU * R) + 0.45 * waves(
        s + 22, th * R, z, (8, 60), (3, 12), 40, TAU * R
    )
    f = f + 0.12 * waves(s + 23, th * R, z, (1.5, 6), (1.2, 5), 26, TAU * R)
    cut = 0.88 * float(ndtri(1 - p["show"]["cover"]))
    return smoothstep(f, cut - 0.10, cut + 0.16)


def drip_mask(p, th, z):
    """Soft-edged skirt with hanging drops; z is measured from the nominal height."""
    d, H, R = p["drips"], p["height"], p["radius"]
    out = np.zeros(np.broadcast(th, z).shape)
    down = H - z
    skirt = smoothstep(-down, -d["skirt"] - 1.5, -d["skirt"] + 1.5)
    out = np.maximum(out, 0.55 * skirt)
    for a, length, w in d["list"]:
        x = wrap(th - np.radians(a)) * R
        tip = np.maximum(down - (length - w), 0)
        s = np.sqrt((x / w) ** 2 + (tip / w) ** 2)
        out = np.maximum(out, np.sqrt(np.clip(1 - s * s, 0, 1)) * (0.75 + 0.25 * smoothstep(down, 0, length)))
    return out


def top_height(p, th, rho, blemishes=True):
    """z of the top surface at polar place (theta, rho) about the top's centre."""
    R, H, s = p["radius"], p["height"], p["noise_seed"]
    x, y = rho * np.cos(th), rho * np.sin(th)
    q = rho / R
    fall, fdir = p["tilt"]
    z = H - fall / (2 * R) * rho * np.cos(th - np.radians(fdir))
    z = z + p["dome"] * (0.5 - (q / 0.8) ** 2)
    w = p["swirl"]
    if w["amp"] > 0:
        wav = (
            TAU * (rho / w["pitch"])
            + w["sense"] * th
            + np.radians(w["phase"])
            + 0.6 * waves(s + 11, x, y, (60, 200), (60, 200), 6)
        )
        z = z + w["amp"] * (0.5 * np.sin(wav) + 0.2 * np.abs(np.sin(wav / 2))) * smoothstep(rho, 2, 14)
    if p["lip"]["amp"]:
        g = 1 + p["lip"]["uneven"] * waves(s + 12, th * R, 0 * th, (40, 300), (1, 2), 8, TAU * R)
        z = z + p["lip"]["amp"] * g * np.exp(-(((rho - (R - p["edge"] - 1)) / p["lip"]["width"]) ** 2))
    z = z + p["rough"] * waves(s + 13, x, y, (9, 60), (9, 60), 26)
    if p["rough"] > 0.015:
        z = z + 0.25 * p["rough"] * waves(s + 14, x, y, (2, 6), (2, 6), 26)
    if blemishes:
        for b in p["blemishes"]:
            if b["on"] == "top":
                t = np.radians(b["theta"])
                z = z - b["depth"] * blemish_field(b, x - b["rho"] * np.cos(t), y - b["rho"] * np.sin(t))
    return z


def centre_line(p, z):
    """Lean: horizontal shift of the cross-section's centre, p['lean'][0] mm between 0.1 and 0.9 of the height."""
    a = np.radians(p["lean"][1])
    s = p["lean"][0] * (z / p["height"] - 0.5) / 0.8
    return s * np.cos(a), s * np.sin(a)


def show_field(p, th, z, rho, on_side):
    """0..1 show-through of filling or sponge (drips and crumbs are painted elsewhere)."""
    sh, R, s = p["show"], p["radius"], p["noise_seed"]
    if sh["type"] == "none":
        return np.zeros(th.shape, np.float32)
    if sh["type"] == "scrape":
        m = scrape_mask(p, th, z)
        thin = 0.35 * np.clip(0.5 + 0.5 * waves(s + 24, th * R, z, (10, 120), (5, 40), 20, TAU * R), 0, 1)
        fade = on_side * smoothstep(-z, -(p["height"] - 2), -(p["height"] - 7))
        return (
            np.clip(
                np.maximum(
                    0.95 * m, thin * smoothstep(waves(s + 25, th * R, z, (30, 200), (12, 60), 12, TAU * R), -0.2, 1)
                ),
                0,
                1,
            )
            * fade
        )
    out = np.zeros(th.shape, np.float32)
    ragged = 1 + 0.25 * waves(s + 26, th * R, z, (4, 18), (2.5, 10), 26, TAU * R)
    for q in sh["patches"]:
        d = np.hypot(wrap(th - np.radians(q["theta"])) * R / (q["w"] / 2), (z - q["z"]) / (q["h"] / 2))
        out = np.maximum(out, q["strength"] * smoothstep(-d * ragged, -1.15, -0.55))
    return out * on_side


def build_body(p, detail=1.0):
    """Mesh of the iced body in the cake frame. detail 1 = 1800 x about 620 vertices."""
    from . import truth

    cols = int(1800 * detail) + 1
    ns, ne, nt = int(320 * detail), int(48 * max(detail, 0.5)), int(260 * detail)
    H, q0 = p["height"], p["edge"]
    th = np.linspace(0, TAU, cols)[None, :]
    q = q0 * (
        1
        + p["edge_uneven"]
        * np.clip(
            0.6 * waves(p["noise_seed"] + 30, th * p["radius"], 0 * th, (60, 500), (1, 2), 8, TAU * p["radius"]),
            -1.5,
            1.5,
        )
    )
    z_end = H - q
    for _ in range(4):  # where the side meets the rounding
        z_end = top_height(p, th, side_radius(p, th, z_end, False)) - q
    side_z = np.linspace(0, 1, ns)[:, None] * z_end
    side_r = side_radius(p, th, side_z)
    a = np.linspace(0, np.pi / 2, ne + 1)[1:, None]
    edge_z0 = z_end + q * np.sin(a)
    edge_r = side_radius(p, th, edge_z0) - q * (1 - np.cos(a))
    edge_z = top_height(p, th, edge_r) - q * (1 - np.sin(a))
    f = np.linspace(1, 0, nt + 1)[1:, None]
    top_r = edge_r[-1:] * f
    top_z = top_height(p, th, top_r)
    r, z = np.concatenate([side_r, edge_r, top_r]), np.concatenate([side_z, edge_z, top_z])
    cx, cy = centre_line(p, z)
    # the top moves as one piece with the centre line at its rim
    hx, hy = centre_line(p, H)
    blend = np.clip((np.arange(len(r)) - ns) / ne, 0, 1)[:, None]
    cx, cy = cx * (1 - blend) + hx * blend, cy * (1 - blend) + hy * blend
    P = np.stack([cx + r * np.cos(th), cy + r * np.sin(th), z], -1)
    P[:, -1] = P[:, 0]
    P[-1] = P[-1].mean(0)
    on_side = (np.arange(len(r)) < ns + ne)[:, None] * np.ones_like(r)
    show = show_field(p, th + 0 * r, z, r, on_side).astype(np.float32)
    body = Body(P=P, N=normals(P, p), rgb=np.empty(0), show=show, n_side=ns, n_edge=ne, shift=np.zeros(2), p=p)
    body.rgb = paint(p, th + 0 * r, z, r, on_side, show)
    c = truth.plan_circle(P)
    body.shift = np.array([c["x"], c["y"]])
    P[..., :2] -= body.shift
    return body


def paint(p, th, z, rho, on_side, show):
    R, s = p["radius"], p["noise_seed"]
    x, y = rho * np.cos(th), rho * np.sin(th)
    a, b = np.where(on_side > 0, th * R, x), np.where(on_side > 0, z, y)
    tone = 1 + 0.012 * waves(s + 41, a, b, (15, 90), (15, 90), 16)
    rgb = np.array(p["rgb"])[None, None] * tone[..., None]
    if p["drips"]:
        m = np.where(on_side > 0, smoothstep(drip_mask(p, th, z), 0.05, 0.25), 1.0)[..., None]
        rgb = rgb * (1 - m) + np.array(p["drips"]["rgb"]) * m
    dark = np.array(p["show"]["rgb"])[None, None]
    if p["show"]["type"] != "none":
        grain = (
            1 + 0.16 * waves(s + 42, a, b, (1.2, 6), (1.2, 6), 30) + 0.08 * waves(s + 43, a, b, (10, 60), (10, 60), 12)
        )
        rgb = rgb * (1 - show[..., None]) + dark * np.clip(grain, 0.45, 1.5)[..., None] * show[..., None]
    for m in p["blemishes"]:
        if m["kind"] == "crumb":
            t = np.radians(m["theta"])
            w = (
                blemish_field(m, wrap(th - t) * R, z - m["z"])
                if m["on"] == "side"
                else blemish_field(m, x - m["rho"] * np.cos(t), y - m["rho"] * np.sin(t))
            )
            w = (smoothstep(w, 0.0, 0.25) * ((on_side > 0) == (m["on"] == "side")))[..., None]
            rgb = rgb * (1 - w) + 0.8 * dark * w
    return np.clip(rgb, 0.004, 0.93).astype(np.float32)


def grid_normals(P):
    """Unit normals of a closed (rows, cols) grid whose last column repeats the first."""
    du = np.empty_like(P)
    du[:, 1:-1] = P[:, 2:] - P[:, :-2]
    du[:, 0] = du[:, -1] = P[:, 1] - P[:, -2]
    dv = np.gradient(P, axis=0)
    n = np.cross(du, dv)
    return n / np.maximum(np.linalg.norm(n, axis=-1, keepdims=True), 1e-12)


def normals(P, p):
    """Shading normals. Light spreads about a millimetre inside cream, which softens its finest shading: the normals
    are a mix of the surface's own and of smoothed ones (the shape itself stays exact)."""
    n = grid_normals(P)
    n[-1] = (0, 0, 1)
    n[-2] = n[-3]
    soft = {"glaze": 0.0, "ganache": 0.35}.get(p["kind"], 0.6)
    if soft:
        pitch_u, pitch_v = TAU * p["radius"] / P.shape[1], p["height"] / 320 * 620 / P.shape[0]
        m = np.stack(
            [gaussian_filter(n[..., k], (1.0 / pitch_v, 1.0 / pitch_u), mode=("nearest", "wrap")) for k in range(3)], -1
        )
        n = (1 - soft) * n + soft * m
        n /= np.linalg.norm(n, axis=-1, keepdims=True)
    n[:, -1] = n[:, 0]
    return n.astype(np.float32)


def grid_faces(rows, cols):
    i = (np.arange(rows - 1)[:, None] * cols + np.arange(cols - 1)[None]).astype(np.uint32)
    return np.concatenate(
        [
            np.stack([i, i + 1, i + cols + 1], -1).reshape(-1, 3),
            np.stack([i, i + cols + 1, i + cols], -1).reshape(-1, 3),
        ]
    )
