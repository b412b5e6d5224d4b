"""Rendering the teaching pictures: one universal material, one kind of lens and lamps, labels by what each ray meets."""

import functools

import drjit as dr
import mitsuba as mi
import numpy as np

from . import camera, card, props, scene, surfaces
from .things import LABELS, vertex_normals

SPP = 16
SIZE_PX = (640, 480)


def material(thing):
    """The universal material of a thing; no parameter is zero, because zeros would compile to another program."""
    k = thing.look
    if thing.texture is not None:
        base = _bitmap(thing.texture)
    else:
        base = {"type": "mesh_attribute", "name": "vertex_color"}
    return {"type": "twosided", "b": _principled(base, k)}


def _principled(base, look):
    some = lambda v: float(max(v, 1e-3))
    return {
        "type": "principled", "base_color": base, "roughness": some(look.roughness), "specular": some(look.specular), "metallic": some(look.metallic),
        "flatness": some(look.flatness), "clearcoat": some(look.clearcoat), "clearcoat_gloss": 0.95, "anisotropic": some(look.anisotropic),
    }  # fmt: skip


def _bitmap(texture, repeats=1):
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(texture, np.float32)),
        "raw": True,
        "wrap_mode": "mirror",
        "to_uv": mi.ScalarTransform3f().scale([repeats, repeats]),
    }


def meshes(things, prefix):
    """Mitsuba meshes by name; the name begins with the label's number."""
    out = {}
    for i, t in enumerate(things):
        good = np.isfinite(t.V).all()
        if not good or not len(t.F):
            raise ValueError(f"{prefix}{i} {t.label}: not a mesh")
        N = vertex_normals(t.V, t.F) if t.N is None else t.N
        name = f"l{LABELS.index(t.label)}_{prefix}{i}"
        out[name] = scene.mesh(name, t.V, t.F, material(t), N=N, uv=t.uv, colour=t.rgb if t.texture is None else None)
    return out


def sample_setting(rng):
    """Lamps and surroundings: kitchens, bright studios, one hard lamp, light from behind."""
    s = scene.sample_setting(int(rng.integers(1 << 31)))
    mood = str(rng.choice(["kitchen", "studio", "hard", "back", "dim"], p=[0.5, 0.2, 0.12, 0.1, 0.08]))
    lamps = s["lights"]
    if mood == "studio":
        s["ambient"], s["ambient_kelvin"] = float(rng.uniform(0.6, 0.9)), float(rng.uniform(4800, 6500))
    if mood == "hard":
        s["ambient"] = float(rng.uniform(0.08, 0.25))
        lamps = s["lights"] = lamps[:1]
        lamps[0].update(size=[float(rng.uniform(40, 160))] * 2)
    if mood == "back":
        lamps.append(
            dict(
                type="window",
                pos=[float(rng.uniform(-900, 900)), 900.0, 700.0],
                size=[900.0, 900.0],
                kelvin=6500.0,
                share=2.0,
            )
        )
    if mood == "dim":
        s["ambient_kelvin"] = float(rng.uniform(2400, 3200))
    k = (1 - s["ambient"]) / sum(lamp["share"] for lamp in lamps)
    for lamp in lamps:
        lamp["share"] *= k
    return s


def surroundings(rng, shot, held_out):
    """Bench, wall and lamps as a scene dict."""
    T = mi.ScalarTransform4f
    s = sample_setting(rng)
    bench = props.HELD_OUT_BENCH if held_out else str(rng.choice(props.BENCHES))
    tex, look, repeats = props.bench_texture(rng, bench)
    turn = T().rotate([0, 0, 1], float(np.degrees(shot.turn_rad)))
    floor = T().translate([0, 0, shot.bench_z])
    wall_tex = tex if bench == "sweep" else props.wall_texture(rng, str(rng.choice(props.WALLS)))
    wall_y = s["wall_y"] * float(rng.choice([1.0, 2.0])) if bench != "sweep" else 1400.0
    reach = float(rng.uniform(0.3, 1.0)) if rng.random() < 0.2 else 1.0  # a table with an edge
    d = {
        "bench": {"type": "rectangle", "bsdf": {"type": "twosided", "b": _principled(_bitmap(tex, repeats), look)},
                  "to_world": floor @ turn @ T().rotate([0, 0, 1], s["bench_turn"]).scale([1500 * reach, 1500 * reach, 1])},
        "floor": {"type": "rectangle", "bsdf": {"type": "twosided", "b": _principled(_bitmap(np.ones((4, 4, 3)) * props.colour(rng)), props.MATT)},
                  "to_world": T().translate([0, 0, shot.bench_z - 700]).scale([4000, 4000, 1])},
        "wall": {"type": "rectangle", "bsdf": {"type": "twosided", "b": _principled(_bitmap(wall_tex, 2 if wall_y > 1300 else 1), props.MATT)},
                 "to_world": floor @ turn @ T().translate([0, wall_y, 700]).rotate([1, 0, 0], 90).scale([3000, 1900, 1])},
    }  # fmt: skip
    lamps = scene.light_objects(s, rng)
    for name, lamp in lamps.items():
        if name != "env":
            lamp["to_world"] = floor @ turn @ lamp["to_world"]
    d.update(lamps)
    # a speck of each material form under the floor, so that both are always compiled in
    tri, F = np.array([[0, 0, -9e3], [1, 0, -9e3], [0, 1, -9e3]], float), np.array([[0, 1, 2]])
    speck = props.Thing("other", tri, F, props.MATT, rgb=np.full((3, 3), 0.5))
    d.update(meshes([speck], "speck"))
    return d, scene.light_colour(s), s


