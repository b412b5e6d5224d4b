"""Rendering the teaching pictures: one universal material, one kind of lens and lamps, labels by what a ray meets."""

import functools
from typing import Any

import cv2
import drjit as dr
import mitsuba as mi
import numpy as np

from . import camera, card, props, scene, surfaces
from .things import LABELS, Look, Thing, vertex_normals

SPP = 32
SIZE_PX = (640, 480)
WINDOW_PX = (704, 528)  # one size of the ideal picture for all: the size stands in the program's text
FINER = 3  # label rays across a pixel: a ray meets its (fine) pixel anywhere, so it must be near the middle
LAMPS = 5
CELL_PX = (504, 1016)  # of a texture in the atlas, rows and columns at most
ATLAS_PX = (2048, 2048)
PER_VERTEX = ("roughness", "metallic", "flatness", "clearcoat", "anisotropic")


def principled(base, look=None):
    """The universal material: its numbers from the mesh's vertices, or (bench, wall) of one look."""

    def some(v):
        return float(max(v, 1e-3))

    d = {
        "type": "principled",
        "base_color": base,
        "specular": 0.4 if look is None else some(look.specular),
        "clearcoat_gloss": 0.95,
    }
    for name in PER_VERTEX:
        d[name] = {"type": "mesh_attribute", "name": f"vertex_{name}"} if look is None else some(getattr(look, name))
    return {"type": "twosided", "b": d}  # fmt: skip


def bitmap(texture):
    pixels = mi.Bitmap(np.ascontiguousarray(texture, np.float32))
    return {"type": "bitmap", "bitmap": pixels, "raw": True, "wrap_mode": "mirror"}


def plane(name, to_world, texture, look, repeats=1):
    """A square of side 2 in its own frame, moved by to_world, its texture repeated."""
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], float)
    M = np.array(to_world.matrix, float).reshape(4, 4)
    V = np.column_stack([corners, np.zeros(4), np.ones(4)]) @ M.T
    F = np.array([[0, 1, 2], [0, 2, 3]])
    return scene.mesh(name, V[:, :3], F, principled(bitmap(texture), look), uv=(corners + 1) / 2 * repeats)


def meshes(things):
    """Two meshes per label, one with vertex colours and one with the atlas, whatever stands in the scene.

    With the same number of meshes, materials and textures in every scene, the renderer's program of the first scene
    serves all the others. The name begins with the label's number.
    """
    for t in things:
        if not np.isfinite(t.V).all() or not len(t.F):
            raise ValueError(f"a {t.label} is no mesh")
    textures: dict[int, Any] = {}
    atlas = np.full((*ATLAS_PX, 3), 0.5, np.float32)
    plain: list[list] = [[] for _ in LABELS]
    textured: list[list] = [[] for _ in LABELS]
    for t in things:
        key = id(t.texture) if t.texture is not None else None
        if key is not None and key not in textures and len(textures) < 8:
            textures[key] = _into_atlas(atlas, t.texture, len(textures))
        if key in textures:
            textured[LABELS.index(t.label)].append((t, textures[key]))
        else:
            plain[LABELS.index(t.label)].append((t, None))
    by_vertex = mi.load_dict(principled({"type": "mesh_attribute", "name": "vertex_color"}))
    by_atlas = mi.load_dict(principled(bitmap(atlas)))
    out = {}
    for k in range(len(LABELS)):
        out[f"l{k}_plain"] = _one_mesh(f"l{k}_plain", plain[k], by_vertex, False)
        out[f"l{k}_textured"] = _one_mesh(f"l{k}_textured", textured[k], by_atlas, True)
    return out


