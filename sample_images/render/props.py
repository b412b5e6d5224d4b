"""What stands round a cake in the teaching pictures: boards, plates, stands, things on the bench, hands, walls."""

import cv2
import numpy as np

from . import card as cardmod
from . import surfaces
from .geometry import TAU, grid_faces
from .things import CREAM, GLOSS, MATT, METAL, SATIN, Look, Thing, plain
from .toppings import make, scatter

BOARDS = ("round", "square", "scalloped", "drum", "plate", "stand", "wood", "doily", "turntable", "parchment", "none")
HELD_OUT_BOARD = "slate"
BENCHES = ("steel", "wood", "marble", "laminate", "mat", "cloth", "colour", "stone", "tiles", "sweep")
HELD_OUT_BENCH = "terrazzo"


def lathe(label, r, z, look, rgb=None, texture=None, n=96):
    """A turned thing from its profile; texture is planar (seen from above)."""
    a = np.linspace(0, TAU, n + 1)
    r, z = np.asarray(r, float)[:, None], np.asarray(z, float)[:, None]
    P = np.stack([r * np.cos(a), r * np.sin(a), z + 0 * a], -1)
    V, F = P.reshape(-1, 3), grid_faces(*P.shape[:2])
    if texture is None:
        return Thing(label, V, F, look, rgb=np.broadcast_to(np.asarray(rgb, float), V.shape))
    return Thing(label, V, F, look, uv=V[:, :2] / (2.02 * r.max()) + 0.5, texture=texture)


def box(label, size, look, rgb=None, texture=None):
    """A box standing on z = 0; size (x, y, z)."""
    s = np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]]) - 0.5
    prof = [(0.98, 0.0), (1, 0.02), (1, 0.98), (0.98, 1.0), (1e-3, 1.0)]
    P = np.array([[[k * x * size[0], k * y * size[1], z * size[2]] for x, y in s] for k, z in prof])
    V, F = P.reshape(-1, 3), grid_faces(*P.shape[:2])
    if texture is None:
        return Thing(label, V, F, look, rgb=np.broadcast_to(np.asarray(rgb, float), V.shape))
    return Thing(
        label,
        V,
        F,
        look,
        uv=np.stack([V[:, 0] / size[0] + 0.5, 0.5 - V[:, 1] / size[1] + 0.3 * V[:, 2] / size[2]], -1),
        texture=texture,
    )


def colour(rng, strong=0.4):
    """Any reflectance: greys, whites, and colours."""
    if rng.random() > strong:
        return np.clip(rng.choice([0.03, 0.12, 0.35, 0.6, 0.82]) * rng.normal(1, 0.06, 3), 0.01, 0.92)
    hsv = np.array([[[rng.uniform(0, 360), rng.uniform(0.3, 0.95), rng.uniform(0.2, 0.95)]]], np.float32)
    return np.clip(cv2.cvtColor(hsv, cv2.COLOR_HSV2RGB)[0, 0].astype(float) ** 2.2, 0.005, 0.9)


