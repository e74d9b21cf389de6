"""Public names are what they say, and cost nothing before they are used."""

import importlib
import pkgutil
import subprocess
import sys
from collections.abc import Iterator
from types import ModuleType

import pytest

import speclake

HEAVY = (
    "numpy", "duckdb", "polars", "pyarrow", "pydantic", "panel", "holoviews", "bokeh", "pandas",
    "scipy", "watchdog", "typer", "rich",
)  # fmt: skip


def loaded_by(code: str) -> set[str]:
    """Top-level modules that a fresh Python holds after some code."""
    words = [sys.executable, "-c", f"import sys\n{code}\nprint(*sys.modules)"]
    said = subprocess.run(words, check=True, capture_output=True, text=True).stdout
    return {name.split(".")[0] for name in said.split()}


def test_importing_speclake_loads_nothing_heavy() -> None:
    assert loaded_by("import speclake") & set(HEAVY) == set()


def test_a_name_is_loaded_when_it_is_used() -> None:
    assert "numpy" in loaded_by("import speclake; speclake.Spectrum")


@pytest.mark.parametrize("name", speclake.__all__)
def test_each_public_name_can_be_imported(name: str) -> None:
    found = getattr(speclake, name)
    home = sys.modules[found.__module__]
    assert home.__name__.startswith("speclake.")


def test_star_import_gives_exactly_the_public_names() -> None:
    names: dict[str, object] = {}
    exec("from speclake import *", names)
    del names["__builtins__"]
    assert sorted(names) == speclake.__all__ == dir(speclake)


def test_a_name_that_is_not_public_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'spectra'"):
        _ = speclake.spectra


def modules_with_all() -> Iterator[str]:
    for found in pkgutil.walk_packages(speclake.__path__, "speclake."):
        module = importlib.import_module(found.name)
        if hasattr(module, "__all__"):
            yield found.name


WITH_ALL = sorted(modules_with_all())


def test_packages_that_others_import_from_say_what_is_public() -> None:
    public = {
        "speclake.api", "speclake.importing", "speclake.judging", "speclake.quantities",
        "speclake.specs", "speclake.testing", "speclake.trends",
    }  # fmt: skip
    assert public <= set(WITH_ALL)


@pytest.mark.parametrize("name", WITH_ALL)
def test_public_names_of_a_module_exist_and_stand_once(name: str) -> None:
    module = importlib.import_module(name)
    assert [each for each in module.__all__ if not hasattr(module, each)] == []
    assert len(set(module.__all__)) == len(module.__all__) > 0


@pytest.mark.parametrize("name", WITH_ALL)
def test_package_that_says_what_is_public_imports_nothing_else_from_itself(name: str) -> None:
    module = importlib.import_module(name)
    if not hasattr(module, "__path__"):
        return
    own = {
        each
        for each, value in vars(module).items()
        if not each.startswith("_")
        and not isinstance(value, ModuleType)
        and getattr(value, "__module__", "").startswith("speclake.")
    }
    assert own <= set(module.__all__)


def test_each_public_thing_has_a_docstring() -> None:
    bare = [
        f"{name}.{each}"
        for name in WITH_ALL
        for each in importlib.import_module(name).__all__
        if callable(value := getattr(importlib.import_module(name), each)) and not value.__doc__
    ]
    assert bare == []
