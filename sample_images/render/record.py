"""The truth record of a cake: quantities, decorations, show-through and blemishes, and what each photo sees of them."""

import json

import numpy as np

from . import card as cardmod
from . import geometry, truth


def cake_truth(cake):
    p, body = cake["p"], cake["body"]
    S, q = truth.quantities(body.P, body.n_side + body.n_edge, body.n_side)
    cake["side"] = S
    pieces = []
    for d in cake["decor"]:
        x, y, dia = truth.plan_shape(d["V"], d["F"])
        pieces.append(
            {
                "kind": d["kind"],
                "x_mm": x,
                "y_mm": y,
                "diameter_mm": dia,
                "ring": d["ring"],
                "clock": truth.clock(np.arctan2(y, x)),
                "rho_mm": float(np.hypot(x, y)),
            }
        )
    q.update(truth.ring(pieces, S.cx, S.cy))
    q.update(truth.board(p["board"], body.P))
    q["paper_colour"] = [float(v) for v in truth.lab(cardmod.PAPER[None])[0]]
    q["colour"] = [float(v) for v in truth.lab(np.array(p["rgb"])[None])[0]]
    return {
        "seed": p["seed"],
        "kind": p["kind"],
        "quantities": q,
        "decorations": pieces,
        "show": show_truth(cake),
        "blemishes": blemish_truth(cake),
        "params": p,
    }


def blemish_truth(cake):
    """Each mark in the cake frame: where, how large (largest extent, mm); from 1.5 mm pits, crumbs, fingers count."""
    p, body = cake["p"], cake["body"]
    out = []
    for b in p["blemishes"]:
        t = np.radians(b["theta"])
        if b["on"] == "side":
            r = float(geometry.side_radius(p, np.array([[t]]), np.array([[b["z"]]]), False)[0, 0])
            z, c = b["z"], geometry.centre_line(p, b["z"])
        else:
            r, c = b["rho"], geometry.centre_line(p, p["height"])
            z = float(geometry.top_height(p, np.array([[t]]), np.array([[r]]), False)[0, 0])
        x, y = c[0] + r * np.cos(t) - body.shift[0], c[1] + r * np.sin(t) - body.shift[1]
        out.append(
            {
                "kind": b["kind"],
                "on": b["on"],
                "clock": truth.clock(np.arctan2(y, x)),
                "x_mm": float(x),
                "y_mm": float(y),
                "height_mm": float(z),
                "size_mm": b["size"],
                "width_mm": b["size"] * b["ratio"],
                "depth_mm": b["depth"],
                "counted": bool(b["kind"] in ("pit", "crumb", "finger") and b["size"] >= 1.5),
            }
        )
    return out


def show_truth(cake):
    """Area shares and patches of show-through. Side: on the unrolled wall between 0.05 and 0.95 of the height."""
    p, body, S = cake["p"], cake["body"], cake["side"]
    W, rgb, show = body.wall, body.rgb[: len(body.wall)], body.show[: len(body.wall)]
    icing = np.array(p["rgb"])
    area = np.gradient(W[..., 2], axis=0) * (2 * np.pi * S.R / (W.shape[1] - 1))
    area = np.maximum(area, 0)
    keep = (W[..., 2] > 0.05 * S.H) & (W[..., 2] < 0.95 * S.H)
    weight = np.where(keep, show, 0)
    share, mask, patches, labels = truth.show_through(rgb[:, :-1], weight[:, :-1], area[:, :-1], keep[:, :-1], icing)
    ang = np.arctan2(W[:, :-1, 1], W[:, :-1, 0])
    for q in patches:
        m = labels == q["label"]
        w = area[:, :-1][m]
        q.update(
            clock=truth.clock(np.arctan2((w * np.sin(ang[m])).sum(), (w * np.cos(ang[m])).sum())),
            height_mm=float((w * W[:, :-1, 2][m]).sum() / w.sum()),
        )
        q.pop("label")
    cake["show_grid"] = (mask, area[:, :-1], keep[:, :-1], ang)
    return {
        "show_through_all_round": share,
        "show_through_top": 0.0,
        "patches": sorted(patches, key=lambda q: -q["area_mm2"])[:60],
    }


