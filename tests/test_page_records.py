"""Records, trends, house standards and set-up on the page."""

import itertools

import numpy as np

from app import cake_record
from qc import house
from qc.kept_drawings import kept_drawings
from qc.retention import retention_days
from tests.page_driver import measured_cakes, opened, store, written  # fixtures among them
from tests.page_scene import cake, fill, picture
from tests.record_scene import drawing

__all__ = ["measured_cakes", "store"]  # fixtures that are used below


# --- Records --------------------------------------------------------------------------------------------------------


def test_a_record_is_shown_commented_and_judged_again_without_touching_it(store):
    number = fill(store, 1)[0]
    kept = house.in_force(store, "cream-15")
    stricter = dict(kept.standard.lines) | {
        "height": kept.standard.lines["height"].model_copy(update={"tolerance": 0.1})
    }
    second = house.publish(store, kept.standard.model_copy(update={"lines": stricter}), "stricter")
    at = opened("cakes", cake_number=str(number))
    assert f"Cake {number}" in at.title[0].value
    version = next(s for s in at.selectbox if s.label == "Version")
    version.set_value(second.id).run()
    assert "✗ outside" in written(at)
    assert len(store.check(number).judgements) == 1, "looking is not changing"
    next(b for b in at.button if b.label == "Keep this judgement too").click().run()
    assert [j.verdict for j in store.check(number).judgements] == ["within", "outside"]
    next(t for t in at.text_area if t.label == "Comment").set_value("turntable was loose")
    next(b for b in at.button if b.label == "Add this comment").click().run()
    assert store.check(number).comments[-1].text == "turntable was loose"
    assert not at.exception


def test_measuring_again_is_added_beside_the_first(store, monkeypatch):
    number = fill(store, 1, photos={"top": picture(1), "side": picture(2)})[0]
    monkeypatch.setattr(cake_record, "measured_again", lambda *_: (cake(height=(75.0, 0.4)), None))
    monkeypatch.setattr(cake_record, "drawings", lambda _: (drawing("side-surface"),))
    assert kept_drawings(store, number) == (), "an older record says that it has none"
    at = opened("cakes", cake_number=str(number))
    next(b for b in at.button if b.label == "Measure again").click().run()
    assert not at.exception
    record = store.check(number)
    assert [t.result.overall("height").value > 70 for t in record.takes] == [False, True]
    assert [j.verdict for j in record.judgements] == ["within", "outside"]
    cake_record.keep_drawings_later(store, number, lambda: ()).result(20)  # one at a time: the first is done then
    assert [d.name for d in kept_drawings(store, number)] == ["side-surface"]


def test_a_page_to_print(store):
    at = opened("cakes", cake_number=str(fill(store, 1)[0]))
    next(b for b in at.button if b.label == "Make a page to print").click().run()
    assert not at.exception
    assert len(at.get("download_button")) == 1


def test_a_cake_that_is_not_there(store):
    at = opened("cakes", cake_number="99")
    assert at.error[0].value.startswith("There is no check number 99")


def test_names_with_markup_are_text(store):
    name = "<b>x</b> **y** [z](http://a.test) :red[w] $q$"
    fill(store, 1, name)
    at = opened("cakes")
    label = next(b.label for b in at.button if b.key and b.key.startswith("cake_"))
    assert r"\<b\>x\<\/b\>" in label or r"\<b\>" in label
    assert r"\*\*y\*\*" in label
    at = opened("cakes", cake_number="1")
    body = written(at)
    assert "<b>x</b>" not in body
    assert "&lt;b&gt;x&lt;/b&gt;" in body


# --- Trends ---------------------------------------------------------------------------------------------------------


def test_no_trend_under_ten_cakes_and_it_says_so(store):
    fill(store, 9)
    at = opened("trends")
    assert "9 comparable cakes so far and at least 10 are needed" in written(at)


def test_ten_cakes_have_a_trend(store):
    fill(store, 12)
    text = written(opened("trends"))
    assert "on average" in text
    assert "never rank people" in text


# --- House standards ------------------------------------------------------------------------------------------------


def shown(view):
    at = opened("standards")
    at.get("button_group")[0].set_value(view).run()
    assert not at.exception
    return at


def test_a_changed_line_becomes_the_next_version(store):
    fill(store, 1)
    at = shown("change")
    next(n for n in at.number_input if n.label.startswith("Tolerance")).set_value(3.0)
    next(b for b in at.button if b.label == "Keep this line in the draft").click().run()
    assert "165 ± 4 mm" in written(at)
    assert "165 ± 3 mm" in written(at)
    assert house.in_force(store, "cream-15").standard.version == 1, "a draft is not in force"
    next(b for b in at.button if b.label == "Put in force as version 2").click().run()
    kept = house.in_force(store, "cream-15").standard
    assert (kept.version, kept.limit("diameter").half_width) == (2, 3.0)


def test_a_broken_text_is_said_with_line_and_example(store):
    fill(store, 1)
    at = shown("text")
    area = next(t for t in at.text_area if t.label == "Standard")
    area.set_value(area.value.replace("nominal = 65.0", 'nominal = "tall"'))
    next(b for b in at.button if b.label == "Check it and put it in force").click().run()
    assert 'line "height"' in at.error[0].value
    assert "write for example" in at.error[0].value
    assert len(house.versions(store, "cream-15")) == 1


def test_limits_from_ten_accepted_cakes(store):
    fill(store, 12)
    at = shown("cakes")
    next(b for b in at.button if b.label == "Put these limits in force").click().run()
    kept = house.in_force(store, "cream-15").standard
    assert kept.version == 2
    assert kept.limit("height").half_width != 4
    assert not kept.starting_values


def test_the_height_from_the_layers(store):
    fill(store, 1)
    at = shown("layers")
    next(t for t in at.text_input if t.label.startswith("Sponges")).set_value("18, 18, x")
    next(b for b in at.button if b.label == "Work out the height").click().run()
    assert "layers cannot be read" in at.error[0].value
    at = shown("layers")
    next(t for t in at.text_input if t.label.startswith("Sponges")).set_value("18, 18, 18")
    next(b for b in at.button if b.label == "Work out the height").click().run()
    assert "74 ± 3.5 mm" in written(at)


def test_the_gauge_study_says_what_the_set_up_is_good_for(store):
    rng = np.random.default_rng(3)
    rows = ["cake,person,repeat,height"]
    for c, p, r in itertools.product(range(10), "ab", range(2)):
        rows.append(f"{c},{p},{r},{65 + c / 3 + 0.05 * rng.standard_normal():.3f}")
    fill(store, 1)
    at = opened("setup")
    at.file_uploader[0].set_value(("study.csv", "\n".join(rows).encode(), "text/csv")).run()
    assert not at.exception
    assert "✓ Height" in written(at)
    at.file_uploader[0].set_value(("study.csv", b"cake,person\n1,2\n", "text/csv")).run()
    assert "repeat" in at.error[0].value


# --- How long records are kept --------------------------------------------------------------------------------------


def test_a_retention_limit_needs_a_yes(store):
    fill(store, 1)
    at = opened("setup")
    keep = lambda: next(b for b in at.button if b.label == "Keep this limit")  # noqa: E731
    next(n for n in at.number_input if n.label.startswith("Days")).set_value(30).run()
    assert keep().disabled
    next(c for c in at.checkbox if c.label.startswith("Yes, delete")).check().run()
    keep().click().run()
    assert not at.exception
    assert retention_days(store) == 30
    assert store.count() == 1, "it is young"
