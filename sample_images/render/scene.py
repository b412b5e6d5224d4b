"""The kitchen: bench, wall, clutter, lights; and the assembly of a Mitsuba scene.

World frame = bench frame: Z = 0 is the bench, the person at 6 o'clock stands at -Y, the cake's board near the origin.
"""

from typing import Any

import mitsuba as mi
import numpy as np

from . import card as cardmod
from . import surfaces
from .decorations import smooth_normals
from .geometry import grid_faces

BENCHES = ("steel", "wood", "marble", "laminate", "mat")
WALLS = ("tiles", "plain", "shelves")


# ---------------------------------------------------------------- what the kitchen is like
def kelvin(t):
    """Linear RGB of a black body (approximate), green = 1."""
    t = t / 100.0
    r = 255 if t <= 66 else 329.7 * (t - 60) ** -0.1332
    g = 99.47 * np.log(t) - 161.12 if t <= 66 else 288.12 * (t - 60) ** -0.0755
    b = 255 if t >= 66 else 138.52 * np.log(t - 10) - 305.04
    c = (np.clip([r, g, b], 1, 255) / 255) ** 2.2
    return c / c[1]


def sample_setting(seed, bench=None):
    rng = np.random.default_rng([int(seed), 2])

    def u(a, b):
        return float(rng.uniform(a, b))

    bench = bench or str(rng.choice(BENCHES))
    lights: list[dict[str, Any]] = []
    warm = u(3000, 5000)
    for _ in range(int(rng.integers(1, 4))):
        lights.append(
            {
                "type": "panel",
                "pos": [u(-1000, 1000), u(-900, 500), u(1300, 2000)],
                "size": [u(300, 1200), u(150, 600)],
                "kelvin": warm * float(rng.normal(1, 0.03)),
                "share": u(0.4, 1),
            }
        )
    if rng.random() < 0.7:
        side = float(rng.choice([-1, 1]))
        lights.append(
            {
                "type": "window",
                "pos": [side * u(1100, 2000), u(-900, 300), u(400, 1100)],
                "size": [u(700, 1200), u(900, 1300)],
                "kelvin": u(5800, 7500),
                "share": u(0.4, 1.6),
            }
        )
    ambient = u(0.3, 0.55)
    k = (1 - ambient) / sum(lamp["share"] for lamp in lights)
    for lamp in lights:
        lamp["share"] *= k  # share of the irradiance on the cake's top
    wall_y = u(380, 1100)
    clutter = []
    for _ in range(int(rng.integers(0, 7))):
        s = u(50, 190)
        clutter.append(
            {
                "type": str(rng.choice(["box", "bowl", "jar", "cloth"])),
                "x": u(-700, 700),
                "y": u(300, max(wall_y - 80, 310)),
                "size": s,
                "turn": u(0, 90),
                "rgb": [
                    float(v) for v in rng.choice([0.06, 0.2, 0.45, 0.7]) * np.clip(rng.normal(1, 0.2, 3), 0.3, 1.2)
                ],
            }
        )
    return {
        "seed": int(seed),
        "bench": bench,
        "bench_dark": u(0, 1),
        "bench_turn": u(-8, 8) + float(rng.choice([0, 90])),
        "wall": str(rng.choice(WALLS)),
        "wall_y": wall_y,
        "wall_rgb": [float(v) for v in rng.choice([0.3, 0.55, 0.75]) * np.clip(rng.normal(1, 0.06, 3), 0.8, 1.1)],
        "lights": lights,
        "ambient": ambient,
        "ambient_kelvin": u(3600, 5600),
        "env_turn": u(0, 360),
        "clutter": clutter,
    }


def light_colour(setting):
    """Mean colour of the light on the cake's top (linear RGB, green = 1)."""
    c = setting["ambient"] * kelvin(setting["ambient_kelvin"])
    for lamp in setting["lights"]:
        c = c + lamp["share"] * kelvin(lamp["kelvin"])
    return c / c[1]


