"""The common currency of the teaching pictures: a thing is a mesh with a label, a paint and a look."""

from dataclasses import dataclass, replace

import numpy as np

LABELS = ("other", "board", "body", "decoration", "card", "foot_border")


@dataclass(frozen=True)
class Look:
    """Surface of a thing: the parameters of one universal material, so that all scenes compile to the same program."""

    roughness: float = 0.5
    specular: float = 0.4
    metallic: float = 0.0
    flatness: float = 0.0  # how much light seems to pass through (cream, fondant)
    clearcoat: float = 0.0
    anisotropic: float = 0.0


@dataclass(frozen=True)
class Thing:
    """A mesh: V (N, 3) mm, F (M, 3), and either rgb (N, 3) per vertex or uv (N, 2) with a texture (h, w, 3).

    Reflectances are linear. N (N, 3) are shading normals, or None to have them computed.
    """

    label: str
    V: np.ndarray
    F: np.ndarray
    look: Look
    rgb: np.ndarray | None = None
    uv: np.ndarray | None = None
    texture: np.ndarray | None = None
    N: np.ndarray | None = None

    def moved(self, yaw_rad=0.0, xyz=(0.0, 0.0, 0.0), scale=1.0):
        """The same thing turned about z, scaled and shifted."""
        c, s = np.cos(yaw_rad), np.sin(yaw_rad)
        R = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
        N = None if self.N is None else self.N @ R.T
        return replace(self, V=self.V * scale @ R.T + np.asarray(xyz, float), N=N)


CREAM = Look(0.45, 0.35, 0, 0.5)
MATT = Look(0.75, 0.2)
GLOSS = Look(0.12, 0.5, 0, 0, 0.8)
SATIN = Look(0.3, 0.5)
METAL = Look(0.3, 0.5, 1.0)
FONDANT = Look(0.5, 0.35, 0, 0.3)


def plain(label, mesh, look):
    """A thing from (V, F, rgb)."""
    V, F, rgb = mesh
    return Thing(label, np.asarray(V, float), F, look, rgb=np.broadcast_to(rgb, (len(V), 3)))


def vertex_normals(V, F):
    """Area-weighted vertex normals (N, 3); vertices that only coincide keep their own."""
    n = np.cross(V[F[:, 1]] - V[F[:, 0]], V[F[:, 2]] - V[F[:, 0]])
    out = np.empty((len(V), 3))
    for k in range(3):
        out[:, k] = np.bincount(F.ravel(), np.repeat(n[:, k], 3), len(V))
    return out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12)
