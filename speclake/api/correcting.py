"""Corrected spectra: derived beside what was measured, marked, on record, and never judged.

The measurement and its values stay as they are. A correction is made because a person asks for it,
under their name and with their reason.
"""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from speclake.api import events
from speclake.api.exporting import placed
from speclake.archive.catalog import Catalog
from speclake.archive.encoding import encode
from speclake.archive.lake import Lake
from speclake.archive.rows import Batch, DerivedRow, EventKind, StandardRow
from speclake.errors import CannotWrite
from speclake.measurement import Measurement
from speclake.spectrum import SpectrumSet

CORRECTING_VERSION = "2"
"""Kept with every corrected spectrum; it changes whenever one of its numbers could."""


@dataclass(frozen=True)
class Correction:
    """A corrected spectrum of a measurement, with who made it and why.

    Parameters
    ----------
    derived_id : under which `Archive.derived` gives it.
    parameters : what the operation went by.
    """

    measurement_id: str
    derived_id: str
    operation: str
    parameters: Mapping[str, str]
    who: str
    why: str
    at: datetime

    @property
    def mark(self) -> str:
        """What stands wherever the spectrum is shown."""
        said = ", ".join(_in_words(name, text) for name, text in self.parameters.items())
        return (
            f"corrected, {self.operation} ({said}) by {self.who} on {self.at:%Y-%m-%d}: "
            f"{self.why}; not as measured, and not judged"
        )


def _in_words(name: str, text: str) -> str:
    if name.endswith("_nm"):
        return f"{name.removesuffix('_nm').replace('_', ' ')} {text} nm"
    return f"{name.replace('_', ' ')} {text}"


@dataclass(frozen=True)
class Made:
    """A corrected spectrum, one row, with its parameters and the certificates that it used.

    Parameters
    ----------
    operation : what was done, if not what its name says.
    """

    spectrum: SpectrumSet
    parameters: Mapping[str, str]
    standards: tuple[StandardRow, ...] = ()
    operation: str | None = None


Making = Callable[[SpectrumSet, Measurement], Made]
"""Corrects the spectrum of one measurement."""


def correct(
    store: Lake, operation: str, making: Making, ids: Sequence[str], *, who: str, why: str
) -> list[Correction]:
    """Corrected spectra of measurements, put on record; those that were made before stay alone.

    Raises
    ------
    speclake.errors.NotFound, speclake.api.events.NotAllowed
        There is no such measurement; a correction does not fit it; nobody or no reason is named.
    """
    store.refresh()
    events.check_known(store.catalog, ids)
    events.check_named(who, why)
    made = _made(store, operation, making, list(dict.fromkeys(ids)))
    said = {name: {"derived_id": row.derived_id, "operation": row.operation, **row.parameters}
            for name, (row, _) in made.items()}  # fmt: skip

    def new(catalog: Catalog) -> list[str]:
        held = catalog.places("derived", [row.derived_id for row, _ in made.values()])
        return [name for name, (row, _) in made.items() if row.derived_id not in held]

    def batch(catalog: Catalog) -> Batch:
        chosen = new(catalog)
        used = {s.standard_version: s for name in chosen for s in made[name][1]}
        return Batch(
            derived=tuple(made[name][0] for name in chosen),
            standards=tuple(s for v, s in used.items() if catalog.standard(v) is None),
        )

    chosen = new(store.catalog)
    events.record(
        store, EventKind.CORRECT, chosen, {}, who=who, why=why, with_it=batch, kept=lambda _: said
    )
    wanted = {row.derived_id for row, _ in made.values()}
    return [each for each in corrections(store.catalog, ids) if each.derived_id in wanted]


def corrections(catalog: Catalog, ids: Sequence[str]) -> list[Correction]:
    """Corrected spectra of measurements, in the order in which they were made."""
    told = ("derived_id", "operation")
    return [
        Correction(
            each.subject,
            each.details["derived_id"],
            each.details["operation"],
            {name: text for name, text in each.details.items() if name not in told and text},
            each.who,
            each.why,
            each.at,
        )
        for each in catalog.events_among(EventKind.CORRECT, list(ids))
    ]


def write_corrected(store: Lake, made: Sequence[Correction], target: Path) -> int:
    """Write corrected spectra to a text file, a column each under its mark; number of columns.

    Raises
    ------
    speclake.errors.CannotWrite
        The ending is not .csv, or the spectra do not share an axis.
    """
    import polars as pl

    if target.suffix != ".csv":
        raise CannotWrite(f"{target.name}: found the ending {target.suffix!r}; expected .csv")
    sets = store.derived([each.derived_id for each in made])
    if len({each.axis.id for each in sets}) != 1:
        raise CannotWrite(f"found {len(sets)} axes; expected one for a file")
    marks = {each.derived_id: f"{each.mark}; from {each.measurement_id}" for each in made}
    columns = [pl.Series(f"axis ({sets[0].axis.unit})", sets[0].axis.values)]
    for spectra in sets:
        for key, values in zip(spectra.keys, spectra.values, strict=True):
            columns.append(pl.Series(f"{spectra.unit} {marks[key]}", values, nan_to_null=True))
    with placed(target) as beside:
        pl.DataFrame(columns).write_csv(beside)
    return len(columns) - 1


def _made(
    store: Lake, operation: str, making: Making, ids: Sequence[str]
) -> dict[str, tuple[DerivedRow, tuple[StandardRow, ...]]]:
    """Row of the corrected spectrum of each measurement, with the certificates that it used."""
    known = {m.measurement_id: m for m in store.catalog.measurements(ids)}
    found = {}
    for spectra in store.spectra(ids):
        for row, key in enumerate(spectra.keys):
            one = SpectrumSet(spectra.axis, spectra.values[[row]], spectra.unit, (key,))
            made = making(one, known[key])
            found[key] = _row(made.operation or operation, key, made), made.standards
    return {name: found[name] for name in ids}


def _row(operation: str, parent: str, made: Made) -> DerivedRow:
    """Row of a corrected spectrum, under the same identifier whenever it is made again."""
    values = made.spectrum.values[0]
    said = [operation, CORRECTING_VERSION, made.spectrum.unit, made.spectrum.axis.id, parent]
    said += [f"{name}={text}" for name, text in sorted(made.parameters.items())]
    digest = hashlib.sha256("\x1f".join(said).encode())
    digest.update(values.astype("<f8").tobytes())
    return DerivedRow(
        derived_id=digest.hexdigest()[:32],
        parents=(parent,),
        operation=operation,
        parameters=dict(made.parameters),
        version=CORRECTING_VERSION,
        unit=made.spectrum.unit,
        axis_id=made.spectrum.axis.id,
        values=encode(values),
    )
