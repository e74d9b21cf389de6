"""Which datasets of a file are spectra: those that a format names, or those that say so."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from speclake_plugins.hdf5.opened import MOST_MEMBERS, Opened
from speclake_plugins.hdf5.settings import (
    AxisDataset,
    Hdf5Settings,
    ValueDatasets,
    is_pattern,
    parts_of,
)
from speclake_plugins.hdf5.units import (
    Rescale,
    axis_unit,
    from_attribute,
    is_spectral,
    said,
    value_unit,
)

from speclake.units import AxisUnit, Medium, ValueUnit

_HOW_TO_DECLARE = (
    "a format with importer = 'hdf5' and the tables settings.axis and settings.values, which name "
    "the datasets and their units"
)


@dataclass(frozen=True)
class Chosen:
    """A dataset of spectra and its axis.

    Parameters
    ----------
    pattern, names : the path as the format writes it, and what each part of it stands for.
    axis_pattern, axis_path : the same of the axis.
    axis_dimension : which dimension the axis is, from 0 on; None where the shape must tell.
    """

    dataset: Any
    pattern: str
    names: tuple[str, ...]
    axis: Any
    axis_pattern: str
    axis_path: str
    axis_dimension: int | None
    axis_unit: AxisUnit
    rescale: Rescale
    medium: Medium | None
    unit: ValueUnit
    notes: tuple[str, ...] = ()

    @property
    def path(self) -> str:
        """Path of the dataset."""
        return "/" + "/".join(self.names)


def concrete(pattern: str, names: tuple[str, ...]) -> str:
    """Path with each pattern in it replaced by what it stands for."""
    parts = parts_of(pattern)
    return "/" + "/".join(names[at] if is_pattern(part) else part for at, part in enumerate(parts))


def named(file: Opened, axis: AxisDataset, values: ValueDatasets) -> Iterator[Chosen]:
    """Datasets that a format names, in the order of its list and of the file.

    Raises
    ------
    speclake.errors.MalformedFile
        One of them is not there, or its unit is not said.
    """
    for pattern in values.datasets:
        count = 0
        for path, names in file.matches(pattern):
            axis_path = concrete(axis.dataset, names)
            if path == axis_path:
                continue
            count += 1
            dataset, axis_dataset = file.at(path), _dataset(file, axis_path)
            unit, rescale = _axis_unit_of(file, axis, axis_dataset, axis_path)
            dimension = None if values.axis_dimension is None else values.axis_dimension - 1
            yield Chosen(
                dataset, pattern, names, axis_dataset, axis.dataset, axis_path, dimension,
                unit, rescale, axis.medium, _value_unit_of(file, values, dataset, path),
            )  # fmt: skip
        if not count:
            raise file.refusal(pattern, "nothing that fits", "a dataset of spectra")


def _dataset(file: Opened, path: str) -> Any:
    import h5py

    found = file.at(path)
    if not isinstance(found, h5py.Dataset):
        what = "nothing" if found is None else "a group"
        raise file.refusal(path, what, "a dataset of positions")
    return found


def _axis_unit_of(
    file: Opened, axis: AxisDataset, dataset: Any, path: str
) -> tuple[AxisUnit, Rescale]:
    if axis.unit is not None:
        return axis.unit, ""
    if axis.unit_from is not None:
        return from_attribute(file, dataset, axis.unit_from, path), ""
    if (unit := axis_unit(dataset)) is None:
        found = f"the units {said(dataset, 'units')!r}"
        raise file.refusal(path, found, "nm, um, cm-1, m-1, eV; or settings.axis.unit")
    return unit


def _value_unit_of(file: Opened, values: ValueDatasets, dataset: Any, path: str) -> ValueUnit:
    if values.unit is not None:
        return values.unit
    if values.unit_from is not None:
        return from_attribute(file, dataset, values.unit_from, path)
    if (unit := value_unit(dataset)) is None:
        found = f"the units {said(dataset, 'units')!r}, which do not say of what"
        raise file.refusal(path, found, "settings.values.unit, or unit_from")
    return unit


def self_described(file: Opened) -> Iterator[Chosen]:
    """Datasets that CF attributes make spectra: on a spectral coordinate, with a quantity.

    Raises
    ------
    speclake.errors.MalformedFile
        There are none, or one on a spectral coordinate does not say what it is.
    """
    datasets = list(_datasets(file))
    axes = {each: path for path, each in datasets if _is_coordinate(each) and is_spectral(each)}
    if not axes:
        found = "no coordinate that says to be a wavelength, wavenumber or photon energy"
        raise file.refusal("", found, _HOW_TO_DECLARE)
    aside = _named_aside([dataset for _, dataset in datasets])
    chosen, unread = [], []
    for path, dataset in datasets:
        scales = [_scale_of(dataset, at, axes) for at in range(len(dataset.shape or ()))]
        on = [(at, axis) for at, axis in enumerate(scales) if axis is not None]
        if dataset in axes or len(on) != 1:
            continue
        if path.rsplit("/", 1)[-1] in aside:
            unread.append(path)
            continue
        ((at, axis),) = on
        chosen.append(_described(file, path, dataset, at, axis, axes[axis]))
    if not chosen:
        found = f"no dataset on the coordinate {', '.join(axes.values())}"
        raise file.refusal("", found, _HOW_TO_DECLARE)
    notes = tuple(f"{path} belongs to another dataset and is not read" for path in unread)
    yield from (Chosen(**{**vars(each), "notes": notes}) for each in chosen)


def _described(file: Opened, path: str, dataset: Any, at: int, axis: Any, axis_path: str) -> Chosen:
    unit, axis_is_in = value_unit(dataset), axis_unit(axis)
    assert axis_is_in is not None
    if unit is None:
        found = f"the units {said(dataset, 'units')!r}, which do not say of what"
        expected = f"a standard_name or long_name such as 'transmittance'; or {_HOW_TO_DECLARE}"
        raise file.refusal(path, found, expected)
    return Chosen(
        dataset, path, parts_of(path), axis, axis_path, axis_path, at, *axis_is_in, None, unit
    )


def _datasets(file: Opened) -> Iterator[tuple[str, Any]]:
    """Every dataset that hard links reach, once, however they run in circles."""
    import h5py

    waiting, seen = [("", file.root)], set()
    while waiting:
        path, found = waiting.pop()
        if found in seen:
            continue
        seen.add(found)
        if len(seen) > MOST_MEMBERS:
            raise file.refusal("", "more objects", f"at most {MOST_MEMBERS}; name them in a format")
        if isinstance(found, h5py.Dataset):
            yield path, found
        elif isinstance(found, h5py.Group):
            names = [name for name in file.names_in(found) if _is_hard(found, name)]
            waiting += [(f"{path}/{name}", found[name]) for name in reversed(names)]


def _is_hard(group: Any, name: str) -> bool:
    import h5py

    raw = name.encode("utf-8", "surrogateescape")
    return bool(group.id.links.get_info(raw).type == h5py.h5l.TYPE_HARD)


def _is_coordinate(dataset: Any) -> bool:
    return len(dataset.shape or ()) == 1 and said(dataset, "CLASS") == "DIMENSION_SCALE"


def _named_aside(datasets: list[Any]) -> set[str]:
    """Names of datasets that others say to be their bounds, uncertainties or flags."""
    texts = [said(each, name) for each in datasets for name in ("bounds", "ancillary_variables")]
    return {name for text in texts for name in text.split()}


def _scale_of(dataset: Any, at: int, axes: dict[Any, str]) -> Any:
    """The spectral coordinate of a dimension, None where it has none."""
    import h5py

    if "DIMENSION_LIST" not in dataset.attrs:
        return None
    listed = h5py.h5a.open(dataset.id, b"DIMENSION_LIST")
    # read only if it is just what the standard says: anything else may bring the library down
    if not listed.get_type().equal(h5py.h5t.vlen_create(h5py.h5t.STD_REF_OBJ)):
        return None
    found = [scale for scale in dataset.dims[at].values() if scale in axes]
    return found[0] if len(found) == 1 else None


def chosen_datasets(file: Opened, says: Hdf5Settings) -> Iterator[Chosen]:
    """Datasets of spectra, by the format or by what the file says."""
    if says.axis is not None and says.values is not None:
        return named(file, says.axis, says.values)
    return self_described(file)
