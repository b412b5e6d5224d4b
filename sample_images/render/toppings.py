"""More decorations, for pictures that teach the outline finder: each stands on z = 0 at the origin, about d mm across.

Every function takes (d, rng, rgb) and returns a grid mesh (V, F, rgb per vertex). rgb is the colour of what is piped or
modelled; fruit, nuts, candles and the like bring their own.
"""

import numpy as np

from .decorations import MAKE, _grid, _join, _revolve
from .geometry import TAU, grid_faces

FRUIT = np.array([[0.75, 0.25, 0.02], [0.80, 0.62, 0.05], [0.30, 0.50, 0.05], [0.62, 0.03, 0.10], [0.75, 0.40, 0.25]])
GREENS = np.array([[0.05, 0.20, 0.03], [0.12, 0.30, 0.05], [0.20, 0.36, 0.14], [0.03, 0.12, 0.05]])
BROWNS = np.array(
    [[0.30, 0.15, 0.05], [0.42, 0.25, 0.10], [0.55, 0.36, 0.17], [0.16, 0.07, 0.03], [0.05, 0.022, 0.012]]
)


def _pick(rng, table):
    return np.clip(table[int(rng.integers(len(table)))] * rng.normal(1, 0.12, 3), 0.005, 0.95)


def _turn(P, axis, angle):
    c, s = np.cos(angle), np.sin(angle)
    i, j = [(1, 2), (2, 0), (0, 1)][axis]
    Q = np.array(P, float)
    Q[..., i], Q[..., j] = c * P[..., i] - s * P[..., j], s * P[..., i] + c * P[..., j]
    return Q


def _sheet(x, y, z, thick, rgb):
    """Closed thin sheet through the grid (x, y, z): front and back joined along their rims."""
    P = np.stack(np.broadcast_arrays(x, y, z), -1).astype(float)
    n = np.cross(np.gradient(P, axis=1), np.gradient(P, axis=0))
    n /= np.maximum(np.linalg.norm(n, axis=-1, keepdims=True), 1e-9)
    return _grid(np.concatenate([P - n * thick / 2, (P + n * thick / 2)[::-1], (P - n * thick / 2)[:1]]), rgb)


def _stand(mesh):
    V, F, c = mesh
    return V - [0, 0, V[:, 2].min()], F, c


def _parts(parts):
    out = parts[0]
    for p in parts[1:]:
        out = _join(out, p)
    return out


def ball(d, rng, rgb):
    """Chocolate ball, sugar pearl or truffle, smooth or rolled in crumbs."""
    t = np.linspace(0, np.pi, 40)
    P = _revolve(np.maximum(d / 2 * np.sin(t), 1e-4), d / 2 * (1 - np.cos(t)), 56)
    P = P[::-1]
    if rng.random() < 0.4:
        P = (P - [0, 0, d / 2]) * (1 + 0.04 * rng.normal(size=P.shape[:2] + (1,))) + [0, 0, d / 2]
    return _grid(P, _pick(rng, BROWNS) if rng.random() < 0.5 else rgb)


def rose(d, rng, rgb):
    """Modelled rose: petals wrapped round a bud, opening outwards."""
    parts = []
    rings = int(rng.integers(3, 5))
    for k in range(rings):
        n = 3 + k
        reach = d / 2 * (0.25 + 0.75 * k / (rings - 1))
        high = d * (0.62 - 0.30 * k / (rings - 1))
        for i in range(n):
            a0 = TAU * (i + 0.5 * k + rng.normal(0, 0.05)) / n
            u, v = np.meshgrid(np.linspace(-1, 1, 15), np.linspace(0, 1, 10))
            wide = 1.25 * np.pi / n
            lift = high * v * (1 - 0.18 * u**2)
            curl = reach * (0.35 + 0.65 * v**0.8) * (1 + 0.12 * v**3 * (1 - u**2) + 0.05 * np.sin(3 * u + i))
            a = a0 + wide * u * (0.6 + 0.4 * v)
            tone = rgb * (0.75 + 0.25 * k / rings) * rng.normal(1, 0.03)
            parts.append(_sheet(curl * np.cos(a), curl * np.sin(a), lift, 0.03 * d, np.clip(tone, 0, 0.93)))
    return _parts(parts)


