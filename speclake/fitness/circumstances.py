"""What the checks are told of a spectrum beside its values. All wavelengths are in nm."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from speclake.measurement import Correction, Kind, Range


@dataclass(frozen=True, slots=True)
class ChangeOver:
    """Where one detector, grating, lamp or filter takes over from another.

    Parameters
    ----------
    evidence : who says so: ``header``, ``method``, ``settings of 2026-03-02``, or ``common
        practice`` where nobody does.
    """

    at_nm: float
    evidence: str


@dataclass(frozen=True, slots=True)
class UsualNoise:
    """Noise that an instrument usually has over a stretch, from its earlier spectra.

    Parameters
    ----------
    median, spread : of the noise of `scans` spectra, in `unit`; the spread is 1.4826 times the
        median of the absolute deviations.
    """

    start_nm: float
    stop_nm: float
    median: float
    spread: float
    scans: int
    unit: str


@dataclass(frozen=True, slots=True)
class BlankStep:
    """Step at a change-over on the latest blank of the configuration; uncertainty with k = 2."""

    at_nm: float
    step: float
    uncertainty: float
    unit: str
    measured_at: datetime


@dataclass(frozen=True, slots=True)
class Wanted:
    """Expanded uncertainty that a requirement asks for over a stretch."""

    requirement: str
    start_nm: float
    stop_nm: float
    uncertainty: float
    coverage_factor: float
    unit: str


@dataclass(frozen=True, slots=True)
class LineOff:
    """Where a 100 % or 0 % line lies farthest off its level; percent of full scale, k = 2."""

    at_nm: float
    off: float
    uncertainty: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Against:
    """A measurement that this one was measured against, as far as it is known.

    Parameters
    ----------
    evidence : why it is taken to be that: ``header``, ``run sheet``, or ``the latest one before``.
    line : of a blank or zero line, where it lies farthest off.
    """

    role: Literal["baseline", "zero line", "reference"]
    name: str
    evidence: str
    taken_at: datetime | None = None
    first_nm: float | None = None
    last_nm: float | None = None
    ranges: tuple[Range, ...] = ()
    line: LineOff | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """What is known of one spectrum beside its values; None and empty where nobody said.

    Parameters
    ----------
    last_digit : step of the last digit of the export, in the unit of the values.
    ranges : how stretches of the axis were measured, their ends in nm.
    """

    kind: Kind = Kind.UNKNOWN
    instrument: str | None = None
    accessory: str | None = None
    correction: Correction | None = None
    smoothed: bool | None = None
    clipped: bool | None = None
    zero_line_applied: bool | None = None
    taken_at: datetime | None = None
    last_digit: float | None = None
    ranges: tuple[Range, ...] = ()
    changeovers: tuple[ChangeOver, ...] = ()
    usual_noise: tuple[UsualNoise, ...] = ()
    blank_steps: tuple[BlankStep, ...] = ()
    wanted: tuple[Wanted, ...] = ()
    against: tuple[Against, ...] = ()
    baseline_at: datetime | None = None
    purge_min: float | None = None
    oxygen_ppm: float | None = None
    averages: float | None = None
