"""Values that stand still: saturation, clipping, coarse digits, values held or written twice.

A detector always has noise. Where neighbouring values are the same to the last digit it was hidden
by the digits, cut off, or never there. Which of them, is told by what lies beside the run.
"""

from collections.abc import Iterator
from math import log, log2, pi, sqrt
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from speclake.checks import Check, Severity
from speclake.fitness.falsealarms import share
from speclake.fitness.findings import Finding
from speclake.fitness.grids import UNIT_WORDS
from speclake.fitness.subject import BoolArray, Subject
from speclake.spectrum import FloatArray

_FEWEST = 6
"""Values in a run that are looked at; runs of fewer come by chance in any export."""
_FEWEST_AT_END = 24
_BESIDE = 25
_LEAST_CHANCE, _LEAST_CHANCE_LOG = 0.15, 0.05
"""Of equal neighbours, that is reckoned with at least: 9 equal values, or 7 of an absorbance, are
told at the soonest, since a summit of little noise holds a few by itself."""
_MOST_RUNS = 8
_LOGARITHMS = ("A", "log(1/R)")
_SAME_FOR_COARSE = 0.5
"""Share of equal neighbours above which digits hide the noise: the digit is then 1.8 times it."""
_COARSE = 0.2
"""A digit matters from this share of the scale's uncertainty on; common practice."""

_Said = tuple[int, Finding]


def standing_still(subject: Subject) -> Iterator[_Said]:
    """Saturation, clipping and held values, by spectrum.

    A run of equal values is told where two things hold: it is longer than the noise beside it
    would let it be by chance, and a side of it is a kink of more than two digits, so that it is no
    smooth summit written with few. At the highest value of an absorbance it is saturation, at 0 or
    100 % clipping. Noise that is cut off on one side only is told by a test of signs: see
    `_one_sided`.
    """
    same = subject.steps == 0
    if subject.missing is not None:
        same &= ~(subject.missing[:, 1:] | subject.missing[:, :-1])
    if same.shape[1] < _FEWEST:
        return
    share_same = _counts(same) / same.shape[1]
    piled, runs = _piled(subject.filled), _kinked_runs(subject, same)
    for row, known in enumerate(subject.known):
        if share_same[row] == 1.0:
            yield row, _constant(subject, row)
            continue
        found: list[Finding] = []
        if piled[row]:
            found += _one_sided(subject, row)
        # what is piled up at an end needs not be told again by its runs
        told = {finding.value for finding in found}
        for start, stop in runs.get(row, ()):
            if subject.filled[row, start] not in told and _is_odd(subject, row, start, stop):
                found.append(_told(subject, row, start, stop))
        if share_same[row] > _SAME_FOR_COARSE:
            found += _coarse(subject, row, float(share_same[row]))
        if known.clipped and not any(f.check == Check.CLIPPING for f in found):
            found.append(_stated_clipped())
        yield from ((row, finding) for finding in found)


def _piled(values: FloatArray) -> BoolArray:
    """Whether many values are the lowest or the highest of their spectrum."""
    lowest = _counts(values == values.min(axis=1)[:, None])
    highest = _counts(values == values.max(axis=1)[:, None])
    piled: BoolArray = (lowest >= _FEWEST_AT_END) | (highest >= _FEWEST_AT_END)
    return piled


def _constant(subject: Subject, row: int) -> Finding:
    value, unit = float(subject.filled[row, 0]), subject.spectra.unit
    return Finding(
        check=Check.HELD,
        severity=Severity.DOUBT,
        text=f"all {subject.filled.shape[1]} values are {value:g} {unit}: no detector reads that",
        advice="See whether the beam was measured at all, and whether the export is stuck.",
        value=value,
        unit=unit,
    )


def _stated_clipped() -> Finding:
    return Finding(
        check=Check.CLIPPING,
        severity=Severity.REMARK,
        text="the header says that values were clipped",
        advice="Means over a clipped stretch are off to one side; export without clipping.",
    )


# runs


def _counts(mask: BoolArray) -> npt.NDArray[np.intp]:
    """True values of each row; eight at a time, which takes a third of the time of one by one."""
    counted: npt.NDArray[np.intp] = np.bitwise_count(np.packbits(mask, axis=1)).sum(
        axis=1, dtype=np.intp
    )
    return counted


def _kinked_runs(subject: Subject, same: BoolArray) -> dict[int, list[tuple[int, int]]]:
    """By row, first and last point of runs of equal values with more than two digits beside."""
    n, width = same.shape
    padded = np.zeros((n, width + 2), dtype=bool)
    padded[:, 1:-1] = same
    rows, columns = np.divmod(np.flatnonzero(padded[:, 1:] != padded[:, :-1]), width + 1)
    long = np.flatnonzero(columns[1::2] - columns[::2] >= _FEWEST - 1)
    row, start, stop = rows[::2][long], columns[::2][long], columns[1::2][long]
    before = np.where(start > 0, np.abs(subject.steps[row, np.maximum(start - 1, 0)]), 0.0)
    after = np.where(stop < width, np.abs(subject.steps[row, np.minimum(stop, width - 1)]), 0.0)
    kinked = np.maximum(before, after) > 2.5 * subject.digits[row]
    found: dict[int, list[tuple[int, int]]] = {}
    for r, first, last in zip(row[kinked], start[kinked], stop[kinked], strict=True):
        found.setdefault(int(r), []).append((int(first), int(last)))
    return {
        r: sorted(sorted(each, key=lambda run: run[0] - run[1])[:_MOST_RUNS])
        for r, each in found.items()
    }


