"""How well a number is known: stated outright, or from a budget of uncertainties.

References
----------
JCGM 100:2008 (GUM), Evaluation of measurement data - Guide to the expression of uncertainty in
measurement: 5.2 (correlated input quantities), annex G (coverage factors, degrees of freedom).
JCGM 101:2008, supplement 1: propagation of distributions using a Monte Carlo method.
"""

from collections.abc import Mapping
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Discriminator, Field, Tag, model_validator

from speclake.specs.requirements.table import Position, Table
from speclake.units import SpectralUnit, can_convert, exact_factor

Correlation = Literal["none", "full", "exponential"]
LineUnit = Literal[SpectralUnit, "% of the value", "nm"]
RELATIVE: tuple[LineUnit, ...] = ("% of the value", "nm")
"""Units of lines whose size depends on the spectrum."""

Share = Annotated[float, Field(gt=0, lt=1)]

USUAL_COVERAGE_FACTOR = 2.0
"""Coverage factor of an expanded uncertainty that is written as a number alone."""


class BudgetLine(Table):
    """One contribution to the uncertainty of every value of a spectrum.

    `u` is a standard uncertainty; `expanded` is one that was expanded with `k`. It counts in a unit
    of values, in percent of each value, or in nm of wavelength, which matters as far as the
    spectrum slopes. `correlation` says what the errors of two points have to do with one another:
    nothing, everything (one error shifts all), or exp(-distance / `correlation_length_nm`).
    """

    name: str = Field(min_length=1)
    source: str = Field(min_length=1)
    unit: LineUnit
    u: Position | None = None
    expanded: Position | None = None
    k: Position | None = None
    correlation: Correlation
    correlation_length_nm: Position | None = None
    degrees_of_freedom: Position | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.u is None) == (self.expanded is None):
            raise ValueError("u = the standard uncertainty, or expanded with its k, one of them")
        if (self.expanded is None) != (self.k is None):
            raise ValueError("k with expanded, and only so")
        if (self.correlation == "exponential") != (self.correlation_length_nm is not None):
            raise ValueError('correlation_length_nm with correlation = "exponential", and only so')
        if self.unit == "nm" and self.correlation != "full":
            raise ValueError(
                'correlation = "full" with unit = "nm": an error of the wavelength scale shifts '
                "the whole spectrum"
            )
        return self

    @property
    def standard(self) -> float:
        """Standard uncertainty, in `unit`."""
        if self.u is not None:
            return self.u
        assert self.expanded is not None and self.k is not None  # the model asks for them
        return self.expanded / self.k


class Budget(Table):
    """Lines of a budget, and where it comes from."""

    title: str = ""
    source: str = ""
    lines: tuple[BudgetLine, ...]

    @model_validator(mode="after")
    def _names_each_line_once(self) -> Self:
        names = [each.name for each in self.lines]
        if not names:
            raise ValueError("at least one [[lines]]")
        if twice := sorted({name for name in names if names.count(name) > 1}):
            raise ValueError(f"lines with a name each; {twice[0]!r} stands twice")
        return self


class StatedUncertainty(Table):
    """Uncertainty of a number as measured with one class of instruments, or with any.

    It is stated as `expanded` with its `k`, or follows from a budget: `budget` names a file, whose
    content is kept as `budget_table`, or the lines stand in place as `lines`.
    """

    instrument_class: str | None = None
    expanded: Position | None = None
    k: Position | None = None
    source: str = ""
    budget: Annotated[str, Field(min_length=1)] | None = None
    budget_table: Budget | None = None
    lines: tuple[BudgetLine, ...] = ()
    coverage: Share | None = None
    draws: Annotated[int, Field(ge=100, le=50_000)] = 1_000
    unanswered_at_most: Annotated[float, Field(ge=0, lt=1)] = 0.05

    @model_validator(mode="after")
    def _check(self) -> Self:
        ways = (self.expanded is not None, self.budget is not None, bool(self.lines))
        if sum(ways) != 1:
            raise ValueError("expanded, budget or lines, one of them")
        if self.budget_table is not None and self.budget is None:
            raise ValueError("budget = a name together with budget_table")
        if self.expanded is not None:
            if self.k is None or not self.source or self.coverage is not None:
                raise ValueError("k and source with expanded, and no coverage")
        elif (self.k is None) == (self.coverage is None):
            raise ValueError("k = the coverage factor or coverage = a probability, one of them")
        if self.lines:
            Budget(lines=self.lines)
        return self

    @property
    def is_lacking(self) -> bool:
        """Whether it names a budget that nobody has put in."""
        return self.budget is not None and self.budget_table is None

    @property
    def budget_lines(self) -> tuple[BudgetLine, ...]:
        """Lines of the budget, wherever they stand; none where the uncertainty is stated."""
        return self.budget_table.lines if self.budget_table is not None else self.lines

    @property
    def in_words(self) -> str:
        """Where the uncertainty comes from, as a phrase."""
        said = self.source if self.expanded is not None else f"budget {self.budget or 'in place'}"
        return f"{said} for {self.instrument_class}" if self.instrument_class else said


def _statements(written: object) -> object:
    """A number as it is; one table as a list of one."""
    return [written] if isinstance(written, Mapping) else written


def _form(written: object) -> str:
    return "tables" if isinstance(written, list | tuple) else "number"


UncertaintyKey = (
    Annotated[
        Annotated[Position, Tag("number")]
        | Annotated[tuple[StatedUncertainty, ...], Tag("tables")],
        Discriminator(_form),
        BeforeValidator(_statements),
    ]
    | None
)
"""A number is expanded with k = 2; tables say more, one for each class of instruments."""


def sources_in_words(written: float | tuple[StatedUncertainty, ...] | None) -> list[str]:
    """Where the uncertainty of a requirement comes from, as one phrase; none for a number alone."""
    if not isinstance(written, tuple):
        return []
    return [f"uncertainty from {' or '.join(each.in_words for each in written)}"]


def check_statements(
    written: float | tuple[StatedUncertainty, ...] | None, unit: SpectralUnit
) -> None:
    """Refuse tables of which two could speak of one spectrum, and lines in another quantity.

    Parameters
    ----------
    unit : the unit in which the spectrum is taken.

    Raises
    ------
    ValueError
        They do not have a class of instruments each, or a line is in a unit that only a logarithm
        leads from.
    """
    if not isinstance(written, tuple):
        return
    classes = [each.instrument_class for each in written]
    if not classes or (len(classes) > 1 and (None in classes or len(set(classes)) < len(classes))):
        raise ValueError(
            "one table of uncertainty, or several with an instrument_class each of their own"
        )
    for each in (line for statement in written for line in statement.budget_lines):
        if each.unit not in RELATIVE and not _is_linear(each.unit, unit):
            raise ValueError(
                f"line {each.name!r} of the budget in {unit}, in a unit that a factor leads to "
                'from there, in "% of the value" or in "nm"'
            )


def _is_linear(unit: LineUnit, to_unit: SpectralUnit) -> bool:
    assert unit != "nm" and unit != "% of the value"
    return can_convert(unit, to_unit) and exact_factor(unit, to_unit) is not None
