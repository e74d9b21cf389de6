"""What is on disk is what is shipped: in wheel, source distribution and editable install alike."""

import ast
import json
import sys
import tarfile
import tomllib
import zipfile
from collections.abc import Iterator, Mapping
from importlib.metadata import Distribution, distribution, packages_distributions
from importlib.util import find_spec
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.wheels import FOLDERS, ROOT, Built, build_project, python

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
NOT_IMPORTED = {"tzdata"}
"""Needed without an import: tables that the standard library's zoneinfo reads."""


def on_disk(folder: str) -> set[str]:
    """Files below a folder of the project, those that Python and editors leave behind apart."""
    return {
        path.relative_to(ROOT / folder).as_posix()
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and path.suffix not in (".pyc", ".pyo") and not path.name.startswith(".")
    }


def modules_of(package: str) -> Iterator[str]:
    """Every module that the files of a package's folder make."""
    for file in sorted(on_disk(FOLDERS[package])):
        if file.endswith(".py"):
            parts = (package, *file.removesuffix(".py").split("/"))
            yield ".".join(part for part in parts if part != "__init__")


MODULES = [module for package in FOLDERS for module in modules_of(package)]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    """Source distribution of a copy of the project, and the wheel made from it."""
    return build_project(tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("dist"))


@pytest.fixture(scope="module")
def installed_wheel(built: Built, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder into which the wheel was installed, without what it depends on."""
    target = tmp_path_factory.mktemp("installed")
    pip = ("-m", "pip", "install", "--quiet", "--no-index", "--no-deps", "--target", target)
    python(*pip, built.wheel, cwd=target)
    return target


def test_packages_that_are_declared_are_those_on_disk() -> None:
    found = {
        ".".join((package, *file.split("/")[:-1]))
        for package, folder in FOLDERS.items()
        for file in on_disk(folder)
        if file.endswith(".py")
    }
    declared = PROJECT["tool"]["setuptools"]["packages"]
    assert sorted(declared) == sorted(found)
    assert len(MODULES) > 100


def test_every_package_has_an_init_file() -> None:
    missing = [p for p in PROJECT["tool"]["setuptools"]["packages"] if p not in MODULES]
    assert missing == []


def test_build_says_nothing_that_needs_an_answer(built: Built) -> None:
    # a fresh copy has no compiled files, so that there is none to leave out
    expected = "no previously-included files matching '*.py[cod]'"
    noise = [
        line
        for line in built.said.splitlines()
        if any(word in line.lower() for word in ("warn", "deprecat", "ignored", "error:"))
        and expected not in line
    ]
    assert noise == []


def test_wheel_holds_every_file_and_no_other(built: Built) -> None:
    with zipfile.ZipFile(built.wheel) as archive:
        names = {n for n in archive.namelist() if ".dist-info/" not in n}
    expected = {f"{p}/{file}" for p, folder in FOLDERS.items() for file in on_disk(folder)}
    assert names == expected


def test_wheel_carries_the_licence(built: Built) -> None:
    with zipfile.ZipFile(built.wheel) as archive:
        (licence,) = (n for n in archive.namelist() if n.endswith("/licenses/LICENSE"))
        assert archive.read(licence) == (ROOT / "LICENSE").read_bytes()


def test_source_distribution_holds_every_file_with_tests_and_docs(built: Built) -> None:
    with tarfile.open(built.sdist) as archive:
        names = {m.name.split("/", 1)[1] for m in archive.getmembers() if m.isfile()}
    for folder in (*FOLDERS.values(), "docs", "tests"):
        missing = {f"{folder}/{file}" for file in on_disk(folder)} - names
        assert missing == set()
    assert {"pyproject.toml", "README.md", "LICENSE", "CHANGELOG.md", "DEVELOPERS.md"} <= names


def test_every_module_is_imported_from_the_installed_wheel(installed_wheel: Path) -> None:
    script = (
        "import importlib, json, sys\n"
        "target, names = sys.argv[1], json.loads(sys.argv[2])\n"
        "sys.path.insert(0, target)\n"
        "homes = [importlib.import_module(name).__file__ for name in names]\n"
        "print(json.dumps(homes))"
    )
    said = python("-I", "-c", script, installed_wheel, json.dumps(MODULES), cwd=installed_wheel)
    homes = [Path(home) for home in json.loads(said)]
    assert len(homes) == len(MODULES)
    assert [home for home in homes if installed_wheel not in home.parents] == []


def test_entry_points_of_the_installed_wheel_are_those_declared(installed_wheel: Path) -> None:
    (found,) = Distribution.discover(name="speclake", path=[str(installed_wheel)])
    points = {(p.group, p.name, p.value) for p in found.entry_points}
    declared = PROJECT["project"]
    expected = {("console_scripts", n, v) for n, v in declared["scripts"].items()}
    for group, members in declared["entry-points"].items():
        expected |= {(group, name, value) for name, value in members.items()}
    assert points == expected
    assert {group for group, _, _ in points} == {
        "console_scripts", "speclake.importers", "speclake.pages",
    }  # fmt: skip


def test_every_entry_point_leads_to_something_that_can_be_called() -> None:
    points = distribution("speclake").entry_points
    assert len(points) >= 4
    assert [point.name for point in points if not callable(point.load())] == []


@pytest.mark.parametrize("package", PROJECT["tool"]["setuptools"]["packages"])
def test_editable_install_finds_each_package_where_it_lies(package: str) -> None:
    top, *below = package.split(".")
    spec = find_spec(package)
    assert spec is not None and spec.origin is not None
    assert Path(spec.origin) == ROOT.joinpath(FOLDERS[top], *below, "__init__.py")


def imported_by(folders: Mapping[str, str]) -> dict[str, str]:
    """Third-party modules that the files below some folders import, each with one such file."""
    own = {*FOLDERS, "tests"}
    found: dict[str, str] = {}
    for folder in folders.values():
        for file in sorted((ROOT / folder).rglob("*.py")):
            for name in _imports(ast.parse(file.read_text("utf-8"))):
                top = name.split(".")[0]
                if (
                    top not in sys.stdlib_module_names
                    and top not in own
                    and not _is_beside(top, file)
                ):
                    found.setdefault(top, file.relative_to(ROOT).as_posix())
    return found


def _is_beside(module: str, file: Path) -> bool:
    """Whether a script finds a module in its own folder, which a module of a package never does."""
    is_script = not (file.parent / "__init__.py").exists()
    return is_script and (file.parent / f"{module}.py").exists()


def _imports(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
        elif isinstance(node, ast.Call) and _is_importorskip(node):
            yield str(node.args[0].value) if isinstance(node.args[0], ast.Constant) else ""


def _is_importorskip(node: ast.Call) -> bool:
    return isinstance(node.func, ast.Attribute) and node.func.attr == "importorskip"


def distributions_of(modules: Mapping[str, str]) -> set[str]:
    """Packages that give modules; one that is not installed has the name of its module."""
    known = packages_distributions()
    return {canonicalize_name(known.get(module, [module])[0]) for module in modules}


def declared_in(*lists: list[str]) -> dict[str, Requirement]:
    """Requirements by the name of the distribution, those of this project's own extras followed."""
    found: dict[str, Requirement] = {}
    for each in (Requirement(text) for entries in lists for text in entries):
        if each.name == "speclake":
            found |= declared_in(*(EXTRAS[extra] for extra in each.extras))
        else:
            found[canonicalize_name(each.name)] = each
    return found


EXTRAS = PROJECT["project"]["optional-dependencies"]
BASE = declared_in(PROJECT["project"]["dependencies"])
OPTIONAL = declared_in(EXTRAS["all"])
"""What a base install does without."""


def test_base_and_extras_declare_what_the_packages_import_and_nothing_else() -> None:
    declared = set(BASE) - NOT_IMPORTED | set(OPTIONAL)
    assert distributions_of(imported_by(FOLDERS)) == declared


def test_all_extras_are_those_that_are_not_for_developers() -> None:
    for_use = set(EXTRAS) - {"all", "test", "dev"}
    assert declared_in(*(EXTRAS[name] for name in for_use)) == OPTIONAL
    assert not set(BASE) & set(OPTIONAL)


def test_every_module_is_imported_without_what_the_extras_bring(installed_wheel: Path) -> None:
    imported = imported_by(FOLDERS)
    missing = [top for top in imported if distributions_of({top: ""}) <= set(OPTIONAL)]
    assert len(missing) == len(OPTIONAL)
    script = (
        "import importlib, json, sys\n"
        "target, names, missing = sys.argv[1], *map(json.loads, sys.argv[2:])\n"
        "sys.path.insert(0, target)\n"
        "sys.modules.update(dict.fromkeys(missing))\n"
        "print(len([importlib.import_module(name) for name in names]))"
    )
    words = (installed_wheel, json.dumps(MODULES), json.dumps(missing))
    assert int(python("-I", "-c", script, *words, cwd=installed_wheel)) == len(MODULES)


def test_tests_import_nothing_that_their_extras_do_not_declare() -> None:
    used = distributions_of(imported_by({"tests": "tests"}))
    assert used <= set(BASE) | set(declared_in(EXTRAS["test"], EXTRAS["dev"]))


def test_each_requirement_says_from_which_version_on() -> None:
    known = BASE | declared_in(EXTRAS["test"])
    loose = [name for name, each in known.items() if ">=" not in str(each.specifier)]
    assert loose == []


def test_every_module_below_speclake_has_its_layer() -> None:
    contracts = PROJECT["tool"]["importlinter"]["contracts"]
    (layers,) = (each["layers"] for each in contracts if each["type"] == "layers")
    placed = {name.strip(" ()") for layer in layers for name in layer.replace("|", ":").split(":")}
    tops = {".".join(m.split(".")[:2]) for m in MODULES if m.startswith("speclake.")}
    assert tops | {"speclake_plugins", "speclake_dashboards"} == placed
