"""`cakeqc check`: exit status, what is saved, what is said when it cannot be; measuring has tests of its own."""

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import typer
from PIL import Image
from typer.testing import CliRunner, Result

from qc import checking
from qc.commands import check as command
from qc.errors import CakeQCError
from qc.kept_drawings import kept_drawings
from qc.quantities import CheckResult, Measurement
from qc.records import open_store
from qc.standard import load_standard, starting_standards
from tests.record_scene import drawing

Run = Callable[..., Result]


def measured(diameter: float) -> CheckResult:
    values = {"diameter": diameter, "height": 65.0, "level": 0.5, "show_through": 0.1, "decoration_count": 8.0}
    units = {"show_through": "%", "decoration_count": "1"}
    rows = (
        Measurement(n, v, 0.0 if n == "decoration_count" else 0.1, units.get(n, "mm"), ("top",))
        for n, v in values.items()
    )
    return CheckResult(tuple(rows))


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Runs the command on two photos; `diameter` is what the stages are said to have measured."""
    for seed, name in enumerate(("top", "side")):
        out = io.BytesIO()
        coarse = np.random.default_rng(seed).integers(0, 255, (6, 8, 3), dtype=np.uint8)
        Image.fromarray(np.kron(coarse, np.ones((200, 200, 1), np.uint8))).save(out, "JPEG")
        (tmp_path / f"{name}.jpg").write_bytes(out.getvalue())
    app = typer.Typer()
    command.register(app)
    app.command("other")(lambda: None)

    def act(*given: str, diameter: float = 165.0) -> Result:
        monkeypatch.setattr(checking, "run_stages", lambda *_: None)
        monkeypatch.setattr(checking, "assemble", lambda *_: measured(diameter))
        monkeypatch.setattr(checking, "drawings", lambda _: (drawing(),))
        photos = ["--top", str(tmp_path / "top.jpg"), "--side", str(tmp_path / "side.jpg")]
        database = ["--database", f"sqlite:///{tmp_path / 'r.sqlite'}"]
        return CliRunner().invoke(app, ["check", *photos, *database, *given], catch_exceptions=False)

    return act


WHO = ("--decorator", "Mint", "--add-decorator")


def test_exit_status_is_one_when_outside(run: Run, tmp_path: Path) -> None:
    within, outside = run(*WHO, "--kind", "cream-15"), run(*WHO, "--kind", "cream-15", diameter=180.0)
    assert (within.exit_code, outside.exit_code) == (0, 1)
    assert "Saved as cake 1." in within.output
    store = open_store(f"sqlite:///{tmp_path / 'r.sqlite'}")
    assert [d.name for d in kept_drawings(store, 1)] == ["pattern"]
    store.close()
    assert "outside" in outside.output
    assert "Try: Diameter" in outside.output
    store = open_store(f"sqlite:///{tmp_path / 'r.sqlite'}")
    found = store.check(2)
    assert set(found.photos) == {"top", "side"}
    assert found.judgement is not None
    assert found.standard is not None
    assert found.judgement.standard_id == found.standard.id
    store.close()


def test_notes_and_decision_are_saved(run: Run, tmp_path: Path) -> None:
    given = [
        "--rush",
        "--kitchen-temperature",
        "24",
        "--notes",
        "warm",
        "--decision",
        "passed",
        "--reason",
        "for staff",
    ]
    assert run(*WHO, "--kind", "cream-15", *given).exit_code == 0
    store = open_store(f"sqlite:///{tmp_path / 'r.sqlite'}")
    found = store.check(1)
    assert (found.circumstances.rush, found.circumstances.kitchen_temperature_c) == (True, 24)
    assert found.decision is not None
    assert found.decision.reason == "for staff"
    store.close()


def test_nothing_is_saved_when_not_wanted(run: Run, tmp_path: Path) -> None:
    assert run(*WHO, "--kind", "cream-15", "--no-save").exit_code == 0
    store = open_store(f"sqlite:///{tmp_path / 'r.sqlite'}")
    assert store.count() == 0
    store.close()


def test_standard_from_a_file_becomes_the_next_version(run: Run, tmp_path: Path) -> None:
    standard = starting_standards()[1]
    lines = dict(standard.lines)
    lines["diameter"] = lines["diameter"].model_copy(update={"nominal": 180.0})
    path = tmp_path / "mine.toml"
    path.write_text(standard.model_copy(update={"lines": lines}).to_toml(), encoding="utf-8")
    assert run(*WHO, "--standard", str(path), diameter=180.0).exit_code == 0
    store = open_store(f"sqlite:///{tmp_path / 'r.sqlite'}")
    versions = store.standards("cream-15")
    assert len(versions) == 2
    assert load_standard(versions[-1].text).lines["diameter"].nominal == 180
    assert store.check(1).standard == versions[-1]
    store.close()
    with pytest.raises(CakeQCError, match="leave --kind out"):
        run(*WHO, "--standard", str(path), "--kind", "ganache-15")


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (("--decorator", "Nobody", "--kind", "cream-15"), "no decorator 'Nobody'"),
        ((*WHO,), "kind of cake is missing"),
        ((*WHO, "--kind", "cream-99"), "cream-99"),
        ((*WHO, "--kind", "cream-15", "--order", "height"), "no name=number"),
        ((*WHO, "--kind", "cream-15", "--decision", "eaten"), "'eaten' is no decision"),
        ((*WHO, "--kind", "cream-15", "--side", "nowhere.jpg"), "side photo nowhere.jpg cannot be read"),
        ((*WHO, "--kind", "cream-15", "--print-scale", "3"), "print scale"),
    ],
)
def test_bad_input_is_one_sentence(run: Run, tmp_path: Path, given: tuple[str, ...], said: str) -> None:
    with pytest.raises(CakeQCError, match=said) as caught:
        run(*given)
    assert "\n" not in str(caught.value)
    store = open_store(f"sqlite:///{tmp_path / 'r.sqlite'}")
    assert store.count() == 0
    store.close()