def _is_odd(subject: Subject, row: int, start: int, stop: int) -> bool:
    """Whether equal values from point `start` to point `stop` are neither chance nor a summit.

    White noise s makes neighbours equal with the chance d/(2 √π s), d being the last digit.
    """
    y, digit = subject.filled[row], float(subject.digits[row])
    sides = (y[max(start - _BESIDE, 0) : start], y[stop + 1 : stop + 1 + _BESIDE])
    noises = [_noise(side, 0.5) for side in sides if side.size > _FEWEST]
    least = _LEAST_CHANCE_LOG
    if subject.spectra.unit not in _LOGARITHMS:
        # a sharp band beside a calm stretch looks like noise: the calmest quarter counts
        noises.append(_noise(y, 0.25))
        least = _LEAST_CHANCE
    if not noises or min(noises) == 0:
        return False
    chance = max(digit / (2 * sqrt(pi) * min(noises)), least)
    if chance > _SAME_FOR_COARSE:
        return False
    return (stop - start) * log(chance) < log(share(subject.limits) / y.size)


def _noise(y: FloatArray, quantile: float) -> float:
    """Standard deviation of noise, from a quantile of the sizes of the fourth differences."""
    expected = NormalDist().inv_cdf((1 + quantile) / 2) * sqrt(70)
    return float(np.quantile(np.abs(np.diff(y, 4)), quantile)) / expected


def _told(subject: Subject, row: int, start: int, stop: int) -> Finding:
    y, axis, in_unit = subject.filled[row], subject.spectra.axis, subject.spectra.unit
    value, unit = float(y[start]), UNIT_WORDS[axis.unit]
    check, severity, advice = _what(subject, row, start, stop)
    first, last = float(axis.values[start]), float(axis.values[stop])
    words = {
        Check.SATURATION: "stuck at its top",
        Check.CLIPPING: "cut off, or finer than the last digit",
        Check.HELD: "held, though values beside it change",
    }
    return Finding(
        check=check,
        severity=severity,
        text=(
            f"{stop - start + 1} values running are {value:g} {in_unit}, from {first:g} to "
            f"{last:g} {unit}: {words[check]}"
        ),
        advice=advice,
        value=float(y[start]),
        unit=in_unit,
        start=first,
        stop=last,
    )


_TOP = "The true value lies further up; attenuate the reference beam, or open the slit."
_CUT = "Export without clipping and with more digits before a mean or a density is taken here."
_HELD = "The reading was held; see whether the scan was interrupted, and repeat it."


def _what(subject: Subject, row: int, start: int, stop: int) -> tuple[Check, Severity, str]:
    y, in_unit = subject.filled[row], subject.spectra.unit
    value = float(y[start])
    beside = [float(y[i]) for i in (start - 1, stop + 1) if 0 <= i < y.size]
    full = 100.0 / (subject.percent or 1.0)
    top, bottom = value == y.max(), value == y.min()
    if in_unit in _LOGARITHMS:
        if top or (value > max(beside) and value > 1.0):
            return Check.SATURATION, Severity.DOUBT, _TOP
        if bottom:
            return Check.CLIPPING, Severity.DOUBT, _CUT
    elif bottom and value < 0.01 * full:
        # few digits show many true zeros where nothing is transmitted
        return Check.CLIPPING, Severity.REMARK if value == 0 else Severity.DOUBT, _CUT
    elif top:
        clipped = value == full
        return (Check.CLIPPING, Severity.DOUBT, _CUT) if clipped else (
            Check.SATURATION, Severity.DOUBT, _TOP
        )  # fmt: skip
    return Check.HELD, Severity.DOUBT, _HELD


# noise that is cut off on one side


def _one_sided(subject: Subject, row: int) -> Iterator[Finding]:
    """Ends of the scale at which noise goes one way only.

    Noise about a level goes up as often as down. Where the lowest value is the commonest of its
    neighbours, and values leave it upwards and come back n times, by two digits or more and for at
    most three points, without one that lies below, the chance is 2 to the -n (the test of signs).
    """
    y, axis, in_unit = subject.filled[row], subject.spectra.axis, subject.spectra.unit
    needed, digit = -log2(share(subject.limits)), float(subject.digits[row])
    for sign, end in ((1.0, float(y.min())), (-1.0, float(y.max()))):
        at = np.flatnonzero(y == end)
        if at.size < _FEWEST_AT_END:
            continue
        above = sign * (y - end)
        if np.count_nonzero((above > 0) & (above < 1.5 * digit)) > at.size:
            continue
        gaps = np.flatnonzero((np.diff(at) > 1) & (np.diff(at) <= 4))
        count = sum(float(above[at[g] : at[g + 1]].max()) > 1.5 * digit for g in gaps)
        if count < needed:
            continue
        log_top = sign < 0 and in_unit in _LOGARITHMS
        x, unit = axis.values, UNIT_WORDS[axis.unit]
        yield Finding(
            check=Check.SATURATION if log_top else Check.CLIPPING,
            severity=Severity.DOUBT,
            text=(
                f"{at.size} values between {x[at[0]]:g} and {x[at[-1]]:g} {unit} are {end:g} "
                f"{in_unit} and none lies {'below' if sign > 0 else 'above'}, though noise leaves "
                f"it {count} times: it is cut off on one side"
            ),
            advice=_TOP if log_top else _CUT,
            value=end,
            unit=in_unit,
            start=float(x[at[0]]),
            stop=float(x[at[-1]]),
        )


