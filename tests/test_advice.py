"""Advice: few things, in the right order, with place, number, limit and one act."""

import numpy as np
import pytest

from qc.acts import ACTS, FALLBACK, act_for
from qc.advice import advise, worst_deviation
from qc.quantities import QUANTITIES, Blemish, CheckResult, Decoration, Measurement, Meridian
from qc.standard import load_standard, starting_standards
from qc.verdict import judge

STANDARD = load_standard(
    'name = "A"\ncode = "a"\n[lines.height]\nnominal = 65\ntolerance = 4\ndecides = "must"\n'
    "[lines.level]\nat_most = 3\n[lines.lean]\nat_most = 3\n[lines.dome]\nnominal = 0\ntolerance = 2\n"
    "[lines.side_straightness]\nat_most = 1.5\n[lines.blemishes]\nat_most = 3\n[lines.spacing_error]\nat_most = 5\n"
    "[lines.edge_radius]\nat_most = 3\n"
)


def row(name, value, uncertainty=0.1, clock=None):
    return Measurement(name, value, uncertainty, QUANTITIES[name].unit, ("side",), clock=clock)


def advice(*rows, **more):
    result = CheckResult(rows, **more)
    return advise(judge(result, STANDARD), result)


def belt(height_mm, size_mm):
    z = np.linspace(0, 100, 201)
    r = 80 - 0.02 * z + size_mm * np.exp(-(((z - height_mm) / 4) ** 2))
    return Meridian(9.0, "side", tuple(z), tuple(r))


# --- Recovery of known truth --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("size_mm", "words"), [(2.5, "settle"), (-2.5, "fill the gaps")])
def test_a_belt_and_a_groove_are_found_where_they_are_and_told_apart(size_mm, words):
    found = worst_deviation(belt(42, size_mm))
    assert found.height_mm == pytest.approx(42, abs=1)
    assert np.sign(found.deviation_mm) == np.sign(size_mm)
    rows = (
        row("side_straightness", 2.5),
        row("side_straightness", 0.4, clock=3.0),
        row("side_straightness", 2.5, clock=9.0),
    )
    told = advice(*rows, meridians=(belt(42, size_mm),)).tries[0]
    assert "9 o'clock" in told.sentence
    assert "42 mm up" in told.sentence
    assert words in told.act


def test_a_side_line_with_too_few_points_has_no_worst_place():
    assert worst_deviation(Meridian(9.0, "side", (0.0, 50.0, 100.0), (80.0, 80.0, 80.0))) is None
    assert worst_deviation(Meridian(9.0, "side", (), ())) is None


# --- What is said -------------------------------------------------------------------------------------------------


def test_at_most_two_and_what_must_hold_comes_first():
    told = advice(row("level", 9.0), row("lean", 8.0), row("dome", 6.0), row("height", 70.0), row("edge_radius", 1.0))
    assert [t.name for t in told.tries] == ["height", "level"]
    assert told.held.name == "edge_radius"
    assert "Height: 70.0 ± 0.1 mm, limit 65 ± 4 mm (1.0 mm too much)." in told.tries[0].sentence


def test_without_a_fault_the_weakest_coach_line():
    told = advice(row("height", 68.0), row("level", 2.5), row("lean", 0.5))
    assert [t.name for t in told.tries] == ["level"]
    assert "too" not in told.tries[0].sentence


def test_too_close_to_call_is_no_fault():
    told = advice(row("height", 69.1, 1.0), row("level", 0.5), row("lean", 2.9, 0.6))
    assert [t.name for t in told.tries] == ["lean"], "the weakest coach-line, not the height that may be right"


def test_a_perfect_cake_leaves_nothing_to_try():
    told = advice(row("height", 65.0), row("level", 0.05))
    assert told.tries == ()
    assert told.held.name == "height"


def test_nothing_measured_nothing_said():
    told = advice()
    assert told.tries == ()
    assert told.held is None


def test_a_direction_is_a_place_only_when_it_is_known():
    assert "towards 4 o'clock" in advice(row("level", 9.0), row("level_low_clock", 4.2, 0.5)).tries[0].sentence
    assert "o'clock" not in advice(row("level", 9.0), row("level_low_clock", 4.2, 3.0)).tries[0].sentence
    assert "o'clock" not in advice(row("level", 9.0), row("level_low_clock", float("nan"), 1.0)).tries[0].sentence
    assert "towards 12 o'clock" in advice(row("lean", 9.0), row("lean_clock", 0.3, 0.5)).tries[0].sentence


def test_the_way_it_is_off_chooses_the_act():
    domed, dished = advice(row("dome", 6.0)).tries[0], advice(row("dome", -6.0)).tries[0]
    assert domed.act != dished.act
    assert "too much" in domed.sentence
    assert "too little" in dished.sentence


def test_the_largest_blemish_and_the_commonest_kind():
    spots = (
        Blemish("crumb", "side", 2.0, 30.0, 2.0, 0, 0),
        Blemish("crumb", "side", 5.0, 31.0, 2.0, 0, 0),
        Blemish("pit", "side", 8.0, 55.0, 4.0, 0, 0),
    )
    told = advice(row("blemishes", 9.0), blemishes=spots).tries[0]
    assert "8 o'clock, 55 mm up" in told.sentence
    assert "separate bowl" in told.act


def test_the_piece_that_must_move_furthest():
    pieces = (
        Decoration(50, 0, 30, 3.0, 1, 1.0, 0.0),
        Decoration(0, 50, 30, 12.0, 1, -6.0, 2.0),
        Decoration(0, 0, 30, 12.0, 0),
    )
    assert "at 12 o'clock" in advice(row("spacing_error", 12.0), decorations=pieces).tries[0].sentence


def test_every_line_of_the_starting_standards_has_an_act():
    for standard in starting_standards():
        for name in standard.lines:
            assert act_for(name, "high") != FALLBACK
    assert {name for name, _ in ACTS} <= set(QUANTITIES)
    assert act_for("colour_a", "high") == FALLBACK