# ---------------------------------------------------------------- boards, plates, stands
def board(rng, kind, radius):
    """(things, height of the surface on which the cake stands) for a cake of that radius."""
    half = radius + (rng.uniform(4, 45) if rng.random() < 0.8 else rng.uniform(45, 90))
    paint = _board_rgb(rng)
    metal = rng.random() < 0.35
    look = Look(rng.uniform(0.15, 0.4), 0.5, 0.95 if metal else 0.0)
    if metal:
        paint = np.array([[0.83, 0.60, 0.22], [0.8, 0.8, 0.8], [0.85, 0.5, 0.38]])[int(rng.integers(3))]
    if kind == "none":
        return [], 0.0
    if kind in ("square", "parchment", HELD_OUT_BOARD):
        t = {"square": rng.uniform(2, 14), "parchment": 0.6, "slate": rng.uniform(5, 9)}[kind]
        tone = {"parchment": np.array([0.75, 0.66, 0.5]), "slate": np.array([0.06, 0.065, 0.07])}.get(kind, paint)
        side = 2 * half * rng.uniform(0.92, 1.1)
        if kind == HELD_OUT_BOARD:
            tex = tone * (1 + 0.35 * surfaces.fractal(rng, (256, 256), (60, 60), 6))[..., None]
            return [box("board", (side, side * rng.uniform(0.7, 1), t), MATT, texture=np.clip(tex, 0.01, 0.9))], t
        return [box("board", (side, side, t), MATT if kind == "parchment" else look, rgb=tone)], t
    if kind == "wood":
        t = rng.uniform(12, 30)
        tex = surfaces.wood(rng, 512, rng.uniform(0, 1))
        if rng.random() < 0.5:
            return [box("board", (2.2 * half, 1.9 * half, t), MATT, texture=tex)], t
        return [lathe("board", [half, half, half * 0.5, 1e-3], [0, t, t, t], MATT, texture=tex)], t
    if kind == "turntable":
        t = rng.uniform(20, 120)
        r, z = [0.5 * half, 0.5 * half, 0.12 * half, 0.12 * half, half, half, 1e-3], [0, 4, 8, t - 8, t - 6, t, t]
        return [
            lathe(
                "board", r, z, METAL if rng.random() < 0.6 else look, paint if rng.random() < 0.5 else [0.6, 0.6, 0.6]
            )
        ], t
    if kind in ("plate", "stand"):
        return _crockery(rng, kind, half, paint, look)
    if kind in ("scalloped", "doily"):
        return _scalloped(rng, kind, half, paint, look)
    t = rng.uniform(9, 15) if kind == "drum" else rng.uniform(1.5, 4)
    things = [lathe("board", [half - 0.4, half, half, half - 0.4, 1e-3], [0, 0.4, t - 0.4, t, t], look, paint)]
    if kind == "drum" and rng.random() < 0.5:
        ribbon = lathe("board", [half + 0.3] * 2, [0.5, t - 0.5], SATIN, colour(rng, 0.8))
        things.append(ribbon)
    return things, t


def _board_rgb(rng):
    return (
        np.array([[0.82, 0.82, 0.8], [0.83, 0.6, 0.22], [0.03, 0.03, 0.032], [0.6, 0.6, 0.6], [0.75, 0.5, 0.5]])[
            int(rng.integers(5))
        ]
        if rng.random() < 0.75
        else colour(rng)
    )


def _crockery(rng, kind, half, paint, look):
    """A plate with a rim, or the same on a foot."""
    lift = rng.uniform(60, 170) if kind == "stand" else rng.uniform(4, 10)
    flat, rise = half * rng.uniform(0.75, 0.97), rng.uniform(0, 14)
    r = [1e-3, 0.5 * half, half, half + 1.5, flat, 1e-3]
    z = [lift - 5, lift - 5, lift + rise - 2, lift + rise, lift, lift]
    tex = None
    if rng.random() < 0.3:  # a painted rim
        y, x = np.mgrid[-1:1:257j, -1:1:257j]
        band = (np.abs(np.hypot(x, y) - rng.uniform(0.8, 0.95)) < 0.03)[..., None]
        tex = np.where(band, colour(rng, 0.8), np.asarray(paint))
    things = [lathe("board", r, z, GLOSS if look.metallic == 0 else look, paint, tex)]
    if kind == "stand":
        w = rng.uniform(8, 22)
        foot = half * rng.uniform(0.35, 0.6)
        sway = w * (1 + 0.5 * np.sin(np.linspace(0, TAU * rng.integers(1, 4), 20)))
        things.append(
            lathe(
                "board",
                np.concatenate([[foot, foot], [foot * 0.6], sway]),
                np.concatenate([[0, 5, 10], np.linspace(14, lift - 4, 20)]),
                GLOSS if look.metallic == 0 else look,
                paint,
            )
        )
    return things, lift


