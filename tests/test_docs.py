"""The documentation holds: its examples run, and what the code has to offer is in it."""

import importlib
import json
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel
from speclake_dashboards.address import Address, BadAddress
from speclake_dashboards.app import ROUTES
from typer.main import get_command
from typer.testing import CliRunner

import speclake
from speclake import settings, tomlfile
from speclake.checks import Check
from speclake.cli.app import app
from speclake.importing.formats import Format, ImporterSettings
from speclake.specs import Specification
from speclake.standards import published
from speclake.standards.certificates import Certificate
from speclake.standards.programmes import AnyCheck, Programme, QualifyingCheck
from tests import commands_page
from tests.markdown import PAGES as PAGES_OF_DOCS
from tests.markdown import ROOT, anchors_of, blocks, blocks_of, links_of, section, table, text_of

README = ROOT / "README.md"
SETTINGS, PAGES, IMPORTERS, FITNESS = (
    ROOT / f"docs/{name}.md" for name in ("settings", "pages", "importers", "fitness")
)
SET_UP = "python -m pip install -e . && speclake demo"
TEST = 'python -m pip install -e ".[test]" && python -m pytest'

KINDS_OF_CHECKS: tuple[type[QualifyingCheck], ...] = get_args(get_args(AnyCheck)[0])

TABLES: dict[str, type[BaseModel]] = {
    "The archive itself": settings.Settings,
    "`[[folder]]`": settings.Folder,
    "`[[pattern]]`": settings.Pattern,
    "`[[kind]]`": settings.KindRule,
    "`[[site_map]]`": settings.SiteMap,
    "`[[configuration]]`": settings.Configuration,
    "`[[configuration.ranges]]`": settings.ConfigurationRange,
    "`[limits]`": settings.Limits,
    "`[fitness]`": settings.Fitness,
    "`[pages]`": settings.Pages,
}
"""Heading of each table of the settings on its page, and the model behind it."""


def in_docs(text: str) -> bool:
    return any(text in text_of(page) for page in PAGES_OF_DOCS)


# blocks


@pytest.mark.parametrize("block", blocks("toml"), ids=lambda b: b.id)
def test_each_toml_block_is_toml_and_what_it_is_marked_as(block):
    data = tomllib.loads(block.text)
    assert data
    if "settings" in block.marks:
        tomlfile.loads(block.text, block.id, settings.Settings)
    if "specification" in block.marks:
        assert Specification.from_toml_text(block.text, block.id).requirements
    if "standard" in block.marks:
        tomlfile.loads(block.text, block.id, Certificate)
    if "programme" in block.marks:
        tomlfile.loads(block.text, block.id, Programme)
    if "format" in block.marks:
        tomlfile.loads(block.text, block.id, ImporterSettings if "importer" in data else Format)


def test_readme_shows_settings_and_a_specification():
    marks = [mark for block in blocks_of(README) for mark in block.marks]
    assert {"settings", "specification", "run"} <= set(marks)


@pytest.mark.parametrize("block", blocks("python"), ids=lambda b: b.id)
def test_each_python_block_is_python(block):
    compile(block.text, block.id, "exec")


EXPORT = """\
Sample: {sample}
Serial: {sample}
Lot: L7
Product: window
Kind: part
Scanned: 2026-05-04 10:00:00
nm\t%T
{points}"""
FORMAT = """
[recognise]
file_name = "*.txt"
[text]
encoding = "utf-8"
delimiter = "tab"
decimal_sign = "."
[header]
next_line = "^nm"
[table]
title_lines = 1
[axis]
unit = "nm"
[values]
unit = "%T"
[scanned]
entries = ["Scanned"]
patterns = ["%Y-%m-%d %H:%M:%S"]
[fields]
sample = "Sample"
serial = "Serial"
lot = "Lot"
product = "Product"
kind = "Kind"
"""


@pytest.fixture
def lab(tmp_path, monkeypatch):
    """The archive ``lab`` of the README, two invented windows in it, in the current folder."""
    monkeypatch.chdir(tmp_path)
    marked = {mark: b.text for b in blocks_of(README) for mark in b.marks}
    speclake.create("lab").close()
    arriving = tmp_path / "exports"
    arriving.mkdir()
    written = marked["settings"].replace("/srv/exports/bench-1", arriving.as_posix())
    assert written != marked["settings"]
    Path("lab/speclake.toml").write_text(written, "utf-8")
    Path("lab/formats/bench-1.toml").write_text(FORMAT, "utf-8")
    for number, block in enumerate(blocks_of(README)):
        if "specification" in block.marks:
            Path(f"lab/specs/{number}.toml").write_text(block.text, "utf-8")
    for sample, value in (("W1", 99.5), ("W2", 97.0)):
        points = "".join(f"{nm}\t{value + nm % 7 / 100:.2f}\n" for nm in range(400, 701))
        text = EXPORT.format(sample=sample, points=points)
        (arriving / f"{sample}.txt").write_text(text, "utf-8")
    with speclake.open("lab") as archive:
        assert archive.ingest([arriving]).counts == {"taken": 2}
        assert archive.count(outcome="fail") == archive.count(outcome="pass") == 1
    return tmp_path


