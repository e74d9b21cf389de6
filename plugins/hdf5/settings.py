"""What a format says of HDF5 files: which datasets are axis and values, and what entries mean."""

from fnmatch import fnmatchcase
from typing import Annotated, Generic, Self, TypeVar

from pydantic import AfterValidator, Field, model_validator

from speclake.importing.declared import StatedFields
from speclake.importing.formats import Regex, TomlTable
from speclake.units import AxisUnit, Medium, ValueUnit

Unit = TypeVar("Unit", AxisUnit, ValueUnit)


def parts_of(path: str) -> tuple[str, ...]:
    """Names along a path."""
    return tuple(path.strip("/").split("/")) if path.strip("/") else ()


def is_pattern(part: str) -> bool:
    """Whether a name in a path stands for several."""
    return "*" in part or "?" in part


def fits(name: str, part: str) -> bool:
    """Whether a name is one of those that a part of a path stands for."""
    return fnmatchcase(name, part) if is_pattern(part) else name == part


def _path(path: str) -> str:
    parts = parts_of(path)
    if not path.startswith("/") or not parts or any(part in ("", ".", "..") for part in parts):
        raise ValueError("the path of a dataset from the root on, such as '/scans/*/transmittance'")
    return "/" + "/".join(parts)


Path = Annotated[str, AfterValidator(_path)]


class UnitFromAttribute(TomlTable, Generic[Unit]):
    """Which attribute of the dataset tells the unit, and what each text there means."""

    attribute: Annotated[str, Field(min_length=1)]
    pattern: Regex | None = None
    units: Annotated[dict[str, Unit], Field(min_length=1)]


class _Stated(TomlTable):
    """A unit, said here or read from an attribute; where neither, the file must say it itself."""

    def _one_way(self, unit: object, unit_from: object) -> None:
        if unit is not None and unit_from is not None:
            raise ValueError("either unit or the table unit_from, not both")


class AxisDataset(_Stated):
    """Which dataset is the axis."""

    dataset: Path
    unit: AxisUnit | None = None
    unit_from: UnitFromAttribute[AxisUnit] | None = None
    medium: Medium | None = None

    @model_validator(mode="after")
    def _says_one_unit(self) -> Self:
        self._one_way(self.unit, self.unit_from)
        return self


class ValueDatasets(_Stated):
    """Which datasets hold spectra, and along which of their dimensions the axis runs."""

    datasets: Annotated[list[Path], Field(min_length=1)]
    axis_dimension: Annotated[int, Field(ge=1, le=3)] | None = None
    unit: ValueUnit | None = None
    unit_from: UnitFromAttribute[ValueUnit] | None = None

    @model_validator(mode="after")
    def _says_one_unit(self) -> Self:
        self._one_way(self.unit, self.unit_from)
        return self


class Hdf5Settings(StatedFields):
    """The table ``[settings]`` of a format for HDF5 files."""

    axis: AxisDataset | None = None
    values: ValueDatasets | None = None

    @model_validator(mode="after")
    def _names_both_or_none(self) -> Self:
        if (self.axis is None) != (self.values is None):
            raise ValueError("both tables axis and values, or none where the file describes itself")
        if self.axis is not None and self.values is not None:
            for path in self.values.datasets:
                _must_follow(self.axis.dataset, path)
                for entry in self.entries_read:
                    if entry.startswith("/"):
                        _must_follow(entry.partition("@")[0], path)
        return self


def _must_follow(path: str, values: str) -> None:
    """A name with a * stands for what the same part of the values' path stands for."""
    for part, same in zip(parts_of(path), [*parts_of(values), *[""] * 99], strict=False):
        if is_pattern(part) and part != same:
            raise ValueError(f"in {path!r} a * only where {values!r} has the same part {part!r}")
