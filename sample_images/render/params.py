"""Random parameters of a cake: one plain (JSON-able) dict per seed. Lengths mm, angles degrees.

Nothing here touches geometry; geometry.py and decorations.py turn the dict into meshes.
"""

import numpy as np

KINDS = ("whipped", "buttercream", "seminaked", "glaze", "ganache", "white")

# radius range, height range, edge-rounding range, ridge-amplitude range, gloss
SHAPES = {
    "whipped": {"r": (75, 82.5), "h": (60, 75), "edge": (3, 8), "ridge": (0.05, 0.45), "swirl": (0.1, 0.7)},
    "buttercream": {"r": (100, 107.5), "h": (90, 105), "edge": (1, 4), "ridge": (0.03, 0.30), "swirl": (0.05, 0.4)},
    "seminaked": {"r": (78, 100), "h": (75, 100), "edge": (1.5, 5), "ridge": (0.10, 0.60), "swirl": (0.1, 0.6)},
    "glaze": {"r": (79, 81), "h": (45, 49), "edge": (3, 8), "ridge": (0.0, 0.03), "swirl": (0.0, 0.03)},
    "ganache": {"r": (80, 85), "h": (115, 125), "edge": (1, 4), "ridge": (0.03, 0.30), "swirl": (0.05, 0.4)},
    "white": {"r": (75, 105), "h": (65, 105), "edge": (1, 6), "ridge": (0.03, 0.45), "swirl": (0.05, 0.5)},
}
# linear reflectances
CREAM, WHITE = (0.90, 0.865, 0.79), (0.89, 0.875, 0.83)
PASTEL = {
    "pink": (0.84, 0.53, 0.55),
    "mint": (0.56, 0.80, 0.66),
    "yellow": (0.88, 0.77, 0.42),
    "lilac": (0.64, 0.53, 0.78),
}
GLAZES = {
    "cocoa": (0.030, 0.013, 0.009),
    "red": (0.33, 0.012, 0.016),
    "blue": (0.02, 0.07, 0.26),
    "caramel": (0.45, 0.19, 0.045),
    "green": (0.05, 0.22, 0.06),
}
CHOCOLATE = (0.075, 0.032, 0.017)
SPONGES = {"vanilla": (0.58, 0.37, 0.15), "cocoa": (0.10, 0.045, 0.022), "red": (0.36, 0.06, 0.04)}
FILLINGS = {"raspberry": (0.42, 0.05, 0.09), "cocoa": (0.12, 0.055, 0.03), "apricot": (0.72, 0.36, 0.08)}


def icing_colour(kind, rng):
    if kind == "whipped":
        return "cream", CREAM
    if kind == "buttercream":
        name = str(rng.choice(list(PASTEL)))
        return name, PASTEL[name]
    if kind == "glaze":
        name = str(rng.choice(list(GLAZES)))
        return name, GLAZES[name]
    if kind == "ganache":
        return "chocolate", CHOCOLATE
    return ("cream", CREAM) if kind == "seminaked" else ("white", WHITE)


