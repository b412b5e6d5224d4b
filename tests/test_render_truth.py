"""Analytic values: the truth of the rendered cakes on shapes whose answer is known by hand. Needs no renderer."""

import numpy as np

from sample_images.render import truth


def solid(r_of, R=80.0, H=70.0, edge=4.0, top=lambda x, y: 0 * x, cols=721, shift=lambda z: (0 * z, 0 * z), hi=None):
    """Grid of a body with side radius r_of(theta, z), rounded edge and top height H + top(x, y)."""
    t = np.linspace(0, 2 * np.pi, cols)[None]
    z = np.linspace(0, H - edge, 700)[:, None] + 0 * t
    a = np.linspace(0, np.pi / 2, 61)[1:, None]
    ze = H - edge + edge * np.sin(a) + 0 * t
    re = r_of(t, ze) - edge * (1 - np.cos(a))
    rt = re[-1:] * np.linspace(1, 0, 201)[1:, None]
    r = np.concatenate([r_of(t, z), re, rt])
    zz = np.concatenate([z, ze, np.full_like(rt, H)])
    w = np.clip((zz - (H - edge)) / edge, 0, 1)
    sx, sy = shift(zz)
    x, y = r * np.cos(t) + sx, r * np.sin(t) + sy
    zz = zz + w * top(x, y)
    P = np.stack([x, y, zz], -1)
    P[:, -1] = P[:, 0]
    return P, 760, 700


def q_of(*a, **k):
    P, nw, ns = solid(*a, **k)
    return truth.quantities(P, nw, ns)


def test_cylinder():
    S, q = q_of(lambda t, z: 80 + 0 * t * z)
    assert abs(q["diameter"] - 160) < 1e-3
    assert q["out_of_round"] < 1e-3
    assert abs(q["height"] - 70) < 1e-6
    assert q["level"] < 1e-6
    assert abs(q["dome"]) < 1e-6
    assert q["lean"] < 1e-4
    assert abs(q["taper"]) < 1e-3
    assert q["side_straightness_max"] < 2e-3
    assert q["side_ridges_max"] < 1e-3
    assert abs(q["edge_radius"] - 4) < 0.02
    seen = S.seen(np.array([30.0, -400.0, 120.0]))
    for k in ("left", "right"):
        assert abs(seen[k]["envelope_radius_at_0_1"] - 80) < 2e-3
        assert seen[k]["envelope_straightness"] < 2e-3


def test_ridges_are_amplitude_over_root_two():
    A, pitch = 0.3, 3.5  # the filter passes 97 % at 3.5 mm
    _, q = q_of(lambda t, z: 80 + A * np.sin(2 * np.pi * z / pitch) + 0 * t)
    gain = 1 - np.exp(-np.pi * (np.sqrt(np.log(2) / np.pi) * 8 / pitch) ** 2)
    assert abs(q["side_ridges"] - gain * A / np.sqrt(2)) < 0.02 * A  # ends: +2 %
    assert abs(q["side_straightness"] - 2 * A) < 0.1 * A  # the line itself tilts a little to fit the sine


def test_filter_half_at_cutoff():
    z = np.arange(0, 200, 0.1)
    for lam, want in ((8.0, 0.5), (80.0, 0.993), (2.0, 0.0)):
        r = np.sin(2 * np.pi * z / lam)
        s = truth.gaussian_regression(z, r)
        k = slice(500, 1500)
        assert abs((s[k] * r[k]).sum() / (r[k] ** 2).sum() - want) < 0.005
    assert np.abs(truth.gaussian_regression(z, 3 + 0.2 * z) - 3 - 0.2 * z).max() < 1e-8  # ends included


def test_barrel_straightness():
    b = 1.2  # parabola over the evaluated 56 mm: peak to valley b about its own line
    _, q = q_of(lambda t, z: 80 - b * ((z - 35) / 28) ** 2 + 0 * t)
    assert abs(q["side_straightness"] - b) < 0.01
    assert abs(q["taper"]) < 0.01


def test_oval():
    _, q = q_of(lambda t, z: 80 + 1.0 * np.cos(2 * t) + 0 * z)
    assert abs(q["out_of_round"] - 2 * 0.5 ** ((2 / 15) ** 2)) < 0.02
    assert abs(q["diameter"] - 160) < 0.02