def blossom(d, rng, rgb):
    """Flat sugar flower of four to seven petals with a raised middle."""
    n, t = int(rng.integers(4, 8)), np.linspace(0, TAU, 97)
    edge = d / 2 * (0.72 + 0.28 * np.abs(np.cos(n * t / 2)) ** rng.uniform(0.5, 1.2))
    thick, cup = d * rng.uniform(0.05, 0.12), d * rng.uniform(0.0, 0.18)
    s = np.concatenate([np.linspace(1, 0.02, 14), np.linspace(0.02, 1, 14), [1.0]])[:, None]
    top = (np.arange(29) >= 14) & (np.arange(29) < 28)
    z = np.where(top[:, None], thick, 0) + cup * s**2
    flower = _grid(np.stack([s * edge * np.cos(t), s * edge * np.sin(t), z + 0 * t], -1), rgb)
    heart = ball(0.26 * d, rng, np.array([0.80, 0.55, 0.06]) if rng.random() < 0.6 else rgb)
    return _join(flower, (heart[0] + [0, 0, 0.3 * thick], heart[1], heart[2]))


def leaf(d, rng, rgb):
    """Sugar or mint leaf, folded along its rib, lying or standing a little."""
    u, v = np.meshgrid(np.linspace(-1, 1, 13), np.linspace(0, 1, 24))
    half = 0.28 * d * np.sin(np.pi * v**0.8) * (1 + 0.06 * np.cos(22 * v))
    z = 0.35 * half * np.abs(u) + d * rng.uniform(0.0, 0.35) * v**2
    return _stand(_sheet(d * (v - 0.5), u * half, z, 0.03 * d, _pick(rng, GREENS)))


def candle(d, rng, rgb):
    """Thin candle, plain or striped, with a wick and sometimes a flame."""
    high, r = d * rng.uniform(1.8, 3.2), d * rng.uniform(0.09, 0.16)
    z = np.linspace(0, high, 40)
    P = _revolve(np.append(np.full(40, r), 1e-3), np.append(z, high), 32)
    c = np.broadcast_to(rgb, P.shape).copy()
    if rng.random() < 0.6:
        stripe = np.sin(TAU * (z[:, None] / (d * 0.35)) + np.linspace(0, TAU, 33)[None]) > 0
        c[:40][stripe] = (0.85, 0.85, 0.83)
    parts = [_grid(P, c)]
    if rng.random() < 0.6:
        t = np.linspace(0, 1, 20)
        Q = _revolve(np.maximum(0.09 * d * np.sin(np.pi * t**0.7), 1e-4), high + 0.4 * d * t + 0.08 * d, 24)
        parts.append(_grid(Q, np.array([0.93, 0.75, 0.30])))
    return _parts(parts)


def roll(d, rng, rgb):
    """Rolled wafer or chocolate cigarette, lying, leaning or standing."""
    long, r = d * rng.uniform(1.2, 2.4), d * rng.uniform(0.10, 0.18)
    z = np.linspace(0, long, 40)
    P = _revolve(np.concatenate([[0.6 * r], np.full(40, r), [0.6 * r]]), np.concatenate([[0], z, [long]]), 40)
    c = np.broadcast_to(_pick(rng, BROWNS), P.shape).copy()
    twist = np.sin(TAU * z[:, None] / (0.5 * d) + np.linspace(0, TAU, 41)[None]) > 0.3
    c[1:41][twist] *= rng.uniform(0.4, 0.9)
    return _stand(_grid(_turn(P, 1, rng.choice([0.1, 0.5, np.pi / 2])), np.clip(c, 0, 0.9)))


def shard(d, rng, rgb):
    """Broken plate of chocolate, caramel or meringue standing at a slant."""
    wide, high = d * rng.uniform(0.5, 1.1), d * rng.uniform(0.8, 2.2)
    u, v = np.meshgrid(np.linspace(-1, 1, 13), np.linspace(0, 1, 17))
    taper = 1 - rng.uniform(0.2, 0.95) * v
    x = wide / 2 * u * taper + wide * rng.normal(0, 0.25) * v
    bend = d * rng.normal(0, 0.12) * np.sin(np.pi * v)
    colours = np.concatenate([BROWNS, [[0.85, 0.82, 0.76], rgb, [0.60, 0.28, 0.04]]])
    V, F, c = _sheet(x, bend + 0 * u, high * v * (1 + 0.1 * u), d * 0.05, _pick(rng, colours))
    return _stand((_turn(V, 0, rng.normal(0, 0.3)), F, c))


