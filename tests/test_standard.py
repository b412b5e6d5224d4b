"""House standards: what may be written, what a chef is told when something is wrong, and the five to start from."""

from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.errors import StandardError
from qc.limits import at_least, at_most, between, exactly, figure, limit_words, nominal
from qc.quantities import QUANTITIES
from qc.standard import LayerPlan, check_standard, load_standard, starting_standards

HEAD = 'name = "A"\ncode = "a"\n'
GOOD = HEAD + '[lines.height]\nnominal = 65\ntolerance = 4\ndecides = "must"\n'


def by_code(code):
    return next(s for s in starting_standards() if s.code == code)


# --- Published or analytic values ---------------------------------------------------------------------------------


def test_starting_sizes_are_the_trades():
    """Nominal sizes are common practice (pan sizes in inches are 25.4 mm each); tolerances are invented."""
    nominal_sizes = {
        "cream-15": (165, 65, 55),
        "buttercream-20": (215, 100, 88),
        "semi-naked-15": (156, 100, None),
        "mirror-glaze-16": (164, 47, None),
        "ganache-15": (168, 130, None),
    }
    assert {s.code for s in starting_standards()} == set(nominal_sizes)
    for code, (diameter, height, ring) in nominal_sizes.items():
        standard = by_code(code)
        assert standard.limit("diameter").target == diameter
        assert standard.limit("height").target == height
        if ring:
            assert standard.limit("ring_radius").target == ring
        assert standard.pan_mm < diameter, "the pan and the finished diameter are two things"
    assert by_code("buttercream-20").pan_mm == round(8 * 25.4)


def test_starting_standards_say_that_they_are_starting_values():
    for standard in starting_standards():
        assert standard.starting_values
        assert standard.version == 1
        assert set(standard.lines) <= set(QUANTITIES)
        assert any(line.must for line in standard.lines.values())
        assert any(not line.must for line in standard.lines.values())


def test_a_layer_plan_adds_up():
    """Sum of layers; root sum of squares of independent tolerances (JCGM 100, 5.1.2): sqrt(3*4 + 2*1 + 2.25)."""
    plan = LayerPlan(
        sponge_mm=(15.0, 15, 15), filling_mm=(5, 5), coat_mm=8, sponge_tolerance_mm=2, coat_tolerance_mm=1.5
    )
    assert plan.height_mm == 63
    assert plan.tolerance_mm == pytest.approx(16.25**0.5)
    bare = LayerPlan(sponge_mm=(45.0,), sponge_tolerance_mm=2)
    assert bare.tolerance_mm == 2, "no coat, no tolerance for one"


# --- Recovery of known truth --------------------------------------------------------------------------------------


@pytest.mark.parametrize("standard", starting_standards(), ids=lambda s: s.code)
def test_what_is_written_is_read_back(standard, tmp_path):
    path = tmp_path / f"{standard.code}.toml"
    path.write_text(standard.to_toml(), encoding="utf-8")
    assert load_standard(path) == standard
    assert load_standard(str(path)) == standard
    assert load_standard(standard.to_toml()) == standard


def test_every_kind_of_limit_resolves():
    text = GOOD + (
        "[lines.level]\nat_most = 3\naim = 1\n[lines.side_relief]\nat_least = 0.5\n[lines.show_through]\nlow = 10\n"
        "high = 40\n[lines.decoration_count]\ncount = 8\n[lines.decoration_missing]\nper_order = true\n"
        "[lines.ring_radius]\nper_order = true\ntolerance = 3\n"
    )
    standard = load_standard(text)
    assert standard.limit("height") == nominal(65, 4)
    assert standard.limit("level") == at_most(3, 1)
    assert standard.limit("side_relief") == at_least(0.5)
    assert standard.limit("show_through") == between(10, 40)
    assert standard.limit("decoration_count") == exactly(8)
    assert standard.order_lines == ("decoration_missing", "ring_radius")
    assert standard.limit("ring_radius") is None
    assert standard.limit("ring_radius", {"ring_radius": 50.0}) == nominal(50, 3)
    assert standard.limit("decoration_missing", {"decoration_missing": 2}) == exactly(2)


