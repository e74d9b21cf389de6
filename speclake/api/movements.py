"""Verdicts that stand, taken again as the spectra are and with an error put onto some of them."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from speclake.archive.lake import Lake
from speclake.checks import Check
from speclake.fitness.lookback import Move, moves
from speclake.fitness.observing import ObservedError, altered, put_on
from speclake.intake.company import Change
from speclake.intake.several import Read, drawn_verdicts
from speclake.intake.specchoice import specification_of
from speclake.intake.verdicts import CHUNK, verdicts_by_measurement
from speclake.judging import judge
from speclake.judging.conditions import Conditions, Doubt
from speclake.judging.doubts import blocking_doubts
from speclake.measurement import Measurement
from speclake.quantities.combining import linear_at
from speclake.specs import Outcome, Specification, Verdict
from speclake.spectrum import Axis, SpectrumSet
from speclake.units import can_convert


@dataclass(frozen=True)
class Movement:
    """A verdict that stands, and what it could become; None where it could not be taken again."""

    measurement: Measurement
    stands: Verdict
    move: Move | None


def movements(
    store: Lake,
    ids: Sequence[str],
    errors: Sequence[ObservedError],
    range_nm: tuple[float, float],
) -> Iterator[Movement]:
    """Each verdict on measurements that looks into a range, and those that draw on one of them.

    Each is taken by the version of the specification that stands behind it, without the doubts that
    leave no verdict, and with the same partners where it draws on several measurements.

    Parameters
    ----------
    errors : each of their shares is put onto the measurements; on no others.
    """
    catalog = store.catalog
    again = _Again(store, frozenset(ids), errors)
    drawing = sorted(catalog.drawing_on(ids) - again.in_doubt)
    for wanted in (list(ids), drawing):
        for start in range(0, len(wanted), CHUNK):
            chunk = wanted[start : start + CHUNK]
            standing = {
                name: [v for v in found if again.looks(v, range_nm)]
                for name, found in verdicts_by_measurement(catalog, chunk).items()
            }
            if wanted is drawing:
                standing = {
                    name: [v for v in found if again.in_doubt.intersection(v.drawn_from)]
                    for name, found in standing.items()
                }
            yield from again.moved(catalog.measurements(chunk), standing)


class _Again:
    """Takes verdicts again, with the errors and without."""

    def __init__(
        self, store: Lake, in_doubt: frozenset[str], errors: Sequence[ObservedError]
    ) -> None:
        self.in_doubt = in_doubt
        self._store, self._errors = store, errors
        self._specifications: dict[str, Specification] = {}

    def looks(self, verdict: Verdict, range_nm: tuple[float, float]) -> bool:
        """Whether a verdict stands and hangs on values in a range."""
        doubt = Doubt(Check.UNFIT, *range_nm, "")
        return verdict.outcome is not Outcome.LAPSED and any(
            blocking_doubts(each, [doubt], {Check.UNFIT}, "nm")
            for each in self._by(verdict.spec_version).requirements
            if each.id == verdict.requirement
        )

    def moved(
        self, measurements: Sequence[Measurement], standing: Mapping[str, Sequence[Verdict]]
    ) -> Iterator[Movement]:
        """Verdicts on some measurements with what they could become, in the order given."""
        known = {m.measurement_id: m for m in measurements}
        asked = {name: found for name, found in standing.items() if found}
        alone = {
            name: found
            for name in asked
            if (found := self._versions(asked[name], of_several=False))
        }
        several = {
            name: found for name in asked if (found := self._versions(asked[name], of_several=True))
        }
        made = [*self._of_one(known, alone), *self._of_several(known, several)]
        by_name = {_named(each.verdict): each for each in made}
        for m in measurements:
            for verdict in asked.get(m.measurement_id, ()):
                yield Movement(m, verdict, by_name.get(_named(verdict)))

    def _by(self, version: str) -> Specification:
        if version not in self._specifications:
            self._specifications[version] = specification_of(self._store.catalog, version)
        return self._specifications[version]

    def _versions(self, found: Sequence[Verdict], *, of_several: bool) -> list[str]:
        """Versions of the specifications behind verdicts that draw on several, or on one."""
        roles = {
            (v.spec_version, each.id): bool(each.roles)
            for v in found
            for each in self._by(v.spec_version).requirements
        }
        return list(dict.fromkeys(
            v.spec_version for v in found if roles[v.spec_version, v.requirement] is of_several
        ))  # fmt: skip

    def _of_one(
        self, known: Mapping[str, Measurement], asked: Mapping[str, Sequence[str]]
    ) -> Iterator[Move]:
        for spectra in self._store.spectra(list(asked)) if asked else ():
            by_version: dict[str, list[int]] = {}
            for row, key in enumerate(spectra.keys):
                for version in asked[key]:
                    by_version.setdefault(version, []).append(row)
            for version, rows in by_version.items():
                part, by = _rows(spectra, rows), self._by(version)
                conditions = [known[key] for key in part.keys]
                after = [
                    judge(made, by, conditions)
                    for error in self._errors
                    if _fits(spectra, error)
                    for made in altered(part, error)
                ]
                yield from moves(judge(part, by, conditions), after)

    def _of_several(
        self, known: Mapping[str, Measurement], asked: Mapping[str, Sequence[str]]
    ) -> list[Move]:
        if not asked:
            return []
        due = {
            name: (known[name], [self._by(version) for version in versions])
            for name, versions in asked.items()
        }
        roles = [
            role
            for _, specifications in due.values()
            for by in specifications
            for each in by.requirements
            for role in each.roles
        ]
        hours = max((role.blank_within_h or 0.0 for role in roles), default=0.0)

        def taken(read: Read) -> list[Verdict]:
            parts = drawn_verdicts(
                self._store.catalog, Change(), due, read, self._by, _conditions, hours
            )
            return [verdict for part in parts for verdict in part.verdicts]

        shares = [(error, share) for error in self._errors for share in error.shares]
        after = [taken(self._reading(error, share)) for error, share in shares]
        return moves(taken(self._store.spectra), after)

    def _reading(self, error: ObservedError, share: float) -> Read:
        """Reads spectra, those in doubt with a share of an error, all on their own axes."""

        def read(ids: Sequence[str]) -> Iterator[SpectrumSet]:
            for spectra in self._store.spectra(list(ids)):
                doubted = [row for row, key in enumerate(spectra.keys) if key in self.in_doubt]
                if not doubted or not _fits(spectra, error):
                    yield spectra
                    continue
                part = put_on(_rows(spectra, doubted), error, share)
                values = spectra.values.copy()
                values[doubted] = _on(spectra.axis, part)
                yield SpectrumSet(spectra.axis, values, spectra.unit, spectra.keys)

        return read


def _conditions(measurements: Sequence[Measurement]) -> dict[str, Conditions]:
    return {m.measurement_id: Conditions.of(m) for m in measurements}


def _fits(spectra: SpectrumSet, error: ObservedError) -> bool:
    return error.kind == "wavelength shift" or can_convert(spectra.unit, error.unit)


def _on(axis: Axis, spectra: SpectrumSet) -> np.ndarray:
    return spectra.values if spectra.axis.id == axis.id else linear_at(spectra, axis.values)


def _rows(spectra: SpectrumSet, rows: Collection[int]) -> SpectrumSet:
    keys = tuple(spectra.keys[row] for row in rows)
    return SpectrumSet(spectra.axis, spectra.values[list(rows)], spectra.unit, keys)


def _named(verdict: Verdict) -> tuple[str, str, str]:
    return verdict.measurement_id, verdict.spec, verdict.requirement