RUN = [block for block in blocks("python") if "run" in block.marks]


@pytest.mark.parametrize("block", RUN, ids=lambda b: b.id)
@pytest.mark.usefixtures("lab")
def test_each_python_block_that_is_marked_runs(block, capsys):
    names: dict[str, Any] = {}
    exec(compile(block.text, block.id, "exec"), names)
    if block.page == "README.md":
        assert capsys.readouterr().out.startswith("%T (1, 301)\n")
    names["archive"].close()


# commands


def lines_of(*languages: str) -> list[tuple[str, list[str]]]:
    """Each command of speclake that a block shows, with the place where."""
    return [
        (block.id, shlex.split(part, comments=True)[1:])
        for block in blocks(*languages)
        for line in block.text.splitlines()
        for part in re.split(r"\s&&\s", line)
        if part.startswith("speclake ")
    ]


SHOWN = lines_of("console", "sh", "bash")


@pytest.mark.parametrize(("place", "words"), SHOWN, ids=[f"{p}:{w[0]}" for p, w in SHOWN])
def test_each_command_line_that_is_shown_can_be_typed(place, words):
    program: Any = get_command(app)
    assert words[0] in program.commands, f"{place}: no command {words[0]}"
    # parsed and not run: a missing or unknown option raises here
    program.commands[words[0]].make_context(words[0], words[1:])


def test_commands_in_running_text_exist():
    known = set(get_command(app).commands)  # type: ignore[attr-defined]
    for page in PAGES_OF_DOCS:
        for name in re.findall(r"`speclake ([a-z][\w-]*)", text_of(page)):
            assert name in known, f"{page.name}: speclake {name}"


def test_commands_that_the_readme_ends_with_work(lab):
    asked = [w for place, w in SHOWN if place.startswith("README.md")]
    asked = [words for words in asked if words[0] in ("find", "show", "export", "verify")]
    assert [words[0] for words in asked] == ["find", "show", "export", "verify"]
    for words in asked:
        done = CliRunner().invoke(app, words)
        assert (done.exit_code, done.exception) == (0, None), (words, done.output)
    assert "W2" in CliRunner().invoke(app, asked[0]).output
    assert (lab / "lot-7.csv").read_text("utf-8").count("\n") == 302


def test_reference_of_the_commands_is_the_one_that_they_declare():
    found = commands_page.PAGE.read_text("utf-8")
    assert found == commands_page.page(), "write it anew: python -m tests.commands_page"


@pytest.mark.parametrize("command", app.registered_commands, ids=commands_page.name_of)
def test_reference_spells_options_as_the_help_does(command):
    name = commands_page.name_of(command)
    told = CliRunner().invoke(app, [name, "--help"], env={"COLUMNS": "200"}).output
    in_help = {*re.findall(r"(?<!\w)--?[a-z][a-z-]*", told.split("Options:")[1])} - {"--help"}
    spelled = [re.findall(r"`(-[^`]+)`", row[0]) for row in commands_page.parameters(command)]
    in_page = {each for row in spelled for each in row}
    assert in_page <= in_help
    assert {each for each in in_help if f"  {each}" in told or f", {each}" in told} <= in_page


@pytest.mark.parametrize("command", [SET_UP, TEST])
def test_set_up_commands_are_those_that_integration_runs(command):
    shown = [b.text.strip() for b in blocks_of(README) if b.language == "console"]
    assert command in shown
    assert command in (ROOT / ".ci/run").read_text("utf-8")


def test_readme_shows_exactly_two_ways_to_set_up():
    shown = [b.text.strip() for b in blocks_of(README) if b.language == "console"]
    assert [text for text in shown if "pip install" in text] == [SET_UP, TEST]


# settings


def shown_default(model: type[BaseModel], key: str) -> str:
    field = model.model_fields[key]
    if field.is_required():
        return "required"
    if field.default is None:
        return "none"
    if isinstance(field.default, BaseModel):
        return "the defaults below"
    default = list(field.default) if isinstance(field.default, tuple) else field.default
    return f"`{json.dumps(default)}`"