def sample_cake(seed, kind=None):
    """All parameters of one cake."""
    rng = np.random.default_rng([int(seed), 1])

    def u(a, b):
        return float(rng.uniform(a, b))

    kind = kind or str(rng.choice(KINDS))
    s = SHAPES[kind]
    care = float(np.exp(rng.normal(-0.25, 0.6)))  # how carelessly the cake was made (1 = average)
    R, H = u(*s["r"]), u(*s["h"])
    name, rgb = icing_colour(kind, rng)
    rgb = [float(np.clip(c * rng.normal(1, 0.012), 0, 0.93)) for c in rgb]

    def amp(a):
        return float(min(abs(rng.normal(0, a)) * care, 3 * a))

    fluid = kind == "glaze"
    p = {
        "seed": int(seed),
        "kind": kind,
        "colour": name,
        "rgb": rgb,
        "care": care,
        "radius": R,
        "height": H,
        "taper": float(np.clip(rng.normal(-0.4, 1.2) * care, -5, 4)),
        "harmonics": [[m, amp(0.55 * (2 / m) ** 0.8), u(0, 360)] for m in range(2, 7)],
        "barrel": float(rng.normal(0, 0.4) * care),
        "belts": [],
        "grooves": [],
        "foot_flare": [u(-0.4, 1.0), u(2, 5)],
        "ridge": {
            "amp": min(u(*s["ridge"]) * (0.4 + 0.6 * care), 0.6),
            "pitch": u(3, 8),
            "turns": int(rng.integers(0, 3)),
            "phase": u(0, 360),
            "wander": u(0.2, 0.9),
        },
        "chatter": {
            "amp": 0.0 if fluid or rng.random() < 0.5 else u(0.02, 0.12) * min(care, 1.5),
            "waves": int(rng.integers(50, 130)),
        },
        "rough": 0.01 if fluid else u(0.02, 0.09),
        "blade_lines": 0.0 if fluid else u(0.02, 0.08),
        "lean": [min(amp(1.3), 6.0), u(0, 360)],
        "tilt": [min(amp(1.2), 5.0), u(0, 360)],  # mm across the diameter, direction in which it falls (theta)
        "dome": float(np.clip(rng.normal(0.3, 0.9) * care, -3, 4)),
        "swirl": {
            "amp": min(u(*s["swirl"]), 1.0),
            "pitch": u(6, 16),
            "phase": u(0, 360),
            "sense": int(rng.choice([-1, 1])),
        },
        "lip": {
            "amp": 0.0 if fluid else float(np.clip(rng.normal(0.2, 0.5), -0.6, 1.6)),
            "width": u(2, 5),
            "uneven": u(0, 0.8),
        },
        "edge": u(*s["edge"]),
        "edge_uneven": u(0, 0.25),
        "noise_seed": int(rng.integers(1 << 31)),
    }
    if not fluid:
        layers = int(rng.integers(2, 5))
        for i in range(1, layers):
            z = H * i / layers + u(-3, 3)
            if rng.random() < 0.5:
                p["belts"].append([z, float(rng.normal(0.25, 0.4) * care), u(4, 9), u(0, 1), u(0, 360)])
            if rng.random() < 0.25:
                p["grooves"].append([z + u(-4, 4), u(0.1, 0.5) * min(care, 1.5), u(0.8, 2.0)])
    p["drips"] = None
    if kind == "ganache" and rng.random() < 0.4:
        n = int(rng.integers(14, 24))
        p["drips"] = {
            "thick": u(1.2, 2.2),
            "skirt": u(3, 6),
            "rgb": [0.05, 0.021, 0.012],
            "list": [[(i + u(-0.3, 0.3)) * 360 / n, u(8, 45), u(3.0, 4.5)] for i in range(n)],
        }
    p["blemishes"] = sample_blemishes(rng, p, care)
    p["show"] = sample_show(rng, p)
    p["decor"] = sample_decor(rng, p)
    p["foot"] = None
    if kind != "glaze" and rng.random() < 0.33:
        p["foot"] = {
            "style": str(rng.choice(["pearl", "shell"])),
            "size": u(7, 13),
            "rgb": list(rgb),
            "jitter": u(0.02, 0.08),
        }
    p["board"] = sample_board(rng, p)
    return p


def sample_blemishes(rng, p, care):
    """Pits, crumbs, finger marks (counted from 1.5 mm) and dents (broad, not counted as blemishes)."""
    out, H, R = [], p["height"], p["radius"]

    def place(kind, size, depth, ratio=1.0, turn=0.0):
        b = {"kind": kind, "size": float(size), "depth": float(depth), "ratio": float(ratio), "turn": float(turn)}
        if rng.random() < 0.72:
            b.update(on="side", theta=float(rng.uniform(0, 360)), z=float(rng.uniform(0.08, 0.9) * H))
        else:
            b.update(on="top", theta=float(rng.uniform(0, 360)), rho=float(np.sqrt(rng.uniform(0.02, 0.8)) * R))
        out.append(b)

    for _ in range(rng.poisson(3 * care)):
        d = rng.uniform(0.8, 3.5)
        place("pit", d, d * rng.uniform(0.2, 0.4))
    if p["kind"] not in ("glaze", "ganache"):
        for _ in range(rng.poisson((12 if p["kind"] == "seminaked" else 3) * care)):
            d = rng.uniform(0.6, 2.8)
            place("crumb", d, -d * rng.uniform(0.1, 0.3), rng.uniform(0.5, 1), rng.uniform(0, 180))
    if rng.random() < 0.35:
        for _ in range(int(rng.integers(1, 3))):
            place("finger", rng.uniform(9, 15), rng.uniform(0.5, 1.6), rng.uniform(0.6, 0.9), rng.uniform(0, 180))
    for _ in range(rng.poisson(0.6 * care)):
        place("dent", rng.uniform(20, 45), rng.uniform(0.3, 1.2), rng.uniform(0.4, 1), rng.uniform(0, 180))
    return out


def strew(p, number):
    """The same cake with so many more pits, crumbs and finger marks, most of them small: material to learn from."""
    rng = np.random.default_rng([p["seed"], 8])
    more: list[dict] = []
    while len(more) < number:
        more += [b for b in sample_blemishes(rng, p, 1.0) if b["kind"] != "dent"]
    p["blemishes"] = p["blemishes"] + more[:number]
    return p


