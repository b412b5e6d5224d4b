"""Command line: render cakes, repeat placements, turntable sweeps. See README.md."""

import argparse
import json
import os
import time

import mitsuba as mi
import numpy as np

from . import camera, decorations, geometry, params, record


def make_cake(p, detail):
    body = geometry.build_body(p, detail)
    return {"body": body, "decor": decorations.build(p, body), "foot": decorations.foot_border(p, body), "p": p}


def sampled_print_scale(rng):
    return float(rng.choice([1.0, 0.96, 0.97, 1.02], p=[0.8, 0.1, 0.05, 0.05]))


PHOTOS = ("top", "side", "side2")


def run(a):
    mi.set_variant(a.variant)  # before anything builds a scene
    from . import photo, scene

    t0 = time.time()
    if a.params:
        with open(a.params) as f:
            p = json.load(f)
    else:
        p = params.sample_cake(a.seed, a.kind)
    if a.marks:
        params.strew(p, a.marks)
    cake = make_cake(p, a.detail)
    t = record.cake_truth(cake)
    print(f"cake {p['seed']} {p['kind']}: mesh and truth {time.time() - t0:.1f} s", flush=True)
    os.makedirs(a.out, exist_ok=True)
    size = (a.width, a.width * 3 // 4)
    scale = a.print_scale or sampled_print_scale(np.random.default_rng([a.seed, 5]))
    wanted = [k for k in PHOTOS if k in a.photos.split(",")]
    photos = {}

    def shoot(name, pl, setting, rng, **fixed):
        t1 = time.time()
        photos[name] = photo.render_photo(cake, setting, pl, rng, a.out, name, size, a.spp, a.masks, **fixed)
        photos[name].update(file=name + ".jpg", setting=setting, print_scale=scale)
        print(f"  {name}: {time.time() - t1:.1f} s", flush=True)

    def place(kind, rng, setting, turn=None):
        side = str(np.random.default_rng([setting["seed"], 6]).choice(["left", "right"]))
        return photo.sample_placement(rng, kind, p, side, scale, a.lens, turn)

    if a.command == "cake":  # one kitchen for all photos
        setting = scene.sample_setting(a.seed + 1000 * a.view, a.bench)
        for kind in wanted:
            rng = np.random.default_rng([a.seed, 10 + PHOTOS.index(kind)] + [a.view] * bool(a.view))
            shoot(kind, place(kind, rng, setting), setting, rng)
    else:  # repeat: a new kitchen each time
        for i in range(a.n):
            setting = scene.sample_setting(a.seed + 1000 * (i + 1), a.bench)
            for kind in wanted:
                rng = np.random.default_rng([a.seed, 100 + i, PHOTOS.index(kind)])
                shoot(f"{kind}_{i:03d}", place(kind, rng, setting), setting, rng)
    if a.sweep:
        setting = scene.sample_setting(a.seed, a.bench)
        rng = np.random.default_rng([a.seed, 50])
        pl = place("side", rng, setting, turn=0.0)
        pl["orientation"] = 1
        fixed = {
            "cam": photo.place_camera(rng, pl, cake, size),
            "look": camera.sample_look(rng, scene.light_colour(setting)),
        }
        for i in range(a.sweep):  # clockwise seen from above; card, camera, processing fixed
            shoot(
                f"sweep_{i:03d}",
                dict(pl, T_wk=photo.turned(pl["T_wk"], -360.0 * i / a.sweep, p["board"])),
                setting,
                np.random.default_rng([a.seed, 51, i]),
                **fixed,
            )
    record.add_visibility(t, cake, photos)
    t["photos"] = photos
    if a.command == "cake":
        record.finish(t)
    t["convention"] = (
        "OpenCV camera; pixel centres at integer coordinates; K and dist belong to the upright picture; "
        "mm, degrees, clock hours"
    )
    record.write_json(os.path.join(a.out, "truth.json"), t)


def main(argv=None):
    ap = argparse.ArgumentParser(prog="render", description=__doc__)
    ap.add_argument("command", choices=["cake", "repeat"])
    ap.add_argument("--seed", type=int, default=1)
    ap.add_argument("--out", default="out")
    ap.add_argument("--kind", choices=params.KINDS)
    ap.add_argument("--params", help="JSON file with a cake's parameters instead of sampling them")
    ap.add_argument("--photos", default="top,side,side2")
    ap.add_argument("--n", type=int, default=10, help="repeat: number of placements")
    ap.add_argument("--view", type=int, default=0, help="cake: another kitchen, card and camera for the same cake")
    ap.add_argument("--sweep", type=int, default=0, help="also N side frames of one turntable turn")
    ap.add_argument("--width", type=int, default=2016)
    ap.add_argument("--spp", type=int, default=48)
    ap.add_argument("--detail", type=float, default=1.0, help="mesh resolution (1 = 1800 columns)")
    ap.add_argument("--variant", default="scalar_rgb")
    ap.add_argument("--bench", help="steel, wood, marble, laminate or mat")
    ap.add_argument("--lens", type=int, choices=[26, 52])
    ap.add_argument("--print-scale", type=float, dest="print_scale")
    ap.add_argument("--masks", action="store_true")
    ap.add_argument("--marks", type=int, default=0, help="so many more pits, crumbs and finger marks than the seed has")
    run(ap.parse_args(argv))