# ---------------------------------------------------------------- Mitsuba helpers
def rgb(v):
    return {"type": "rgb", "value": [float(x) for x in np.broadcast_to(v, 3)]}


def bitmap(arr, mirror=False, repeats=1):
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(arr, np.float32)),
        "raw": True,
        "wrap_mode": "mirror" if mirror else "repeat",
        "to_uv": mi.ScalarTransform3f().scale([repeats, repeats]),
    }


def mesh(name, V, F, bsdf, N=None, uv=None, colour=None):
    props = mi.Properties()
    props["mesh_bsdf"] = mi.load_dict(bsdf) if isinstance(bsdf, dict) else bsdf
    m = mi.Mesh(
        name, len(V), len(F), props=props, has_vertex_normals=N is not None, has_vertex_texcoords=uv is not None
    )
    if colour is not None:
        m.add_attribute("vertex_color", 3, np.ravel(colour).astype(np.float32))
    q = mi.traverse(m)
    q["vertex_positions"] = np.ravel(V).astype(np.float32)
    q["faces"] = np.ravel(F).astype(np.uint32)
    if N is not None:
        q["vertex_normals"] = np.ravel(N).astype(np.float32)
    if uv is not None:
        q["vertex_texcoords"] = np.ravel(uv).astype(np.float32)
    q.update()
    return m


def icing(kind):
    """BSDFs whose colour is the mesh's vertex colour."""
    look = {
        "cream": {"roughness": 0.42, "specular": 0.38, "flatness": 0.5},
        "whipped": {"roughness": 0.5, "specular": 0.3, "flatness": 0.6},
        "glaze": {"roughness": 0.07, "specular": 0.55, "clearcoat": 0.8, "clearcoat_gloss": 0.96},
        "ganache": {"roughness": 0.26, "specular": 0.5},
        "fruit": {"roughness": 0.20, "specular": 0.5, "flatness": 0.3},
        "berry": {"roughness": 0.42, "specular": 0.4},
        "dry": {"roughness": 0.6, "specular": 0.25},
    }
    colour = {"type": "mesh_attribute", "name": "vertex_color"}
    return {"type": "twosided", "b": {"type": "principled", "base_color": colour, **look[kind]}}


BODY_LOOK = dict.fromkeys(("buttercream", "seminaked", "white"), "cream")
BODY_LOOK |= {k: k for k in ("whipped", "glaze", "ganache")}


def transform(V, yaw_deg, xyz):
    t = np.radians(yaw_deg)
    R = np.array([[np.cos(t), -np.sin(t), 0], [np.sin(t), np.cos(t), 0], [0, 0, 1]])
    return np.asarray(V) @ R.T + np.asarray(xyz), R


# ---------------------------------------------------------------- objects
def board_mesh(b):
    """(V, F, uv) of the cake board in the cake frame: top at z = 0. Flat facets with a small bevel."""
    h, t, e = b["half"], b["thickness"], min(0.5, b["thickness"] / 4)
    if b["shape"] == "round":
        a = np.linspace(0, 2 * np.pi, 361)
        ring = np.stack([np.cos(a), np.sin(a)], -1)
    else:
        s = np.array([[1, -1], [1, 1], [-1, 1], [-1, -1], [1, -1]], float)
        k = np.radians(b["turn"])
        ring = s @ np.array([[np.cos(k), np.sin(k)], [-np.sin(k), np.cos(k)]])
    prof = [(h - e, -t), (h, -t + e), (h, -e), (h - e, 0.0), (h * 0.5, 0.0), (1e-3, 0.0)]
    P = np.array([[[b["x"] + r * x, b["y"] + r * y, z] for x, y in ring] for r, z in prof])
    uv = (P[..., :2] - [b["x"], b["y"]]) / (2 * h) + 0.5
    return P.reshape(-1, 3), grid_faces(*P.shape[:2]), uv.reshape(-1, 2)