def _scalloped(rng, kind, half, paint, look):
    """A card with a waved rim, gold or white; or paper lace."""
    n, a = int(rng.integers(18, 48)), np.linspace(0, TAU, 481)
    edge = half * (1 + rng.uniform(0.01, 0.04) * np.abs(np.cos(n * a / 2)))
    wave = rng.uniform(0, 3) * np.cos(n * a)
    s = np.array([1.0, 0.9, 0.8, 0.5, 0.01])[:, None]
    z = np.array([1.0, 0.5, 0, 0, 0])[:, None] * wave + 1.5
    P = np.stack([s * edge * np.cos(a), s * edge * np.sin(a), z], -1)
    V, F = P.reshape(-1, 3), grid_faces(*P.shape[:2])
    if kind == "scalloped":
        return [Thing("board", V, F, look, rgb=np.broadcast_to(paint, V.shape))], 1.5
    y, x = np.mgrid[-1:1:512j, -1:1:512j]
    rho, ang = np.hypot(x, y), np.arctan2(y, x)
    holes = (np.sin(n * ang) * np.sin(rho * rng.uniform(40, 70)) > 0.45) & (rho > 0.72)
    tex = np.where(holes[..., None], 0.35, 0.86) * np.ones(3)
    return [Thing("board", V, F, MATT, uv=V[:, :2] / (2.05 * half * 1.04) + 0.5, texture=tex)], 1.5


# ---------------------------------------------------------------- bench and wall
def bench_texture(rng, kind):
    """(texture, look, repeats) of the bench's surface, 3 x 3 m."""
    if kind == "steel":
        return surfaces.steel(rng, 1024), Look(0.38, 0.5, 1.0, 0, 0, 0.6), 3
    if kind == "wood":
        return surfaces.wood(rng, 1024), Look(0.45, 0.35), 3
    if kind == "marble":
        return surfaces.marble(rng, 1024), Look(rng.uniform(0.1, 0.5), 0.45), 3
    if kind == "laminate":
        return surfaces.plain(rng, (0.8, 0.8, 0.785), 256, 0.008), Look(0.35, 0.4), 3
    if kind == "mat":
        return surfaces.plain(rng, (0.045, 0.047, 0.05), 256, 0.05), Look(0.65, 0.25), 6
    if kind == "cloth":
        return _cloth(rng), MATT, int(rng.integers(4, 14))
    if kind == "stone":
        base = colour(rng, 0.15)
        return (
            np.clip(base * (1 + 0.25 * surfaces.fractal(rng, (1024, 1024), (200, 200), 8))[..., None], 0.01, 0.9),
            Look(rng.uniform(0.15, 0.7), 0.4),
            4,
        )
    if kind == "tiles":
        return surfaces.tiles(rng, 1024, (12, 12), colour(rng, 0.3)), Look(0.25, 0.45), 3
    if kind == HELD_OUT_BENCH:
        tex = np.ascontiguousarray(np.ones((1024, 1024, 3), np.float32) * 0.7)
        for _ in range(1800):
            c = (rng.random(3) * 0.6).tolist()
            cv2.fillConvexPoly(
                tex, (rng.uniform(0, 1024, 2) + rng.normal(0, rng.uniform(2, 9), (5, 2))).astype(np.int32), c
            )
        return tex, Look(0.25, 0.45), 5
    return (
        surfaces.plain(
            rng, colour(rng, 0.6) if kind == "colour" else np.full(3, rng.uniform(0.6, 0.9)), 256, rng.uniform(0, 0.03)
        ),
        Look(rng.uniform(0.3, 0.8), 0.3),
        2,
    )


