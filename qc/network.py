"""Runs one of the project's networks, which are stored as ONNX files beside this module, on the processor."""

from functools import cached_property
from importlib import resources

import cv2
import numpy as np
import onnxruntime
from numpy.typing import NDArray


class Network:
    """A network that is loaded when it is first asked; several threads may ask it at once.

    It uses as many threads as OpenCV did when it was loaded (`cv2.setNumThreads`).
    """

    def __init__(self, file: str) -> None:
        self._file = file

    def __call__(self, picture: NDArray[np.float32]) -> list[NDArray[np.float32]]:
        """All answers, in the file's order, to pictures (B, planes, rows, columns)."""
        session = self._session
        said = session.run(None, {session.get_inputs()[0].name: np.ascontiguousarray(picture)})
        return [np.asarray(v, np.float32) for v in said]

    @cached_property
    def _session(self) -> onnxruntime.InferenceSession:
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = max(1, cv2.getNumThreads())
        options.enable_mem_pattern = False  # pictures differ in size
        options.add_session_config_entry("session.intra_op.allow_spinning", "0")  # a waiting thread leaves its core
        weights = resources.files("qc").joinpath(self._file).read_bytes()
        return onnxruntime.InferenceSession(weights, options, providers=["CPUExecutionProvider"])
