"""Small AnIML files, invented, written without the importer's code, and ways to read them."""

import base64
import struct
from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from xml.sax.saxutils import quoteattr

import pytest
from speclake_plugins.animl import AnimlImporter

from speclake.errors import MalformedFile
from speclake.importing import Source
from speclake.spectrum import Spectrum
from tests.plugins.animl_schema import problems

NAME = "scan.animl"
CORE = "urn:org:astm:animl:schema:core:draft:0.90"
# the letter of one value, and struct's code of it, by the type of a series
LETTERS = {"Int32": ("I", "i"), "Int64": ("L", "q"), "Float32": ("F", "f"), "Float64": ("D", "d")}

NM = '<Unit label="nm" quantity="Wavelength"><SIUnit factor="1e-9" exponent="1">m</SIUnit></Unit>'
PERCENT_T = '<Unit label="percentT" quantity="Transmittance"><SIUnit>1</SIUnit></Unit>'
UV_VIS = '<Technique name="UV/Vis" uri="urn:invented:uv-vis.atdd"/>'


def attributes(**named: Any) -> str:
    """Attributes of a tag, without those that are None."""
    given = {name: value for name, value in named.items() if value is not None}
    return "".join(f" {name}={quoteattr(str(value))}" for name, value in given.items())


def individual(texts: Iterable[object], kind: str = "Float64", **named: Any) -> str:
    letter = LETTERS[kind][0]
    cells = "".join(f"<{letter}>{text}</{letter}>" for text in texts)
    return f"<IndividualValueSet{attributes(**named)}>{cells}</IndividualValueSet>"


def packed(values: Sequence[float], kind: str = "Float64", **named: Any) -> str:
    content = struct.pack(f"<{len(values)}{LETTERS[kind][1]}", *values)
    text = base64.b64encode(content).decode("ascii")
    return f"<EncodedValueSet{attributes(**named)}>{text}</EncodedValueSet>"


def steps(start: object, increment: object, kind: str = "Float64", **named: Any) -> str:
    letter = LETTERS[kind][0]
    return (
        f"<AutoIncrementedValueSet{attributes(**named)}>"
        f"<StartValue><{letter}>{start}</{letter}></StartValue>"
        f"<Increment><{letter}>{increment}</{letter}></Increment></AutoIncrementedValueSet>"
    )


def series(
    content: str,
    unit: str = "",
    *,
    id: str = "y",
    name: str = "Intensity",
    dependency: str = "dependent",
    kind: str = "Float64",
    **named: Any,
) -> str:
    said = attributes(name=name, dependency=dependency, seriesID=id, seriesType=kind, **named)
    return f"<Series{said}>{content}{unit}</Series>"


def axis(content: str = "", unit: str = NM, **named: Any) -> str:
    """An independent series, of 400, 401 and 402 nm unless said."""
    said = {"id": "x", "name": "Wavelength", "dependency": "independent", **named}
    return series(content or individual((400, 401, 402)), unit, **said)


def result(
    *inner: str, length: int | str = 3, name: str = "Spectrum", after: str = "", **named: Any
) -> str:
    said = attributes(name=name, length=length, **named)
    return f'<Result name="{name}"><SeriesSet{said}>{"".join(inner)}</SeriesSet>{after}</Result>'


def step(*inner: str, id: str = "s1", technique: str = UV_VIS, head: str = "", **named: Any) -> str:
    said = attributes(name=f"scan {id}", experimentStepID=id, **named)
    return f"<ExperimentStep{said}>{technique}{head}{''.join(inner)}</ExperimentStep>"


def document(
    *inner: str, samples: str = "", after: str = "", version: str = "0.90", core: str = CORE
) -> bytes:
    body = f"<ExperimentStepSet>{''.join(inner)}</ExperimentStepSet>" if inner else ""
    text = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<AnIML xmlns="{core}" version="{version}">\n{samples}{body}{after}</AnIML>\n'
    )
    return text.replace("><", ">\n<").encode("utf-8")


def spectrum(content: str = "", unit: str = PERCENT_T, **named: Any) -> bytes:
    """One spectrum of three points whose values are said as a value set."""
    return document(
        step(result(axis(), series(content or individual((91.5, "NaN", -0.25)), unit, **named)))
    )


def read(
    content: bytes, settings: Mapping[str, Any] | None = None, *, is_valid: bool = True
) -> list[Spectrum]:
    """Spectra of a file, read with these settings of a format.

    Parameters
    ----------
    is_valid : by the core schema, which is checked.
    """
    formats = {"bench": {"importer": "animl", "settings": settings or {}}}
    named = "bench" if settings is not None else None
    source = Source(NAME, content, formats if named else {}, named)
    found = list(AnimlImporter().read(source))
    assert (problems(content) == []) is is_valid
    return found


def read_one(content: bytes, settings: Mapping[str, Any] | None = None) -> Spectrum:
    (only,) = read(content, settings)
    return only


def refusal(content: bytes, settings: Mapping[str, Any] | None = None) -> MalformedFile:
    with pytest.raises(MalformedFile) as refused:
        read(content, settings)
    assert refused.value.file == NAME
    return refused.value
