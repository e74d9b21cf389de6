"""Verdicts as rows, and each as a sentence."""

import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from speclake.judging.conditions import Conditions
from speclake.judging.deciding import NOT_MEASURABLE, OUTCOMES, UNDECIDED
from speclake.judging.judgement import Column, Judgement, judge_columns
from speclake.measurement import Measurement
from speclake.quantities.values import AT_LEAST, AT_MOST, EXACT
from speclake.specs.model import Specification
from speclake.specs.rounding import shown_values
from speclake.specs.verdicts import AS_EXPORTED, Bound, Side, Verdict
from speclake.spectrum import SpectrumSet

BOUNDS: Mapping[int, Bound] = {EXACT: "exact", AT_LEAST: "at least", AT_MOST: "at most"}


def judge(
    spectra: SpectrumSet,
    specification: Specification,
    conditions: Sequence[Conditions | Measurement | Mapping[str, object]],
    *,
    spectrum: str = AS_EXPORTED,
) -> list[Verdict]:
    """Verdicts on spectra, spectrum by spectrum, in the order of the requirements.

    A requirement that does not apply to a spectrum gives no verdict.

    Parameters
    ----------
    conditions : one for each spectrum, in the order of the set; a `Measurement` or a row with its
        names will do.
    spectrum : which spectrum of each measurement this is, if not the one exported.

    Raises
    ------
    ValueError
        There are not as many conditions as spectra.
    """
    known = [Conditions.of(each) for each in conditions]
    return verdicts(judge_columns(spectra, specification, known), spectrum=spectrum)


def verdicts(judgement: Judgement, *, spectrum: str = AS_EXPORTED) -> list[Verdict]:
    """Rows of a judgement, spectrum by spectrum, in the order of the requirements."""
    by_requirement = [dict(_rows(judgement, each, spectrum)) for each in judgement.columns]
    return [
        rows[number]
        for number in range(len(judgement.spectra))
        for rows in by_requirement
        if number in rows
    ]


def _rows(judgement: Judgement, column: Column, spectrum: str) -> Iterator[tuple[int, Verdict]]:
    """Verdicts of one requirement, each with the number of its spectrum."""
    requirement, specification = column.requirement, judgement.specification
    rows = np.flatnonzero(column.applies)
    measured = column.outcome[rows] != NOT_MEASURABLE
    texts = shown_values(
        column.value[rows], requirement.limits, requirement.decision, column.guard[rows]
    )
    low, high = (
        None if limit is None else float(limit)
        for limit in (requirement.lower_limit, requirement.upper_limit)
    )
    keys, axis_unit = judgement.spectra.keys, judgement.spectra.axis.unit
    description, measured_quantity = requirement.description, requirement.measured
    version = specification.version
    known = column.uncertainty
    numbers = zip(
        *(
            array[rows].tolist()
            for array in (
                column.value, column.margin, column.at, known.expanded, known.coverage_factor,
                column.guard, column.conformity, known.noise_bias,
            )
        ),
        strict=True,
    )  # fmt: skip
    for row, text, is_measured, found, bound, outcome, reason in zip(
        rows.tolist(),
        texts,
        measured.tolist(),
        numbers,
        column.bound[rows].tolist(),
        column.outcome[rows].tolist(),
        column.reason[rows].tolist(),
        strict=True,
    ):
        value, margin, at, expanded, factor, guard, conformity, bias = map(or_none, found)
        yield (
            row,
            Verdict(
                measurement_id=keys[row],
                spectrum=spectrum,
                spec=specification.name,
                spec_version=version,
                requirement=requirement.id,
                description=description,
                quantity=measured_quantity,
                unit=requirement.unit,
                value=value if is_measured else None,
                low=low,
                high=high,
                margin=margin if is_measured else None,
                uncertainty=expanded,
                at=at,
                outcome=OUTCOMES[outcome],
                side=side_of(margin) if outcome == UNDECIDED else None,
                reason=column.reasons[reason],
                engine_version=judgement.engine_version,
                decision=requirement.decision,
                shown=text,
                bound=BOUNDS[bound],
                at_unit=None if at is None else axis_unit,
                coverage_factor=factor,
                guard=guard,
                conformity=conformity,
                noise_bias=bias,
                rule=requirement.decides_by,
            ),
        )


def or_none(number: float) -> float | None:
    """Number as a verdict has it, None where it is NaN."""
    return None if math.isnan(number) else number


def side_of(margin: float | None) -> Side | None:
    """Side of the limit on which a value with a margin lies."""
    return None if margin is None else "inside" if margin >= 0 else "outside"