def board_bsdf(b, rng):
    if b["colour"] == "gold":
        return {
            "type": "twosided",
            "b": {
                "type": "principled",
                "base_color": rgb((0.83, 0.60, 0.22)),
                "metallic": 0.95,
                "roughness": 0.28,
                "specular": 0.5,
            },
        }
    if b["colour"] == "wood":
        return {"type": "twosided", "b": {"type": "diffuse", "reflectance": bitmap(surfaces.wood(rng, 768, 0.15))}}
    c = (0.82, 0.82, 0.80) if b["colour"] == "white" else (0.022, 0.022, 0.024)
    return {"type": "twosided", "b": {"type": "roughplastic", "diffuse_reflectance": rgb(c), "alpha": 0.22}}


def bench_objects(s, rng):
    T = mi.ScalarTransform4f
    b, size = s["bench"], 1500.0
    if b == "steel":
        m = {
            "type": "principled",
            "base_color": bitmap(surfaces.steel(rng), True, 3),
            "metallic": 1.0,
            "roughness": 0.38,
            "anisotropic": 0.6,
        }
    elif b == "wood":
        m = {
            "type": "principled",
            "base_color": bitmap(surfaces.wood(rng, dark=s["bench_dark"]), True, 3),
            "roughness": 0.45,
            "specular": 0.35,
        }
    elif b == "marble":
        m = {
            "type": "principled",
            "base_color": bitmap(surfaces.marble(rng), True, 3),
            "roughness": 0.18,
            "specular": 0.45,
        }
    elif b == "laminate":
        m = {
            "type": "principled",
            "base_color": bitmap(surfaces.plain(rng, (0.80, 0.80, 0.785), mottling=0.008), True, 3),
            "roughness": 0.35,
            "specular": 0.4,
        }
    else:
        m = {
            "type": "principled",
            "base_color": bitmap(surfaces.plain(rng, (0.045, 0.047, 0.05), mottling=0.05), True, 6),
            "roughness": 0.65,
            "specular": 0.25,
        }
    return {
        "bench": {
            "type": "rectangle",
            "bsdf": m,
            "to_world": T().rotate([0, 0, 1], s["bench_turn"]).scale([size, size, 1]),
        }
    }


def wall_objects(s, rng):
    T = mi.ScalarTransform4f
    if s["wall"] == "tiles":
        m = {
            "type": "roughplastic",
            "diffuse_reflectance": bitmap(
                surfaces.tiles(rng, count=[(15, 20), (20, 27), (30, 20)][int(rng.integers(3))], rgb=s["wall_rgb"])
            ),
            "alpha": 0.12,
        }
    elif s["wall"] == "shelves":
        m = {"type": "diffuse", "reflectance": bitmap(surfaces.shelves(rng))}
    else:
        m = {"type": "diffuse", "reflectance": bitmap(surfaces.plain(rng, s["wall_rgb"]))}
    return {
        "wall": {
            "type": "rectangle",
            "bsdf": m,
            "to_world": T().translate([0, s["wall_y"], 700]).rotate([1, 0, 0], 90).scale([1500, 1000, 1]),
        }
    }


