"""The teaching pictures and the network's training; each test runs where its renderer or its framework is installed."""

import numpy as np
import pytest

from sample_images.render import camera, toppings
from sample_images.render.things import LABELS, Look, Thing, plain, vertex_normals


# ---------------------------------------------------------------- analytic values
def test_vertex_normals_of_a_tetrahedron_point_away_from_its_middle():
    points = np.array([[1, 1, 1], [1, -1, -1], [-1, 1, -1], [-1, -1, 1]], float)
    faces = np.array([[0, 1, 2], [0, 3, 1], [0, 2, 3], [1, 3, 2]])
    np.testing.assert_allclose(vertex_normals(points, faces), points / np.sqrt(3), atol=1e-12)


def test_a_thing_is_turned_then_shifted():
    thing = Thing("other", np.array([[1.0, 0, 0]]), np.array([[0, 0, 0]]), Look(), N=np.array([[1.0, 0, 0]]))
    moved = thing.moved(np.pi / 2, (10, 20, 30), 2.0)
    np.testing.assert_allclose(moved.V, [[10, 22, 30]], atol=1e-12)
    np.testing.assert_allclose(moved.N, [[0, 1, 0]], atol=1e-12)


# ---------------------------------------------------------------- the recipe
@pytest.mark.parametrize("kind", toppings.ALL)
def test_toppings_are_meshes_that_stand_on_the_cake(kind):
    points, faces, colours = toppings.make(kind, 25.0, np.random.default_rng(1), np.array([0.8, 0.3, 0.3]))
    assert np.isfinite(points).all()
    assert faces.min() >= 0
    assert faces.max() < len(points)
    assert np.broadcast_to(colours, points.shape).min() >= 0
    assert -15 < points[:, 2].min() < 10
    assert plain("decoration", (points, faces, colours), Look()).V.shape == points.shape


def test_a_seed_always_gives_the_same_picture():
    pytest.importorskip("mitsuba").set_variant("scalar_rgb")
    from sample_images.render import study

    for seed, held_out in ((1_000_001, False), (9_000_001, True)):
        one, two = (study.sample_study(seed, held_out) for _ in range(2))
        assert len(one.things) == len(two.things)
        for a, b in zip(one.things, two.things, strict=True):
            assert a.label == b.label
            np.testing.assert_array_equal(a.V, b.V)
        np.testing.assert_array_equal(study.sample_shot(one, 0).direction, study.sample_shot(two, 0).direction)


def test_the_held_out_style_shares_no_study_with_training():
    pytest.importorskip("mitsuba").set_variant("scalar_rgb")
    from sample_images.render import props, study

    assert props.HELD_OUT_BENCH not in props.BENCHES
    assert props.HELD_OUT_BOARD not in props.BOARDS
    assert study.sample_study(5, True).bench_like is None


def test_every_scene_has_the_same_meshes():
    """What keeps the renderer's program the same from scene to scene."""
    pytest.importorskip("mitsuba").set_variant("scalar_rgb")
    from sample_images.render import shoot, study

    names = [tuple(shoot.meshes(study.sample_study(seed).things)) for seed in (1_000_001, 1_000_003)]
    assert names[0] == names[1]
    assert len(names[0]) == 2 * len(LABELS)


def test_a_finer_rendering_is_warped_to_the_same_place():
    """Analytic: without distortion a pixel of the picture takes the middle one of its nine fine pixels."""
    K = np.array([[100.0, 0, 7.5], [0, 100, 5.5], [0, 0, 1]])
    fine = np.arange(36 * 48, dtype=np.float32).reshape(36, 48)
    picture = camera.warp(fine, K, np.zeros(5), (16, 12), nearest=True, finer=3)
    np.testing.assert_array_equal(picture, fine[1::3, 1::3])


def test_a_texture_comes_back_out_of_the_atlas():
    pytest.importorskip("mitsuba").set_variant("scalar_rgb")
    from sample_images.render import shoot

    atlas = np.zeros((*shoot.ATLAS_PX, 3), np.float32)
    texture = np.random.default_rng(0).random((100, 200, 3)).astype(np.float32)
    scale, shift = shoot._into_atlas(atlas, texture, 5)
    uv = np.array([0.5 / 200, 0.5 / 100]) * scale + shift  # the texture's first texel
    at = np.floor(uv * np.array(shoot.ATLAS_PX[::-1])).astype(int)
    np.testing.assert_allclose(atlas[at[1], at[0]], texture[0, 0], atol=1e-6)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of the older exporter
