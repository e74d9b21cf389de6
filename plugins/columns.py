"""Importer of delimited text, as a format file of the archive describes it."""

import fnmatch
import pickle
from collections.abc import Iterator, Mapping
from functools import lru_cache
from typing import Any

from speclake import tomlfile
from speclake.errors import MalformedFile
from speclake.importing.delimited import read_export
from speclake.importing.formats import Format, Recognise
from speclake.importing.interface import Confidence, Guess, Source
from speclake.importing.text import byte_order_mark
from speclake.spectrum import Spectrum

RECOGNISED_BYTES = 16_384
"""How far into a file the texts of `Recognise` are looked for."""


class ColumnsImporter:
    """Reader of spectra in columns of text; which columns, and what they mean, a format says."""

    name = "columns"
    version = "1"

    def sniff(self, head: Source) -> Guess:
        """Certain where one format recognises the file, or the settings name one."""
        if not head.content:
            return Guess(Confidence.NO, "the file is empty")
        if head.format is not None:
            if other := head.formats.get(head.format, {}).get("importer"):
                return Guess(Confidence.NO, f"its format is for the importer {other!r}")
            if head.format in head.formats:
                return Guess(Confidence.CERTAIN, "the settings name its format", head.format)
            return Guess(Confidence.NO, f"there is no format {head.format!r}")
        names = recognised_by(head)
        if len(names) == 1:
            return Guess(Confidence.CERTAIN, f"the format {names[0]!r} recognises it", names[0])
        if names:
            return Guess(Confidence.POSSIBLE, _of_several(names))
        what = "no format recognises it" if head.formats else "no format describes it"
        return Guess(Confidence.NO, f"{what}; `speclake describe` drafts one")

    def read(self, source: Source) -> Iterator[Spectrum]:
        """Spectra of the file, block by block and column by column.

        Raises
        ------
        speclake.errors.MalformedFile
            Something does not fit the format, or it is not clear which format is meant.
        """
        # the whole file before the first spectrum: a refused file must not leave some behind
        yield from read_export(source.content, source.name, _format_for(source))


def recognised_by(head: Source) -> list[str]:
    """Names of the formats that recognise a file, in alphabetical order."""
    return [
        name
        for name in sorted(head.formats)
        if "importer" not in head.formats[name]
        and (rules := _format(name, head.formats[name]).recognise) is not None
        and _is_recognised(head, rules, _format(name, head.formats[name]).text.encoding)
    ]


def _is_recognised(head: Source, rules: Recognise, encoding: str) -> bool:
    if rules.file_name is not None:
        name = head.name if "/" in rules.file_name else head.name.rsplit("/", 1)[-1]
        if not fnmatch.fnmatchcase(name.lower(), rules.file_name.lower()):
            return False
    if not rules.text:
        return True
    length, marked = byte_order_mark(head.content)
    first = head.content[length:RECOGNISED_BYTES].decode(marked or encoding, "replace")
    lines = first.split("\n", rules.within_lines)[: rules.within_lines]
    return all(any(text in line for line in lines) for text in rules.text)


def _format_for(source: Source) -> Format:
    if source.format is not None:
        if source.format not in source.formats:
            known = ", ".join(sorted(source.formats)) or "none at all"
            raise MalformedFile(
                source.name, "", f"no format {source.format!r} in the archive", f"one of {known}"
            )
        if other := source.formats[source.format].get("importer"):
            raise MalformedFile(
                source.name, "", f"the format {source.format!r} for the importer {other!r}",
                "one that describes columns of text",
            )  # fmt: skip
        return _format(source.format, source.formats[source.format])
    names = recognised_by(source)
    if len(names) > 1:
        raise MalformedFile(
            source.name, "", _of_several(names), "one: narrow their [recognise], or name the format"
        )
    if not names:
        raise MalformedFile(
            source.name, "", "no format that recognises it", "one; `speclake describe` drafts it"
        )
    return _format(names[0], source.formats[names[0]])


def _of_several(names: list[str]) -> str:
    return f"{len(names)} formats that recognise it: {' and '.join(map(repr, names))}"


def _format(name: str, data: Mapping[str, Any]) -> Format:
    return _format_of_content(name, pickle.dumps(dict(data)))


@lru_cache(maxsize=256)
def _format_of_content(name: str, content: bytes) -> Format:
    """Checked format; kept by content, since the same few formats come with every file."""
    return tomlfile.check(pickle.loads(content), f"{name}.toml", Format)