def clutter_objects(s):
    T = mi.ScalarTransform4f
    out = {}
    for i, c in enumerate(s["clutter"]):
        k, m = c["size"], {"type": "roughplastic", "diffuse_reflectance": rgb(c["rgb"]), "alpha": 0.15}
        base = T().translate([c["x"], c["y"], 0]).rotate([0, 0, 1], c["turn"])
        if c["type"] == "box":
            out[f"clutter{i}"] = {
                "type": "cube",
                "bsdf": m,
                "to_world": base.translate([0, 0, 0.4 * k]).scale([0.35 * k, 0.25 * k, 0.4 * k]),
            }
        elif c["type"] == "cloth":
            out[f"clutter{i}"] = {
                "type": "cube",
                "bsdf": {"type": "diffuse", "reflectance": rgb(c["rgb"])},
                "to_world": base.translate([0, 0, 6]).scale([0.7 * k, 0.5 * k, 6]),
            }
        else:
            if c["type"] == "bowl":  # stainless bowl
                t = np.linspace(0.35, 1.25, 24)
                r, z = 0.62 * k * np.sin(t), 0.62 * k * (np.cos(0.35) - np.cos(t))
                m = {
                    "type": "twosided",
                    "b": {"type": "principled", "base_color": rgb(0.6), "metallic": 1.0, "roughness": 0.2},
                }
            else:
                t = np.linspace(0, 1, 24)
                r = 0.28 * k * np.where(t < 0.85, np.minimum(1, 0.9 + 0.1 * t / 0.1), np.maximum(1 - (t - 0.85) * 3, 0))
                z = 0.9 * k * t
                r[-1] = 1e-3
                m = {"type": "twosided", "b": m}
            a = np.linspace(0, 2 * np.pi, 73)
            P = np.stack([r[:, None] * np.cos(a), r[:, None] * np.sin(a), z[:, None] + 0 * a], -1) + [
                c["x"],
                c["y"],
                0.05,
            ]
            V, F = P.reshape(-1, 3), grid_faces(*P.shape[:2])
            out[f"clutter{i}"] = mesh(f"clutter{i}", V, F, m, N=smooth_normals(V, F))
    return out


def light_objects(s, rng):
    T = mi.ScalarTransform4f
    env = surfaces.environment(rng)
    el = (0.5 - (np.arange(env.shape[0]) + 0.5) / env.shape[0]) * np.pi
    w = np.cos(el) * np.maximum(np.sin(el), 0)  # irradiance on a level surface, for the mean colour
    e = (env.mean(1) * w[:, None]).sum(0) * np.pi / env.shape[0] * 2 * np.pi
    env = env * (s["ambient"] * np.pi / e.mean()) * kelvin(s["ambient_kelvin"])
    # sampling weights = shares of the light, for less noise
    out = {
        "env": {
            "type": "envmap",
            "sampling_weight": float(s["ambient"]),
            "bitmap": mi.Bitmap(env.astype(np.float32)),
            "to_world": T().rotate([0, 0, 1], s["env_turn"]).rotate([1, 0, 0], 90),
        }
    }
    for i, lamp in enumerate(s["lights"]):
        pos = np.array(lamp["pos"])
        aim = np.array([0, 0, 40.0]) if lamp["type"] == "window" else np.array([pos[0], pos[1] + 1e-2, 0.0])
        if lamp["type"] == "window":
            aim = np.array([0, pos[1] * 0.6, pos[2]])
        n = (aim - pos) / np.linalg.norm(aim - pos)
        d = np.array([0, 0, 60.0]) - pos
        dist = np.linalg.norm(d)
        geo = max(float(n @ d) / dist, 0.05) * max(-d[2] / dist, 0.25) / dist**2 * lamp["size"][0] * lamp["size"][1]
        L = np.pi * lamp["share"] / geo * kelvin(lamp["kelvin"])
        up = [0, 0, 1] if lamp["type"] == "window" else [0, 1, 0]
        out[f"light{i}"] = {
            "type": "rectangle",
            "to_world": T()
            .look_at(origin=pos.tolist(), target=aim.tolist(), up=up)
            .scale([lamp["size"][0] / 2, lamp["size"][1] / 2, 1]),
            "bsdf": {"type": "diffuse", "reflectance": rgb(0.5)},
            "emitter": {"type": "area", "radiance": rgb(L), "sampling_weight": float(lamp["share"])},
        }
    return out


def card_objects(card, T_wc, flat=None):
    """flat: a colour that replaces the materials (masks)."""
    out = {}
    yaw, xyz = T_wc
    for panel in ("floor", "standing"):
        V, F, uv = cardmod.panel_mesh(panel, card)
        a = np.radians(card["fold_deg"])
        back = V + card["thickness"] * np.array([0, np.sin(a), np.cos(a)] if panel == "standing" else [0, 0, -0.8])
        for name, X, colour in (
            ("card_", V, bitmap(cardmod.texture(panel), True)),
            ("back_", back, rgb(cardmod.PAPER)),
        ):
            m = {"type": "twosided", "b": {"type": "diffuse", "reflectance": colour if flat is None else rgb(flat)}}
            out[name + panel] = mesh(name + panel, transform(X, yaw, xyz)[0], F, m, uv=uv)
    return out