def test_taper_and_lean():
    _S, q = q_of(lambda t, z: 80 - 2.0 * z / 70 + 0 * t, shift=lambda z: (3.0 * z / 70, 0 * z))
    assert abs(q["taper"] + 2 * 2 * 0.8) < 0.01
    assert abs(q["lean"] - 2.4) < 0.01
    assert abs(q["lean_clock"] - 3) < 0.01


def test_level_and_clock():
    D, fall = 160.0, 3.0  # falls towards 7:30 (theta = 225 deg)
    g = fall / D
    _, q = q_of(lambda t, z: 80 + 0 * t * z, top=lambda x, y: g * (x + y) / np.sqrt(2))
    assert abs(q["level"] - fall) < 0.01
    assert abs(q["level_low_clock"] - 7.5) < 0.01
    assert abs(q["level_9_to_3"] - fall / np.sqrt(2)) < 0.01
    assert abs(q["height"] - 70) < 0.01


def test_dome():
    _, q = q_of(lambda t, z: 80 + 0 * t * z, top=lambda x, y: 2.0 * (1 - (x * x + y * y) / 64.0**2))
    assert abs(q["dome_very_middle"] - 2.0) < 0.01
    assert abs(q["dome"] - 2.0 * (1 - 0.5 * 64 / 64.0**2)) < 0.03  # mean over the middle 8 mm


def test_clock():
    for h, a in ((3, 0), (12, 90), (9, 180), (6, 270), (1.5, 45)):
        assert abs(truth.clock(np.radians(a)) - h) < 1e-9
        assert abs(np.degrees(truth.angle_of(h)) % 360 - a) < 1e-9


def test_ring():
    n, R = 8, 60.0
    a = np.arange(n) * 2 * np.pi / n
    p = [{"x_mm": 2 + R * np.cos(t), "y_mm": R * np.sin(t), "diameter_mm": 25.0, "ring": True} for t in a]
    q = truth.ring(p)
    assert q["decoration_count"] == 8
    assert abs(q["ring_radius"] - R) < 1e-6
    assert abs(q["ring_offset"] - 2) < 1e-6
    assert q["ring_scatter"] < 1e-6
    assert q["spacing_error"] < 1e-6
    assert q["decoration_size_cv"] < 1e-6
    p[0].update(x_mm=2 + R * np.cos(np.radians(5)), y_mm=R * np.sin(np.radians(5)))
    assert abs(truth.ring(p)["spacing_error"] - 5) < 0.7  # the fitted centre moves a little


def test_board():
    P, _, _ = solid(lambda t, z: 80 + 0 * t * z)
    q = truth.board({"x": -3.0, "y": 0.0, "half": 100.0, "shape": "round", "turn": 0.0, "thickness": 2.5}, P)
    assert abs(q["board_offset"] - 3) < 1e-3
    assert abs(q["margin_min"] - 17) < 1e-2
    assert abs(q["margin_max"] - 23) < 1e-2
    assert abs(q["board_offset_clock"] - 3) < 1e-2


def test_plan_shape_of_a_disc():
    a = np.linspace(0, 2 * np.pi, 181)[:-1]
    V = np.concatenate([[[5, 7, 1.0]], np.stack([5 + 12 * np.cos(a), 7 + 12 * np.sin(a), 0 * a], 1)])
    F = np.stack([0 * np.arange(180), 1 + np.arange(180), 1 + (np.arange(180) + 1) % 180], 1)
    x, y, d = truth.plan_shape(V, F)
    assert abs(x - 5) < 0.03
    assert abs(y - 7) < 0.03
    assert abs(d - 24) < 0.03


def test_show_through_area():
    rgb = np.broadcast_to([0.9, 0.86, 0.8], (100, 400, 3)).copy()
    w = np.zeros((100, 400))
    rgb[10:20, 395:] = rgb[10:20, :5] = [0.5, 0.1, 0.1]  # one 10 x 10 mm2 patch over the seam
    w[10:20, 395:] = w[10:20, :5] = 1
    rgb[50, 50], w[50, 50] = [0.5, 0.1, 0.1], 1  # 1 mm2: too small to count
    share, _mask, patches, _ = truth.show_through(
        rgb, w, np.ones((100, 400)), np.ones((100, 400), bool), np.array([0.9, 0.86, 0.8])
    )
    assert abs(share - 0.25) < 1e-9
    assert len(patches) == 1
    assert abs(patches[0]["area_mm2"] - 100) < 1e-9