@pytest.mark.parametrize(("heading", "model"), TABLES.items(), ids=TABLES)
def test_each_setting_is_explained_with_its_default(heading, model):
    rows = {row[0].strip("`"): row for row in table(section(SETTINGS, heading))}
    assert list(rows) == list(model.model_fields)
    for key, (_, meaning, default, example) in rows.items():
        assert meaning and example, key
        assert default == shown_default(model, key), key


def test_each_setting_stands_in_an_example_that_loads():
    written = "\n".join(b.text for b in blocks_of(SETTINGS) if "settings" in b.marks)
    for model in TABLES.values():
        for key in model.model_fields:
            assert re.search(rf"^(\[+(\w+\.)*)?{key}\b", written, re.MULTILINE), key


def test_each_table_of_the_settings_has_its_place_on_the_page():
    models = {
        value
        for value in vars(settings).values()
        if isinstance(value, type)
        and issubclass(value, BaseModel)
        and value.__module__.startswith(settings.__name__)
        and not value.__name__.startswith("_")
    }
    assert models == set(TABLES.values())


def test_each_setting_has_a_user():
    code = [f for d in ("speclake", "dashboards") for f in (ROOT / d).rglob("*.py")]
    text = "\n".join(file.read_text("utf-8") for file in code)
    unused = [
        key
        for model in TABLES.values()
        for key in model.model_fields
        if not re.search(rf"\.{key}\b", text)
    ]
    assert unused == []


def test_settings_of_a_new_archive_name_known_keys_only(tmp_path):
    speclake.create(tmp_path / "new").close()
    text = (tmp_path / "new/speclake.toml").read_text("utf-8")
    # the keys that are shown behind a '#' are as right as those that are in force
    shown = re.sub(r"^# (?=\[|\w+ = )", "", text, flags=re.MULTILINE)
    assert shown != text
    tomlfile.loads(shown, "speclake.toml", settings.Settings)


# pages, entry points, links


@pytest.mark.parametrize("route", ROUTES)
def test_each_page_and_each_entry_of_its_address_is_explained(route):
    with pytest.raises(BadAddress) as refusal:
        ROUTES[route](None, Address({"nonsense": ["1"]}))  # type: ignore[arg-type]  # not reached
    known = set(re.search(r"It knows (.*)\.", str(refusal.value))[1].split(", "))
    explained = entries_explained(route)
    assert explained == known


def entries_explained(route: str) -> set[str]:
    found: set[str] = set()
    for cell, *_ in table(section(PAGES, f"`/{route}`")):
        names = re.findall(r"`([^`]+)`", cell)
        if cell.startswith("every entry of "):
            other, *but = names
            found |= entries_explained(other.strip("/")) - set(but)
        else:
            found |= set(names)
    return found


def test_each_entry_point_group_is_in_the_docs():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    groups = list(project["entry-points"])
    assert groups == ["speclake.importers", "speclake.pages"]
    assert [group for group in groups if not in_docs(f"`{group}`")] == []


def test_extras_that_the_docs_name_exist():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    named = {e for page in PAGES_OF_DOCS for e in re.findall(r'"\.\[(\w+)\]"', text_of(page))}
    assert "test" in named
    assert named <= set(project["optional-dependencies"])


@pytest.mark.parametrize("page", PAGES_OF_DOCS, ids=lambda p: p.name)
def test_links_lead_somewhere(page):
    for link in links_of(page):
        if link.startswith(("http://", "https://")):
            continue
        path, _, anchor = link.partition("#")
        target = (page.parent / path).resolve() if path else page
        assert target.exists(), link
        if anchor:
            assert anchor in anchors_of(target), link


def test_each_page_of_the_docs_can_be_reached_from_the_readme():
    reached, ahead = {README}, [README]
    while ahead:
        page = ahead.pop()
        for link in links_of(page):
            target = (page.parent / link.partition("#")[0]).resolve()
            if target.suffix == ".md" and target.exists() and target not in reached:
                reached.add(target)
                ahead.append(target)
    assert {page for page in PAGES_OF_DOCS if page not in reached} == set()


# fitness


def test_each_check_of_a_spectrum_is_explained():
    rows = table(section(FITNESS, "Checks of every spectrum"))
    named = [name for row in rows for name in re.findall(r"`([^`]+)`", row[0])]
    assert sorted(named) == sorted(Check)


STANDARD_TABLES: dict[str, type[BaseModel]] = {
    "Certificates of standards": Certificate,
    "Keys of a programme": Programme,
    "Keys of every check": QualifyingCheck,
}
"""Heading of each table of the page on fitness, and the model behind it."""