# digits


def _coarse(subject: Subject, row: int, same: float) -> list[Finding]:
    """Digits that hide the noise, where they are coarse against the scale or what is wanted.

    A digit d adds a rectangular uncertainty of d/√3 (k = 2), and unlike noise it does not shrink
    with the mean of more points: JCGM 100:2008, F.2.2.1.
    """
    digit = float(subject.digits[row])
    in_unit, known = subject.spectra.unit, subject.known[row]
    in_percent = digit * (log(10) * 100 if in_unit in _LOGARITHMS else subject.percent or 1.0)
    for_scale = in_percent >= 0.999 * _COARSE * subject.limits.scale_uncertainty_percent
    for_wanted = [w for w in known.wanted if w.unit == in_unit and digit > w.uncertainty / 2]
    if not for_scale and not for_wanted:
        return []
    whom = f", and {for_wanted[0].requirement} asks for more" if for_wanted else ""
    return [
        Finding(
            check=Check.DIGITS,
            severity=Severity.REMARK,
            text=(
                f"values come in steps of {digit:g} {in_unit} and {100 * same:.0f} % of neighbours "
                f"are the same: the digits hide the noise{whom}"
            ),
            advice="Export one more digit; the mean of many points does not mend it.",
            value=digit,
            uncertainty=digit / sqrt(3),
            unit=in_unit,
        )
    ]


# values that are written twice

_LEAST_REPEATED = 40
_COEFFICIENTS = (1.0, 0.618034, 1.414214, 2.236068)


def written_twice(subject: Subject) -> Iterator[_Said]:
    """Runs of 40 values or more that stand in a spectrum twice, digit by digit.

    Noise never repeats. Keys of four steps each are sorted; equal ones lie side by side then. Where
    every twentieth step is 0 the digits are too few to tell a repetition from chance.
    """
    steps = subject.steps
    if steps.shape[1] < 3 * _LEAST_REPEATED:
        return
    rows = np.flatnonzero(_counts(steps == 0) < 0.05 * steps.shape[1])
    if not rows.size:
        return
    small = (steps if rows.size == len(steps) else steps[rows]).astype(np.float32)
    keys = small[:, 3:] * np.float32(_COEFFICIENTS[3])
    for k, coefficient in enumerate(_COEFFICIENTS[:3]):
        keys += small[:, k : k - 3] * np.float32(coefficient)
    ordered = np.sort(keys, axis=1)
    twice = _counts(ordered[:, 1:] == ordered[:, :-1])
    for at in np.flatnonzero(twice >= _LEAST_REPEATED - 4):
        finding = _repeated(subject, int(rows[at]), keys[at])
        if finding is not None:
            yield int(rows[at]), finding


def _repeated(subject: Subject, row: int, keys: FloatArray) -> Finding | None:
    order = np.argsort(keys, kind="stable")
    equal = keys[order][1:] == keys[order][:-1]
    lags = np.bincount((order[1:] - order[:-1])[equal])
    lag = int(np.argmax(lags))
    if lags[lag] < _LEAST_REPEATED - 4:
        return None
    y, axis = subject.filled[row], subject.spectra.axis
    same = np.diff((y[lag:] == y[:-lag]).astype(np.int8), prepend=0, append=0)
    starts, stops = np.flatnonzero(same > 0), np.flatnonzero(same < 0)
    run = int(np.argmax(stops - starts)) if starts.size else 0
    if not starts.size or stops[run] - starts[run] < _LEAST_REPEATED:
        return None
    first, last = int(starts[run]), int(stops[run]) - 1
    if lag < _LEAST_REPEATED or np.ptp(y[first : last + 1]) == 0:
        return None
    x, unit = axis.values, UNIT_WORDS[axis.unit]
    return Finding(
        check=Check.HELD,
        severity=Severity.DOUBT,
        text=(
            f"the {last - first + 1} values from {x[first]:g} to {x[last]:g} {unit} stand again, "
            f"digit by digit, from {x[first + lag]:g} to {x[last + lag]:g} {unit}"
        ),
        advice="Part of the export was written twice; export it again.",
        value=float(last - first + 1),
        unit="points",
        start=float(x[first]),
        stop=float(x[last + lag]),
    )
