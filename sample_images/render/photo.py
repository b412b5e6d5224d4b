"""One photo: where cake, card and camera stand, the rendering, the masks, and the photo's own truth."""

import os

import cv2
import mitsuba as mi
import numpy as np

from . import camera, scene, truth
from . import card as cardmod

SAMPLES_PER_PASS = 24e6  # a GPU holds all samples of a pass at once, and several processes share it


# ---------------------------------------------------------------- placements
def card_gap(x, y, yaw, card, board, T_wk):
    """Smallest distance on the bench between the card's outline and the board."""
    s = 120 * card["print_scale"]
    far = s if card["fold_deg"] > 135 else 0
    g = np.linspace(0, 1, 60)
    box = np.array([[0, -s], [s, -s], [s, far], [0, far], [0, -s]])
    pts = np.concatenate([box[i] + (box[i + 1] - box[i]) * g[:, None] for i in range(4)])
    c, q = np.cos(np.radians(yaw)), np.sin(np.radians(yaw))
    pts = pts @ np.array([[c, -q], [q, c]]).T + [x, y]
    k, (kx, ky, _) = np.radians(T_wk[0]), T_wk[1]
    bx, by = kx + board["x"] * np.cos(k) - board["y"] * np.sin(k), ky + board["x"] * np.sin(k) + board["y"] * np.cos(k)
    d = pts - [bx, by]
    if board["shape"] == "round":
        return float((np.hypot(d[:, 0], d[:, 1]) - board["half"]).min())
    k += np.radians(board["turn"])
    e = (
        np.abs(np.stack([d[:, 0] * np.cos(k) + d[:, 1] * np.sin(k), -d[:, 0] * np.sin(k) + d[:, 1] * np.cos(k)], 1))
        - board["half"]
    )
    return float(np.where(e.max(1) > 0, np.hypot(*np.maximum(e, 0).T), e.max(1)).min())


def sample_placement(rng, photo, p, side, print_scale, lens=None, turn=None):
    """Cake, card and camera of one photo. turn: cake yaw of a sweep frame (degrees)."""
    board = p["board"]
    yaw = turn if turn is not None else (-90.0 if photo == "side2" else 0.0) + float(np.clip(rng.normal(0, 1.2), -3, 3))
    T_wk = (yaw, np.array([rng.normal(0, 3), rng.normal(0, 3), board["thickness"]]))
    card = cardmod.sample(rng, photo, print_scale)
    cyaw, cy, gap = float(rng.uniform(-10, 10)), float(rng.uniform(-40, 40)), float(rng.uniform(10, 40))
    sign = -1 if side == "left" else 1
    x = sign * (board["half"] + 200) - (120 if sign < 0 else 0)
    for _ in range(30):  # slide the card up to the wanted gap
        x -= sign * (card_gap(x, cy, cyaw, card, board, T_wk) - gap) * 0.8
    T_wc = (cyaw, np.array([x, cy, card["thickness"]]))
    mm35 = lens or (52 if rng.random() < (0.25 if photo == "top" else 0.5) else 26)
    if photo == "top":
        tilt, d = (
            np.radians(rng.uniform(0, 1) ** 0.8 * 25),
            rng.normal(-90, 40),
        )  # usually leaning back towards the person
        a = np.radians(d)
        direction = np.array([np.sin(tilt) * np.cos(a), np.sin(tilt) * np.sin(a), np.cos(tilt)])
        up, roll = np.array([0, 1.0, 0]), float(rng.normal(0, 3))
    else:
        el, az = np.radians(rng.uniform(2, 18)), np.radians(np.clip(rng.normal(0, 2), -5, 5))
        direction = np.array([np.sin(az) * np.cos(el), -np.cos(az) * np.cos(el), np.sin(el)])
        up, roll = np.array([0, 0, 1.0]), float(np.clip(rng.normal(0, 1.3), -3, 3))
    return {
        "photo": photo,
        "T_wk": T_wk,
        "card": card,
        "T_wc": T_wc,
        "card_side": side,
        "mm35": mm35,
        "direction": direction,
        "up": up,
        "roll": roll,
        "fill": float(rng.uniform(0.68, 0.90)),
        "shift": [float(v) for v in rng.normal(0, 0.015, 2)],
        "aperture_mm": float(rng.uniform(0.5, 1.5)),
        "focus_error": float(rng.normal(0, 0.03)),
        "orientation": int(rng.choice([1, 3, 6, 8], p=[0.7, 0.1, 0.12, 0.08])),
    }


