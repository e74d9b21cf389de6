"""What checks say of a spectrum."""

from dataclasses import dataclass

from speclake.checks import Check, Severity


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """Something that a check has to say: what, where, how much, how sure, what to do.

    Parameters
    ----------
    text : what was found, in one sentence with its numbers.
    advice : what to do about it, in one sentence.
    value, uncertainty : how much, and its expanded uncertainty (k = 2), both in `unit`.
    at : where it sits, in the unit of the axis.
    start, stop : the stretch of the axis that it speaks of, lower end first; None for all of it.
    """

    check: Check
    severity: Severity
    text: str
    advice: str = ""
    value: float | None = None
    uncertainty: float | None = None
    unit: str | None = None
    at: float | None = None
    start: float | None = None
    stop: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A number taken of every spectrum, whether or not there is something to say of it.

    Parameters
    ----------
    name : what it is, as ``noise`` or ``step``.
    value, uncertainty : the number and its expanded uncertainty (k = 2), both in `unit`.
    start, stop : the stretch of the axis that it was taken over, in nm, lower end first.
    at : the place on the axis in nm that it belongs to, as that of a change-over.
    """

    name: str
    value: float
    uncertainty: float | None = None
    unit: str
    start: float
    stop: float
    at: float | None = None