def curl(d, rng, rgb):
    """Chocolate shaving, rolled up."""
    u, v = np.meshgrid(np.linspace(0, 1, 40), np.linspace(-1, 1, 9))
    a, r = TAU * rng.uniform(0.5, 1.3) * u, d * rng.uniform(0.12, 0.3) * (1 - 0.3 * u)
    return _stand(_sheet(d * 0.5 * v * (1 - 0.4 * u), r * np.cos(a), r * np.sin(a), 0.03 * d, _pick(rng, BROWNS)))


def nut(d, rng, rgb):
    """Nut, almond or crumb cluster: a lumpy ellipsoid."""
    t = np.linspace(0, np.pi, 26)
    P = _revolve(np.maximum(np.sin(t), 1e-4) * d / 2, d / 2 * (1 - np.cos(t)), 36)[::-1]
    a = np.arctan2(P[..., 1], P[..., 0])
    lump = 1 + rng.uniform(0.02, 0.15) * np.sin(5 * a + rng.uniform(0, 6)) * np.sin(3 * t)[:, None]
    P = (P - [0, 0, d / 2]) * lump[..., None] * [rng.uniform(0.6, 1.2), rng.uniform(0.4, 0.9), rng.uniform(0.3, 0.7)]
    P[..., 2] -= P[..., 2].min()
    return _grid(P, _pick(rng, BROWNS))


def cherry(d, rng, rgb):
    """Cherry, with or without its stalk."""
    t = np.linspace(0, np.pi, 40)
    r, z = np.maximum(np.sin(t), 1e-4) * d / 2, d / 2 * (1 - np.cos(t)) - 0.16 * d * np.exp(-(((np.pi - t) / 0.5) ** 2))
    fruit = _grid(
        _revolve(r, z, 48)[::-1], _pick(rng, np.array([[0.42, 0.01, 0.02], [0.12, 0.005, 0.015], [0.60, 0.02, 0.05]]))
    )
    if rng.random() < 0.5:
        return fruit
    s, a = np.linspace(0, 1, 20)[:, None], np.linspace(0, TAU, 9)[None]
    x, y = rng.normal(0, 0.35, 2) * d
    r = 0.025 * d
    stalk = np.stack([x * s**2 + r * np.cos(a), y * s**2 + r * np.sin(a), d * (0.8 + 1.1 * s) + 0 * a], -1)
    return _join(fruit, _grid(stalk, np.array([0.16, 0.20, 0.05])))


def slice_of_fruit(d, rng, rgb):
    """Round slice of kiwi, apple, plum, banana or the like, flat or leaning. Cut citrus is another function."""
    flesh = _pick(rng, FRUIT[2:] if rng.random() < 0.7 else np.array([[0.80, 0.72, 0.40], [0.82, 0.78, 0.62]]))
    t, th = np.linspace(0, 1, 30), np.linspace(0, TAU, 73)
    thick = d * rng.uniform(0.08, 0.2)
    s = np.concatenate([t[::-1], t, [1.0]])
    z = np.concatenate([np.zeros(30), np.full(30, thick), [0.0]])
    P = _revolve(np.maximum(s * d / 2, 1e-4), z, 72)
    c = np.broadcast_to(flesh, P.shape).copy()
    c[s > 0.92] *= 0.5
    c[s < 0.2] = np.clip(flesh + 0.35, 0, 0.9)
    seeds = (np.abs(s - 0.32) < 0.06)[:, None] & (np.sin(18 * th)[None] > 0.3)
    c[seeds] = 0.02
    return _stand(_grid(_turn(P, 0, rng.choice([0.0, 0.0, 0.6, 1.3])), c))


def citrus(d, rng, rgb):
    """Slice of orange, lemon or lime with its segments."""
    skin = _pick(rng, FRUIT[:3])
    t, th = np.linspace(0, 1, 30), np.linspace(0, TAU, 145)
    thick = d * rng.uniform(0.06, 0.15)
    s = np.concatenate([t[::-1], t, [1.0]])
    P = _revolve(np.maximum(s * d / 2, 1e-4), np.concatenate([np.zeros(30), np.full(30, thick), [0.0]]), 144)
    c = np.broadcast_to(skin, P.shape).copy()
    pith = (s > 0.82) & (s < 0.93)
    spoke = (np.abs(np.sin(4.5 * th)) < 0.12)[None] & (s < 0.85)[:, None]
    c[pith] = (0.82, 0.76, 0.58)
    c[spoke] = (0.82, 0.74, 0.55)
    return _stand(_grid(_turn(P, 0, rng.choice([0.0, 0.0, 0.7, 1.4])), c))