def turned(T_wk, angle, board):
    """The cake's pose after its board turned by `angle` degrees about its own centre (from yaw 0)."""
    k, c = np.radians(angle), np.array([board["x"], board["y"]])
    moved = [c[0] * np.cos(k) - c[1] * np.sin(k), c[0] * np.sin(k) + c[1] * np.cos(k)]
    return angle, T_wk[1] + np.append(c - moved, 0)


def pose(T):
    yaw, xyz = T
    t = np.radians(yaw)
    return np.array([[np.cos(t), -np.sin(t), 0], [np.sin(t), np.cos(t), 0], [0, 0, 1]]), np.asarray(xyz, float)


def place_camera(rng, pl, cake, size):
    K, dist = camera.intrinsics(rng, size[0], size[1], pl["mm35"])
    Rk, tk = pose(pl["T_wk"])
    Rc, tc = pose(pl["T_wc"])
    b = cake["p"]["board"]
    P = cake["body"].P
    a = np.linspace(0, 2 * np.pi, 73) + np.radians(b["turn"])
    reach = b["half"] / (
        1
        if b["shape"] == "round"
        else np.maximum(abs(np.cos(a - np.radians(b["turn"]))), abs(np.sin(a - np.radians(b["turn"]))))
    )
    rim = np.stack([b["x"] + reach * np.cos(a), b["y"] + reach * np.sin(a), 0 * a - b["thickness"]], -1)
    parts = [rim, P[::40, ::60].reshape(-1, 3)] + [d["V"][::20] for d in cake["decor"]]
    pts = np.concatenate([np.concatenate(parts) @ Rk.T + tk, cardmod.outline(pl["card"]) @ Rc.T + tc])
    R = camera.rotation(pl["direction"], pl["up"], pl["roll"])
    t = camera.frame(pts, R, K, dist, size, pl["fill"], pl["shift"])
    return K, dist, R, t


# ---------------------------------------------------------------- one photo
def taken(seed, name):
    """A date and time for the EXIF."""
    m = 390 + sum(map(ord, name)) % 240
    return f"2026:11:{1 + seed % 28:02d} {m // 60:02d}:{m % 60:02d}:{seed % 60:02d}"


def render_photo(cake, setting, pl, rng, out, name, size, spp, masks=False, cam=None, look=None):
    K, dist, R, t = cam or place_camera(rng, pl, cake, size)
    win = camera.render_window(K, dist, size)
    d = scene.build(cake, pl["T_wk"], pl["card"], pl["T_wc"], setting)
    _, tk = pose(pl["T_wk"])
    focus_at = tk + np.array([0, 0, 0.5 * cake["p"]["height"]])
    near = float((R @ focus_at + t)[2]) - (
        0.7 * cake["p"]["radius"] if pl["photo"] != "top" else 0.3 * cake["p"]["height"]
    )
    seed = int(rng.integers(1 << 31))
    d["sensor"] = scene.sensor(
        R, t, K[0, 0], win, {"aperture_mm": pl["aperture_mm"], "focus_mm": near * (1 + pl["focus_error"])}, spp, seed
    )
    sc = mi.load_dict(d)
    passes = int(np.ceil(win[0] * win[1] * spp / SAMPLES_PER_PASS))
    each = int(np.ceil(spp / passes))
    total, count = np.zeros(()), np.zeros(())  # a pass's rare undefined samples are left out, not spread
    for i in range(passes):
        lin = np.array(mi.render(sc, spp=each, seed=seed + 7919 * i), np.float32)[..., :3]
        good = np.isfinite(lin).all(-1, keepdims=True)
        total, count = total + np.where(good, lin, 0), count + good
    lin = (total / np.maximum(count, 1)).astype(np.float32)
    lin = camera.warp(lin, K, dist, size)
    look = look or camera.sample_look(rng, scene.light_colour(setting))
    img, gain = camera.develop(lin, look, rng)
    camera.write_jpeg(
        os.path.join(out, name + ".jpg"),
        img,
        pl["mm35"],
        pl["orientation"],
        look["quality"],
        taken(cake["p"]["seed"], name),
    )
    if masks:
        write_masks(cake, pl, R, t, K, dist, win, size, out, name)
    return photo_truth(cake, pl, K, dist, R, t, size, dict(look, gain=gain))


