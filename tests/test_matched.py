"""Matched filters: the signal to noise of theory in white noise, whitening of ridges, and painted spots by place."""

import cv2
import numpy as np
import pytest

from qc.blemishes import NAMES, SpotSettings, Surface, describe
from qc.matched import MatchedSettings, respond
from qc.spot_weights import LEARNT, Weights

PX = 4.0
EVERY = np.ones((280, 700), bool)


def blob(shape: tuple[int, int], row: int, column: int, sigma_mm: float) -> np.ndarray:
    y, x = np.mgrid[: shape[0], : shape[1]]
    return np.exp(-((x - column) ** 2 + (y - row) ** 2) / 2 / (sigma_mm * PX) ** 2)


def test_signal_to_noise_in_white_noise_is_that_of_theory() -> None:
    """North (1943), Turin (1960): amplitude over noise times the root of the template's energy pi (sigma px)^2."""
    rng, depth, noise, sigma = np.random.default_rng(1), 0.30, 0.05, 0.65
    light = rng.normal(size=EVERY.shape) * noise - depth * blob(EVERY.shape, 140, 350, sigma)
    one = MatchedSettings(scales_mm=(sigma,), high_pass_mm=12.0)
    answers = respond(light.astype(np.float32), EVERY, PX, one)
    expected = depth / noise * np.sqrt(np.pi) * sigma * PX
    assert answers.amplitude(140, 350)[0, 0, 0] == pytest.approx(depth, rel=0.15)
    assert answers.normed[0, 0, 140, 350] == pytest.approx(expected, rel=0.25)


def test_strength_in_noise_alone_is_that_of_three_normal_answers() -> None:
    """The sum of three squared standard normal variables is chi-squared: median 2.37 (tables), root 1.54."""
    light = np.random.default_rng(2).normal(size=EVERY.shape).astype(np.float32) * 0.05
    answers = respond(light, EVERY, PX, MatchedSettings(scales_mm=(0.65,)))
    assert float(np.median(answers.strength)) == pytest.approx(1.54, rel=0.1)


def test_ridges_hide_a_spot_less_after_whitening() -> None:
    """Recovery of known truth: a pit on ridges four times as strong as the grain is the strongest place."""
    rng = np.random.default_rng(3)
    ridges = 0.12 * np.sin(2 * np.pi * np.arange(280) / (6 * PX))[:, None]
    light = rng.normal(size=EVERY.shape) * 0.03 + ridges - 0.4 * blob(EVERY.shape, 101, 222, 0.6)
    strength = respond(light.astype(np.float32), EVERY, PX, MatchedSettings()).strength
    row, column = np.unravel_index(int(strength.argmax()), strength.shape)
    assert np.hypot(row - 101, column - 222) < 3


def test_places_are_described_one_by_one_and_weighed_by_name() -> None:
    """Recovery of known truth: two dark spots are the two strongest places, each with a value for every weight."""
    rng = np.random.default_rng(4)
    light = cv2.GaussianBlur(rng.normal(size=EVERY.shape), (0, 0), 1.0) * 0.05
    light += -0.8 * (blob(EVERY.shape, 90, 150, 0.6) + blob(EVERY.shape, 200, 500, 0.8))
    log = np.repeat(light[..., None], 3, -1).astype(np.float32)
    surface = Surface(log, EVERY, np.ones(EVERY.shape, np.float32), 0.8, False, PX)
    at, said = describe(surface, SpotSettings())
    assert LEARNT.names == NAMES
    assert said.shape == (len(at), len(NAMES))
    assert {(round(r / 5), round(c / 5)) for r, c in at[:2]} == {(18, 30), (40, 100)}
    assert np.isfinite(said).all()


def test_networks_say_what_their_formula_says() -> None:
    """Analytic value: one network of one hidden unit with weights one and offset zero is 1 / (1 + exp(-tanh(x)))."""
    one = Weights(("x",), np.zeros(1), np.ones(1), np.ones((1, 1, 1)), np.zeros((1, 1)), np.ones((1, 1)), np.zeros(1))
    x = np.linspace(-2, 2, 5)
    assert one.chance(x[:, None]) == pytest.approx(1 / (1 + np.exp(-np.tanh(x))))
