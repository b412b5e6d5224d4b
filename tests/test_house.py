"""The house's standards in the records: what is in force when, versions, judging again, the card's printed lines."""

from datetime import UTC, datetime, timedelta

import pytest

from qc import house
from qc.errors import RecordError, StandardError
from qc.records import open_store
from qc.standard import starting_standards
from tests.page_scene import fill


@pytest.fixture
def store(tmp_path):
    opened = open_store(f"sqlite:///{tmp_path / 'cakes.db'}")
    house.begin(opened)
    yield opened
    opened.close()


def tightened(standard, tolerance):
    lines = dict(standard.lines) | {"height": standard.lines["height"].model_copy(update={"tolerance": tolerance})}
    return standard.model_copy(update={"lines": lines})


# --- Recovery of known truth --------------------------------------------------------------------------------------


def test_a_new_shop_has_the_starting_standards_once(store):
    house.begin(store)
    assert [k.standard.code for k in house.all_in_force(store)] == sorted(
        (s.code for s in starting_standards()), key=lambda code: code
    )
    assert len(house.versions(store, "cream-15")) == 1


def test_a_cake_is_judged_by_the_version_of_its_time(store):
    first = house.in_force(store, "cream-15")
    second = house.publish(store, tightened(first.standard, 1.0), "tighter")
    assert second.standard.version == 2
    assert house.in_force(store, "cream-15").standard == second.standard
    yesterday = datetime.now(UTC) - timedelta(days=1)
    assert house.in_force(store, "cream-15", yesterday).standard == first.standard


def test_the_same_limits_are_no_new_version(store):
    first = house.in_force(store, "cream-15")
    house.publish(store, first.standard)
    assert len(house.versions(store, "cream-15")) == 1


def test_judging_again_leaves_the_record(store):
    number = fill(store, 1)[0]
    record = store.check(number)
    tighter = house.publish(store, tightened(house.in_force(store, "cream-15").standard, 0.1))
    again = house.judge_again(record, tighter)
    assert again.verdict == "outside"
    assert again.standard_version == 2
    assert store.check(number) == record


def test_the_card_s_scale_is_short_line_then_long_line(store):
    assert house.card_scale(store) == (1.0, 1.0)
    house.set_card_lines(store, 198.0, 99.5)
    assert house.card_lines_mm(store) == (198.0, 99.5)
    assert house.card_scale(store) == pytest.approx((0.995, 0.99))


# --- Bad input ----------------------------------------------------------------------------------------------------


def test_a_kind_without_a_standard(store):
    with pytest.raises(StandardError, match='no house standard for "tart"'):
        house.in_force(store, "tart")


@pytest.mark.parametrize("long_mm", [260.0, 0.0, float("nan")])
def test_a_card_line_that_no_print_has(store, long_mm):
    with pytest.raises(RecordError, match="100 %"):
        house.set_card_lines(store, long_mm, 100.0)
    assert house.card_scale(store) == (1.0, 1.0)
