"""The printed pages: one page each, what stands on them, plain text."""

import io
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from qc import house
from qc.demo_history import APPRENTICE, CREAM, HELPER, fill
from qc.errors import RecordError
from qc.quantities import CheckResult, Measurement
from qc.record_types import Circumstances, NewCheck
from qc.records import Store, open_store
from qc.report import check_report
from qc.report_month import month_report
from qc.verdict import judge

TODAY = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    store = open_store(f"sqlite:///{tmp_path_factory.mktemp('report') / 'r.sqlite'}")
    fill(store, TODAY)
    yield store
    store.close()


def pages(pdf: bytes) -> int:
    return len(re.findall(rb"/Type /Page\b", pdf))


def letters(pdf: bytes) -> set[str]:
    """Every character on the page, from the fonts' tables of glyph to character."""
    tables = re.findall(rb"begincmap(.*?)endcmap", pdf, re.S)
    pairs = [p for t in tables for p in re.findall(rb"<[0-9A-Fa-f]{4}> <([0-9A-Fa-f]{4})>\s", t)]
    return {chr(int(p, 16)) for p in pairs}


def photo(seed: int) -> bytes:
    out = io.BytesIO()
    pixels = np.kron(
        np.random.default_rng(seed).integers(0, 255, (6, 8, 3), dtype=np.uint8), np.ones((200, 200, 1), np.uint8)
    )
    Image.fromarray(pixels).save(out, "JPEG")
    return out.getvalue()


def save(store: Store, notes: str = "") -> int:
    kept = house.in_force(store, CREAM)
    result = CheckResult(
        (
            Measurement("diameter", 172.0, 0.8, "mm", ("top",)),
            Measurement("level", 0.4, 0.5, "mm", ("side",), interval=(0.0, 0.9)),
            Measurement("height", 64.0, 0.5, "mm", ("side",)),
        ),
        warnings=("dome: these photos do not show it",),
    )
    judgement = judge(result, kept.standard)
    photos = {n: photo(i) for i, n in enumerate(("top", "side", "side2"))}
    about = Circumstances(24.0, True, "new cream", notes)
    return store.save_check(
        NewCheck(APPRENTICE, CREAM, result, photos, judgement, kept.id, circumstances=about, time=TODAY)
    )


def test_check_page_is_one_page_with_its_pictures(shop: Store) -> None:
    pdf = check_report(shop, save(shop, "<b>bold</b> & plain"))
    assert pdf.startswith(b"%PDF")
    assert pages(pdf) == 1
    assert len(re.findall(rb"/Subtype /Image", pdf)) == 3
    assert set("±✗°") <= letters(pdf)
    assert set("<b>/&") <= letters(pdf)  # markup is printed, not obeyed


def test_page_without_photos_without_judgement_and_with_long_notes(shop: Store) -> None:
    result = CheckResult((Measurement("level", 0.4, 0.5, "mm", ("side",)),), warnings=("a long warning " * 60,) * 20)
    number = shop.save_check(NewCheck(HELPER, "no such standard", result, time=TODAY))
    for i in range(30):
        shop.add_comment(number, f"comment {i} " * 30)
    assert pages(check_report(shop, number)) == 1


def test_lost_photo_does_not_stop_the_page(shop: Store) -> None:
    number = save(shop)
    photos = shop.check(number).photos
    kept = {name: p.path.read_bytes() for name, p in photos.items()}
    try:
        photos["top"].path.unlink()
        assert pages(check_report(shop, number)) == 1
    finally:
        photos["top"].path.write_bytes(kept["top"])


@pytest.mark.parametrize("who", [APPRENTICE, None])
def test_month_page_is_one_page(shop: Store, who: str | None) -> None:
    assert pages(month_report(shop, 2026, 10, who)) == 1


def test_month_of_few_cakes_says_so(shop: Store) -> None:
    made = shop.checks(HELPER, limit=100)
    day = made[-1].time
    assert pages(month_report(shop, day.year, day.month, HELPER)) == 1


@pytest.mark.parametrize(("year", "month", "said"), [(2026, 13, "no month 13"), (1999, 1, "No cake of")])
def test_month_that_is_none(shop: Store, year: int, month: int, said: str) -> None:
    with pytest.raises(RecordError, match=said):
        month_report(shop, year, month)


def test_check_that_is_none(shop: Store) -> None:
    with pytest.raises(RecordError, match="no check number"):
        check_report(shop, 10_000_000)


def test_fonts_ship_with_the_program() -> None:
    fonts = Path(__file__).parents[1] / "qc" / "fonts"
    assert {"DejaVuSans.ttf", "DejaVuSans-Bold.ttf"} <= {f.name for f in fonts.iterdir()}