def sample_show(rng, p):
    """Where filling or sponge shows through: None, a semi-naked scrape, or a few thin patches."""
    kind = p["kind"]
    sponge = SPONGES[str(rng.choice(list(SPONGES)))]
    if kind == "seminaked":
        return {"type": "scrape", "rgb": list(sponge), "cover": float(rng.uniform(0.15, 0.55)), "top": False}
    if kind in ("glaze", "ganache") or rng.random() < 0.55:
        return {"type": "none", "rgb": list(sponge)}
    rgb = list(FILLINGS[str(rng.choice(list(FILLINGS)))]) if rng.random() < 0.6 else list(sponge)
    patches = []
    for _ in range(int(rng.integers(1, 9))):
        patches.append(
            {
                "theta": float(rng.uniform(0, 360)),
                "z": float(rng.uniform(0.08, 0.92) * p["height"]),
                "w": float(rng.uniform(4, 30)),
                "h": float(rng.uniform(2.5, 10)),
                "strength": float(rng.uniform(0.15, 0.75)),
            }
        )
    return {"type": "patches", "rgb": rgb, "patches": patches}


DECOR_SIZE = {
    "rosette": (24, 36),
    "kiss": (18, 27),
    "dollop": (18, 28),
    "berry": (22, 32),
    "half_berry": (24, 34),
    "blueberry": (12, 17),
    "macaron": (30, 42),
}


def sample_decor(rng, p):
    """One ring of pieces (with a centre piece sometimes), or None."""
    if rng.random() < 0.15:
        return None
    kind = str(rng.choice(list(DECOR_SIZE), p=[0.28, 0.2, 0.1, 0.13, 0.1, 0.09, 0.1]))
    R = p["radius"]
    size = float(rng.uniform(*DECOR_SIZE[kind]))
    ring = float(R - p["edge"] - size / 2 - rng.uniform(2, 10))
    n = int(min(rng.integers(6, 15), np.floor(2 * np.pi * ring / (size * 1.06))))
    n = max(n, 4)
    sd_a, sd_r, cv = float(rng.uniform(0, 4)), float(rng.uniform(0, 3)), float(rng.uniform(0, 0.12))
    gap = 360.0 / n - np.degrees(size / ring)  # do not let neighbours merge
    sd_a = min(sd_a, max(gap, 0) / 4)
    off, offdir = float(rng.uniform(0, 5)), float(rng.uniform(0, 2 * np.pi))
    start = float(rng.uniform(0, 360))
    missing = int(rng.integers(n)) if rng.random() < 0.12 else None
    same = rng.random() < 0.6
    rgb = (
        list(p["rgb"])
        if same or kind in ("berry", "half_berry", "blueberry")
        else [CREAM, PASTEL["pink"], CHOCOLATE, PASTEL["mint"], PASTEL["yellow"]][int(rng.integers(5))]
    )
    if kind == "macaron" and same:
        rgb = list(PASTEL[str(rng.choice(list(PASTEL)))])
    if p["kind"] == "glaze" and same and kind in ("rosette", "kiss", "dollop"):
        rgb = CREAM
    pieces = []
    for i in range(n):
        a = np.radians(start + 360.0 * i / n + np.clip(rng.normal(0, sd_a), -2.5 * sd_a, 2.5 * sd_a))
        rr = min(ring + np.clip(rng.normal(0, sd_r), -5, 5), R - p["edge"] - 0.4 * size + 2)
        d = size * float(np.clip(rng.normal(1, cv), 0.7, 1.3))
        spin, s = float(rng.uniform(0, 360)), int(rng.integers(1 << 31))
        if i != missing:
            pieces.append(
                {
                    "kind": kind,
                    "x": float(rr * np.cos(a) + off * np.cos(offdir)),
                    "y": float(rr * np.sin(a) + off * np.sin(offdir)),
                    "size": d,
                    "spin": spin,
                    "seed": s,
                    "ring": True,
                }
            )
    if rng.random() < 0.3:
        k = kind if rng.random() < 0.5 else str(rng.choice(list(DECOR_SIZE)))
        d = float(rng.uniform(*DECOR_SIZE[k]))
        if d / 2 + 3 < ring - size * 0.65:
            pieces.append(
                {
                    "kind": k,
                    "x": float(rng.normal(0, 2)),
                    "y": float(rng.normal(0, 2)),
                    "size": d,
                    "spin": float(rng.uniform(0, 360)),
                    "seed": int(rng.integers(1 << 31)),
                    "ring": False,
                }
            )
    return {
        "kind": kind,
        "rgb": [float(c) for c in rgb],
        "n_nominal": n,
        "missing": missing,
        "ribs": int(rng.choice([6, 8, 8, 10])),
        "pieces": pieces,
    }


def sample_board(rng, p):
    drum = rng.random() < 0.3
    colour = (
        "white"
        if p["kind"] == "white"
        else str(rng.choice(["white", "gold", "black", "wood"], p=[0.4, 0.3, 0.15, 0.15]))
    )
    off, a = float(rng.uniform(0, 6)), float(rng.uniform(0, 2 * np.pi))
    return {
        "style": "drum" if drum else "card",
        "thickness": 12.0 if drum else float(rng.uniform(2, 3)),
        "colour": colour,
        "shape": "square" if rng.random() < 0.15 else "round",
        "half": float(p["radius"] + rng.uniform(15, 38)),
        "x": off * float(np.cos(a)),
        "y": off * float(np.sin(a)),
        "turn": float(rng.uniform(-4, 4)),
    }
