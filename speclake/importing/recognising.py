"""Which format of the archive is meant for a file: the named one, or the one that recognises it."""

import fnmatch
import pickle
from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Any, TypeVar, cast

from pydantic import BaseModel, ConfigDict

from speclake import tomlfile
from speclake.errors import MalformedFile
from speclake.importing.formats import Recognise
from speclake.importing.interface import Confidence, Guess, Source
from speclake.importing.lineends import as_lines
from speclake.importing.text import byte_order_mark
from speclake.importing.textrules import PROVEN

RECOGNISED_BYTES = 16_384
"""How far into a file the texts of `Recognise` are looked for."""

HasTexts = Callable[[Recognise], bool]

Model = TypeVar("Model", bound=BaseModel)


class _Rules(BaseModel):
    """The part of a format that says which files are its own."""

    model_config = ConfigDict(extra="ignore", frozen=True, strict=True)

    importer: str | None = None
    recognise: Recognise | None = None


def is_for(format_data: Mapping[str, Any], importer: str, key: str | None = None) -> bool:
    """Whether a format is meant for an importer.

    Parameters
    ----------
    format_data : the format, as read from TOML.
    importer : name of the importer, which a format may give as its key ``importer``.
    key : table that only formats for this importer have; None where it is told by name alone.
    """
    if "importer" in format_data:
        return bool(format_data["importer"] == importer)
    return key is not None and key in format_data


def recognised_by(
    head: Source, importer: str, key: str | None = None, has_texts: HasTexts | None = None
) -> list[str]:
    """Names of the formats for an importer that recognise a file, in alphabetical order.

    Parameters
    ----------
    has_texts : whether the texts of a format stand in a file; None looks among its first bytes.
    """
    return [
        name
        for name, rules in _by_name(head, importer, key)
        if not rules.text or (has_texts(rules) if has_texts else _begins_with(name, rules, head))
    ]


def may_recognise(head: Source, importer: str, key: str | None = None) -> list[str]:
    """Names of the formats for an importer that recognise a file if their texts stand in it."""
    return [name for name, _ in _by_name(head, importer, key)]


def _by_name(head: Source, importer: str, key: str | None) -> list[tuple[str, Recognise]]:
    return [
        (name, rules)
        for name in sorted(head.formats)
        if is_for(head.formats[name], importer, key)
        and (rules := checked_format(name, head.formats[name], _Rules).recognise) is not None
        and _has_name(rules, head)
    ]


def meant_format(
    source: Source, importer: str, key: str | None = None, has_texts: HasTexts | None = None
) -> str | None:
    """Name of the one format for this importer that a file is to be read with, if there is one.

    Parameters
    ----------
    has_texts : as for `recognised_by`.

    Raises
    ------
    speclake.errors.MalformedFile
        The named format is missing or for another importer, or several recognise the file.
    """
    if source.format is None:
        names = recognised_by(source, importer, key, has_texts)
        if len(names) > 1:
            expected = "one: narrow their [recognise], or name the format"
            raise MalformedFile(source.name, "", of_several(names), expected)
        return names[0] if names else None
    if source.format not in source.formats:
        known = ", ".join(sorted(source.formats)) or "none at all"
        found = f"no format {source.format!r} in the archive"
        raise MalformedFile(source.name, "", found, f"one of {known}")
    if not is_for(source.formats[source.format], importer, key):
        other = source.formats[source.format].get("importer")
        found = f"the format {source.format!r} for " + (
            f"the importer {other!r}" if other else "another kind of file"
        )
        raise MalformedFile(source.name, "", found, f"one for the importer {importer!r}")
    return source.format


def guess_of_named(head: Source, importer: str, key: str, kind: str) -> Guess | None:
    """Guess where the settings name a format; None where they name none.

    Parameters
    ----------
    kind : what such formats describe, for the reason.
    """
    if head.format is None:
        return None
    if head.format not in head.formats:
        return Guess(Confidence.NO, f"there is no format {head.format!r}")
    if not is_for(head.formats[head.format], importer, key):
        return Guess(Confidence.NO, f"the format {head.format!r} describes no {kind}")
    return Guess(Confidence.CERTAIN, "the settings name its format", head.format)


def guess_of(names: list[str], head: Source, help_text: str) -> Guess:
    """Guess by the formats that recognise a file; `help_text` says what to do without any."""
    if len(names) == 1:
        return Guess(Confidence.CERTAIN, f"the format {names[0]!r} recognises it", names[0])
    if names:
        return Guess(Confidence.POSSIBLE, of_several(names))
    what = "no format recognises it" if head.formats else "no format describes it"
    return Guess(Confidence.NO, f"{what}; {help_text}")


def of_several(names: list[str]) -> str:
    """Words for more than one format that recognise a file."""
    return f"{len(names)} formats that recognise it: {' and '.join(map(repr, names))}"


def checked_format(name: str, data: Mapping[str, Any], model: type[Model]) -> Model:
    """Format as a checked model; kept by content, since the same few come with every file.

    Raises
    ------
    speclake.errors.BadSettings
        The format says something impossible.
    """
    return cast(Model, _checked(name, pickle.dumps(dict(data)), model))


@lru_cache(maxsize=256)
def _checked(name: str, content: bytes, model: type[BaseModel]) -> BaseModel:
    return tomlfile.check(pickle.loads(content), f"{name}.toml", model)


def _has_name(rules: Recognise, head: Source) -> bool:
    if rules.file_name is None:
        return True
    path = head.name if "/" in rules.file_name else head.name.rsplit("/", 1)[-1]
    return fnmatch.fnmatchcase(path.lower(), rules.file_name.lower())


def _begins_with(name: str, rules: Recognise, head: Source) -> bool:
    said = head.formats[name].get("text")
    encoding = str(said["encoding"]) if isinstance(said, Mapping) else PROVEN
    if encoding == PROVEN:
        encoding = "utf-8"
    length, marked = byte_order_mark(head.held[:4])
    first = head.held[length:RECOGNISED_BYTES].decode(marked or encoding, "replace")
    lines = as_lines(first)[: rules.within_lines]
    return all(any(text in line for line in lines) for text in rules.text)