def biscuit(d, rng, rgb):
    """Round or square biscuit, lying or stuck in upright; also a piece of meringue."""
    n = 4 if rng.random() < 0.3 else 60
    th = np.linspace(0, TAU, 73)
    edge = d / 2 / np.maximum(np.abs(np.cos((th % (TAU / n)) - np.pi / n)), 0.7) * np.cos(np.pi / n)
    thick = d * rng.uniform(0.12, 0.3)
    s = np.array([1e-3, 0.5, 0.93, 1, 1, 0.93, 0.5, 1e-3])[:, None]
    z = thick * np.array([0, 0, 0, 0.1, 0.85, 1, 1.02, 1.02])[:, None]
    P = np.stack([s * edge * np.cos(th), s * edge * np.sin(th), z + 0 * th], -1)
    tone = _pick(rng, BROWNS) if rng.random() < 0.8 else np.array([0.85, 0.83, 0.78])
    return _stand(_grid(_turn(P, 0, rng.choice([0.0, 0.3, 1.3])), tone))


def heart(d, rng, rgb):
    """Heart-shaped plate, lying or standing."""
    th = np.linspace(0, TAU, 97)
    x, y = 16 * np.sin(th) ** 3, 13 * np.cos(th) - 5 * np.cos(2 * th) - 2 * np.cos(3 * th) - np.cos(4 * th)
    s = np.array([1e-3, 0.5, 1, 1, 0.5, 1e-3])[:, None] * d / 34
    z = d * 0.1 * np.array([0, 0, 0, 1, 1.2, 1.2])[:, None]
    P = np.stack([s * x, s * y, z + 0 * th], -1)
    return _stand(_grid(_turn(P, 0, rng.choice([0.0, 0.0, 1.4])), rgb))


def sign(d, rng, rgb):
    """Flat sign on one or two sticks."""
    wide, high = d * rng.uniform(1.2, 2.5), d * rng.uniform(0.5, 1.2)
    u, v = np.meshgrid(np.linspace(-1, 1, 25), np.linspace(-1, 1, 17))
    round_ = rng.random() < 0.5
    x = wide / 2 * u * (np.sqrt(1 - 0.5 * v**2) if round_ else 1)
    z = high / 2 * v * (np.sqrt(1 - 0.5 * u**2) if round_ else 1) + 1.1 * d + high / 2
    c = np.broadcast_to(
        _pick(rng, np.array([[0.8, 0.8, 0.78], [0.75, 0.55, 0.2], rgb, [0.05, 0.05, 0.05], [0.7, 0.3, 0.35]])),
        x.shape + (3,),
    ).copy()
    c[6:11, 4:21:2] = 0.9 - c[6:11, 4:21:2]
    plate = _sheet(x, 0 * x, z, 0.05 * d, np.concatenate([c, c[::-1], c[:1]]))
    parts = [plate]
    for k in [0.0] if rng.random() < 0.5 else [-0.3, 0.3]:
        P = _revolve(np.full(8, 0.03 * d), np.linspace(0, 1.2 * d, 8), 12)
        parts.append(_grid(P + [k * wide, 0, 0], np.array([0.6, 0.45, 0.28])))
    return _parts(parts)


def figure(d, rng, rgb):
    """Modelled figure: a body, a head and limbs of simple rounded forms in a few colours."""
    parts, tones = (
        [],
        [
            rgb,
            _pick(
                rng,
                np.array(
                    [[0.80, 0.55, 0.42], [0.35, 0.2, 0.12], [0.85, 0.84, 0.8], [0.6, 0.3, 0.35], [0.2, 0.35, 0.6]]
                ),
            ),
        ],
    )
    t = np.linspace(0, 1, 24)
    body = _revolve(np.maximum(0.32 * d * np.sqrt(np.clip(1 - t**2.2, 0, 1)), 1e-3), 0.8 * d * t, 36)
    parts.append(_grid(body, tones[0]))
    head = ball(0.46 * d, rng, tones[1])
    parts.append((head[0] + [0, 0, 0.70 * d], head[1], np.broadcast_to(tones[1], head[2].shape)))
    for side in (-1, 1):
        for z, x in ((0.45, 0.34), (0.05, 0.28)):
            limb = ball(rng.uniform(0.16, 0.3) * d, rng, tones[1])
            tone = tones[int(rng.integers(2))]
            parts.append((limb[0] + [side * x * d, -0.12 * d, z * d], limb[1], np.broadcast_to(tone, limb[2].shape)))
    return _parts(parts)


