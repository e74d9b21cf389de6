"""Importers are found one by one; a broken one is kept with its reason; guessing is fair."""

import importlib
import sys
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest

from speclake.errors import NoImporter
from speclake.importing import Source, choose, installed, load, rank
from speclake.importing.interface import HEAD_BYTES
from speclake.importing.registry import Declared, declared_by
from tests.importing.plugin_files import plugin

GROUP = "speclake.importers"


@pytest.fixture
def packages(tmp_path, monkeypatch):
    """Folder whose modules entry points may name."""
    folder = tmp_path / "packages"
    folder.mkdir()
    monkeypatch.syspath_prepend(folder)
    yield folder
    for file in folder.glob("*.py"):
        sys.modules.pop(file.stem, None)
    importlib.invalidate_caches()


def declared(packages: Path, name: str, text: str | None = None) -> tuple[Declared, ...]:
    """What a package declares that has one module, with this text or a sound importer."""
    if text is None:
        plugin(packages, name)
    else:
        (packages / f"{name}.py").write_text(text, "utf-8")
    importlib.invalidate_caches()
    return declared_by([EntryPoint(name, f"{name}:Reader", GROUP)])


def test_an_importer_of_a_package_is_ready(packages):
    importers = load(packages=declared(packages, "bench"))
    assert importers.ready["bench"].version == "1"
    assert importers.broken == ()


def test_what_is_installed_includes_the_shipped_importers_and_imports_none():
    names = {each.name for each in installed()}
    assert {"columns", "jcamp"} <= names
    assert installed() is installed()
    assert all("speclake_plugins" in each.origin for each in installed() if each.name == "jcamp")


def test_importers_that_would_not_load_are_kept_with_their_reasons_and_stop_no_other(packages):
    found = (
        *declared(packages, "sound"),
        *declared(packages, "raises", "raise OSError('no driver')"),
        *declared(packages, "leaves", "import sys; sys.exit(3)"),
        *declared(packages, "typo", "class Raeder: pass"),
        *declared(packages, "half", "class Reader:\n    name = 'half'\n    version = '1'\n"),
        *declared_by([EntryPoint("missing", "no_such_package:Reader", GROUP)]),
    )
    importers = load(packages=found)
    assert list(importers.ready) == ["sound"]
    reasons = {each.name: each.reason for each in importers.broken}
    assert reasons["raises"] == "raised OSError: no driver"
    assert reasons["leaves"] == "raised SystemExit: 3"
    assert "Raeder" not in reasons["typo"] and "has no attribute 'Reader'" in reasons["typo"]
    assert reasons["half"] == "it lacks sniff, read"
    assert "No module named 'no_such_package'" in reasons["missing"]
    assert "missing (package an unknown package, no_such_package:Reader): raised" in "\n".join(
        str(each) for each in importers.broken
    )


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        (('name = "odd"', 'name = "other"'), "it calls itself 'other'; expected 'odd'"),
        (('version = "1"', "version = 1"), "its version is 1; expected a text"),
        (('version = "1"', "version = ''"), "its version is ''; expected a text"),
        (("def sniff(self, head)", "sniff = 3\n    def other(self, head)"), "its sniff cannot be"),
    ],
)
def test_what_an_importer_must_have_is_checked_when_it_is_loaded(tmp_path, changed, reason):
    file = plugin(tmp_path, "odd")
    file.write_text(file.read_text().replace(*changed))
    (broken,) = load(tmp_path, packages=()).broken
    assert broken.reason.startswith(reason)
    assert broken.origin == f"file {tmp_path.name}/odd.py"


def test_two_importers_of_one_name_are_both_unusable_and_both_named(packages, tmp_path):
    plugin(tmp_path / "plugins", "bench")
    plugin(tmp_path / "plugins", "other")
    importers = load(tmp_path / "plugins", packages=declared(packages, "bench"))
    assert list(importers.ready) == ["other"]
    assert len(importers.broken) == 2
    for broken in importers.broken:
        assert "bench:Reader and file plugins/bench.py" in broken.reason
    with pytest.raises(NoImporter, match="given twice"):
        choose(importers, Source("a.txt", b"bench"), "bench")


def test_only_the_named_importers_are_imported(packages, tmp_path):
    found = (*declared(packages, "wanted"), *declared(packages, "other", "raise OSError"))
    plugin(tmp_path / "plugins", "third").write_text("raise OSError")
    importers = load(tmp_path / "plugins", only={"wanted"}, packages=found)
    assert list(importers.ready) == ["wanted"]
    assert importers.broken == ()
    assert "wanted" in sys.modules
    assert "other" not in sys.modules


def test_an_instance_may_be_declared_in_place_of_a_class(packages):
    file = plugin(packages, "made")
    file.write_text(file.read_text() + "\nREADER = Reader()\n")
    importlib.invalidate_caches()
    importers = load(packages=declared_by([EntryPoint("made", "made:READER", GROUP)]))
    assert list(importers.ready) == ["made"]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("x = 1", "it defines no class; expected one class with name, version, sniff, read"),
        ("class Lamp: pass", "it defines the classes Lamp, none of which has both sniff and read"),
        ("def broken(:", "raised SyntaxError"),
        ("class A:\n  sniff = read = 1\nclass B(A): pass", "it defines the importers A and B"),
        ("class A:\n  sniff = read = 1\n  def __init__(self, x): pass", "raised TypeError"),
    ],
)
def test_a_file_without_exactly_one_importer_says_so(tmp_path, text, reason):
    (tmp_path / "lab.py").write_text(text)
    (broken,) = load(tmp_path, packages=()).broken
    assert broken.reason.startswith(reason)


