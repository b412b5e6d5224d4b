"""Teaching pictures: cakes of many kinds in many places, each with a label map, quickly.

Rendering small pictures is bound by building scenes and compiling programs, so every scene is made of the same few
plug-ins (one universal material in two forms, one lens, one environment, area lamps): the renderer's program is
compiled once and used for thousands of scenes. A study is one arrangement of cakes; it is photographed several times
with other cameras, lamps, benches, walls, hands and cards round the same meshes. Everything follows from the seed.
"""

from dataclasses import dataclass, replace

import numpy as np

from . import bodies, card, decorations, geometry, paints, params, photo, props, scene, toppings
from .geometry import TAU
from .things import CREAM, GLOSS, MATT, SATIN, Look, Thing, plain

PLAIN, EMPTY = 0.42, 0.05  # shares of shop cakes on a plain bench and of places without a cake


@dataclass(frozen=True)
class Study:
    """One arrangement: its things (mm, bench frame), what the camera should frame, and the reach of the main cake."""

    seed: int
    things: tuple[Thing, ...]
    frame: np.ndarray  # (N, 3) points of the main cake and its board
    radius: float
    height: float
    bench_like: dict | None  # parameters of a cake of the bench, photographed as for a measurement
    held_out: bool


def sample_study(seed, held_out=False):
    """Arrange the cakes of one seed. held_out: in the style that training never shows."""
    rng = np.random.default_rng([int(seed), 31 if held_out else 30])
    u = rng.random()
    if u < PLAIN and not held_out:
        return _bench_study(seed, rng)
    if u < PLAIN + EMPTY and not held_out:
        return _empty_study(seed, rng)
    things, radius, height = sample_cake(rng, held_out)
    frame = _frame(things)
    more = int(rng.integers(1, 3)) if rng.random() < 0.13 else 0
    for _ in range(more):
        other, r, _ = sample_cake(rng, held_out)
        a, d = rng.uniform(-0.2, np.pi + 0.2), radius + r + rng.uniform(60, 260)
        things = things + [t.moved(0, (d * np.cos(a), d * np.sin(a), 0)) for t in other]
    return Study(int(seed), tuple(things), frame, radius, height, None, held_out)


