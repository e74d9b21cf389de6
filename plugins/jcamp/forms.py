"""Forms of a table: ``(X++(Y..Y))``, ``(XY..XY)``, and the same with other variables."""

import re
from dataclasses import dataclass

from speclake_plugins.jcamp.decimals import shortened
from speclake_plugins.jcamp.records import Document, Record

_SERIES = re.compile(r"\((\w)\+\+\((\w)\.{2,3}\2\)\)")
_PAIRS = re.compile(r"\((\w)(\w)\.{2,3}\1\2\)")


@dataclass(frozen=True)
class Form:
    """How a table is laid out, and the symbols of its abscissa and ordinate."""

    in_pairs: bool
    x: str
    y: str


def form_of(document: Document, record: Record) -> Form:
    """Form that the first line of a table names.

    Raises
    ------
    speclake.errors.MalformedFile
        It is none of the two that hold a curve, or a table of peaks.
    """
    text = document.value(record)
    form, _, kind = re.sub(r"\s", "", text).partition(",")
    if "PEAK" in kind.upper():
        raise document.refusal(record.line, f"{shortened(text)}, a table of peaks", "a curve")
    match = _SERIES.fullmatch(form) or _PAIRS.fullmatch(form)
    if not match:
        raise document.refusal(
            record.line, f"##{record.label}= {shortened(text)}", "(X++(Y..Y)) or (XY..XY)"
        )
    return Form(match.re is _PAIRS, match[1].upper(), match[2].upper())
