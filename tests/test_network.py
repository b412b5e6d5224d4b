"""The stored networks: what runs them gives what another library gives, from several threads at once."""

from concurrent.futures import ThreadPoolExecutor
from importlib import resources

import cv2
import numpy as np
import pytest

from qc.network import Network


@pytest.mark.parametrize(
    ("file", "shape"),
    [("outline_net.onnx", (1, 3, 96, 128)), ("surface_net.onnx", (1, 7, 64, 96)), ("strip_net.onnx", (1, 13, 64, 96))],
)
def test_answers_are_those_of_another_library(file: str, shape: tuple[int, ...]) -> None:
    """Reference: OpenCV's own reader of ONNX files."""
    picture = np.random.default_rng(2).standard_normal(shape).astype(np.float32)
    other = cv2.dnn.readNetFromONNX(np.frombuffer(resources.files("qc").joinpath(file).read_bytes(), np.uint8))
    other.setInput(picture)
    said = Network(file)(picture)
    want = other.forward(other.getUnconnectedOutLayersNames())
    assert len(said) == len(want)
    for one, two in zip(said, want, strict=True):
        np.testing.assert_allclose(one, two, atol=1e-3 * float(np.abs(two).max()))


def test_threads_may_ask_at_once_and_pictures_together_or_apart() -> None:
    """Metamorphic: each picture's answer is the same alone, beside others, and from another thread."""
    pictures = np.random.default_rng(3).standard_normal((4, 7, 64, 64)).astype(np.float32)
    net = Network("surface_net.onnx")
    together = net(pictures)[0]
    with ThreadPoolExecutor(4) as pool:
        apart = list(pool.map(lambda k: net(pictures[k : k + 1])[0][0], range(4)))
    np.testing.assert_allclose(np.stack(apart), together, atol=1e-4)