def seen_show(cake, ph):
    """Share on the part of the side that a photo sees."""
    if not ph.get("side_seen"):
        return None
    mask, area, keep, ang = cake["show_grid"]
    c = truth.angle_of(ph["side_seen"]["centre_clock"])
    vis = keep & (np.abs((ang - c + np.pi) % (2 * np.pi) - np.pi) < np.radians(ph["side_seen"]["half_angle_deg"]))
    return vis, 100 * float(area[mask & vis].sum() / area[vis].sum())


def add_visibility(t, cake, photos):
    """Per photo: show-through of what it sees and which blemishes face the camera; over all side photos together."""
    union = None
    for name, ph in photos.items():
        s = seen_show(cake, ph)
        if s:
            ph["show_through_seen"] = s[1]
            union = s[0] if union is None else union | s[0]
        for b in t["blemishes"]:
            if b["on"] == "top":
                ok = ph["photo"] == "top"
            else:
                ok = (
                    bool(ph.get("side_seen"))
                    and abs((b["clock"] - ph["side_seen"]["centre_clock"] + 6) % 12 - 6) * 30
                    < ph["side_seen"]["half_angle_deg"]
                )
            b.setdefault("faces", [])
            if ok:
                b["faces"].append(name)
    q = t["quantities"]
    q["show_through_all_round"] = t["show"]["show_through_all_round"]
    q["show_through_top"] = t["show"]["show_through_top"]
    if union is not None:
        mask, area, _, _ = cake["show_grid"]
        q["show_through"] = 100 * float(area[mask & union].sum() / area[union].sum())
    q["blemishes"] = sum(b["counted"] and bool(b["faces"]) for b in t["blemishes"])
    q["blemishes_all"] = sum(b["counted"] for b in t["blemishes"])


DEPTH = ("level", "level_low_clock", "lean", "lean_clock")  # one side photo shows only their 9-3 o'clock part
DRIPPED = (
    "diameter",
    "out_of_round",
    "taper",
    "lean",
    "lean_clock",
    "side_straightness",
    "side_ridges",
    "edge_radius",
    "show_through",
)


def finish(t):
    """Turn a record into what the photos of this cake can show: values over the silhouettes that they really see,
    places without a piece, and None for what they can't tell (the whole value stays under another name)."""
    q, photos = t["quantities"], t["photos"]
    seen = [s for ph in photos.values() for s in (ph.get("silhouette") or {}).values()]
    for key, pick in (("straightness", max), ("ridges", max)):
        q[f"side_{key}_at_clocks"] = q[f"side_{key}"]
        q[f"side_{key}"] = pick(s[f"envelope_{key}"] for s in seen) if seen else None
    radii = [s["edge_radius"] for s in seen if np.isfinite(s["edge_radius"])]
    q["edge_radius_at_clocks"], q["edge_radius"] = q["edge_radius"], float(np.mean(radii)) if radii else None
    missing = (t["params"]["decor"] or {}).get("missing")
    q["decoration_missing"] = int(missing is not None)
    if q.get("gaps_deg"):
        step = 360 / (q["ring_count"] + q["decoration_missing"])
        q["spacing_error"] = float(max(abs(g - step * max(round(g / step), 1)) for g in q["gaps_deg"]))
    if sum(ph["photo"] != "top" for ph in photos.values()) < 2:
        _withhold(q, DEPTH, "whole")
    if t["params"]["drips"]:
        _withhold(q, DRIPPED, "with_drips")
    t["print_scale"] = next(iter(photos.values()))["print_scale"]
    return t


def _withhold(q, names, suffix):
    for name in names:
        q[f"{name}_{suffix}"], q[name] = q.get(name), None


def plain(o):
    """JSON-able copy: six decimals are plenty for mm and pixels; not-a-number becomes null."""
    if isinstance(o, dict):
        return {k: plain(v) for k, v in o.items()}
    if isinstance(o, (list, tuple)):
        return [plain(v) for v in o]
    if hasattr(o, "tolist"):
        return plain(o.tolist())
    if isinstance(o, float):
        return round(o, 6) if np.isfinite(o) else None
    return o


def write_json(path, data):
    with open(path, "w") as f:
        json.dump(plain(data), f, indent=1)