def write_masks(cake, pl, R, t, K, dist, win, size, out, name):
    """NAME_mask_body.png, ..._decor.png, ..._board.png: 255 where the pixel sees that object (one ray a pixel)."""
    d = scene.build_flat(cake, pl["T_wk"], pl["card"], pl["T_wc"])
    d["sensor"] = scene.sensor(R, t, K[0, 0], win, None, 1, 0)
    img = camera.warp(np.array(mi.render(mi.load_dict(d), spp=1), np.float32)[..., -3:], K, dist, size, nearest=True)
    for k, key in enumerate(("body", "decor", "board")):
        cv2.imwrite(os.path.join(out, f"{name}_mask_{key}.png"), 255 * (img[..., k] > 0.5).astype(np.uint8))


def compose(Ra, ta, Rb, tb):
    return Ra @ Rb, Ra @ tb + ta


def photo_truth(cake, pl, K, dist, R, t, size, look):
    """Everything about one photo; poses map points of the named frame into the camera (X_cam = R X + t)."""
    Rk, tk = compose(R, t, *pose(pl["T_wk"]))
    Rc, tc = compose(R, t, *pose(pl["T_wc"]))
    eye = -Rk.T @ tk  # camera in the cake frame
    facing = truth.clock(np.arctan2(eye[1], eye[0]))
    out = {
        "photo": pl["photo"],
        "width": size[0],
        "height": size[1],
        "K": K.tolist(),
        "dist": dist.tolist(),
        "mm35": pl["mm35"],
        "focal_true_over_exif": float(K[0, 0] / (np.hypot(*size) * pl["mm35"] / camera.FULL_FRAME_DIAGONAL)),
        "card_to_camera": {"R": Rc.tolist(), "t": tc.tolist()},
        "cake_to_camera": {"R": Rk.tolist(), "t": tk.tolist()},
        "camera_in_cake": eye.tolist(),
        "facing_clock": facing,
        "card_side": pl["card_side"],
        "card": pl["card"],
        "bench_z_in_card": -pl["card"]["thickness"],
        "orientation_flag": pl["orientation"],
        "elevation_deg": float(np.degrees(np.arcsin(pl["direction"][2]))),
        "roll_deg": pl["roll"],
        "cake_yaw_deg": float(pl["T_wk"][0]),
        "lens": {"aperture_mm": pl["aperture_mm"], "focus_error": pl["focus_error"]},
        "processing": look,
    }
    S = cake["side"]
    if pl["photo"] == "top":
        out["side_seen"] = None
    else:
        seen = S.seen(eye)
        out["silhouette"] = {"left": seen["left"], "right": seen["right"]}
        out["taper_seen"] = sum(
            seen[k]["envelope_radius_at_0_9"] - seen[k]["envelope_radius_at_0_1"] for k in ("left", "right")
        )
        half, direction = seen["visible"]
        out["side_seen"] = {"centre_clock": truth.clock(direction), "half_angle_deg": float(np.degrees(half))}
    return out
