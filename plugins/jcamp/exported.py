"""What a block that speclake wrote says of itself: unit, medium and fields, none of it derived."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeVar, get_args

from speclake_plugins.jcamp.decimals import shortened
from speclake_plugins.jcamp.header import Entries, Header
from speclake_plugins.jcamp.records import Document

from speclake.measurement import FIELDS
from speclake.units import Medium, ValueUnit
from speclake.writing.jcamp import PREFIX
from speclake.writing.texts import unquoted

Word = TypeVar("Word", bound=str)
_FIELD = f"{PREFIX}FIELD"
_ENTRY = f"{PREFIX} ENTRY"


@dataclass(frozen=True)
class Exported:
    """What the user records ``##$SPECLAKE`` of a block state."""

    unit: ValueUnit
    medium: Medium | None
    fields: Mapping[str, str]


def exported(document: Document, header: Header) -> Exported | None:
    """What the block states, None where speclake did not write it.

    Raises
    ------
    speclake.errors.MalformedFile
        It states an unknown unit, medium or field.
    """
    unit = _one_of(document, header, f"{PREFIX}UNIT", get_args(ValueUnit))
    if unit is None:
        return None
    fields = {}
    for record in header.records:
        if record.key.startswith(_FIELD):
            name = record.label.split()[-1]
            if name not in FIELDS:
                raise document.refusal(
                    record.line, f"##{shortened(record.label)}=", "the name of a field"
                )
            fields[name] = unquoted(document.text(record))
    medium = _one_of(document, header, f"{PREFIX}AXISMEDIUM", get_args(Medium))
    return Exported(unit, medium, fields)


def _one_of(document: Document, header: Header, key: str, words: tuple[Word, ...]) -> Word | None:
    text = header.value(key)
    if header.record(key) is None:
        return None
    for word in words:
        if text == word:
            return word
    raise document.refusal(header.line(key), shortened(text), " or ".join(words))


def entries_of(header: Mapping[str, str]) -> dict[str, str]:
    """Header as it was before it was written: texts without quotes, and odd names back."""
    entries = Entries()
    for label, text in header.items():
        plain = unquoted(text)
        pair = _pair(plain) if label.startswith(_ENTRY) else None
        entries.add(*(pair or (label, plain)))
    return entries.texts


def _pair(text: str) -> tuple[str, str] | None:
    try:
        pair = json.loads(text)
    except ValueError:
        return None
    is_pair = isinstance(pair, list) and [type(each) for each in pair] == [str, str]
    return (pair[0], pair[1]) if is_pair else None
