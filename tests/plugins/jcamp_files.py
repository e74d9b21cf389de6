"""Small JCAMP-DX files, invented, and ways to read, damage and refuse them."""

from collections.abc import Mapping
from typing import Any

import pytest
from speclake_plugins.jcamp import JcampImporter

from speclake.errors import MalformedFile
from speclake.importing import Source
from speclake.spectrum import Spectrum
from tests.plugins.jcamp_writing import jcamp

SEVEN = [10, 25, 25, 25, 7, -3, 0]
LINES = ["500 10 25 25", "503 25 7 -3", "506 0"]
DIFFERENCES = ["500A0J5%%", "503B5j8j0L", "506@"]


def seven(lines: list[str] = LINES, **records: Any) -> bytes:
    """Seven points from 500 to 506 nm."""
    return jcamp(lines, **{"ends": ("500", "506"), "points": 7, **records})


def read(
    content: bytes, settings: Mapping[str, Any] | None = None, name: str = "scan.jdx"
) -> list[Spectrum]:
    """Spectra of a file, read with these settings of a format."""
    formats = {"bench": {"importer": "jcamp", "settings": settings or {}}}
    return list(JcampImporter().read(Source(name, content, formats, "bench" if settings else None)))


def read_one(content: bytes, settings: Mapping[str, Any] | None = None) -> Spectrum:
    (only,) = read(content, settings)
    return only


def refusal(content: bytes, settings: Mapping[str, Any] | None = None) -> MalformedFile:
    with pytest.raises(MalformedFile) as refused:
        read(content, settings)
    assert refused.value.file == "scan.jdx"
    return refused.value


def without(content: bytes, part: str) -> bytes:
    assert part.encode() in content
    return content.replace(part.encode(), b"", 1)


def with_(content: bytes, old: str, new: str) -> bytes:
    assert old.encode() in content
    return content.replace(old.encode(), new.encode("latin-1"), 1)


def linked(*blocks: bytes, count: int | None = None, end: str = "##END=\n") -> bytes:
    stated = f"##BLOCKS= {len(blocks) if count is None else count}\n" if count != 0 else ""
    head = f"##TITLE= invented set\n##JCAMP-DX= 4.24\n##DATA TYPE= LINK\n{stated}##OWNER= nobody\n"
    return head.encode() + b"".join(blocks) + end.encode()


def pairs(lines: list[str], **records: Any) -> bytes:
    return jcamp(
        lines,
        **{"ends": ("500", "506"), "points": 3, "label": "XYPOINTS= (XY..XY)", **records},
    )


PAGES = b"""##TITLE= invented kinetics
##JCAMP-DX= 5.01
##DATA TYPE= UV/VIS SPECTRUM
##DATA CLASS= NTUPLES
##NTUPLES= UV/VIS SPECTRUM
##VAR_NAME= WAVELENGTH, ABSORBANCE, TIME
##SYMBOL= X, Y, T
##VAR_TYPE= INDEPENDENT, DEPENDENT, PAGE
##VAR_FORM= AFFN, ASDF, AFFN
##VAR_DIM= 4, 4, 2
##UNITS= NANOMETERS, ABSORBANCE, SECONDS
##FIRST= 400, 0.1, 0
##LAST= 430, 0.4, 20
##FACTOR= 10, 0.01, 1
##PAGE= T=0
##DATA TABLE= (X++(Y..Y)), XYDATA $$ at once
40A0J0J0J0
43D0
##PAGE= T=20
##NPOINTS= 3
##FIRST= 400, 0.5
##LAST= 420,
##DATA TABLE= (XY..XY), XYPOINTS
40, 50; 41, 60; 42, 70
##END NTUPLES= UV/VIS SPECTRUM
##END=
"""
