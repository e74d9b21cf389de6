"""A format file says nothing impossible, and every key of it stands in the guide."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from pydantic import BaseModel
from speclake_plugins.columns import ColumnsImporter

from speclake import tomlfile
from speclake.errors import BadSettings, MalformedFile
from speclake.importing import Confidence, Source
from speclake.importing.delimited import read_export
from speclake.importing.formatfiles import load_formats
from speclake.importing.formats import Format, ImporterSettings
from speclake.measurement import FIELDS

BASE = {
    "text": {"encoding": "utf-8", "delimiter": "tab", "decimal_sign": "."},
    "axis": {"unit": "nm"},
    "values": {"unit": "%T"},
}
GUIDE = Path(__file__).parents[2] / "docs" / "formats.md"


def problem(table: str, **keys) -> tuple[str, str, str]:
    data = dict(BASE)
    data[table] = {**BASE.get(table, {}), **keys}
    with pytest.raises(BadSettings) as caught:
        tomlfile.check(data, "bench.toml", Format)
    first = caught.value.problems[0]
    return first.key, first.found, first.allowed


def test_smallest_format() -> None:
    form = tomlfile.check(BASE, "bench.toml", Format)
    assert (form.text.separator, form.axis.column, form.values.columns) == ("\t", 1, None)


@pytest.mark.parametrize(
    ("table", "keys", "key"),
    [
        ("text", {"encoding": "hex"}, "text.encoding"),
        ("text", {"encoding": "utf-7"}, "text.encoding"),
        ("text", {"encoding": "unicode_escape"}, "text.encoding"),
        ("text", {"encoding": "no-such"}, "text.encoding"),
        ("text", {"decimal_sign": "'"}, "text.decimal_sign"),
        ("text", {"delimiter": ",", "decimal_sign": ","}, "text"),
        ("text", {"delimiter": "1"}, "text"),
        ("text", {"thousands_sign": "."}, "text"),
        ("text", {"thousands_sign": "5"}, "text"),
        ("text", {"delimiter": "spaces", "missing": [""]}, "text"),
        ("text", {"delimiter": "--", "quote": '"'}, "text"),
        ("text", {"missing": [" Over"]}, "text"),
        ("text", {"delimiter": "fixed"}, "text"),
        ("text", {"cells": [[1, 8]]}, "text"),
        ("text", {"cells_touch": True}, "text"),
        ("text", {"delimiter": "fixed", "cells": [[1, 8], [8, 9]]}, "text"),
        ("text", {"delimiter": "fixed", "cells": [[9, 12], [1, 8]]}, "text"),
        ("text", {"delimiter": "fixed", "cells": [[1, 8]], "quote": '"'}, "text"),
        ("text", {"delimiter": "fixed", "cells": [[1, 8, 9]]}, "text.cells.0"),
        ("text", {"delimiter": "fixed", "cells": [[0, 8]]}, "text.cells.0.0"),
        ("text", {"delimiter": "fixed", "cells": [[1, 8]], "thousands_sign": " "}, "text"),
        ("text", {"thousands_sign": '"', "quote": '"'}, "text"),
        ("text", {"digit_groups": "indian"}, "text"),
        ("text", {"minus_sign": "~"}, "text"),
        ("text", {"minus_sign": "\u2013", "delimiter": "\u2013"}, "text"),
        ("text", {"exponent_sign": "Q"}, "text.exponent_sign"),
        ("text", {"exponent_sign": "D", "delimiter": "d"}, "text"),
        ("text", {"decimal_sign": "proven", "thousands_sign": ","}, "text"),
        ("header", {}, "header"),
        ("header", {"lines": 3, "sections": "("}, "header.sections"),
        ("axis", {"duplicates": "median"}, "axis.duplicates"),
        ("values", {"pairs": True, "columns": [2]}, "values"),
        ("blocks", {"parted_by_blank_lines": True, "growing": True}, "the file"),
        ("footer", {"between": ":"}, "the file"),
        ("header", {"lines": 3, "next_line": "x"}, "header"),
        ("header", {"lines": 0}, "header.lines"),
        ("header", {"last_line": "("}, "header.last_line"),
        ("axis", {"unit": "mm"}, "axis.unit"),
        ("axis", {"column": 0}, "axis.column"),
        ("axis", {"column": True}, "axis.column"),
        ("axis", {"column": "nm"}, "the file"),
        ("values", {"unit": "%"}, "values.unit"),
        ("values", {"unit_from": {"title": True, "units": {"%": "%T"}}}, "values"),
        ("values", {"columns": [1, 2]}, "the file"),
        ("values", {"title_pattern": "(?P<site>.)"}, "the file"),
        ("values", {"title_pattern": "(?P<planet>.)"}, "values"),
        ("recognise", {}, "recognise"),
        ("recognise", {"text": [" "]}, "recognise"),
        ("blocks", {"begin_line": "x", "growing": True}, "the file"),
        ("scanned", {"entries": ["D"], "patterns": ["%H:%M"]}, "scanned.patterns.0"),
        ("scanned", {"entries": ["D"], "patterns": ["%d.%m.%Y %I:%M"]}, "scanned.patterns.0"),
        ("scanned", {"entries": ["D"], "patterns": ["%c"]}, "scanned.patterns.0"),
        ("scanned", {"entries": ["D"], "patterns": ["%Y-%m-%d"], "zone": "Mars"}, "scanned.zone"),
        ("fields", {"planet": "Planet"}, "fields.planet"),
        ("fields", {"scanned": "Date"}, "fields.scanned"),
        ("constants", {"medium": "water"}, "the file"),
        ("colour", {"red": 1}, "colour"),
    ],
)
def test_what_a_format_cannot_say(table, keys, key) -> None:
    assert problem(table, **keys)[0] == key


def test_pairs_have_no_one_axis_column_and_blocks_no_footer() -> None:
    data = BASE | {"axis": {"unit": "nm", "column": 2}, "values": {"unit": "%T", "pairs": True}}
    with pytest.raises(BadSettings, match=r"no axis\.column where columns stand in pairs"):
        tomlfile.check(data, "bench.toml", Format)
    ended = {"table": {"end_line": "^end$"}, "footer": {}}
    assert tomlfile.check(BASE | ended, "bench.toml", Format).footer is not None
    with pytest.raises(BadSettings, match="a footer only below one table"):
        tomlfile.check(BASE | ended | {"blocks": {}}, "bench.toml", Format)


def test_field_said_twice_is_refused() -> None:
    data = BASE | {"fields": {"lot": "Lot"}, "constants": {"lot": "L7"}}
    with pytest.raises(BadSettings, match="each field in one place only, not twice: lot"):
        tomlfile.check(data, "bench.toml", Format)


def write(folder: Path, name: str, text: str) -> None:
    (folder / f"{name}.toml").write_text(text, "utf-8")


PLAIN = (
    '[text]\nencoding = "utf-8"\ndelimiter = "tab"\ndecimal_sign = "."\n'
    '[axis]\nunit = "nm"\n[values]\nunit = "%T"\n'
)


class TestFolder:
    def test_formats_are_named_after_their_files(self, tmp_path) -> None:
        write(tmp_path, "bench", PLAIN)
        write(tmp_path, "mapping", PLAIN.replace("%T", "%R"))
        (tmp_path / "notes.txt").write_text("no format", "utf-8")
        formats = load_formats(tmp_path)
        assert {name: form.values.unit for name, form in formats.items()} == {
            "bench": "%T",
            "mapping": "%R",
        }
        assert load_formats(tmp_path / "nowhere") == {}

    def test_every_problem_of_every_file_is_told(self, tmp_path) -> None:
        write(tmp_path, "a", PLAIN.replace('unit = "nm"', 'unit = "mm"'))
        write(tmp_path, "b", "[text\n")
        (tmp_path / "c.toml").write_bytes(b"# first\n# \xe9\n")
        with pytest.raises(BadSettings) as caught:
            load_formats(tmp_path)
        told = [(p.file, p.line, p.key) for p in caught.value.problems]
        assert told == [("a.toml", 6, "axis.unit"), ("b.toml", 1, "the file"),
                        ("c.toml", 2, "the file")]  # fmt: skip

    def test_version_follows_what_is_said_and_nothing_else(self, tmp_path) -> None:
        write(tmp_path, "a", PLAIN)
        write(tmp_path, "b", "# a remark\n" + PLAIN.replace(" = ", "="))
        write(tmp_path, "c", PLAIN.replace("%T", "T"))
        versions = {name: form.version for name, form in load_formats(tmp_path).items()}
        assert versions["a"] == versions["b"] != versions["c"]
        assert re.fullmatch("[0-9a-f]{16}", versions["a"])

    def test_settings_for_another_importer_are_no_columns(self, tmp_path) -> None:
        write(tmp_path, "other", 'importer = "other"\nsettings = { percent = true }\n')
        other = load_formats(tmp_path)["other"]
        assert isinstance(other, ImporterSettings)
        assert other.settings == {"percent": True}
        source = Source("a.txt", b"400\t1\n", {"other": other.as_data()})
        assert ColumnsImporter().sniff(source).confidence == Confidence.NO
        named = replace(source, format="other")
        assert ColumnsImporter().sniff(named).reason == "the format 'other' describes no text"
        with pytest.raises(MalformedFile, match="for the importer 'other'"):
            list(ColumnsImporter().read(named))

    def test_data_of_a_format_gives_the_same_format_again(self, tmp_path) -> None:
        write(tmp_path, "a", PLAIN + '[fields]\nlot = "Lot"\n')
        form = load_formats(tmp_path)["a"]
        again = tomlfile.check(form.as_data(), "a.toml", Format)
        assert (again, again.version) == (form, form.version)


def keys_of(model: type[BaseModel]) -> set[str]:
    found = set(model.model_fields)
    for info in model.model_fields.values():
        found |= {key for each in _models_in(info.annotation) for key in keys_of(each)}
    return found


def _models_in(annotation: object) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [m for part in getattr(annotation, "__args__", ()) for m in _models_in(part)]


class TestGuide:
    def test_every_key_is_explained_and_shown(self) -> None:
        guide = GUIDE.read_text("utf-8")
        examples = "\n".join(re.findall(r"```toml[^\n]*\n(.*?)```", guide, re.DOTALL))
        for key in keys_of(Format):
            assert f"`{key}`" in guide or f"`[{key}]`" in guide, f"{key} is not explained"
            shown = rf"(^|[\[{{., ]){key}( =|\]|\.)"
            assert re.search(shown, examples, re.MULTILINE), f"{key} has no example"

    def test_every_field_is_listed(self) -> None:
        guide = GUIDE.read_text("utf-8")
        assert [name for name in FIELDS if name != "scanned" and f"`{name}`" not in guide] == []

    def test_worked_examples_are_read_as_the_guide_says(self) -> None:
        guide = GUIDE.read_text("utf-8")
        texts = dict(re.findall(r"```text example=(\w+)\n(.*?)```", guide, re.DOTALL))
        formats = re.findall(r"```toml example=(\w+) spectra=(\d)\n(.*?)```", guide, re.DOTALL)
        assert len(formats) == len(texts) == 3
        for name, spectra, description in formats:
            form = tomlfile.loads(description, f"{name}.toml", Format)
            read = read_export(texts[name].encode(), f"{name}.txt", form)
            assert len(read) == int(spectra)
            assert all(len(spectrum.axis) >= 3 for spectrum in read)
            assert all(spectrum.fields for spectrum in read)
            notes = [note for spectrum in read for note in spectrum.notes]
            assert all("between groups of digits" in note for note in notes)

    def test_every_table_of_keys_names_real_keys(self) -> None:
        guide = GUIDE.read_text("utf-8")
        rows = re.findall(r"^\| `(\w+)` \|", guide, re.MULTILINE)
        assert set(rows) <= keys_of(Format)
        assert len(rows) > 30
