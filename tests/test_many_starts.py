"""Many starts tried against a list of edges: recovery of a known change among decoys."""

import numpy as np
import pytest

from qc import joint
from qc.fit_terms import FitSettings
from qc.many_starts import EdgeList, StartsSettings, drawn
from qc.trials import Look, Trial, _elsewhere, _near, _on_supposed, _promising


def scene(rng: np.random.Generator, decoys: int, shift: float) -> tuple[EdgeList, np.ndarray, np.ndarray]:
    """An outline of 300 points moved by five parameters: noisy true edges, and decoys, strong ones off by shift."""
    jacobian = rng.normal(0, 1, (300, 5)) * [6, 5, 4, 3, 2]
    truth = np.array([1.2, -1.0, 0.8, 0.5, -0.6])
    edges = np.concatenate(
        [(jacobian @ truth + rng.normal(0, 0.5, 300))[:, None], rng.uniform(-30, 30, (300, decoys))], 1
    )
    strength = rng.uniform(0.3, 1, edges.shape)
    edges[:100, 1] = jacobian[:100] @ np.zeros(5) + shift
    strength[:100, 1] = 1.0
    return EdgeList(edges, np.log(strength), jacobian, np.ones(300)), np.eye(5), truth


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_known_change_is_found_among_decoys(seed: int) -> None:
    """Recovery: a third of the points has a stronger edge elsewhere, and all have three that mean nothing."""
    edges, information, truth = scene(np.random.default_rng(seed), 3, 5.0)
    assert drawn(edges, information, 1.0, StartsSettings())[0] == pytest.approx(truth, abs=0.1)


def test_one_start_alone_is_led_astray() -> None:
    """What the many are for: from the middle alone, with a narrow look, the strong wrong edges win."""
    edges, information, truth = scene(np.random.default_rng(1), 3, 0.0)
    alone = drawn(edges, information, 1.0, StartsSettings(tried=1, looks_px=(2.0, 2.0, 2.0)))[0]
    assert np.abs(alone - truth).max() > 0.5
    assert drawn(edges, information, 1.0, StartsSettings())[0] == pytest.approx(truth, abs=0.1)


def test_points_without_an_edge_count_for_nothing() -> None:
    """Analytic: with no edge at all nothing moves from where it was, and nothing is divided by zero."""
    edges, information, _ = scene(np.random.default_rng(1), 3, 0.0)
    none = EdgeList(edges.offset_px, np.full(edges.log_worth.shape, -np.inf), edges.jacobian, edges.zoom)
    assert drawn(none, information, 1.0, StartsSettings())[0] == pytest.approx(np.zeros(5), abs=1e-9)


def test_photos_of_twice_the_size_say_the_same() -> None:
    """Analytic: offsets and outlines in pixels twice as fine, looked at in steps twice as long."""
    edges, information, truth = scene(np.random.default_rng(2), 3, 5.0)
    fine = EdgeList(2 * edges.offset_px, edges.log_worth, 2 * edges.jacobian, 2 * edges.zoom)
    assert drawn(fine, information, 1.0, StartsSettings())[0] == pytest.approx(
        drawn(edges, information, 1.0, StartsSettings())[0], abs=1e-9
    )
    assert drawn(fine, information, 1.0, StartsSettings())[0] == pytest.approx(truth, abs=0.1)


def start(radius_mm: float, height_mm: float, board_mm: float) -> Trial:
    """A start of a size on a kind of board."""
    p = np.zeros(joint.CAKE)
    p[[joint.RADIUS, joint.HEIGHT, joint.BOARD_T]] = radius_mm, height_mm, board_mm
    return Trial(p, p, 0.0, False, FitSettings(board_t_mm=board_mm))


def followed(looks: list[Look]) -> list[Trial]:
    return [q.trial for q in _promising(looks)]


def test_another_start_is_near_the_best_with_nearly_as_many_edges() -> None:
    """85 of 100 edges are enough, 80 are not; where regions outweigh the edges, by what is missing."""
    one = start(80, 70, 12.0)
    assert _near(Look(one, 190.0, 20.0), Look(one, 200.0, 0.0), 0.85)
    assert not _near(Look(one, 160.0, 0.0), Look(one, 200.0, 0.0), 0.85)
    assert _near(Look(one, 100.0, 155.0), Look(one, 100.0, 150.0), 0.85)
    assert not _near(Look(one, 100.0, 160.0), Look(one, 100.0, 150.0), 0.85)


def test_starts_that_differ_are_followed() -> None:
    """The two best may be one cake; what differs is followed too, unless a quick look leaves it far behind."""
    best, same, other, lost = start(80, 70, 12.0), start(80.3, 70.4, 12.0), start(80, 79, 2.6), start(60, 70, 12.0)
    looks = [Look(other, 210.0, 10.0), Look(same, 240.0, 0.0), Look(best, 246.0, 0.0), Look(lost, 150.0, 0.0)]
    assert followed(looks) == [best, other]
    assert followed([Look(other, 140.0, 0.0), Look(best, 246.0, 0.0)]) == [best]
    assert followed([]) == []


def test_the_other_kind_of_board_comes_before_another_start_on_the_same() -> None:
    """A quick look put the right board at three quarters of the wrong one's edges; followed closely it was ahead."""
    best, second, other = start(80, 70, 12.0), start(83, 70, 12.0), start(80, 79, 2.6)
    near = [Look(best, 246.0, 0.0), Look(second, 230.0, 0.0), Look(other, 185.0, 0.0)]
    assert followed(near) == [best, other]
    assert followed([Look(best, 246.0, 0.0), Look(second, 185.0, 0.0)]) == [best]


def test_a_cake_off_the_seen_icing_needs_more_edges() -> None:
    """A rim mirrored in a glaze had more edges than the rim, but icing was seen above it."""
    mirrored, rim = start(80, 41, 12.0), start(80, 46, 12.0)
    assert followed([Look(mirrored, 356.0, 97.0), Look(rim, 343.0, 47.0)]) == [rim, mirrored]


def test_the_best_start_is_followed_however_bad_it_is() -> None:
    """Photos of two cakes: no start fits what was seen, and a sentence says so later on."""
    only, worse = start(80, 41, 12.0), start(80, 61, 12.0)
    assert followed([Look(only, 100.0, 150.0), Look(worse, 20.0, 150.0)]) == [only]


def test_the_best_start_is_tried_on_the_other_kinds_too() -> None:
    """With its top where it is; not where such a start was looked at, and not on kinds that are out of the question."""
    best, other, same = start(82, 122, 6.0), start(82, 102, 12.0), start(82, 116.4, 12.0)
    (moved,) = _elsewhere([Look(best, 276.0, 60.0), Look(other, 258.0, 151.0)], [best, other])
    assert moved.settings.board_t_mm == 12.0
    assert moved.parameters[[joint.HEIGHT, joint.BOARD_T]] == pytest.approx([116.0, 12.0])
    assert _elsewhere([Look(best, 276.0, 60.0), Look(same, 258.0, 60.0)], [best, same]) == []
    assert _elsewhere([Look(best, 276.0, 60.0)], [best]) == []
    assert _elsewhere([], [best]) == []


def test_a_board_is_begun_as_thick_as_it_is_supposed() -> None:
    """The finder's borders may put it between the two kinds; the cake's top stays where they put it."""
    p = start(80, 81, 12.0).parameters
    p[joint.BOARD_T] = 8.0
    supposed = _on_supposed(p, FitSettings(board_t_mm=12.0))
    assert supposed[[joint.BOARD_T, joint.HEIGHT]] == pytest.approx([12.0, 77.0])