@pytest.mark.parametrize(("heading", "model"), STANDARD_TABLES.items(), ids=STANDARD_TABLES)
def test_each_key_of_a_standard_and_of_a_programme_is_explained_with_its_default(heading, model):
    told: dict[str, str] = {}
    for names, meaning, default in table(section(FITNESS, heading)):
        assert meaning
        told |= dict.fromkeys(re.findall(r"`([^`]+)`", names), default)
    assert told == {key: shown_default(model, key) for key in model.model_fields}


def test_each_kind_of_check_is_explained_with_its_keys():
    rows = {row[0].strip("`"): row[1] for row in table(section(FITNESS, "Kinds of checks"))}
    kinds = {get_args(kind.model_fields["what"].annotation)[0]: kind for kind in KINDS_OF_CHECKS}
    assert rows.keys() == kinds.keys()
    for what, keys in rows.items():
        own = kinds[what].model_fields.keys() - QualifyingCheck.model_fields.keys()
        assert set(re.findall(r"`([^`]+)`", keys)) == own, what


def test_each_kind_of_check_stands_in_the_example():
    written = "\n".join(b.text for b in blocks_of(FITNESS) if "programme" in b.marks)
    for kind in KINDS_OF_CHECKS:
        (what,) = get_args(kind.model_fields["what"].annotation)
        assert f'what = "{what}"' in written


def test_published_tables_and_classes_of_tolerance_are_named():
    text = section(FITNESS, "Published tables")
    named = set(re.findall(r"`([^`]+)`", text))
    assert {*published.BANDS, *published.TOLERANCES, published.OF_TABLE} <= named
    for name in published.VALUES:
        grams = re.search(r"\d+", name)
        assert grams is not None
        assert name in named or re.search(rf"\b{grams[0]}\b", text), name


# the importer of the guide


FILES = {block.file: block.text for block in blocks_of(IMPORTERS) if block.file}


def test_importer_of_the_guide_works_from_the_folder_of_an_archive(tmp_path):
    export = tmp_path / "W-17.grid"
    export.write_text(FILES["W-17.grid"], "utf-8")
    with speclake.create(tmp_path / "lab") as archive:
        refused = archive.ingest([export])
        assert refused.counts == {"refused": 1}
        (tmp_path / "lab/plugins/grid.py").write_text(FILES["plugins/grid.py"], "utf-8")
        assert archive.retry_refused().counts == {"taken": 1}
        found = archive.find()
        assert found["sample"].to_list() == ["W-17"]
        (spectra,) = archive.spectra(found["measurement_id"])
    assert spectra.axis.values.tolist() == [400.0, 400.5, 401.0]
    assert spectra.values.tolist() == [[91.92, 91.95, -0.04]]


def test_importer_of_the_guide_works_as_a_package_and_passes_its_test(tmp_path):
    (tmp_path / "source").mkdir()
    package = FILES["plugins/grid.py"]
    (tmp_path / "source/speclake_grid.py").write_text(package, "utf-8")
    (tmp_path / "source/pyproject.toml").write_text(FILES["pyproject.toml"], "utf-8")
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-index", "--no-deps"]
    to = ["--no-build-isolation", "--target", str(tmp_path / "site"), str(tmp_path / "source")]
    subprocess.run([*pip, *to], check=True, capture_output=True)
    ask = (
        f"import sys; sys.path.insert(0, {str(tmp_path / 'site')!r})\n"
        "from speclake.importing import load\n"
        "print(type(load(only={'grid'}).ready['grid']).__module__)"
    )
    told = subprocess.run([sys.executable, "-c", ask], check=True, capture_output=True, text=True)
    assert told.stdout == "speclake_grid\n"
    (tmp_path / "site/W-17.grid").write_text(FILES["W-17.grid"], "utf-8")
    (tmp_path / "site/test_grid.py").write_text(FILES["test_grid.py"], "utf-8")
    test = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "test_grid.py"]
    done = subprocess.run(test, cwd=tmp_path / "site", capture_output=True, text=True, check=False)
    assert "1 passed" in done.stdout, done.stdout + done.stderr


def test_package_of_the_guide_is_as_short_as_it_says():
    written = FILES["plugins/grid.py"] + FILES["pyproject.toml"]
    lines = [line for line in written.splitlines() if line.strip()]
    (told,) = re.findall(r"(\d+) lines without the blank ones", text_of(IMPORTERS))
    assert len(lines) == int(told) < 40


def test_modules_that_the_guide_imports_say_what_is_public():
    for module in ("speclake.importing", "speclake.testing"):
        assert set(importlib.import_module(module).__all__)
