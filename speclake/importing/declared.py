"""What a format declares of files that an importer other than the one of text reads."""

from collections.abc import Mapping
from typing import Annotated, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, Field, model_validator

from speclake.errors import BadSettings, MalformedFile
from speclake.importing.formats import FieldEntry, FieldName, Scanned, TomlTable, entry_table
from speclake.importing.headerfields import stated_fields
from speclake.importing.interface import Confidence, Guess, Source
from speclake.importing.recognising import (
    checked_format,
    is_for,
    meant_format,
    of_several,
    recognised_by,
)
from speclake.importing.text import Entries
from speclake.units import Medium

MEDIA: Mapping[str, Medium] = {"air": "air", "vacuum": "vacuum"}

Model = TypeVar("Model", bound=BaseModel)


class StatedFields(TomlTable):
    """Which header entries state which fields, as in a format of text."""

    scanned: Scanned | None = None
    fields: dict[FieldName, Annotated[FieldEntry, BeforeValidator(entry_table)]] = Field(
        default_factory=dict
    )
    constants: dict[FieldName, str] = Field(default_factory=dict)

    @property
    def decimal_sign(self) -> Literal["."]:
        """Sign of the numbers in header entries: those of a binary file are written by us."""
        return "."

    @property
    def entries_read(self) -> set[str]:
        """Names of the header entries that are looked for."""
        scanned = self.scanned.entries if self.scanned else []
        return {rule.entry for rule in self.fields.values()} | set(scanned)

    @model_validator(mode="after")
    def _says_each_field_once(self) -> "StatedFields":
        if twice := sorted(set(self.fields) & set(self.constants)):
            raise ValueError(f"each field in one place only, not twice: {', '.join(twice)}")
        if self.constants.get("medium") not in (None, *MEDIA):
            raise ValueError("'air' or 'vacuum' for the constant medium")
        return self


def fields_of_header(
    header: Mapping[str, str], says: StatedFields, file: str
) -> tuple[dict[str, str], tuple[str, ...]]:
    """Fields that the constants and a header state, and reading notes."""
    return stated_fields(Entries(dict(header)), says, file)


def settings_for(source: Source, importer: str, model: type[Model]) -> Model | None:
    """Settings of the format that a file is to be read with; None where no format is meant.

    Raises
    ------
    speclake.errors.MalformedFile
        It is not clear which format is meant, or it says something impossible.
    """
    name = meant_format(source, importer)
    if name is None:
        return None
    try:
        return checked_format(name, source.formats[name].get("settings", {}), model)
    except BadSettings as error:
        problem = error.problems[0]
        key = "settings" if problem.key == "the file" else f"settings.{problem.key}"
        place = f"format {name!r}, key {key}"
        raise MalformedFile(source.name, place, problem.found, problem.allowed) from error


def guess_of_kind(head: Source, importer: str, what: str) -> Guess:
    """Opinion of an importer that knows its kind of file by a mark: certain.

    Parameters
    ----------
    what : the kind of file and its mark, in words.
    """
    if head.format is not None:
        if head.format not in head.formats:
            return Guess(Confidence.NO, f"there is no format {head.format!r}")
        if not is_for(head.formats[head.format], importer):
            return Guess(Confidence.NO, f"the format {head.format!r} is for another importer")
        return Guess(Confidence.CERTAIN, what, head.format)
    names = recognised_by(head, importer)
    if len(names) > 1:
        return Guess(Confidence.POSSIBLE, of_several(names))
    return Guess(Confidence.CERTAIN, what, names[0] if names else None)
