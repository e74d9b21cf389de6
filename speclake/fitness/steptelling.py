"""What a step at a change-over means, and in which words it is told."""

from dataclasses import dataclass
from math import log

from speclake.checks import Check, Severity
from speclake.fitness.circumstances import BlankStep, ChangeOver
from speclake.fitness.falsealarms import threshold
from speclake.fitness.findings import Finding
from speclake.fitness.regions import SAME_PLACE_NM
from speclake.fitness.stepfits import FEWEST
from speclake.fitness.subject import Subject
from speclake.measurement import Kind

SHARP_EDGE_PERCENT = 20.0
"""Step beyond which an edge of the sample is likelier than a fault of an instrument."""
INSTRUMENTS_OWN = (Kind.BLANK, Kind.ZERO_LINE)

_PERCENT: dict[str, float] = {"%T": 1.0, "T": 100.0, "%R": 1.0, "R": 100.0, "%A+S": 1.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """A step at a change-over, in the unit of the values; uncertainties with k = 2.

    Parameters
    ----------
    level : at the place, the mean of both sides.
    step, slope : None where it is no more than chance; the slope per nm.
    first, last : outermost points of the window.
    fits : whether the polynomial fits beside the step.
    places, largest_elsewhere : what was looked at without a change-over.
    """

    changeover: ChangeOver
    level: float
    step: float | None
    step_uncertainty: float
    slope: float | None
    slope_uncertainty: float
    half_nm: float
    first: int
    last: int
    fits: bool
    places: int
    largest_elsewhere: float | None


@dataclass(frozen=True, slots=True)
class Light:
    """A step and its uncertainty as light, in percent of full scale."""

    level: float
    step: float
    uncertainty: float


def in_light(level: float, step: float, uncertainty: float, unit: str) -> Light:
    """Step in percent of full scale; of a logarithmic unit by what both sides let through.

    Examples
    --------
    >>> light = in_light(1.0, 0.01, 0.002, "A")
    >>> print(f"{light.level:.0f} {light.step:.3f} {light.uncertainty:.3f}")
    10 -0.230 0.046
    """
    factor = _PERCENT.get(unit)
    if factor is not None:
        return Light(level * factor, step * factor, uncertainty * factor)
    low, high = 100 * 10 ** -(level - step / 2), 100 * 10 ** -(level + step / 2)
    middle = (low + high) / 2
    return Light(middle, high - low, middle * log(10.0) * uncertainty)


def told(subject: Subject, row: int, found: Step) -> Finding:
    """Finding about a step.

    A step that the latest blank shows too, as a share of the light or as the same amount of it, is
    known: a remark. So is one of no more than `changeover_step_percent`, and one so large that it
    is likelier an edge of the sample, unless the blank speaks against it. Others are a doubt.
    """
    known, unit = subject.known[row], subject.spectra.unit
    axis, words = subject.spectra.axis, [_size(found, unit)]
    at = found.changeover.at_nm
    step = found.step if found.step is not None else (found.slope or 0.0) * found.half_nm
    uncertainty = found.step_uncertainty
    if found.step is None:
        uncertainty = found.slope_uncertainty * found.half_nm
    light = in_light(found.level, step, uncertainty, unit)
    own = known.kind in INSTRUMENTS_OWN
    blank = None if own else _blank_at(known.blank_steps, at)
    limit = subject.limits.changeover_step_percent
    severity = Severity.DOUBT if abs(light.step) > limit else Severity.REMARK
    advice = (
        "renew the baseline and scan a blank again; if it stays, have the balance of both sides of "
        "the change-over adjusted"
        if own
        else "scan a blank with the same settings: if it steps too, renew the baseline; if not, "
        "look at tilt, size and place of the beam on the sample, and at its polarisation"
    )
    if blank is not None and found.step is not None:
        is_known, said = _beside_blank(light, blank, threshold(subject.limits) / 2.0)
        words.append(said)
        if is_known:
            severity = Severity.REMARK
            advice = "renew the baseline, or have the balance of the change-over adjusted"
    elif abs(light.step) > SHARP_EDGE_PERCENT and not own:
        severity = Severity.REMARK
        words.append("an edge of the sample just there would look the same")
    elif not own:
        words.append("no blank tells whether it is the instrument's")
    if found.largest_elsewhere is not None and found.step is not None:
        words.append(
            f"at {found.places} places without a change-over the largest nearby is "
            f"{found.largest_elsewhere:.2g} {unit}"
        )
    if not found.fits:
        words.append("the spectrum bends too much there for its size to be certain")
    return Finding(
        check=Check.CHANGE_OVER,
        severity=severity,
        text="; ".join(words),
        advice=advice + ". A spectrum levelled there can be derived and is marked as such",
        value=found.step if found.step is not None else found.slope,
        uncertainty=found.step_uncertainty if found.step is not None else found.slope_uncertainty,
        unit=unit if found.step is not None else f"{unit}/nm",
        at=subject.place(at),
        start=float(axis.values[found.first]),
        stop=float(axis.values[found.last]),
    )


def untold(subject: Subject, changeover: ChangeOver, fewest: int) -> Finding:
    """Remark that a step at a change-over could not be looked for.

    Parameters
    ----------
    fewest : points with a value on the side that has fewer.
    """
    return Finding(
        check=Check.CHANGE_OVER,
        severity=Severity.REMARK,
        text=(
            f"a step at the change-over at {changeover.at_nm:g} nm ({changeover.evidence}) could "
            f"not be looked for: one side of it has {fewest} points, and it takes {FEWEST} or more "
            "near it on each"
        ),
        advice="scan farther beyond it, or look at a blank that goes farther",
        at=subject.place(changeover.at_nm),
    )


def _size(found: Step, unit: str) -> str:
    sizes = []
    if found.step is not None:
        sizes.append(f"level steps by {found.step:+.3g} ± {found.step_uncertainty:.2g} {unit}")
    if found.slope is not None:
        sizes.append(f"slope by {found.slope:+.2g} ± {found.slope_uncertainty:.2g} {unit}/nm")
    if found.step is None:
        sizes[0] = sizes[0].replace("slope by", "slope changes by")
    return (
        f"at the change-over at {found.changeover.at_nm:g} nm ({found.changeover.evidence}) the "
        f"{' and the '.join(sizes)} (k = 2)"
    )


def _blank_at(steps: tuple[BlankStep, ...], at_nm: float) -> BlankStep | None:
    return next((each for each in steps if abs(each.at_nm - at_nm) < SAME_PLACE_NM), None)


def _beside_blank(light: Light, blank: BlankStep, sure: float) -> tuple[bool, str]:
    """Whether the blank's step explains this one, and that in words.

    A detector whose gain has drifted takes the same share of all light, a false zero the same
    amount; anything between is explained.

    Parameters
    ----------
    sure : expanded uncertainties by which a step may lie beside what is expected.
    """
    level = 0.0 if blank.unit in ("A", "log(1/R)") else 100.0 / _PERCENT.get(blank.unit, 1.0)
    own = in_light(level, blank.step, blank.uncertainty, blank.unit)
    expected = sorted((own.step, own.step * light.level / 100.0))
    slack = sure * (light.uncertainty**2 + own.uncertainty**2) ** 0.5
    when = f"{blank.measured_at:%Y-%m-%d %H:%M}"
    if expected[0] - slack <= light.step <= expected[1] + slack and abs(own.step) > own.uncertainty:
        return True, (
            f"the blank of {when} steps by {blank.step:+.2g} {blank.unit}, which explains it "
            f"({expected[0]:.2g} to {expected[1]:.2g} % of full scale)"
        )
    if abs(own.step) <= own.uncertainty:
        return False, f"the blank of {when} does not step there"
    return False, (
        f"the blank of {when} steps by {blank.step:+.2g} {blank.unit}, which does not explain it"
    )