def bow(d, rng, rgb):
    """Ribbon bow: two loops and a knot."""
    u, v = np.meshgrid(np.linspace(0, 1, 30), np.linspace(-1, 1, 9))
    a = np.pi * u
    parts = []
    for side in (-1, 1):
        x, y = side * d * 0.5 * np.sin(a), d * 0.22 * np.sin(2 * a)
        parts.append(_sheet(x, y, d * 0.22 * v * (0.4 + 0.6 * np.sin(a)) + d * 0.25, 0.03 * d, rgb))
    knot = ball(0.22 * d, rng, rgb)
    parts.append((knot[0] + [0, 0, 0.14 * d], knot[1], np.broadcast_to(rgb, knot[2].shape)))
    return _stand(_parts(parts))


def meringue(d, rng, rgb):
    """Round drop with a pulled tip."""
    t = np.linspace(0, 1, 40)
    r = d / 2 * np.where(t < 0.3, np.sqrt(np.clip(1 - ((0.3 - t) / 0.36) ** 2, 0, 1)), (1 - ((t - 0.3) / 0.7)) ** 0.8)
    return _grid(_revolve(np.maximum(r, 1e-4), t * d * rng.uniform(0.6, 1.1), 60), rgb)


NEW = {
    "ball": ball, "rose": rose, "blossom": blossom, "leaf": leaf, "candle": candle, "roll": roll, "shard": shard,
    "curl": curl, "nut": nut, "cherry": cherry, "slice_of_fruit": slice_of_fruit, "citrus": citrus,
    "biscuit": biscuit, "heart": heart, "sign": sign, "figure": figure, "bow": bow, "meringue": meringue,
}  # fmt: skip
KNOWN = tuple(MAKE)
ALL = KNOWN + tuple(NEW)


def make(kind, d, rng, rgb):
    """(V, F, rgb) of one piece of any kind in `ALL`."""
    rgb = np.asarray(rgb, float)
    if kind in MAKE:
        return MAKE[kind](d, rng, rgb, int(rng.choice([6, 8, 10])))
    return NEW[kind](d, rng, rgb)


def scatter(proto, places, rng):
    """Copies of one or several prototypes at places [(x, y, z, scale, spin_rad, lean_rad)], as one mesh."""
    V, F, C, base = [], [], [], 0
    for x, y, z, scale, spin, lean in places:
        v, f, c = proto[int(rng.integers(len(proto)))]
        w = _turn(_turn(v * scale, 0, lean), 2, spin) + [x, y, z]
        V.append(w)
        F.append(f + np.uint32(base))
        C.append(np.broadcast_to(c, v.shape) * rng.normal(1, 0.03))
        base += len(v)
    return np.concatenate(V), np.concatenate(F).astype(np.uint32), np.clip(np.concatenate(C), 0.003, 0.95)


def rope(radius, z, size, rng, rgb, style, turns=TAU):
    """A piped border along a circle: pearls, shells, rosettes or a twisted rope."""
    if style == "cord":
        a, q = np.linspace(0, turns, 400)[:, None], np.linspace(0, TAU, 17)[None]
        twist = 1 + 0.25 * np.cos(3 * q + 40 * a)
        r = radius + size / 2 * twist * np.cos(q)
        P = np.stack([r * np.cos(a), r * np.sin(a), z + size / 2 * (1 + twist * np.sin(q))], -1)
        return P.reshape(-1, 3), grid_faces(*P.shape[:2]), np.broadcast_to(rgb, (P.size // 3, 3))
    kind = {"pearl": "meringue", "shell": "dollop", "swirl": "rosette", "kiss": "kiss", "ball": "ball"}[style]
    n = max(int(turns * radius / (size * rng.uniform(0.82, 1.02))), 3)
    lean = rng.uniform(0.5, 1.2) if style == "shell" else 0.0
    protos = [make(kind, size, rng, rgb) for _ in range(2)]
    jitter = rng.uniform(0.01, 0.06)
    places = []
    for i in range(n):
        a = turns * (i + rng.normal(0, 0.04)) / n
        places.append(
            (
                radius * np.cos(a),
                radius * np.sin(a),
                z,
                rng.normal(1, jitter),
                a + (np.pi if lean else rng.uniform(0, 6)),
                lean,
            )
        )
    return scatter(protos, places, rng)