def _cloth(rng):
    """Striped, checked, dotted or plain cloth with folds."""
    n = 512
    y, x = np.mgrid[0:n, 0:n] / n
    a, b, k = colour(rng, 0.7), colour(rng, 0.3), int(rng.integers(3, 12))
    style = int(rng.integers(4))
    sx, sy = np.sin(TAU * k * x) > 0, np.sin(TAU * k * y) > 0
    m = [sx * 1.0, (sx * 1.0 + sy) / 2, ((x * k % 1 - 0.5) ** 2 + (y * k % 1 - 0.5) ** 2 < 0.06) * 1.0, 0 * x][style][
        ..., None
    ]
    weave = 1 + 0.08 * surfaces.noise(rng, (n, n), (1, 1)) + 0.10 * surfaces.fractal(rng, (n, n), (n / 3, n / 3), 3)
    return np.clip((a * m + b * (1 - m)) * weave[..., None], 0.01, 0.92)


def wall_texture(rng, kind):
    """Texture of what is behind: tiles, plain, shelves, lights out of focus, curtain, window, blurred room."""
    if kind == "tiles":
        return surfaces.tiles(rng, 768, (20, 27), colour(rng, 0.3))
    if kind == "shelves":
        return surfaces.shelves(rng, 768)
    n = 512
    if kind == "lights":
        tex = np.ones((n, n, 3), np.float32) * (colour(rng, 0.5) * 0.4).astype(np.float32)
        for _ in range(int(rng.integers(20, 120))):
            cv2.circle(
                tex,
                tuple(int(v) for v in rng.uniform(0, n, 2)),
                int(rng.integers(4, 22)),
                (np.array([0.93, 0.8, 0.5]) * rng.uniform(0.4, 1)).tolist(),
                -1,
                cv2.LINE_AA,
            )
        return cv2.GaussianBlur(tex, (0, 0), 1.5)
    if kind == "curtain":
        fold = 0.75 + 0.25 * np.sin(
            np.linspace(0, TAU * rng.integers(15, 50), n) + surfaces.noise(rng, (1, n), (1, 40))[0]
        )
        return np.clip(colour(rng) * np.ones((n, n, 1)) * fold[None, :, None], 0.01, 0.92)
    if kind == "blur":
        small = np.array([[colour(rng, 0.6) for _ in range(9)] for _ in range(7)], np.float32)
        return np.clip(cv2.resize(small, (n, n), interpolation=cv2.INTER_CUBIC), 0.01, 0.92)
    return surfaces.plain(rng, colour(rng, 0.4), 256)


def plain_wall(rng, setting):
    """The wall of a plain bench (scene.wall_objects)."""
    if setting["wall"] == "tiles":
        return surfaces.tiles(rng, 1024, [(15, 20), (20, 27), (30, 20)][int(rng.integers(3))], setting["wall_rgb"])
    return surfaces.shelves(rng) if setting["wall"] == "shelves" else surfaces.plain(rng, setting["wall_rgb"])


def plain_clutter(setting):
    """What stands behind on a plain bench (scene.clutter_objects)."""
    out = []
    for c in setting["clutter"]:
        k, rgb, t = c["size"], np.array(c["rgb"]), np.linspace(0, 1, 24)
        if c["type"] == "box":
            thing = box("other", (0.7 * k, 0.5 * k, 0.8 * k), SATIN, rgb=rgb)
        elif c["type"] == "cloth":
            thing = box("other", (1.4 * k, k, 12), MATT, rgb=rgb)
        elif c["type"] == "bowl":
            a = np.linspace(0.35, 1.25, 24)
            thing = lathe("other", 0.62 * k * np.sin(a), 0.62 * k * (np.cos(0.35) - np.cos(a)), METAL, np.full(3, 0.6))
        else:
            r = 0.28 * k * np.where(t < 0.85, np.minimum(1, 0.9 + t), np.maximum(1 - (t - 0.85) * 3, 0.01))
            thing = lathe("other", r, 0.9 * k * t, SATIN, rgb)
        out.append(thing.moved(np.radians(c["turn"]), (c["x"], c["y"], 0.05)))
    return out


WALLS = ("tiles", "shelves", "lights", "curtain", "blur", "plain")