def _into_atlas(atlas, texture, slot):
    """Put a texture into the atlas; returns scale and shift of its coordinates (2,), (2,)."""
    rows, cols = min(texture.shape[0], CELL_PX[0]), min(texture.shape[1], CELL_PX[1])
    small = cv2.resize(np.asarray(texture, np.float32), (cols, rows), interpolation=cv2.INTER_AREA)
    top, left = 512 * (slot // 2) + 4, 1024 * (slot % 2) + 4
    edged = cv2.copyMakeBorder(small, 4, 4, 4, 4, cv2.BORDER_REPLICATE)
    atlas[top - 4 : top + rows + 4, left - 4 : left + cols + 4] = edged
    size = np.array(ATLAS_PX[::-1], float)
    return np.array([cols, rows]) / size, np.array([left, top]) / size


_TRI = np.array([[0, 0, -9e3], [1, 0, -9e3], [0, 1, -9e3]], float), np.array([[0, 1, 2]])
_SPECK = Thing("other", *_TRI, Look(), rgb=np.full((3, 3), 0.5))  # far under the floor, so that no mesh is empty


def _one_mesh(name, parts, bsdf, textured):
    parts = [*parts, (_SPECK, (np.ones(2), np.zeros(2)))]
    V = np.concatenate([t.V for t, _ in parts])
    N = np.concatenate([vertex_normals(t.V, t.F) if t.N is None else t.N for t, _ in parts])
    start = np.cumsum([0] + [len(t.V) for t, _ in parts])
    F = np.concatenate([t.F + n for (t, _), n in zip(parts, start, strict=False)])
    uv = colour = None
    if textured:
        at = [(np.zeros((len(t.V), 2)) if t.uv is None else np.clip(t.uv, 0, 1)) * m[0] + m[1] for t, m in parts]
        uv = np.concatenate(at)
    else:
        paint = [t.rgb if t.rgb is not None else t.texture.mean((0, 1)) for t, _ in parts]
        colour = np.concatenate([np.broadcast_to(c, (len(t.V), 3)) for c, (t, _) in zip(paint, parts, strict=True)])
    out = scene.mesh(name, V, F, bsdf, N=N, uv=uv, colour=colour)
    for key in PER_VERTEX:
        value = np.concatenate([np.full(len(t.V), max(getattr(t.look, key), 1e-3), np.float32) for t, _ in parts])
        out.add_attribute(f"vertex_{key}", 1, value)
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
            {
                "type": "window",
                "pos": [float(rng.uniform(-900, 900)), 900.0, 700.0],
                "size": [900.0, 900.0],
                "kelvin": 6500.0,
                "share": 2.0,
            }
        )
    if mood == "dim":
        s["ambient_kelvin"] = float(rng.uniform(2400, 3200))
    k = (1 - s["ambient"]) / sum(lamp["share"] for lamp in lamps)
    for lamp in lamps:
        lamp["share"] *= k
    return s


def surroundings(rng, shot, held_out):
    """Bench, wall and lamps as a scene dict, and the light's colour."""
    T = mi.ScalarTransform4f
    s = sample_setting(rng) if shot.setting is None else shot.setting
    plain = shot.setting is not None
    bench = s["bench"] if plain else props.HELD_OUT_BENCH if held_out else str(rng.choice(props.BENCHES))
    tex, look, repeats = props.bench_texture(rng, bench)
    turn = T().rotate([0, 0, 1], float(np.degrees(shot.turn_rad)))
    floor = T().translate([0, 0, shot.bench_z])
    wall_tex = tex if bench == "sweep" else props.wall_texture(rng, str(rng.choice(props.WALLS)))
    wall_y = s["wall_y"] * float(rng.choice([1.0, 2.0])) if bench != "sweep" else 1400.0
    reach = float(rng.uniform(0.3, 1.0)) if rng.random() < 0.2 else 1.0  # a table with an edge
    if plain:
        wall_tex, wall_y, reach = props.plain_wall(rng, s), s["wall_y"], 1.0
    on_bench = floor @ turn @ T().rotate([0, 0, 1], s["bench_turn"]).scale([1500 * reach, 1500 * reach, 1])
    below = T().translate([0, 0, shot.bench_z - 700]).scale([4000, 4000, 1])
    behind = floor @ turn @ T().translate([0, wall_y, 700]).rotate([1, 0, 0], 90).scale([3000, 1900, 1])
    d = {
        "bench": plane("bench", on_bench, tex, look, repeats),
        "floor": plane("floor", below, np.ones((4, 4, 3)) * props.colour(rng), props.MATT),
        "wall": plane("wall", behind, wall_tex, props.MATT, 2 if wall_y > 1300 else 1),
    }
    lamps = scene.light_objects(s, rng)
    for name, lamp in lamps.items():
        if name != "env":
            lamp["to_world"] = floor @ turn @ lamp["to_world"]
    for i in range(len(s["lights"]), LAMPS):  # dark lamps far below, so that their number is always the same
        lamps[f"light{i}"] = {
            "type": "rectangle",
            "to_world": T().translate([0, 0, -8e3 - i]).rotate([1, 0, 0], 180),
            "bsdf": {"type": "diffuse", "reflectance": scene.rgb(0.5)},
            "emitter": {"type": "area", "radiance": scene.rgb(1e-6), "sampling_weight": 1e-4},
        }
    d.update(lamps)
    return d, scene.light_colour(s)