def test_the_network_answers_at_the_pictures_size_and_its_file_with_it(tmp_path):
    torch = pytest.importorskip("torch")
    pytest.importorskip("onnx")
    import cv2

    torch.manual_seed(0)

    from qc.training.net import Net, export

    net, picture = Net().eval(), torch.randn(1, 3, 64, 96)
    with torch.no_grad():
        want = net(picture).numpy()
    assert want.shape == (1, len(LABELS), 64, 96)
    export(net, str(tmp_path / "net.onnx"))
    read = cv2.dnn.readNetFromONNX(str(tmp_path / "net.onnx"))
    read.setInput(picture.numpy())
    np.testing.assert_allclose(read.forward(), want, atol=2e-3 * np.abs(want).max())  # half floats: 3 digits


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_a_network_read_from_its_file_does_what_it_did_also_once_normalised(tmp_path):
    torch = pytest.importorskip("torch")
    pytest.importorskip("onnx")
    from qc.training.inherit import between, normalise, read
    from qc.training.net import Net, export

    torch.manual_seed(0)
    net, picture = Net(), 2 * torch.randn(4, 3, 64, 96) + 1
    net(picture)  # its normalisations have seen something
    net.eval().temperature.fill_(1.3)
    with torch.no_grad():
        want = net(picture)
    export(net, str(tmp_path / "net.onnx"))
    again = read(tmp_path / "net.onnx")
    near = {"atol": 2e-3 * float(want.abs().max()), "rtol": 0}  # half floats: 3 digits
    with torch.no_grad():
        torch.testing.assert_close(again(picture), want, **near)
        torch.testing.assert_close(between(Net(), again, 1.0)(picture), again(picture))
        torch.testing.assert_close(between(again, Net(), 0.0)(picture), again(picture))
        normalise(again, picture)
        torch.testing.assert_close(again(picture), want, **near)
        torch.testing.assert_close(again.train()(picture), want, **near)  # by what a batch shows, the same


def test_a_network_of_another_structure_is_not_begun_with(tmp_path):
    torch = pytest.importorskip("torch")
    onnx = pytest.importorskip("onnx")
    from qc.training.inherit import read

    weights = onnx.numpy_helper.from_array(torch.zeros(2, 3, 3, 3).numpy(), "w")
    bias = onnx.numpy_helper.from_array(torch.zeros(2).numpy(), "b")
    graph = onnx.helper.make_graph(
        [onnx.helper.make_node("Conv", ["x", "w", "b"], ["y"])], "other", [], [], initializer=[weights, bias]
    )
    onnx.save(onnx.helper.make_model(graph), tmp_path / "other.onnx")
    with pytest.raises(ValueError, match="another network"):
        read(tmp_path / "other.onnx")


def test_labels_move_with_the_picture():
    """Recovery: the picture is its own label map, so off the borders it must stay so."""
    torch = pytest.importorskip("torch")
    from qc.training.augment import _frame, _mirror

    torch.manual_seed(3)
    labels = torch.zeros(4, 96, 128, dtype=torch.long)
    labels[:, 20:60, 30:90] = 2
    labels[:, 60:70, 20:100] = 1
    picture = (labels[:, None] / 5.0).expand(-1, 3, -1, -1)
    moved, seen = _frame(*_mirror(picture, labels))
    off = (moved[:, 0] * 5 - seen).abs()
    assert float((off < 1e-3).float().mean()) > 0.95  # the rest are borders, between two values
    assert float(off.max()) <= 1.0 + 1e-3


def test_training_takes_in_pictures_as_they_come(tmp_path):
    pytest.importorskip("torch")
    from qc.training.train import Pictures

    def render(name, value, number):
        (tmp_path / "part").mkdir(exist_ok=True)
        x, y = np.full((number, 8, 12, 3), value, np.uint8), np.zeros((number, 8, 12), np.uint8)
        np.savez(tmp_path / "part" / name, x=x, y=y, seed=np.zeros(number))

    pictures = Pictures(str(tmp_path), "cpu", {"wide": 5, "tall": 5})
    render("wide_00_000.npz", 1, 2)
    assert pictures.take_in(10) == 1
    render("wide_00_001.npz", 2, 4)  # one more than there is room for
    assert pictures.take_in(10) == 1
    assert pictures.take_in(10) == 0
    assert pictures.count == {"wide": 5, "tall": 0}
    x, y = pictures.draw(200)
    assert x.shape == (200, 3, 8, 12)
    assert y.shape == (200, 8, 12)
    assert set(x.unique().tolist()) == {1, 2}