# ---------------------------------------------------------------- things on the bench, hands, a card
def clutter(rng):
    """One thing that is no cake, up to 250 mm, standing at the origin."""
    s, c = rng.uniform(40, 170), colour(rng, 0.5)
    look = [MATT, SATIN, GLOSS, METAL][int(rng.integers(4))]
    t = np.linspace(0, 1, 24)
    kind = int(rng.integers(13))
    if kind == 0:
        return [box("other", (s, s * rng.uniform(0.5, 1.2), s * rng.uniform(0.2, 1.3)), look, rgb=c)]
    if kind == 1:  # bowl
        a = np.linspace(0.3, 1.35, 24)
        return [lathe("other", 0.62 * s * np.sin(a), 0.62 * s * (np.cos(0.3) - np.cos(a)), look, c)]
    if kind == 2:  # jar or bottle
        r = 0.3 * s * np.where(t < 0.7, 1, np.maximum(1 - (t - 0.7) * rng.uniform(1.5, 3.2), 0.25))
        return [lathe("other", np.append(r, 1e-3), np.append(s * rng.uniform(0.9, 1.8) * t, s * 0.9), look, c)]
    if kind == 3:  # tin, drum, hat box, pot: round like a cake and none
        r, h = s * rng.uniform(0.4, 0.9), s * rng.uniform(0.3, 1.0)
        lid = rng.uniform(1.0, 1.05)
        return [lathe("other", [r, r, r * lid, r * lid, 1e-3], [0, 0.8 * h, 0.8 * h, h, h], look, c)]
    if kind == 4:  # loaf or cushion
        a = np.linspace(0, np.pi / 2, 20)
        thing = lathe(
            "other",
            np.maximum(s * 0.6 * np.cos(a), 1e-3),
            s * rng.uniform(0.3, 0.6) * np.sin(a),
            MATT,
            np.array([0.45, 0.25, 0.09]),
        )
        return [thing]
    if kind == 5:  # stack of plates
        r = s * rng.uniform(0.5, 0.9)
        z = np.repeat(np.arange(8) * 6.0, 2) + np.tile([0, 4.0], 8)
        return [lathe("other", np.append(np.tile([r, 0.95 * r], 8), 1e-3), np.append(z, z[-1]), GLOSS, np.full(3, 0.8))]
    if kind == 6:  # cloth folded, chequered or striped: not the card
        return [box("other", (s * 1.4, s * 1.1, rng.uniform(2, 14)), MATT, texture=_cloth(rng))]
    if kind == 7:  # palette knife
        blade = box("other", (220, 28, 1.5), METAL, rgb=[0.7, 0.7, 0.7])
        return [blade, box("other", (110, 24, 16), MATT, rgb=c).moved(0, (160, 0, 0))]
    if kind == 8:  # piping bag lying down
        P = lathe("other", np.maximum(35 * t, 0.5), 220 * t, SATIN, np.full(3, 0.75))
        return [Thing("other", P.V[:, [2, 0, 1]] + [0, 0, 36], P.F, P.look, rgb=P.rgb)]
    if kind == 9:  # paper, book, phone, printed sheet
        print_ = np.where(rng.random((24, 18, 1)) < 0.4, 0.08, 0.85) * np.ones(3)
        tex = (
            cv2.resize(print_.astype(np.float32), None, fx=12, fy=12, interpolation=cv2.INTER_NEAREST)
            if rng.random() < 0.6
            else np.ones((8, 8, 3)) * colour(rng)
        )
        return [box("other", (rng.uniform(70, 210), rng.uniform(90, 300), rng.uniform(0.5, 25)), MATT, texture=tex)]
    if kind == 10:  # fruit or piped bits lying about
        name = str(rng.choice(["berry", "cherry", "nut", "leaf", "rose", "biscuit", "ball", "macaron"]))
        places = [(*(rng.normal(0, 0.5, 2) * s), 0, 1, rng.uniform(0, 6), 0) for _ in range(int(rng.integers(1, 7)))]
        return [plain("other", scatter([make(name, rng.uniform(18, 60), rng, c)], places, rng), SATIN)]
    if kind == 11:  # cup with a handle left out, or a glass-like beaker
        r = s * 0.32
        return [lathe("other", [1e-3, r * 0.8, r, 0.94 * r, 0.7 * r, 1e-3], [0, 0, s * 0.8, s * 0.8, 5, 5], GLOSS, c)]
    name = str(rng.choice(["rose", "blossom", "meringue", "rosette"]))  # one large flower or cushion of cream, no cake
    return [plain("other", make(name, s, rng, c), CREAM)]