def test_a_file_may_use_private_classes_dataclasses_and_names_of_others(tmp_path):
    file = plugin(tmp_path, "rich")
    file.write_text(
        "from __future__ import annotations\n"
        "from dataclasses import dataclass\n"
        "from speclake.importing import Importer\n"
        "@dataclass\nclass Row:\n    x: float\n"
        "class _Shared:\n    def sniff(self, head): ...\n    def read(self, source): ...\n"
        + file.read_text().replace("class Reader:", "class Reader(_Shared):")
    )
    plugin(tmp_path, "_not_an_importer").write_text("raise OSError")
    importers = load(tmp_path, packages=())
    assert list(importers.ready) == ["rich"] and importers.broken == ()


def test_loading_from_an_archive_leaves_nothing_behind_and_sees_a_change_at_once(tmp_path):
    file = plugin(tmp_path, "bench")
    assert load(tmp_path, packages=()).ready["bench"].version == "1"
    file.write_text(file.read_text().replace('version = "1"', 'version = "2"'))
    assert load(tmp_path, packages=()).ready["bench"].version == "2"
    assert [each.name for each in tmp_path.iterdir()] == ["bench.py"]


def test_a_missing_plugins_folder_adds_nothing(tmp_path):
    assert load(tmp_path / "nowhere", packages=()) == load(packages=())


def test_the_surest_importer_is_chosen_whoever_else_is_there(tmp_path):
    source = Source("run7.txt", b"ab")
    plugin(tmp_path, "a", confidence="LIKELY")
    alone = choose(load(tmp_path, packages=()), source)
    plugin(tmp_path, "ab", confidence="CERTAIN")
    plugin(tmp_path, "c")
    together = choose(load(tmp_path, packages=()), source)
    assert (alone.importer.name, together.importer.name) == ("a", "ab")
    assert together.reason == "it begins with ab"
    assert [(each.importer, each.confidence.name) for each in together.ranking] == [
        ("ab", "CERTAIN"),
        ("a", "LIKELY"),
        ("c", "NO"),
    ]


def test_a_tie_names_both_and_the_setting_that_decides(tmp_path):
    plugin(tmp_path, "a")
    plugin(tmp_path, "ab")
    with pytest.raises(NoImporter) as caught:
        choose(load(tmp_path, packages=()), Source("run7.txt", b"ab"))
    message = str(caught.value)
    assert message.startswith("run7.txt: a and ab are equally sure")
    assert "a: certain, it begins with a" in message
    assert 'importer = "a"' in message


def test_a_file_that_nobody_claims_lists_what_each_said_and_who_is_broken(tmp_path):
    plugin(tmp_path, "a")
    (tmp_path / "lab.py").write_text("raise OSError('no driver')")
    with pytest.raises(NoImporter) as caught:
        choose(load(tmp_path, packages=()), Source("run7.txt", b"?"))
    message = str(caught.value)
    assert "run7.txt: no importer can read it" in message
    assert "a: no, it does not begin with a" in message
    assert f"broken: lab (file {tmp_path.name}/lab.py): raised OSError: no driver" in message
    assert 'importer = "' in message


def test_a_named_importer_is_taken_unasked(tmp_path):
    plugin(tmp_path, "a")
    plugin(tmp_path, "silent", sniff="raise OSError")
    choice = choose(load(tmp_path, packages=()), Source("run7.txt", b"a"), "silent")
    assert choice.importer.name == "silent"
    assert choice.ranking == ()


def test_a_name_that_is_not_there_gets_a_suggestion(tmp_path):
    plugin(tmp_path, "columns")
    with pytest.raises(NoImporter, match=r"'colums'.*did you mean 'columns'\?"):
        choose(load(tmp_path, packages=()), Source("run7.txt", b"a"), "colums")


@pytest.mark.parametrize(
    ("answer", "reason"),
    [
        ("raise OSError('no driver')", "its sniff raised OSError: no driver"),
        ("raise SystemExit(3)", "its sniff raised SystemExit: 3"),
        ("raise MemoryError", "its sniff raised MemoryError"),
        ("return 3", "its sniff returned int; expected a Guess"),
        ("return Guess(3, 'sure')", "its sniff answered with the confidence 3"),
        ("return Guess(Confidence.CERTAIN, None)", "its sniff answered with a reason or format"),
    ],
)
def test_a_sniff_that_fails_counts_as_no_and_stops_nothing(tmp_path, answer, reason):
    plugin(tmp_path, "a")
    plugin(tmp_path, "b", sniff=answer)
    importers = load(tmp_path, packages=())
    source = Source("run7.txt", b"ab")
    assert choose(importers, source).importer.name == "a"
    (failed,) = [each for each in rank(importers, source) if each.importer == "b"]
    assert failed.confidence == 0
    assert failed.reason.startswith(reason)


def test_a_sniff_sees_only_the_head_of_a_file(tmp_path):
    plugin(tmp_path, "a", sniff="return Guess(Confidence.LIKELY, str(len(head.content)))")
    (candidate,) = rank(load(tmp_path, packages=()), Source("run7.txt", b"a" * 100_000))
    assert candidate.reason == str(HEAD_BYTES)


def test_an_interrupt_by_a_person_is_not_taken_for_an_answer(tmp_path):
    plugin(tmp_path, "a")
    plugin(tmp_path, "b", sniff="raise KeyboardInterrupt")
    with pytest.raises(KeyboardInterrupt):
        rank(load(tmp_path, packages=()), Source("run7.txt", b"ab"))
