"""Invented exports and what they mean, and how a draft is scored against that.

``NAME.txt`` is an export as an invented instrument writes it, ``NAME.toml`` what it means, written
by hand from the dialect and not with any reader:

- ``cannot_be_told``: keys that the text leaves open, so that a draft has to ask;
- ``answers``: what the person who knows the instrument says when asked;
- ``header``: header entries as they have to be kept;
- ``spectra``: positions and values in the order of the file, their units, and the fields stated.
"""

import math
import tomllib
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from speclake import tomlfile
from speclake.errors import BadSettings, MalformedFile
from speclake.importing.delimited import read_export
from speclake.importing.drafting import Draft, draft, with_answers
from speclake.importing.formats import Format
from speclake.spectrum import Spectrum

IDENTITY = ("sample", "lot", "site", "serial", "operator", "instrument", "scanned")
"""Fields that a draft must not state where the text does not."""


@dataclass(frozen=True)
class Export:
    """An export of the corpus with its truth."""

    path: Path

    @property
    def name(self) -> str:
        return self.path.stem

    @cached_property
    def content(self) -> bytes:
        return self.path.read_bytes()

    @cached_property
    def truth(self) -> dict[str, Any]:
        return tomllib.loads(self.path.with_suffix(".toml").read_text("utf-8"))

    @property
    def spectra(self) -> list[dict[str, Any]]:
        return self.truth["spectra"]

    @cached_property
    def answers(self) -> dict[str, Any]:
        """What a person who knows the instrument would say of any key that is left open."""
        known = {}
        for key, of_spectrum in (("axis.unit", "axis_unit"), ("values.unit", "unit")):
            units = {spectrum[of_spectrum] for spectrum in self.spectra}
            if len(units) == 1:
                known[key] = units.pop()
        return known | self.truth.get("answers", {})


@dataclass
class Score:
    """What is wrong with a draft; `silent` is what it would have read wrong without a word."""

    name: str
    wrong: list[str] = field(default_factory=list)
    silent: list[str] = field(default_factory=list)
    needless: list[str] = field(default_factory=list)
    """Keys asked for although the text tells them."""

    @property
    def is_right(self) -> bool:
        return not self.wrong and not self.silent

    def __str__(self) -> str:
        silent = [f"SILENTLY WRONG: {each}" for each in self.silent]
        return f"{self.name}: {'; '.join([*silent, *self.wrong])}"


def exports_in(folder: str) -> list[Export]:
    """Exports of a folder beside this file."""
    return [Export(path) for path in sorted((Path(__file__).parent / folder).glob("*.txt"))]


def answered(found: Draft, export: Export) -> Format:
    """Format of a draft whose questions, and nothing else, are answered from the truth."""
    asked = {question.key: question.choices for question in found.questions}
    said = {
        key: _in_words_of(choices, export.answers[key])
        for key, choices in asked.items()
        if key in export.answers
    }
    return tomlfile.loads(with_answers(found, said), f"{export.name}.toml", Format)


def _in_words_of(choices: tuple[Any, ...], answer: Any) -> Any:
    """The answer as the draft would write it: a header entry has its section before its name."""
    if isinstance(answer, list):
        return next((c for c in choices if [_bare(each) for each in c] == answer), answer)
    return next((choice for choice in choices if _bare(choice) == answer), answer)


def _bare(choice: Any) -> Any:
    return choice.rpartition("/")[2] if isinstance(choice, str) else choice


def score(export: Export) -> Score:
    """Score of the draft of an export."""
    result = Score(export.name)
    found = draft(f"{export.name}.txt", export.content)
    asked = {question.key for question in found.questions if question.is_needed}
    open_keys = set(export.truth["cannot_be_told"])
    result.silent += [f"{key} was not asked for" for key in sorted(open_keys - asked)]
    result.needless += sorted(asked - open_keys)
    try:
        form = answered(found, export)
        spectra = read_export(export.content, f"{export.name}.txt", form)
    except (BadSettings, MalformedFile) as error:
        result.wrong.append(str(error))
        return result
    if len(spectra) != len(export.spectra):
        result.silent.append(f"{len(spectra)} spectra instead of {len(export.spectra)}")
        return result
    for read, true in zip(spectra, export.spectra, strict=True):
        compare(result, read, true, export)
    _look_at_recognition(result, form, export)
    return result


def compare(result: Score, read: Spectrum, true: dict[str, Any], export: Export) -> None:
    """Note where a spectrum is not the true one."""
    turn = slice(None, None, -1 if read.scan_direction == "descending" else 1)
    positions, values = read.axis.values[turn].tolist(), read.values[turn].tolist()
    if positions != true["axis"]:
        result.silent.append(f"the axis is {positions}")
    if list(map(_shown, values)) != list(map(_shown, true["values"])):
        result.silent.append(f"the values are {values}")
    if (read.axis.unit, read.unit) != (true["axis_unit"], true["unit"]):
        result.silent.append(f"the units are {read.axis.unit} and {read.unit}")
    for key in {*IDENTITY, *true["fields"]}:
        said, meant = read.fields.get(key), true["fields"].get(key)
        if said is None and meant is not None:
            result.wrong.append(f"{key} is not stated")
        elif said != meant:
            result.silent.append(f"{key} is {said!r}, not {meant!r}")
    for key, text in export.truth.get("header", {}).items():
        if read.header.get(key) != text:
            result.wrong.append(f"header entry {key!r} is {read.header.get(key)!r}")


def _shown(value: float) -> str:
    return "missing" if math.isnan(value) else repr(value)


def _look_at_recognition(result: Score, form: Format, export: Export) -> None:
    """Note texts of `[recognise]` that the next export will not have."""
    texts = form.recognise.text if form.recognise else []
    for spectrum in export.spectra:
        for key in {*IDENTITY} & spectrum["fields"].keys():
            value = spectrum["fields"][key]
            if any(value in text for text in texts if len(value) > 1):
                result.wrong.append(f"recognised by its {key} {value!r}")
