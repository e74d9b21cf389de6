"""What a format of the archive declares for AnIML files, in its table ``settings``."""

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict
from speclake_plugins.animl.units import Declared

from speclake.errors import BadSettings, MalformedFile
from speclake.importing.formats import ImporterSettings
from speclake.importing.interface import Source
from speclake.importing.recognising import checked_format, meant_format
from speclake.measurement import FIELDS
from speclake.units import AxisUnit, ValueUnit


def _field(name: str) -> str:
    if name not in FIELDS:
        raise ValueError(f"a field: one of {', '.join(sorted(FIELDS))}")
    return name


class Settings(BaseModel):
    """The table ``settings``: docs/animl.md explains its keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    value_units: dict[str, ValueUnit] = {}
    series: dict[str, AxisUnit | ValueUnit | Literal["ignore"]] = {}
    fields: dict[Annotated[str, AfterValidator(_field)], str] = {}

    @property
    def units(self) -> Declared:
        """What is said of units."""
        return Declared(dict(self.value_units), dict(self.series))


def declared(source: Source) -> Settings:
    """What the format for a file declares; nothing where there is no format.

    Raises
    ------
    speclake.errors.MalformedFile
        The format says something impossible, or several recognise the file.
    """
    name = meant_format(source, "animl")
    if name is None:
        return Settings()
    try:
        said = checked_format(name, source.formats[name], ImporterSettings).settings
        return checked_format(name, said, Settings)
    except BadSettings as error:
        first = error.problems[0]
        place = f"format {name!r}, key {first.key}"
        raise MalformedFile(source.name, place, first.found, first.allowed) from error