SKINS = np.array([[0.70, 0.45, 0.34], [0.55, 0.32, 0.21], [0.34, 0.18, 0.11], [0.16, 0.08, 0.05], [0.78, 0.56, 0.46]])


def _limb(a, b, ra, rb, rgb):
    """Rounded limb from a to b."""
    a, b = np.asarray(a, float), np.asarray(b, float)
    axis = b - a
    u = np.cross(axis, [0, 0, 1.0] if abs(axis[2]) < 0.9 * np.linalg.norm(axis) else [1.0, 0, 0])
    u /= np.linalg.norm(u)
    v = np.cross(axis / np.linalg.norm(axis), u)
    s, q = np.linspace(0, 1, 24)[:, None, None], np.linspace(0, TAU, 25)[None, :, None]
    ease = np.sqrt(np.clip(1 - (2 * s - 1) ** 16, 1e-6, 1))
    P = a + axis * s + (ra + (rb - ra) * s) * ease * (np.cos(q) * u + np.sin(q) * v)
    return P.reshape(-1, 3), grid_faces(*P.shape[:2]), np.broadcast_to(rgb, (P.size // 3, 3))


def hand(rng, target, come_from):
    """A hand and forearm that reach for `target` (3,) from the direction `come_from` (rad, on the bench)."""
    skin = SKINS[int(rng.integers(len(SKINS)))] * rng.uniform(0.85, 1.1)
    if rng.random() < 0.2:  # gloves
        skin = np.array([[0.8, 0.8, 0.8], [0.05, 0.08, 0.2], [0.02, 0.02, 0.02]])[int(rng.integers(3))]
    d = np.array([np.cos(come_from), np.sin(come_from), 0.0])
    across = np.array([-d[1], d[0], 0.0])
    wrist = target + d * 110 + [0, 0, rng.uniform(5, 50)]
    parts = [_limb(wrist, target + d * 45, 26, 38, skin)]
    sleeve = colour(rng, 0.4) if rng.random() < 0.6 else skin
    parts.append(_limb(wrist - d * 5, wrist + d * 420 + [0, 0, rng.uniform(0, 160)], 30, 48, sleeve))
    for k in range(4):
        root = target + d * 50 + across * (k - 1.5) * 19
        parts.append(
            _limb(
                root,
                target - d * rng.uniform(5, 30) + across * (k - 1.5) * rng.uniform(14, 24) - [0, 0, rng.uniform(0, 25)],
                9.5,
                8,
                skin,
            )
        )
    parts.append(_limb(target + d * 75 + across * 38, target + d * 10 + across * rng.uniform(35, 60), 12, 9, skin))
    return [plain("other", p, Look(0.5, 0.35, 0, 0.2)) for p in parts]


def card_things(card, T_wc):
    """The reference card, standing and floor panel, with its printed faces and white backs."""
    from .scene import transform

    yaw, xyz = T_wc
    out = []
    for panel in ("floor", "standing"):
        V, F, uv = cardmod.panel_mesh(panel, card, 13)
        a = np.radians(card["fold_deg"])
        back = V + card["thickness"] * np.array([0, np.sin(a), np.cos(a)] if panel == "standing" else [0, 0, -0.8])
        out.append(Thing("card", transform(V, yaw, xyz)[0], F, MATT, uv=uv, texture=cardmod.texture(panel)[::4, ::4]))
        out.append(plain("card", (transform(back, yaw, xyz)[0], F, cardmod.PAPER), MATT))
    return out
