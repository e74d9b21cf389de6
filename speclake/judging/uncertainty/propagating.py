"""From what a requirement states of its uncertainty to the uncertainty of each number."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from speclake.errors import NotFound
from speclake.judging.conditions import Conditions
from speclake.judging.uncertainty.choosing import ClassOf, chosen
from speclake.judging.uncertainty.coverage import coverage_factor, effective_degrees_of_freedom
from speclake.judging.uncertainty.drawing import Drawn, NumberedLine, drawn
from speclake.judging.uncertainty.known import Uncertainty, cut
from speclake.judging.uncertainty.linear import is_extreme_value, is_sum, variances
from speclake.specs.requirements import (
    AbsorptionRequirement,
    DensityRequirement,
    ExtremeValueRequirement,
    InternalTransmittanceRequirement,
    LeakageRequirement,
    MaskRequirement,
    Requirement,
    RippleRequirement,
)
from speclake.specs.requirements.uncertainty import USUAL_COVERAGE_FACTOR, StatedUncertainty
from speclake.spectrum import FloatArray, SpectrumSet
from speclake.units import convert_values, exact_factor

Rows = npt.NDArray[np.intp]

NUMBERS_AT_ONCE = 2_000_000
"""Numbers of drawn spectra that are held at a time."""

DIGITS, DRAWN_DIGITS = 12, 6
"""Significant digits of an uncertainty, and of one from draws; the last bits differ by machine."""

BIAS_SHARE = 5
"""Of the draws one in so many is enough for a bias that is told and decides nothing."""


@dataclass(frozen=True, eq=False)
class Found:
    """Numbers of a requirement, and what the computation itself said of them; arrays (n,).

    Parameters
    ----------
    value : in the unit of the requirement; NaN where there is none.
    at : where it was found, in the unit of the axis; NaN where no single place decides.
    method : standard uncertainty that the method itself knows of; NaN where it knows of none.
    """

    value: FloatArray
    at: FloatArray
    method: FloatArray

    def only(self, rows: Rows) -> "Found":
        """What was found of some spectra."""
        return Found(self.value[rows], self.at[rows], self.method[rows])


def uncertainty_of(
    requirement: Requirement,
    spectra: SpectrumSet,
    conditions: Sequence[Conditions],
    found: Found,
    class_of: ClassOf,
) -> Uncertainty:
    """How well the numbers of a requirement are known, as far as it states something.

    Of a number that is only a bound it is the uncertainty of the bound.

    Parameters
    ----------
    spectra : as exported.
    conditions : one for each spectrum.
    class_of : class in which an instrument is listed.

    Raises
    ------
    speclake.errors.NotFound
        The requirement names a budget that nobody has put in.
    """
    n, written = len(spectra), requirement.uncertainty
    if not isinstance(written, tuple):
        return Uncertainty.of_all(n, *_plain(written))
    known = Uncertainty.of_none(n)
    reasons: dict[int, str] = {}
    has_number = ~np.isnan(found.value)
    for choice in chosen(written, conditions, class_of):
        rows, statement = choice.rows[has_number[choice.rows]], choice.statement
        if statement is None:
            reasons |= dict.fromkeys(rows.tolist(), choice.hindrance)
            continue
        if statement.expanded is not None:
            known.expanded[rows], known.coverage_factor[rows] = statement.expanded, statement.k
            continue
        at_once = max(1, NUMBERS_AT_ONCE // statement.draws)
        for begin in range(0, rows.size, at_once):
            some = rows[begin : begin + at_once]
            part = _Part(
                requirement, _taken(requirement, spectra, some),
                [conditions[row] for row in some], found.only(some),
            )  # fmt: skip
            of_some = part.uncertainty(statement)
            known.expanded[some] = of_some.expanded
            known.coverage_factor[some] = of_some.coverage_factor
            known.noise_bias[some] = of_some.noise_bias
            reasons |= {int(some[row]): why for row, why in of_some.reasons.items()}
    return Uncertainty(known.expanded, known.coverage_factor, known.noise_bias, reasons)


def _plain(written: float | None) -> tuple[float, float]:
    return (np.nan, np.nan) if written is None else (written, USUAL_COVERAGE_FACTOR)


def _taken(requirement: Requirement, spectra: SpectrumSet, rows: Rows) -> SpectrumSet:
    """Some spectra in the unit in which errors are added to them."""
    unit = requirement.spectral_unit
    if requirement.as_exported and exact_factor(spectra.unit, unit) is not None:
        unit = spectra.unit
    values = convert_values(spectra.values[rows], spectra.unit, unit)
    return SpectrumSet(spectra.axis, values, unit, tuple(spectra.keys[row] for row in rows))


@dataclass(frozen=True, eq=False)
class _Spread:
    """Variances by the lines of a budget.

    Parameters
    ----------
    variance : shape (n,), of all lines together; NaN where it is not known.
    by_few : shape (n, m), of each line alone whose degrees of freedom are few.
    noise_bias : shape (n,), NaN where the number is no extreme.
    reasons : by row, why it is not known.
    """

    variance: FloatArray
    by_few: FloatArray
    noise_bias: FloatArray
    reasons: dict[int, str]


@dataclass(frozen=True, eq=False)
class _Part:
    """Spectra that one statement speaks of, each with a number."""

    requirement: Requirement
    spectra: SpectrumSet
    conditions: Sequence[Conditions]
    found: Found

    def uncertainty(self, statement: StatedUncertainty) -> Uncertainty:
        """By the budget of a statement."""
        if statement.is_lacking:
            name = statement.budget
            raise NotFound(
                f"requirement {self.requirement.id!r}: found no budget {name!r}; it is read from "
                f"budgets/{name}.toml when a specification of an archive is read"
            )
        lines = list(enumerate(statement.budget_lines))
        few = [each for each in lines if each[1].degrees_of_freedom is not None]
        if statement.coverage is None:
            few = []
        by = self._summed if is_sum(self.requirement) else self._drawn
        spread = by(lines, few, statement)
        method = np.nan_to_num(self.found.method)
        standard = np.sqrt(spread.variance + method**2)
        factor = np.full(len(self.spectra), statement.k or np.nan)
        if statement.coverage is not None:
            freedom = np.array([each.degrees_of_freedom for _, each in few], np.float64)
            by_few = np.sqrt(spread.by_few)
            effective = effective_degrees_of_freedom(standard, by_few, freedom)
            factor = np.array([coverage_factor(statement.coverage, each) for each in effective])
        factor[np.isnan(standard)] = np.nan
        expanded, bias = cut(standard * factor, DIGITS), cut(spread.noise_bias, DRAWN_DIGITS)
        return Uncertainty(expanded, factor, bias, spread.reasons)

    def _summed(
        self,
        lines: Sequence[NumberedLine],
        few: Sequence[NumberedLine],
        statement: StatedUncertainty,
    ) -> _Spread:
        """By the law of propagation; the bias of an extreme by draws."""
        spectra, asked = self.spectra, self.requirement
        found = variances(asked, spectra, self.found.at, [line for _, line in lines])
        numbers = [number for number, _ in few]
        bias = np.full(len(spectra), np.nan)
        noisy = [each for each in lines if each[1].correlation != "full"]
        if is_extreme_value(asked):
            draws = statement.draws // BIAS_SHARE
            bias = self._draws(noisy, draws).shift if noisy else np.zeros(len(spectra))
        total = np.add.reduce(found, axis=1)
        unknown = dict.fromkeys(np.flatnonzero(np.isnan(total)).tolist(), NO_SLOPE)
        return _Spread(total, found[:, numbers], bias, unknown)

    def _drawn(
        self,
        lines: Sequence[NumberedLine],
        few: Sequence[NumberedLine],
        statement: StatedUncertainty,
    ) -> _Spread:
        """By draws of all lines together, and of each that has few degrees of freedom alone."""
        together = self._draws(lines, statement.draws)
        standard = cut(together.standard, DRAWN_DIGITS)
        alone = [
            cut(self._draws([each], statement.draws).standard, DRAWN_DIGITS) ** 2 for each in few
        ]
        by_few = np.stack(alone, axis=1) if alone else np.empty((len(self.spectra), 0))
        lost = together.unanswered > statement.unanswered_at_most
        reasons = {
            int(row): UNANSWERED.format(
                100 * together.unanswered[row], 100 * statement.unanswered_at_most
            )
            for row in np.flatnonzero(lost)
        }
        nothing = np.full(len(self.spectra), np.nan)
        return _Spread(
            np.where(lost, np.nan, standard**2),
            by_few,
            np.where(lost, np.nan, together.shift) if _is_extreme(self.requirement) else nothing,
            reasons,
        )

    def _draws(self, lines: Sequence[NumberedLine], draws: int) -> Drawn:
        return drawn(
            self.requirement, self.spectra, self.conditions, self.found.value, lines, draws
        )


def _is_extreme(requirement: Requirement) -> bool:
    """Whether a number is an extreme of many values, which noise moves outwards."""
    if isinstance(requirement, DensityRequirement):
        return requirement.definition == "minimum"
    if isinstance(requirement, LeakageRequirement):
        return requirement.definition == "largest"
    if isinstance(requirement, InternalTransmittanceRequirement | AbsorptionRequirement):
        return requirement.band is not None
    return is_extreme_value(requirement) or isinstance(
        requirement, ExtremeValueRequirement | RippleRequirement | MaskRequirement
    )


NO_SLOPE = (
    "the spectrum has no neighbouring value that tells its slope, which the budget asks for with "
    "the uncertainty of the wavelength scale"
)
UNANSWERED = (
    "{:.1f} % of the spectra drawn with errors of the budget give no such number; its uncertainty "
    "is taken as known with at most {:.1f} %"
)