def place(rng, shot):
    """Size, K, distortion and pose of a shot's camera."""
    size = SIZE_PX[::-1] if shot.portrait else SIZE_PX
    K, dist = camera.intrinsics(rng, *size, shot.mm35)
    R = camera.rotation(shot.direction, shot.up, shot.roll_deg)
    t = camera.frame(shot.frame, R, K, dist, size, min(shot.fill, 1.3), shot.shift)
    return size, K, dist, R, t


def opaque(thing):
    """The same scene or sensor with every number moved from the program's text into its data, so that the program of
    one scene serves the next: compiling takes far longer than rendering."""
    q = mi.traverse(thing)
    loose = {}
    for key in [k for k, _ in q]:
        value = q[key]
        single = isinstance(value, (mi.Float, mi.Color3f)) and dr.width(value) == 1
        if single or isinstance(value, (mi.Transform4f, mi.AffineTransform4f)):
            loose[key] = value
    dr.make_opaque(list(loose.values()))
    for key, value in loose.items():
        q[key] = value
    q.update()
    return thing


def window(K, dist, size):
    """Size of the ideal pinhole picture: WINDOW_PX turned like the picture, or more where the lens needs more."""
    need = camera.render_window(K, dist, size)
    usual = WINDOW_PX if size[0] > size[1] else WINDOW_PX[::-1]
    return usual if need[0] <= usual[0] and need[1] <= usual[1] else need


def label_map(loaded, sensor, K, dist, size):
    """What a ray near each pixel's middle meets, as an index into LABELS (H, W) uint8; the sensor is FINER than K."""
    seen = mi.render(loaded, sensor=sensor, integrator=mi.load_dict({"type": "aov", "aovs": "i:shape_index"}), spp=1)
    index = camera.warp(np.array(seen, np.float32)[..., -1], K, dist, size, nearest=True, finer=FINER)
    index = np.round(index).astype(np.int64)
    out = np.zeros(index.shape, np.uint8)
    for shape in loaded.shapes():
        name = shape.id()
        if name[0] == "l" and name[1].isdigit() and name[1] != "0":
            out[index == int(dr.reinterpret_array(mi.UInt32, mi.ShapePtr(shape))[0])] = int(name[1])
    return out


def shoot(study, shot, k, spp=SPP, views=1, view_of=None):
    """[(picture (H, W, 3) uint8, labels (H, W) uint8)] of one shot, seen from `views` cameras (view_of(j, shot) gives
    the others): building a scene takes longer than rendering it."""
    rng = np.random.default_rng([study.seed, 60 + k, int(study.held_out)])
    d, light = surroundings(rng, shot, study.held_out)
    d.update({"type": "scene", "integrator": {"type": "path", "max_depth": 5, "rr_depth": 4}})
    d.update(meshes((*study.things, *shot.things)))
    loaded = opaque(mi.load_dict(d))
    tracer, out = loaded.integrator(), []
    for j in range(views):
        if j:
            shot = view_of(j, shot)
            relight(loaded, rng)
        size, K, dist, R, t = place(rng, shot)
        win = window(K, dist, size)
        focus = max(float((R @ shot.focus_at + t)[2]), 50.0)
        lens = {"aperture_mm": shot.aperture_mm, "focus_mm": focus * (1 + float(rng.normal(0, 0.03)))}
        eye = opaque(mi.load_dict(scene.sensor(R, t, K[0, 0], win, lens, spp, int(rng.integers(1 << 30)))))
        lin = np.array(
            mi.render(loaded, sensor=eye, integrator=tracer, spp=spp, seed=int(rng.integers(1 << 30))), np.float32
        )[..., :3]
        lin = np.where(np.isfinite(lin), np.minimum(lin, 60), 0)
        picture = develop(camera.warp(lin, K, dist, size), light, rng)
        fine = tuple(FINER * v for v in win)
        pin = opaque(mi.load_dict(scene.sensor(R, t, FINER * K[0, 0], fine, None, 1, 0)))
        out.append((picture, label_map(loaded, pin, K, dist, size)))
    return out


def relight(loaded, rng):
    """Other strengths of the lamps in a loaded scene, without compiling anew."""
    q = mi.traverse(loaded)
    for key in [k for k, _ in q if k.endswith("radiance.value") or k == "env.scale"]:
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