def place(rng, shot):
    """Size, K, distortion and pose of a shot's camera."""
    size = SIZE_PX[::-1] if shot.portrait else SIZE_PX
    K, dist = camera.intrinsics(rng, *size, shot.mm35)
    R = camera.rotation(shot.direction, shot.up, shot.roll_deg)
    t = camera.frame(shot.frame, R, K, dist, size, min(shot.fill, 1.3), shot.shift)
    return size, K, dist, R, t


def label_map(loaded, sensor, K, dist, size):
    """What each pixel's central ray meets, as an index into LABELS (H, W) uint8."""
    seen = mi.render(loaded, sensor=sensor, integrator=mi.load_dict({"type": "aov", "aovs": "i:shape_index"}), spp=1)
    index = camera.warp(np.array(seen, np.float32)[..., -1], K, dist, size, nearest=True)
    index = np.round(index).astype(np.int64)
    out = np.zeros(index.shape, np.uint8)
    for shape in loaded.shapes():
        name = shape.id()
        if name[0] == "l" and name[1].isdigit() and name[1] != "0":
            out[index == int(dr.reinterpret_array(mi.UInt32, mi.ShapePtr(shape))[0])] = int(name[1])
    return out


def shoot(study, shot, fixed, k, spp=SPP, views=1, view_of=None):
    """[(picture (H, W, 3) uint8, labels (H, W) uint8)] of one shot. fixed: the study's meshes, made once. Compiling takes
    far longer than rendering, so the loaded scene is seen from `views` cameras (view_of(j) gives the others)."""
    rng = np.random.default_rng([study.seed, 60 + k, int(study.held_out)])
    d, light, _ = surroundings(rng, shot, study.held_out)
    d.update({"type": "scene", "integrator": {"type": "path", "max_depth": 5, "rr_depth": 4}})
    d.update(fixed)
    d.update(meshes(shot.things, "shot"))
    loaded = mi.load_dict(d)
    tracer, out = loaded.integrator(), []
    for j in range(views):
        if j:
            shot = view_of(j, shot)
            relight(loaded, rng)
        size, K, dist, R, t = place(rng, shot)
        win = camera.render_window(K, dist, size)
        focus = max(float((R @ shot.focus_at + t)[2]), 50.0)
        lens = dict(aperture_mm=shot.aperture_mm, focus_mm=focus * (1 + float(rng.normal(0, 0.03))))
        eye = mi.load_dict(scene.sensor(R, t, K[0, 0], win, lens, spp, int(rng.integers(1 << 30))))
        lin = np.array(
            mi.render(loaded, sensor=eye, integrator=tracer, spp=spp, seed=int(rng.integers(1 << 30))), np.float32
        )[..., :3]
        lin = np.where(np.isfinite(lin), np.minimum(lin, 60), 0)
        picture = develop(camera.warp(lin, K, dist, size), light, rng)
        pin = mi.load_dict(scene.sensor(R, t, K[0, 0], win, None, 1, 0))
        out.append((picture, label_map(loaded, pin, K, dist, size)))
    return out


def relight(loaded, rng):
    """Other strengths of the lamps in a loaded scene, without compiling anew."""
    q = mi.traverse(loaded)
    for key in [k for k in q.keys() if k.endswith("radiance.value") or k == "env.scale"]:
        q[key] = q[key] * float(np.exp(rng.normal(0, 0.6)))
    q.update()


def develop(lin, light, rng):
    """The picture as a phone would save it, shrunk: its noise mostly averaged out, its exposure sometimes off."""
    look = camera.sample_look(rng, light)
    look["denoise"] = float(rng.uniform(8, 22))
    look["electrons"] *= 6
    if rng.random() < 0.25:
        look["wb"] = [float(v) for v in np.array(look["wb"]) * np.exp(rng.normal(0, 0.12, 3))]
    if rng.random() < 0.2:
        look["ev"] += float(rng.uniform(-0.8, 0.9))
    return camera.develop(lin, look, rng)[0]


def pool(number, function, size):
    """A texture maker that draws among `size` results per set of arguments, each made once from a seed of its own."""
    kept = {}

    def pooled(rng, *a, **k):
        slot = (str(a), str(sorted(k)), int(rng.integers(size)))
        if slot not in kept:
            kept[slot] = function(np.random.default_rng([number, slot[2]]), *a, **k)
        return kept[slot]

    return pooled


def cache_textures():
    """Make the dear textures once per process and draw among them."""
    for number, (name, size) in enumerate((("steel", 4), ("marble", 6), ("shelves", 6), ("environment", 16))):
        setattr(surfaces, name, pool(number, getattr(surfaces, name), size))
    card.texture = functools.lru_cache(None)(card.texture)
