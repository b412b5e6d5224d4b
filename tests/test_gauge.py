"""The gauge study and its command."""

import json
from pathlib import Path

import numpy as np
import pytest
import typer
from numpy.typing import NDArray
from typer.testing import CliRunner

from qc import limits
from qc.commands import gauge as command
from qc.errors import RecordError
from qc.gauge import by_anova, by_ranges, crossed_anova, finer_than_setup, summary, verdict
from qc.gauge_table import read_table

AIAG = json.loads((Path(__file__).parent / "published" / "aiag_grr.json").read_text())


@pytest.fixture(scope="module")
def published() -> NDArray[np.float64]:
    """(10 parts, 3 appraisers, 3 trials)."""
    return np.array([AIAG["data_appraiser_part_trial"][who] for who in "ABC"]).transpose(1, 0, 2)


def test_published_gauge_study_by_anova(published: NDArray[np.float64]) -> None:
    """AIAG MSA, 4th ed., chapter III B: table of the analysis of variance and its components (interaction pooled)."""
    table, said = crossed_anova(published), AIAG["anova"]
    squares = (table.ss_people, table.ss_cakes, table.ss_interaction, table.ss_repeats)
    assert squares == pytest.approx([said["SS"][k] for k in ("appraiser", "part", "inter", "equip")], abs=6e-5)
    means = (table.ms_people, table.ms_cakes, table.ms_interaction, table.ms_repeats)
    assert means == pytest.approx([said["MS"][k] for k in ("appraiser", "part", "inter", "equip")], abs=6e-6)
    assert table.interaction_p == pytest.approx(said["p_inter"], abs=1e-6)
    study, pooled = by_anova("level", published), said["pooled"]
    found = (study.repeatability, study.reproducibility, study.total_gauge, study.parts)
    assert found == pytest.approx([pooled[k] for k in ("EV", "AV", "GRR", "PV")], abs=2e-6)
    assert study.total == pytest.approx(pooled["TV"], abs=5e-4)
    assert study.share_of_total() == pytest.approx(pooled["pct_tv"][2], abs=0.05)
    assert study.categories == pytest.approx(pooled["ndc"], abs=1e-3)


def test_published_gauge_study_by_ranges(published: NDArray[np.float64]) -> None:
    """AIAG MSA, 4th ed., chapter III B: average and range method (its K factors have four digits)."""
    study, said = by_ranges("level", published), AIAG["avg_range"]
    found = (study.repeatability, study.reproducibility, study.total_gauge, study.parts, study.total)
    assert found == pytest.approx([said[k] for k in ("EV", "AV", "GRR", "PV", "TV")], abs=2e-4)
    assert study.share_of_total() == pytest.approx(said["pct"][2], abs=0.02)
    assert study.categories == pytest.approx(said["ndc"], abs=2e-3)


def test_crossed_anova_against_statsmodels(published: NDArray[np.float64]) -> None:
    """Independent library: statsmodels' two-way table with interaction."""
    import pandas as pd
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    index = np.indices(published.shape)
    frame = pd.DataFrame({"y": published.ravel(), "cake": index[0].ravel(), "person": index[1].ravel()})
    table = anova_lm(ols("y ~ C(cake) * C(person)", frame).fit())
    found = crossed_anova(published)
    assert table["sum_sq"].to_numpy() == pytest.approx(
        [found.ss_cakes, found.ss_people, found.ss_interaction, found.ss_repeats]
    )


def test_components_recover_the_truth() -> None:
    """Recovery over 200 studies: repeatability 0.3, people 0.2, cakes 1.0, cake-by-person 0.2 (variances, 10 %)."""
    rng = np.random.default_rng(3)
    found = []
    for _ in range(200):
        table = rng.normal(0, 1, (10, 1, 1)) + rng.normal(0, 0.2, (1, 3, 1))
        table = table + rng.normal(0, 0.2, (10, 3, 1)) + rng.normal(0, 0.3, (10, 3, 3))
        found.append(by_anova("level", table))
    assert np.mean([s.repeatability**2 for s in found]) == pytest.approx(0.09, rel=0.1)
    assert np.mean([(s.reproducibility or 0) ** 2 for s in found]) == pytest.approx(0.08, rel=0.25)
    assert np.mean([(s.parts or 0) ** 2 for s in found]) == pytest.approx(1.0, rel=0.1)