def cake_objects(cake, T_wk, flat=None):
    """Body, decorations, foot border and board. cake: dict with body, decor (list), foot; T_wk = (yaw, xyz) of the cake
    frame in the world. flat: colours by name (body, decor, board) that replace the materials (masks)."""
    yaw, xyz = T_wk
    b = cake["body"]

    def look(key, bsdf):
        return bsdf if flat is None else {"type": "twosided", "b": {"type": "diffuse", "reflectance": rgb(flat[key])}}

    V, R = transform(b.P.reshape(-1, 3), yaw, xyz)
    out = {
        "body": mesh(
            "body",
            V,
            grid_faces(*b.P.shape[:2]),
            look("body", icing(BODY_LOOK[b.p["kind"]])),
            N=b.N.reshape(-1, 3) @ R.T,
            colour=b.rgb,
        )
    }
    for i, d in enumerate(cake["decor"] + ([cake["foot"]] if cake["foot"] else [])):
        V, _ = transform(d["V"], yaw, xyz)
        out[f"decor{i}"] = mesh(
            f"decor{i}", V, d["F"], look("decor", icing(d["material"])), N=smooth_normals(V, d["F"]), colour=d["rgb"]
        )
    bp = b.p["board"]
    V, F, uv = board_mesh(bp)
    out["board"] = mesh(
        "board",
        transform(V, yaw, xyz)[0],
        F,
        look("board", board_bsdf(bp, np.random.default_rng(b.p["noise_seed"]))),
        uv=uv,
    )
    return out


def sensor(R, t, f, size, lens, spp, seed):
    """Ideal pinhole or thin-lens camera of an OpenCV pose (world -> camera)."""
    c2w = np.eye(4)
    c2w[:3, :3] = R.T @ np.diag([-1, -1, 1])  # Mitsuba's camera: x left, y up
    c2w[:3, 3] = -R.T @ t
    d = {
        "type": "thinlens" if lens else "perspective",
        "fov": float(np.degrees(2 * np.arctan(size[0] / (2 * f)))),
        "fov_axis": "x",
        "near_clip": 10.0,
        "far_clip": 20000.0,
        "to_world": mi.ScalarTransform4f(c2w),
        "film": {
            "type": "hdrfilm",
            "width": size[0],
            "height": size[1],
            "pixel_format": "rgb",
            "component_format": "float32",
            "rfilter": {"type": "gaussian", "stddev": 0.45} if spp > 1 else {"type": "box"},
        },
        "sampler": {"type": "multijitter", "sample_count": int(spp), "seed": int(seed)},
    }
    if lens:
        d.update(aperture_radius=float(lens["aperture_mm"]), focus_distance=float(lens["focus_mm"]))
    return d


def build(cake, T_wk, card, T_wc, setting):
    """World scene without a sensor, as a dict for mi.load_dict."""
    rng = np.random.default_rng([setting["seed"], 3])
    d = {"type": "scene", "integrator": {"type": "path", "max_depth": 7, "rr_depth": 4}}
    d.update(bench_objects(setting, rng))
    d.update(wall_objects(setting, rng))
    d.update(clutter_objects(setting))
    d.update(light_objects(setting, rng))
    d.update(card_objects(card, T_wc))
    d.update(cake_objects(cake, T_wk))
    return d


def build_flat(cake, T_wk, card, T_wc):
    """The same cake and card in flat colours: red body, green decorations (and foot border), blue board, black card."""
    d = {"type": "scene", "integrator": {"type": "aov", "aovs": "a:albedo"}}
    d.update(card_objects(card, T_wc, flat=(0, 0, 0)))
    d.update(cake_objects(cake, T_wk, flat={"body": (1, 0, 0), "decor": (0, 1, 0), "board": (0, 0, 1)}))
    return d