def _frame(things):
    V = np.concatenate([t.V[:: max(len(t.V) // 60, 1)] for t in things])
    return V[np.isfinite(V).all(1)]


def _empty_study(seed, rng):
    """No cake: an empty board, something round, a meal's worth of clutter."""
    things = []
    if rng.random() < 0.6:
        things += props.board(rng, str(rng.choice(props.BOARDS[:-1])), rng.uniform(60, 130))[0]
    for _ in range(int(rng.integers(1, 4))):
        a, d = rng.uniform(0, TAU), rng.uniform(0, 160)
        things += [t.moved(rng.uniform(0, 6), (d * np.cos(a), d * np.sin(a), 0.2)) for t in props.clutter(rng)]
    return Study(int(seed), tuple(things), _frame(things), 100.0, 60.0, None, False)


def _bench_study(seed, rng):
    """A cake as the bench has them, coarse, photographed with the card as for a measurement."""
    p = params.sample_cake(seed)
    body = geometry.build_body(p, 0.22)
    look = {"glaze": Look(0.07, 0.55, 0, 0, 0.8), "ganache": Look(0.26, 0.5)}.get(p["kind"], CREAM)
    things = [
        Thing(
            "body",
            body.P.reshape(-1, 3),
            geometry.grid_faces(*body.P.shape[:2]),
            look,
            rgb=body.rgb.reshape(-1, 3),
            N=body.N.reshape(-1, 3),
        )
    ]
    things += [
        plain("decoration", (d["V"], d["F"], d["rgb"]), SATIN if d["material"] in ("fruit", "berry") else CREAM)
        for d in decorations.build(p, body)
    ]
    foot = decorations.foot_border(p, body)
    if foot:
        things.append(plain("foot_border", (foot["V"], foot["F"], foot["rgb"]), CREAM))
    b = p["board"]
    V, F, uv = scene.board_mesh(b)
    if b["colour"] == "wood":
        things.append(Thing("board", V, F, MATT, uv=uv, texture=props.surfaces.wood(rng, 512, 0.15)))
    else:
        rgb = {"gold": (0.83, 0.6, 0.22), "white": (0.82, 0.82, 0.8), "black": (0.022, 0.022, 0.024)}[b["colour"]]
        things.append(plain("board", (V, F, np.array(rgb)), Look(0.28, 0.5, 0.95) if b["colour"] == "gold" else SATIN))
    return Study(int(seed), tuple(things), _frame(things), p["radius"], p["height"], p, False)


# ---------------------------------------------------------------- a cake of many kinds
def sample_cake(rng, held_out=False):
    """(things standing on the bench at the origin, radius, height)."""
    R = rng.uniform(55, 135)
    H = float(np.clip(R * np.exp(rng.normal(-0.15, 0.45)), 28, 190))
    kind = (
        props.HELD_OUT_BOARD
        if held_out
        else str(rng.choice(props.BOARDS, p=[0.2, 0.07, 0.1, 0.1, 0.13, 0.15, 0.07, 0.05, 0.04, 0.03, 0.06]))
    )
    things, z = props.board(rng, kind, R)
    rgb = paints.icing_rgb(rng, held_out)
    tiers = 1 if rng.random() < 0.88 else int(rng.integers(2, 4))
    finish = (
        bodies.HELD_OUT_SIDE
        if held_out
        else str(rng.choice(bodies.SIDES, p=[0.24, 0.12, 0.08, 0.12, 0.05, 0.12, 0.06, 0.05, 0.07, 0.06, 0.03]))
    )
    r, h = R, H * (1 if tiers == 1 else 0.75)
    for k in range(tiers):
        tier = bodies.sample_tier(rng, r, h, finish, rgb, cut=tiers == 1 and rng.random() < 0.08)
        things += [t.moved(0, (0, 0, z)) for t in tier.things]
        if rng.random() < (0.42 if k == 0 else 0.3):
            things.append(_border(rng, "foot_border", tier, z, rgb))
        if rng.random() < 0.3:
            things.append(_border(rng, "decoration", tier, z, rgb))
        z += h
        if k < tiers - 1:
            r, h = r * rng.uniform(0.55, 0.8), h * rng.uniform(0.7, 1.0)
            if rng.random() < 0.3:
                rgb = paints.icing_rgb(rng, held_out)
            if rng.random() < 0.3 and not held_out:
                finish = str(rng.choice(bodies.SIDES))
    things += _toppings(rng, tier, z, held_out)
    if rng.random() < 0.12:
        things += _side_bits(rng, tier, z - h, held_out)
    turn = rng.uniform(0, TAU)
    return [t.moved(turn) for t in things], float(R), float(z)


def _border(rng, label, tier, z, rgb):
    """Piped border at the foot or on the rim, or a ribbon round the foot."""
    colour = rgb if rng.random() < 0.6 else paints.icing_rgb(rng)
    foot = label == "foot_border"
    turns = TAU if tier.gap is None else TAU - tier.gap[1]
    start = 0.0 if tier.gap is None else tier.gap[0] + tier.gap[1]
    if foot and rng.random() < 0.22:
        high = rng.uniform(6, max(6, min(35, 0.5 * tier.height)))
        a = np.linspace(0, turns, 241) + start
        r = (tier.radius * 1.01 + 1.0) * np.ones_like(a)
        P = np.stack([np.stack([r * np.cos(a), r * np.sin(a), 0 * a + v], -1) for v in (z + 0.5, z + high)])
        return plain("foot_border", (P.reshape(-1, 3), geometry.grid_faces(2, 241), colour), SATIN)
    style = str(rng.choice(["pearl", "shell", "kiss", "ball", "cord"], p=[0.3, 0.35, 0.12, 0.08, 0.15]))
    size = rng.uniform(6, 17)
    radius = tier.radius + 0.25 * size if foot else tier.radius - tier.edge - rng.uniform(0.2, 0.7) * size
    mesh = toppings.rope(radius, z - 1 if foot else z + tier.height - 1, size, rng, colour, style, turns)
    return plain(label, mesh, CREAM).moved(start)


def _toppings(rng, tier, z, held_out):
    """Decorations on the top: ring, cluster, crescent, scattered, all over, or none."""
    if rng.random() < 0.14:
        return []
    room = tier.radius - tier.edge
    out = []
    for _ in range(int(rng.choice([1, 2, 3], p=[0.5, 0.33, 0.17]))):
        kind = "citrus" if held_out else str(rng.choice([k for k in toppings.ALL if k != "citrus"]))
        size = float(np.clip(rng.uniform(8, 45), 5, room * 0.8))
        if kind in ("rose", "figure", "sign", "bow", "heart"):
            size = float(rng.uniform(15, max(15, 0.9 * room)))
        colour = tier.rgb if rng.random() < 0.3 else paints.icing_rgb(rng)
        protos = [toppings.make(kind, size, rng, colour) for _ in range(2)]
        most = max(int(1.2e6 / len(protos[0][0])), 3)
        places = [p for p in _places(rng, room, size)[:most] if not _in_gap(p, tier.gap)]
        if not places:
            continue
        spots = [
            (x, y, z + rng.normal(0, 0.3) - 0.5, rng.normal(1, 0.06), rng.uniform(0, TAU), lean * rng.normal(0, 0.4))
            for x, y, lean in places
        ]
        look = (
            GLOSS
            if kind in ("berry", "half_berry", "cherry", "citrus", "slice_of_fruit")
            else SATIN
            if rng.random() < 0.3
            else CREAM
        )
        out.append(plain("decoration", toppings.scatter(protos, spots, rng), look))
    return out


def _in_gap(place, gap):
    return gap is not None and ((np.arctan2(place[1], place[0]) - gap[0]) % TAU) < gap[1]


def _places(rng, room, size):
    """Plan positions [(x, y, how freely the piece leans)]."""
    reach = max(room - size * 0.45, 2)
    how = str(
        rng.choice(
            ["ring", "cluster", "crescent", "scatter", "all over", "middle", "two rings"],
            p=[0.36, 0.16, 0.1, 0.14, 0.06, 0.1, 0.08],
        )
    )
    if how == "middle":
        return [(rng.normal(0, 3), rng.normal(0, 3), 0.3)]
    if how == "cluster":
        n, c, a = int(rng.integers(3, 14)), rng.uniform(0, 0.6) * reach, rng.uniform(0, TAU)
        q = [
            (c * np.cos(a) + rng.normal(0, size * 0.7), c * np.sin(a) + rng.normal(0, size * 0.7), 1.0)
            for _ in range(n)
        ]
        return [p for p in q if np.hypot(p[0], p[1]) < reach]
    if how == "scatter":
        n = int(rng.integers(3, 40))
        rho, a = reach * np.sqrt(rng.random(n)), rng.uniform(0, TAU, n)
        return list(zip(rho * np.cos(a), rho * np.sin(a), np.full(n, 0.6), strict=True))
    if how == "all over":
        g = np.arange(-room, room, size * rng.uniform(0.75, 1.1))
        x, y = [v.ravel() for v in np.meshgrid(g, g)]
        keep = np.hypot(x, y) < reach
        jitter = rng.normal(0, 0.12 * size, (2, keep.sum()))
        return list(zip(x[keep] + jitter[0], y[keep] + jitter[1], np.full(keep.sum(), 0.2), strict=True))
    out = []
    for k in range(2 if how == "two rings" else 1):
        radius = reach * (rng.uniform(0.6, 1.0) if k == 0 else rng.uniform(0.2, 0.5))
        n = max(int(min(rng.integers(3, 16), TAU * radius / (size * 1.02))), 1)
        span = TAU if how != "crescent" else rng.uniform(1.0, 3.5)
        start = rng.uniform(0, TAU)
        out += [
            (radius * np.cos(a), radius * np.sin(a), 0.2)
            for a in start + span * (np.arange(n) + rng.normal(0, 0.06, n)) / n
        ]
    return out


def _side_bits(rng, tier, z, held_out):
    """Flowers, pearls or leaves stuck on the side."""
    kind = "citrus" if held_out else str(rng.choice(["rose", "blossom", "ball", "leaf", "heart", "blueberry"]))
    size, n = rng.uniform(6, 30), int(rng.integers(3, 24))
    spots = []
    for _ in range(n):
        a = rng.uniform(0, TAU)
        r = tier.radius * 0.99
        spots.append(
            (r * np.cos(a), r * np.sin(a), z + rng.uniform(0.1, 0.9) * tier.height, 1.0, a - np.pi / 2, np.pi / 2)
        )
    spots = [s for s in spots if not _in_gap(s, tier.gap)]
    return (
        [
            plain(
                "decoration",
                toppings.scatter([toppings.make(kind, size, rng, paints.icing_rgb(rng))], spots, rng),
                CREAM,
            )
        ]
        if spots
        else []
    )


# ---------------------------------------------------------------- what changes from picture to picture
@dataclass(frozen=True)
class Shot:
    """Where one picture of a study is taken: extra things, camera, lens, and the seed of its lamps and surroundings."""

    things: tuple[Thing, ...]
    frame: np.ndarray
    direction: np.ndarray
    up: np.ndarray
    roll_deg: float
    fill: float
    shift: tuple[float, float]
    mm35: float
    aperture_mm: float
    focus_at: np.ndarray
    portrait: bool
    bench_z: float = 0.0
    turn_rad: float = 0.0  # of bench, wall and lamps about the cake
    setting: dict | None = None  # bench, wall and lamps as on the plain bench (scene.sample_setting), else of any kind


def sample_shot(study, k):
    """The k-th picture of a study."""
    rng = np.random.default_rng([study.seed, 40 + k, int(study.held_out)])
    if study.bench_like is not None and rng.random() < 0.9:
        return _measuring_shot(study, rng)
    extra, frame = [], study.frame
    bench_z = -study.bench_like["board"]["thickness"] if study.bench_like else 0.0
    for _ in range(int(rng.choice([0, 1, 2, 4, 7], p=[0.35, 0.2, 0.2, 0.15, 0.1]))):
        a = rng.uniform(-0.25, np.pi + 0.25) if rng.random() < 0.85 else rng.uniform(0, TAU)
        d = study.radius * 1.3 + rng.uniform(60, 480)
        extra += [t.moved(rng.uniform(0, 6), (d * np.cos(a), d * np.sin(a), 0.1)) for t in props.clutter(rng)]
    if rng.random() < 0.10:
        target = np.array(
            [
                rng.normal(0, 0.7) * study.radius,
                -study.radius * rng.uniform(0.3, 1.3),
                rng.uniform(0.1, 1.1) * study.height + 10,
            ]
        )
        extra += props.hand(rng, target, rng.uniform(-2.8, -0.3))
    if rng.random() < 0.30:
        flat = str(rng.choice(["top", "side"]))
        c = card.sample(rng, flat, 1.0)
        a, d = (
            rng.uniform(-2.4, -0.5) + (np.pi if rng.random() < 0.3 else 0),
            study.radius * 1.35 + rng.uniform(20, 120),
        )
        T = (float(rng.normal(0, 12)), np.array([d * np.cos(a) * 1.3 - 60, d * np.sin(a) * 0.8 + 60, 0.25]))
        extra += props.card_things(c, T)
        if rng.random() < 0.5:
            frame = np.concatenate([frame, props.card_things(c, T)[0].V[::40]])
    extra = [t.moved(0, (0, 0, bench_z)) for t in extra]
    lift = float(rng.choice([rng.uniform(60, 89), rng.uniform(22, 60), rng.uniform(0.5, 22)], p=[0.22, 0.38, 0.4]))
    az, el = np.radians(np.clip(rng.normal(0, 35), -80, 80)), np.radians(lift)
    direction = np.array([np.sin(az) * np.cos(el), -np.cos(az) * np.cos(el), np.sin(el)])
    up = np.array([0, 1.0, 0]) if lift > 75 else np.array([0, 0, 1.0])
    fill = float(np.exp(rng.normal(np.log(0.72), 0.28)))
    mm35 = float(rng.choice([26, 52, rng.uniform(24, 90)], p=[0.4, 0.25, 0.35]))
    aperture = rng.uniform(0.3, 2) if rng.random() < 0.6 else rng.uniform(2, 14)
    focus = np.array([0, -0.7 * study.radius * np.cos(el), 0.6 * study.height])
    return Shot(
        tuple(extra),
        frame,
        direction,
        up,
        float(rng.normal(0, 4)),
        fill,
        tuple(rng.normal(0, 0.07, 2)),
        mm35,
        float(aperture),
        focus,
        bool(rng.random() < 0.22),
        bench_z,
    )


def _measuring_shot(study, rng):
    """As for a measurement: top or side, the card beside the cake."""
    p = study.bench_like
    name = str(rng.choice(["top", "side", "side2"], p=[0.4, 0.3, 0.3]))
    pl = photo.sample_placement(rng, name, p, str(rng.choice(["left", "right"])), float(rng.choice([1.0, 0.96, 1.02])))
    yaw, xyz = pl["T_wk"]
    k = np.radians(-yaw)  # the cake stays, so everything else turns about it
    R = np.array([[np.cos(k), -np.sin(k), 0], [np.sin(k), np.cos(k), 0], [0, 0, 1]])
    base = np.array([xyz[0], xyz[1], 0])
    things = [t.moved(0, -base).moved(k) for t in props.card_things(pl["card"], pl["T_wc"])]
    things = [t.moved(0, (0, 0, -p["board"]["thickness"])) for t in things]  # the cake's z = 0 is its board
    setting = None
    if rng.random() < 0.85:
        setting = scene.sample_setting(int(rng.integers(1 << 31)))
        extra = props.plain_clutter(setting)
    else:
        extra = []
        for _ in range(int(rng.integers(0, 4))):
            a, d = rng.uniform(0.3, np.pi - 0.3), p["board"]["half"] + rng.uniform(180, 500)
            extra += [t.moved(0, (d * np.cos(a), d * np.sin(a), 0)) for t in props.clutter(rng)]
    things += [t.moved(0, (0, 0, -p["board"]["thickness"])).moved(k) for t in extra]
    frame = np.concatenate([study.frame, things[0].V[::30], things[2].V[::30]])
    focus = np.array([0, -0.6 * study.radius, 0.5 * study.height])
    return Shot(
        tuple(things),
        frame,
        R @ pl["direction"],
        R @ pl["up"],
        pl["roll"],
        pl["fill"] * float(np.exp(rng.normal(0, 0.1))),
        tuple(pl["shift"]),
        float(pl["mm35"]),
        pl["aperture_mm"],
        R @ focus,
        bool(rng.random() < 0.15),
        -p["board"]["thickness"],
        float(k),
        setting,
    )


def other_view(study, shot, j):
    """The same arrangement from another camera, on the same side of the wall."""
    rng = np.random.default_rng([study.seed, 90, j, int(study.held_out)])
    if study.bench_like is not None and shot.setting is not None and rng.random() < 0.75:
        return _measuring_view(study, shot, rng)
    lift = float(rng.choice([rng.uniform(60, 89), rng.uniform(22, 60), rng.uniform(0.5, 22)], p=[0.25, 0.38, 0.37]))
    az, el = np.radians(np.clip(rng.normal(0, 35), -80, 80)) + shot.turn_rad, np.radians(lift)
    direction = np.array([np.sin(az) * np.cos(el), -np.cos(az) * np.cos(el), np.sin(el)])
    up = np.array([-np.sin(shot.turn_rad), np.cos(shot.turn_rad), 0]) if lift > 75 else np.array([0, 0, 1.0])
    frame = shot.frame if rng.random() < 0.6 else study.frame
    return replace(
        shot,
        direction=direction,
        up=up,
        roll_deg=float(rng.normal(0, 4)),
        frame=frame,
        fill=float(np.exp(rng.normal(np.log(0.75), 0.28))),
        shift=tuple(rng.normal(0, 0.07, 2)),
        mm35=float(rng.choice([26, 52, rng.uniform(24, 90)])),
        portrait=bool(rng.random() < 0.22),
    )


def _measuring_view(study, shot, rng):
    """Another photo as for a measurement of the same arrangement."""
    kind = str(rng.choice(["top", "side"], p=[0.4, 0.6]))
    pl = photo.sample_placement(rng, kind, study.bench_like, "left", 1.0)
    c, s = np.cos(shot.turn_rad), np.sin(shot.turn_rad)
    R = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    return replace(
        shot,
        direction=R @ pl["direction"],
        up=R @ pl["up"],
        roll_deg=pl["roll"],
        fill=pl["fill"] * float(np.exp(rng.normal(0, 0.1))),
        shift=tuple(pl["shift"]),
        mm35=float(pl["mm35"]),
        aperture_mm=pl["aperture_mm"],
        portrait=bool(rng.random() < 0.15),
    )