def test_height_from_layers():
    head = HEAD + "[layers]\nsponge_mm = [15, 15]\nfilling_mm = [6]\ncoat_mm = 4\n"
    line = '[lines.height]\nfrom_layers = true\ndecides = "must"\n'
    standard = load_standard(head + line)
    assert standard.limit("height").target == 40
    assert standard.limit("height").half_width == pytest.approx(standard.layers.tolerance_mm)
    assert load_standard(head + line + "tolerance = 5").limit("height") == nominal(40, 5)
    assert load_standard(standard.to_toml()) == standard


@pytest.mark.parametrize(
    ("name", "limit", "words"),
    [
        ("height", nominal(65, 4), "65 ± 4 mm"),
        ("level", at_most(3), "at most 3 mm"),
        ("edge_radius", at_most(5, 3), "at most 5 mm, aim for 3 mm"),
        ("side_relief", at_least(0.5), "at least 0.5 mm"),
        ("show_through", between(10, 40), "between 10 and 40 %"),
        ("decoration_count", exactly(8), "exactly 8"),
        ("spacing_error", at_most(5), "at most 5°"),
    ],
)
def test_limits_in_words(name, limit, words):
    assert limit_words(name, limit) == words


def test_no_minus_before_a_zero():
    assert figure("dome", -0.02) == "0.0 mm"
    assert figure("dome", -0.3) == "-0.3 mm"


# --- Bad input: one sentence with the place, what is wrong and an example --------------------------------------------

BROKEN = [
    ("[lines.levle]\nat_most = 3", 'line "levle"', "no such quantity", "[lines.level]"),
    ("[lines.level]\natmost = 3", 'line "level"', "atmost is not a name", "at_most = 3"),
    ('[lines.level]\nat_most = "three"', 'line "level"', "found 'three'", "at_most = 3"),
    ("[lines.level]\nat_most = 0", 'line "level"', "greater than 0", "at_most = 3"),
    ("[lines.level]\nat_most = nan", 'line "level"', "a number", "at_most = 3"),
    ("[lines.level]\nat_most = 3\ncount = 2", 'line "level"', "one limit is needed", "at_most = 3"),
    ('[lines.level]\ndecides = "must"', 'line "level"', "found none", "at_most = 3"),
    ("[lines.level]\nnominal = 3", 'line "level"', "tolerance is missing", "tolerance = 4"),
    ("[lines.level]\ntolerance = 3", 'line "level"', "nominal is missing", "nominal = 165"),
    ("[lines.level]\nlow = 4\nhigh = 3", 'line "level"', "smaller than high", "low = 10"),
    ("[lines.level]\nnominal = 4\ntolerance = -3", 'line "level"', "greater than 0", "tolerance = 4"),
    ("[lines.dome]\nat_most = 3", 'line "dome"', "can be negative", "nominal = 0"),
    ("[lines.lean_clock]\nat_most = 3", 'line "lean_clock"', "direction", "[lines.lean]"),
    ("[lines.level]\ncount = 3", 'line "level"', "no count", "at_most = 3"),
    ("[lines.decoration_count]\ncount = 8.5", 'line "decoration_count"', "whole number", "count = 8"),
    ("[lines.ring_radius]\nper_order = true", 'line "ring_radius"', "needs a tolerance", "tolerance = 4"),
    ("[lines.level]\nfrom_layers = true", 'line "level"', "from_layers goes only", "[layers]"),
    ("[lines.colour_shift]\nat_most = 3", 'line "colour_shift"', "house_colour", "house_colour = ["),
    ("[lines.level]\nnominal = 3\ntolerance = 1\naim = 2", 'line "level"', "aim goes only", "aim = 3"),
    ('[lines.level]\nat_most = 3\ndecides = "maybe"', 'line "level"', "'must' or 'coach'", "coach"),
    ("[lines.level]\nat_most = 3\nweight = 0", 'line "level"', "weight", "weight = 2"),
    ("[layers]\nsponge_mm = [-3]", '"layers"', "thickness", "sponge_mm = ["),
    ("[lines.height]\nat_most = 3", "row", "second time", "one of the two"),
    ("[lines.level\nat_most = 3", "row 7", "cannot be read", "at_most = 3"),
]


