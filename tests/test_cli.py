"""The command line as a whole: help, the README's table, one-sentence errors, and the commands that need no cake."""

import re
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from qc import cli
from qc.commands.demo import demo
from qc.errors import CakeQCError
from qc.finder import LABELS
from tests import truth as truths

ROOT = Path(__file__).parent.parent
WHITE = ROOT / "sample_images" / "white-strawberries"
GROUPS = {"camera": ("calibrate", "list"), "records": ("list", "show", "export", "import", "delete")}


def as_a_process(*given: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "qc.cli", *map(str, given)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)


# ---------------------------------------------------------------- frozen: what is offered
@pytest.mark.parametrize("name", cli.COMMANDS)
def test_every_command_says_what_it_does(name: str) -> None:
    found = CliRunner().invoke(cli.app, [name, "--help"], catch_exceptions=False)
    assert found.exit_code == 0
    assert all(inner in found.output for inner in GROUPS.get(name, ("--help",)))
    overview = CliRunner().invoke(cli.app, ["--help"], catch_exceptions=False).output
    assert re.search(rf"\b{name}\b", overview)


def test_the_readme_tells_of_every_command_and_option() -> None:
    """Each command has its row, and no option stands in the README that the program does not know."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| `(\w+)` \|", readme, re.MULTILINE)
    assert sorted(rows) == sorted(cli.COMMANDS)
    for row in re.findall(r"^\| `\w+` \|.*$", readme, re.MULTILINE):
        command = row.split("`")[1]
        known = CliRunner().invoke(cli.app, [command, "--help"], env={"COLUMNS": "200"}).output
        assert all(option in known for option in re.findall(r"`(--[\w-]+)`", row)), command
    for line in re.findall(r"(?<=`)cakeqc [^`]+|(?<=        )cakeqc .+", readme):
        command, *rest = line.split()[1:]
        known = CliRunner().invoke(cli.app, [command, "--help"], env={"COLUMNS": "200"}).output
        assert all(option in known for option in rest if option.startswith("--")), line


def test_unknown_words_are_refused_without_a_traceback() -> None:
    for given in (["bake"], ["measure", "--topp", "a.jpg"], ["page", "--port", "0"], ["card", "--paper", "a7"]):
        done = as_a_process(*given)
        assert done.returncode == 2, given
        assert "Traceback" not in done.stderr


# ---------------------------------------------------------------- errors
@pytest.mark.parametrize(
    ("given", "said"),
    [
        (("measure",), "A photo is missing"),
        (("measure", "--top", "nowhere.jpg", "--side", "nowhere.jpg"), "nowhere.jpg"),
        (("measure", "--top", "a.jpg", "--side", "b.jpg", "--print-scale", "0.2"), "print scale"),
        (("outline", "nowhere.jpg"), "nowhere.jpg"),
        (("records", "show", "7"), "7"),
        (("gauge", "nowhere.csv"), "nowhere.csv"),
        (("card", "--out", "no/such/folder/card.pdf"), "card.pdf"),
        (("camera", "calibrate", "nowhere.jpg"), "nowhere.jpg"),
    ],
)
def test_main_prints_one_sentence_and_ends_with_two(
    given: tuple[str, ...], said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["cakeqc", *given])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    told = capsys.readouterr().err.strip()
    assert ended.value.code == 2
    assert said in told
    assert "\n" not in told
    assert "Traceback" not in told


def test_a_demo_never_touches_a_folder_of_ours(tmp_path: Path) -> None:
    (tmp_path / "records.sqlite").write_bytes(b"the shop's own")
    with pytest.raises(CakeQCError, match="no demo's folder"):
        demo(page=False, folder=tmp_path)
    assert (tmp_path / "records.sqlite").read_bytes() == b"the shop's own"


# ---------------------------------------------------------------- recovery of known truth
def test_outline_finds_the_cake_where_it_is(tmp_path: Path) -> None:
    """The label map has the photo's size, and its icing lies round the true axis of the rendered cake."""
    map_file, drawn = tmp_path / "labels.png", tmp_path / "seen.jpg"
    given = ["outline", str(WHITE / "side.jpg"), "--labels", str(map_file), "--draw", str(drawn)]
    found = CliRunner().invoke(cli.app, given, catch_exceptions=False)
    assert found.exit_code == 0
    assert "side.jpg: sure to" in found.output
    labels, photo = cv2.imread(str(map_file), cv2.IMREAD_UNCHANGED), cv2.imread(str(WHITE / "side.jpg"))
    assert labels is not None
    assert photo is not None
    assert labels.shape == photo.shape[:2]
    assert set(np.unique(labels)) <= set(range(len(LABELS)))
    view, body = truths.true_view(truths.load(WHITE), "side"), truths.true_body(truths.load(WHITE))
    axis = view.project(np.array([[0.0, 0.0, share * body.height_mm] for share in (0.3, 0.5, 0.7)]))
    assert all(labels[round(v), round(u)] == LABELS.index("body") for u, v in axis)
    assert drawn.stat().st_size > 10_000


def test_without_a_card_no_length_is_said(tmp_path: Path) -> None:
    out = tmp_path / "r.json"
    given = ["measure", "--no-card", "--top", str(WHITE / "top.jpg"), "--json", str(out)]
    found = CliRunner().invoke(cli.app, given, catch_exceptions=False)
    assert found.exit_code == 0
    assert " mm" not in found.output
    assert out.exists()
