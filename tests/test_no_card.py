"""Without a card: what the ring itself adds where the outline leaves the camera's tilt open. Recovery of a truth."""

import cv2
import numpy as np
import pytest

from qc.finder import LABELS, Finding
from qc.no_card import NoCardSettings, fit_cylinder
from tests.decoration_scene import flat_body, looking_down

SCALE = 640 / 2016


def seen_with_a_wide_foot(view, body, wide_mm: float) -> Finding:
    """A cylinder's finding in which the foot's piping counts as cake: the outline is no cylinder's any more."""
    labels = np.zeros((480, 640), np.uint8)
    a = np.linspace(0, 2 * np.pi, 360)
    for z in np.linspace(0, body.height_mm, 40):
        r = 80 + (wide_mm if z < 10 else 0)
        q = view.project(np.stack([r * np.cos(a), r * np.sin(a), np.full_like(a, z)], -1)) * SCALE + (SCALE - 1) / 2
        cv2.fillPoly(labels, [np.round(q).astype(np.int32)], LABELS.index("body"))
    probabilities = np.stack([(labels == k).astype(np.float32) for k in range(len(LABELS))])
    offset = ((SCALE - 1) / 2, (SCALE - 1) / 2)
    return Finding(probabilities, SCALE, offset, (2016, 1512), 1.0, ())


@pytest.mark.parametrize("eye_mm", [(0.0, -190.0, 460.0), (-150.0, -120.0, 430.0)])
def test_the_ring_tells_the_tilt_where_the_outline_does_not(eye_mm: tuple[float, float, float]) -> None:
    view, body = looking_down(eye_mm, (20.0, 0.0, 30.0)), flat_body()
    finding = seen_with_a_wide_foot(view, body, 14.0)
    a = 0.3 + 2 * np.pi * np.arange(9) / 9
    rho = 57.0 + np.random.default_rng(5).normal(0, 1.5, 9)
    feet = np.stack([rho * np.cos(a), rho * np.sin(a), np.full_like(a, body.height_mm)], -1)
    ring_px = view.project(feet)

    def unround(found) -> float:
        """Spread of the ring's distances from the axis, in radii of the cake."""
        flat = found.view.onto_height(ring_px, found.body.height_mm)[:, :2] / found.body.radius_mm
        return float(np.hypot(*flat.T).std())

    alone = unround(fit_cylinder(finding, NoCardSettings()))
    helped = unround(fit_cylinder(finding, NoCardSettings(), ring_px))
    assert alone > 0.04  # so there was something to mend
    assert helped < 0.6 * alone
