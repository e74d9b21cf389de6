"""Each verdict is explained from the archive alone: its sentence, and the spectrum behind it."""

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree

import pytest
from typer.testing import CliRunner, Result

from speclake.api import Archive
from speclake.cli.app import app
from speclake.errors import NotFound
from tests.intake.test_several import REMAINDER, S_AND_P, Lab, s_and_p
from tests.labs import SPEC

RED = """
[[requirement]]
id = "red"
what = "mean"
unit = "%T"
band = [505, 510]
at_least = "80.0"
"""


@pytest.fixture
def archive(lot: Path, tmp_path: Path) -> Iterator[Archive]:
    """A copy of the lot, judged by two requirements."""
    shutil.copytree(lot, tmp_path / "lab")
    (tmp_path / "lab/specs/plate.toml").write_text(SPEC + RED, "utf-8")
    with Archive.open(tmp_path / "lab") as opened:
        opened.adopt_revision("L1", "plate", who="op", why="another requirement")
        yield opened


def key_of(archive: Archive, sample: str) -> str:
    found: str = archive.find(sample=sample)["measurement_id"][0]
    return found


def test_the_worst_verdict_comes_first_and_each_has_its_picture(archive: Archive) -> None:
    found = archive.explain(key_of(archive, "S2"))
    assert [(each.verdict.requirement, str(each.verdict.outcome)) for each in found] == [
        ("green", "fail"), ("red", "pass"),
    ]  # fmt: skip
    assert found[0].picture is not None
    assert found[0].picture.windows == ((500.0, 510.0),)
    assert "found 85.00 %T" in found[0].picture.words
    assert found[0].sentence.startswith("Minimum transmittance from 500 nm to 510 nm")


def test_an_earlier_version_explains_the_verdicts_that_it_gave(archive: Archive) -> None:
    """The file says otherwise by now; the verdict and its picture are as they were."""
    (archive.root / "specs/plate.toml").write_text(SPEC.replace("90.0", "70.0"), "utf-8")
    found = archive.explain(key_of(archive, "S2"), requirement="green")[0]
    assert found.picture is not None
    assert [each.text for each in found.picture.limits] == ["at least 90.0 %T"]


def test_a_verdict_that_is_not_there_is_said(archive: Archive) -> None:
    with pytest.raises(NotFound, match="no current verdict of 'blue' by 'plate'"):
        archive.explain(key_of(archive, "S2"), requirement="blue", spec="plate")
    with pytest.raises(NotFound):
        archive.explain("0" * 32)


def run(archive: Archive, *words: str) -> Result:
    return CliRunner().invoke(app, ["explain", *words, "--archive", str(archive.root)])


def test_the_command_prints_sentences_and_writes_a_picture(
    archive: Archive, tmp_path: Path
) -> None:
    key = key_of(archive, "S2")
    told = run(archive, key).output.splitlines()
    assert len(told) == 2
    assert told[0].startswith("Minimum transmittance")
    target = tmp_path / "green.svg"
    done = run(archive, key, "--requirement", "green", "--picture", str(target))
    assert done.exit_code == 0
    assert ElementTree.parse(target).getroot().get("role") == "img"
    assert not target.with_name("green.svg.part").exists()
    rows = json.loads(run(archive, key, "--json").output)
    assert [row["requirement"] for row in rows] == ["green", "red"]
    assert "hatched" in rows[0]["picture"]


@pytest.mark.parametrize(
    ("words", "found"),
    [(("--picture", "all.svg"), "found 2 verdicts ('green', 'red'); expected one"),
     (("-r", "green", "--picture", "green.png"), "expected .svg")],
)  # fmt: skip
def test_a_picture_that_cannot_be_written_leaves_no_file(
    archive: Archive, tmp_path: Path, words: tuple[str, ...], found: str
) -> None:
    words = (*words[:-1], str(tmp_path / words[-1]))
    done = run(archive, key_of(archive, "S2"), *words)
    assert found in str(done.exception)
    assert not (tmp_path / words[-1]).exists()


def test_a_derived_spectrum_is_the_one_drawn_with_those_it_was_made_of(tmp_path: Path) -> None:
    """Light s at 95.1 %R and p at 84.9 %R have the mean 90.0 %R."""
    lab = Lab(tmp_path, S_AND_P)
    lab.take(*s_and_p(lab))
    (found,) = lab.archive.explain(lab.named("s1"))
    assert found.verdict.spectrum != "as exported"
    assert found.picture is not None
    heights = [(line.what, float(line.values[0])) for line in found.picture.lines]
    assert heights == [
        ("judged", pytest.approx(90.0)), ("beside", pytest.approx(95.1, abs=1e-4)),
        ("beside", pytest.approx(84.9, abs=1e-4)),
    ]  # fmt: skip
    lab.archive.close()


def test_where_the_spectrum_says_something_else_there_is_no_picture_and_the_reason(
    tmp_path: Path,
) -> None:
    """What T and R leave cannot be drawn from T alone while R is not there."""
    lab = Lab(tmp_path, REMAINDER)
    lab.take(lab.write("t1", 60.0, end="t", Angle=8, Bandwidth=2))
    (found,) = lab.archive.explain(lab.named("t1"))
    assert str(found.verdict.outcome) == "not measurable"
    assert found.picture is None
    assert "%T cannot become %A+S" in found.no_picture
    lab.archive.close()