def test_one_cake_or_one_person_shows_what_it_can() -> None:
    rng = np.random.default_rng(4)
    alone = by_anova("level", rng.normal(1, 0.1, (1, 1, 8)))
    assert (alone.reproducibility, alone.parts, alone.categories) == (None, None, None)
    assert alone.repeatability == pytest.approx(0.1, rel=0.6)
    person = by_anova("level", rng.normal(0, 1, (8, 1, 1)) + rng.normal(0, 0.1, (8, 1, 3)))
    assert person.reproducibility is None
    assert person.parts is not None


def test_verdicts_in_plain_words(published: NDArray[np.float64]) -> None:
    study = by_anova("level", published)
    good, poor = verdict(study, limits.between(0, 30)), verdict(study, limits.at_most(3))
    assert (good.grade, poor.grade) == ("good enough", "not good enough")
    assert poor.share == pytest.approx(100 * 6 * 0.302373 / 3, abs=0.1)
    assert verdict(study, limits.at_most(10)).grade == "usable with care"
    ridges = verdict(by_anova("side_ridges", published), limits.at_most(0.3))
    assert summary((good, ridges)) == "Good enough to judge slope of the top; not for side ridges."
    assert "own variation" in verdict(study, None).sentence


def test_tolerance_finer_than_the_setup() -> None:
    """ISO 14253-1: nothing can be proven within a tolerance whose half is under the expanded uncertainty."""
    assert finer_than_setup("height", limits.nominal(65, 4), 0.6) is None
    assert "finer than these photos" in (finer_than_setup("height", limits.nominal(65, 0.5), 0.6) or "")
    assert "too close to call" in (finer_than_setup("level", limits.at_most(3), 0.8) or "")


# ---- the table and the command ----------------------------------------------------------------------------------


def write_study(path: Path, table: NDArray[np.float64]) -> Path:
    lines = ["cake,person,repeat,level"]
    for (cake, person, repeat), value in np.ndenumerate(table):
        lines.append(f"cake {cake},{'ABC'[person]},{repeat + 1},{value}")
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def test_table_is_read_back(tmp_path: Path, published: NDArray[np.float64]) -> None:
    (found,) = read_table(write_study(tmp_path / "study.csv", published))
    assert found.values == pytest.approx(published)
    assert (len(found.cakes), found.people, found.left_out) == (10, ("A", "B", "C"), ())


def test_incomplete_cake_is_left_out_and_named(tmp_path: Path, published: NDArray[np.float64]) -> None:
    path = write_study(tmp_path / "study.csv", published)
    path.write_text("\n".join(path.read_text().splitlines()[:-1]), encoding="utf-8")
    (found,) = read_table(path)
    assert found.left_out == ("cake 9",)
    assert found.values.shape == (9, 3, 3)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no column 'cake'"),
        ("cake,person,repeat\n1,A,1", "has no values"),
        ("cake,person,repeat,softness\n1,A,1,2", "nothing called 'softness'"),
        ("cake,person,repeat,level\n1,A,1,abc", "line 2: 'abc' under level"),
        ("cake,person,repeat,level\n1,A,1,1\n1,A,1,2", "line 3: the same cake, person and repeat"),
        ("cake,person,repeat,level\n1,A,1", "line 2: not as many entries"),
        ("cake,person,repeat,level\n1,A,1,1\n2,A,1,1", "at least two values"),
        ("cake,person,repeat,check\n1,A,1,7", "line 2: '7' under check"),
    ],
)
def test_bad_tables_are_named_by_line(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "study.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RecordError, match=said):
        read_table(path)


def test_gauge_command(tmp_path: Path, published: NDArray[np.float64]) -> None:
    app = typer.Typer()
    command.register(app)
    app.command("other")(lambda: None)
    study = write_study(tmp_path / "study.csv", published + 2)
    database = f"sqlite:///{tmp_path / 'r.sqlite'}"
    out = tmp_path / "out.csv"
    given = ["gauge", str(study), "--kind", "cream-15", "--csv", str(out), "--database", database]
    found = CliRunner().invoke(app, given, catch_exceptions=False)
    assert found.exit_code == 0
    assert "Not for slope of the top." in found.output
    assert "0.302" in out.read_text()
    ranges = CliRunner().invoke(app, [*given, "--method", "ranges"], catch_exceptions=False)
    assert "0.306" in ranges.output
