"""What the checks say of scans that are taken in, as rows for the commit that brings them."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from speclake.archive.catalog import Catalog
from speclake.archive.encoding import encode
from speclake.archive.rows import EncodedValues, FigureRow, FindingRow, StoredSpectrum
from speclake.fitness import ENGINE_VERSION, Examined, Figure, Finding, examine
from speclake.intake.circumstances import ROLES, Knowing, earlier_scans
from speclake.measurement import Measurement
from speclake.settings import Settings
from speclake.specs import Specification
from speclake.spectrum import SpectrumSet

Reading = Callable[[Sequence[str]], Iterable[SpectrumSet]]
"""Spectra of measurements by their identifiers."""


Baseline = tuple[Measurement, Sequence[Figure]]
"""A blank, zero line or reference, with the figures taken of it."""


@dataclass(frozen=True)
class Told:
    """Rows that the checks add to a commit."""

    findings: tuple[FindingRow, ...] = ()
    figures: tuple[FigureRow, ...] = ()
    against: tuple[Baseline, ...] = ()
    """Scans among them that others may have been measured against."""


class Examiner:
    """Examines scans with everything that settings, header and archive tell of them.

    Parameters
    ----------
    settings : configurations of the instruments, and what the checks go by.
    """

    def __init__(self, settings: Settings) -> None:
        self._settings = settings

    def new(
        self,
        measurements: Sequence[Measurement],
        stored: Sequence[StoredSpectrum],
        read: Reading,
        catalog: Catalog,
        specifications: Mapping[str, Sequence[Specification]],
        before: Sequence[Baseline] = (),
    ) -> Told:
        """What the checks say of scans that are being taken in.

        Parameters
        ----------
        stored : the values as they will be kept, and `read` the same as sets.
        specifications : those that a scan is judged by, by measurement.
        before : what earlier parts of the same commit have brought that these may have been
            measured against.
        """
        digits = {s.measurement_id: last_digit(s.values) for s in stored}
        findings: list[FindingRow] = []
        figures: list[FigureRow] = []
        examined = self._examined(measurements, read, digits, catalog, specifications, before)
        for name, found in examined.items():
            findings += finding_rows(name, found)
            figures += figure_rows(name, found)
        against = tuple(
            (m, examined[m.measurement_id].figures) for m in measurements if m.kind in ROLES
        )
        return Told(tuple(findings), tuple(figures), against)

    def again(
        self,
        measurements: Sequence[Measurement],
        spectra: Iterable[SpectrumSet],
        catalog: Catalog,
        specifications: Mapping[str, Sequence[Specification]],
    ) -> dict[str, Examined]:
        """What the checks say today of scans that the archive holds; nothing is written.

        Parameters
        ----------
        spectra : those of all the measurements.
        """
        sets = list(spectra)
        digits = {
            key: last_digit(encode(values))
            for each in sets
            for key, values in zip(each.keys, each.values, strict=True)
        }

        def read(ids: Sequence[str]) -> list[SpectrumSet]:
            return [part for each in sets if (part := _those_of(each, set(ids))) is not None]

        return self._examined(measurements, read, digits, catalog, specifications)

    def _examined(
        self,
        measurements: Sequence[Measurement],
        read: Reading,
        digits: Mapping[str, float | None],
        catalog: Catalog,
        specifications: Mapping[str, Sequence[Specification]],
        before: Sequence[Baseline] = (),
    ) -> dict[str, Examined]:
        """What the checks say, by measurement; blanks first, since others are held against them."""
        earlier = earlier_scans(catalog, measurements, self._settings)
        for m, figures in before:
            earlier.add(m, figures)
        knowing = Knowing(self._settings, earlier, specifications)
        by_id = {m.measurement_id: m for m in measurements}
        found: dict[str, Examined] = {}
        blanks = [name for name, m in by_id.items() if m.kind in ROLES]
        others = [name for name, m in by_id.items() if m.kind not in ROLES]
        for names in (blanks, others):
            for each in read(names) if names else ():
                known = [knowing.of(by_id[key], digits.get(key)) for key in each.keys]
                said = examine(each, known, self._settings.fitness)
                found |= zip(each.keys, said, strict=True)
            for name in names:
                if by_id[name].kind in ROLES:
                    earlier.add(by_id[name], found[name].figures)
        return found


def finding_rows(measurement_id: str, found: Examined) -> list[FindingRow]:
    """Findings on a measurement as rows, under the same identifiers on every retry."""
    return [
        FindingRow(
            finding_id=f"{measurement_id}-checked-{ENGINE_VERSION}-{number}",
            measurement_id=measurement_id,
            version=ENGINE_VERSION,
            **_facts(each),
        )
        for number, each in enumerate(found.findings)
    ]


def figure_rows(measurement_id: str, found: Examined) -> list[FigureRow]:
    """Figures of a measurement as rows, under the same identifiers on every retry."""
    return [
        FigureRow(
            figure_id=f"{measurement_id}-figure-{ENGINE_VERSION}-{number}",
            measurement_id=measurement_id,
            version=ENGINE_VERSION,
            **_facts(each),
        )
        for number, each in enumerate(found.figures)
    ]


def _facts(said: Finding | Figure) -> dict[str, Any]:
    """What a check said, under the names that its row has too."""
    return {each.name: getattr(said, each.name) for each in fields(said)}


def last_digit(values: EncodedValues) -> float | None:
    """Step of the last digit that an export shows; None where its values are no decimals."""
    exponent = values.exponent
    if exponent is None and values.floats is not None:
        exponent = encode(values.floats[np.isfinite(values.floats)]).exponent
    return None if exponent is None else 10.0**exponent


def _those_of(spectra: SpectrumSet, names: set[str]) -> SpectrumSet | None:
    rows = [row for row, key in enumerate(spectra.keys) if key in names]
    if len(rows) == len(spectra):
        return spectra
    if not rows:
        return None
    keys = tuple(spectra.keys[row] for row in rows)
    return SpectrumSet(spectra.axis, spectra.values[rows], spectra.unit, keys)