@pytest.mark.parametrize(("text", "place", "wrong", "example"), BROKEN)
def test_a_broken_line_is_named_with_an_example(tmp_path, text, place, wrong, example):
    path = tmp_path / "tart.toml"
    path.write_text(GOOD + text + "\n", encoding="utf-8")
    with pytest.raises(StandardError) as caught:
        load_standard(path)
    message = str(caught.value)
    assert message.startswith("tart.toml")
    for part in (place, wrong, example):
        assert part in message
    assert "\n" not in message
    assert message.endswith(".")


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("", "name is missing"),
        (GOOD.replace('"A"', '""'), "at least one letter"),
        (GOOD.replace('"a"', '"A b"'), "small letters, digits and hyphens"),
        (GOOD.replace('decides = "must"', ""), "none of them decides"),
        (HEAD + "lines = 3", "a table"),
        (HEAD + "lines.level = 3", "a table of its own"),
        (HEAD + 'date = "soon"\n' + GOOD[len(HEAD) :], "must be a date"),
        (HEAD + "house_colour = [1, 2]\n" + GOOD[len(HEAD) :], "one more number"),
        ('name = "A', "unclosed quotation mark"),
        ("x = " + "1" * 300_000, "too long"),
    ],
)
def test_a_broken_head_is_explained(text, wrong):
    with pytest.raises(StandardError, match=wrong):
        load_standard(text)


def test_a_file_that_is_none(tmp_path):
    with pytest.raises(StandardError, match=r"nowhere\.toml cannot be read"):
        load_standard(Path("nowhere.toml"))
    photo = tmp_path / "top.jpg"
    photo.write_bytes(b"\xff\xd8\xff\xe0" * 40)
    with pytest.raises(StandardError, match=r"top\.jpg cannot be read"):
        load_standard(photo)
    with pytest.raises(StandardError, match="cannot be read"):
        load_standard(tmp_path)


@pytest.mark.parametrize("value", [-3.0, float("nan"), float("inf")])
def test_an_order_that_no_cake_can_have(value):
    with pytest.raises(StandardError, match="Decorations"):
        by_code("semi-naked-15").limit("decoration_count", {"decoration_count": value})


def test_half_a_decoration_is_refused():
    with pytest.raises(StandardError, match="whole number"):
        by_code("semi-naked-15").limit("decoration_count", {"decoration_count": 7.5})


@settings(database=None, deadline=None, max_examples=300)
@given(st.data())
def test_whatever_is_written_is_a_standard_or_one_sentence(data):
    """Lines of a good standard with words swapped for others: never another exception than StandardError."""
    words = ["3", "-1", "nan", "inf", "1e400", '"x"', "true", "[]", "[1,2]", "{}", "2026-01-01T00:00:00", "''", "="]
    lines = by_code("cream-15").to_toml().splitlines()
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(lines) - 1))
        key = lines[at].split("=")[0]
        lines[at] = data.draw(
            st.sampled_from([f"{key}= {w}" for w in words] + ["", "[lines]", "[[lines.level]]", "x=1"])
        )
    said = ""
    try:
        load_standard("\n".join(lines))
    except StandardError as error:
        said = str(error)
    assert "\n" not in said
    assert len(said) < 600


@settings(database=None, deadline=None, max_examples=200)
@given(st.text(max_size=80))
def test_any_text_at_all_is_a_standard_or_one_sentence(text):
    with pytest.raises(StandardError):
        load_standard(text + "\n")


def test_a_form_is_checked_like_a_file():
    data = {"name": "A", "code": "a", "date": date(2026, 3, 1), "lines": {"height": {"from_layers": True}}}
    with pytest.raises(StandardError, match="from_layers"):
        check_standard(data)


def test_a_standard_cannot_be_changed_in_place():
    with pytest.raises(Exception, match="frozen"):
        by_code("cream-15").name = "other"
