"""The package of the guide, taken from its page: built, installed beside speclake, and in use."""

import json
import sys
import venv
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.markdown import ROOT, blocks_of
from tests.wheels import build, build_project, python, run

FILES = {b.file: b.text for b in blocks_of(ROOT / "docs/importers.md") if b.file}
MODULE, PROJECT = FILES["plugins/grid.py"], FILES["pyproject.toml"]


@dataclass(frozen=True)
class Environment:
    """A virtual environment and a folder to work in."""

    folder: Path
    work: Path

    def run(self, program: str, *words: str | Path) -> str:
        """Everything that a program of the environment prints; it must end well."""
        return run(self.folder / "bin" / program, *words, cwd=self.work)


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Wheel of the package of the guide."""
    source = tmp_path_factory.mktemp("grid")
    (source / "speclake_grid.py").write_text(MODULE, "utf-8")
    (source / "pyproject.toml").write_text(PROJECT, "utf-8")
    return build(source, tmp_path_factory.mktemp("grid-dist")).wheel


@pytest.fixture(scope="module")
def environment(package: Path, tmp_path_factory: pytest.TempPathFactory) -> Environment:
    """New environment with the wheels of speclake and of the package, and what speclake needs."""
    project = build_project(tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("dist"))
    made = Environment(tmp_path_factory.mktemp("environment"), tmp_path_factory.mktemp("work"))
    venv.create(made.folder, symlinks=True)
    pip = ("-m", "pip", "--python", made.folder, "install", "--quiet", "--no-index", "--no-deps")
    python(*pip, project.wheel, package, cwd=made.work)
    # only now: pip would take what lies on these paths for installed
    paths = [each for each in sys.path if Path(each).name in ("site-packages", "dist-packages")]
    (site,) = made.folder.glob("lib/python*/site-packages")
    (site / "needed.pth").write_text("\n".join(paths), "utf-8")
    for name in ("W-17.grid", "test_grid.py"):
        (made.work / name).write_text(FILES[name], "utf-8")
    return made


def test_package_takes_fewer_than_forty_lines() -> None:
    written = [line for line in (MODULE + PROJECT).splitlines() if line.strip()]
    assert 20 < len(written) < 40


def test_both_are_imported_from_the_new_environment(environment: Environment) -> None:
    ask = "import speclake, speclake_grid as g; print(speclake.__file__, g.__file__, sep='\\n')"
    homes = environment.run("python", "-c", ask).splitlines()
    assert len(homes) == 2
    assert [home for home in homes if environment.folder not in Path(home).parents] == []


def test_it_ingests_its_export_in_the_new_environment(environment: Environment) -> None:
    environment.run("speclake", "new", "lab")
    listed = environment.run("speclake", "importers", "--archive", "lab").splitlines()
    assert [line.split() for line in listed if line.startswith("grid ")] == [["grid", "1", "ready"]]
    environment.run("speclake", "ingest", "--archive", "lab", "W-17.grid")
    told = json.loads(environment.run("speclake", "find", "--archive", "lab", "--json"))
    assert [each["sample"] for each in told["measurements"]] == ["W-17"]
    ask = (
        "import speclake\n"
        "with speclake.open('lab') as archive:\n"
        "    (spectra,) = archive.spectra(archive.find()['measurement_id'])\n"
        "print([spectra.axis.values.tolist(), spectra.values.tolist()])"
    )
    said = environment.run("python", "-c", ask)
    assert json.loads(said) == [[400.0, 400.5, 401.0], [[91.92, 91.95, -0.04]]]


def test_its_own_test_passes_in_the_new_environment(environment: Environment) -> None:
    said = environment.run("python", "-m", "pytest", "-p", "no:cacheprovider", "test_grid.py")
    assert "1 passed" in said
