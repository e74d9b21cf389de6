"""One table of a JCAMP-DX file read and checked: positions and values as float64, or a refusal."""

from dataclasses import dataclass, field

import numpy as np
from speclake_plugins.jcamp.decimals import ONE, FloatArray, Written, evenly_spaced, multiplied
from speclake_plugins.jcamp.ordinates import (
    Numbers,
    Ordinates,
    Points,
    read_ordinates,
    read_points,
)
from speclake_plugins.jcamp.records import Document, Record
from speclake_plugins.jcamp.tokens import Unreadable

MOST_POINTS = 4_000_000
"""No spectrum of these kinds has more; a file that claims more is refused before any is read."""

_SINGLE_PRECISION = 2.0**-23
_NOISE = 1e-9


@dataclass(frozen=True)
class Table:
    """What the header says of one table of numbers.

    Parameters
    ----------
    record : the record that holds it.
    in_pairs : of the form (XY..XY), otherwise (X++(Y..Y)).
    count : how many points there are; None where nobody says.
    first_x, last_x, step_x, first_y, max_y, min_y, x_factor, y_factor : as stated, or None.
    lines : line of the file for the records behind these, by the name of the parameter.
    is_closed : whether the block ends properly; where it does not, the data must prove themselves.
    """

    record: Record
    in_pairs: bool
    count: int | None
    first_x: Written | None = None
    last_x: Written | None = None
    step_x: Written | None = None
    first_y: Written | None = None
    max_y: Written | None = None
    min_y: Written | None = None
    x_factor: Written | None = None
    y_factor: Written | None = None
    lines: dict[str, int] = field(default_factory=dict)
    is_closed: bool = True


@dataclass(frozen=True, eq=False)
class Curve:
    """Positions and values in the order of the file, shape (n,), and what was tolerated."""

    positions: FloatArray
    values: FloatArray
    notes: tuple[str, ...]


def read_curve(document: Document, table: Table) -> Curve:
    """Curve of one table, every check done.

    Raises
    ------
    speclake.errors.MalformedFile
        The lines cannot be read, or disagree with each other or with the header.
    """
    return _Reading(document, table).curve()


class _Reading:
    """One table being read; keeps the notes."""

    def __init__(self, document: Document, table: Table) -> None:
        self.document, self.table = document, table
        self.content = document.content
        self.start = document.data_start(table.record)
        self.first_line = table.record.line + 1
        self.value_step = 0.0
        self.notes: list[str] = []

    def curve(self) -> Curve:
        table = self.table
        if table.count is not None and not 1 <= table.count <= MOST_POINTS:
            raise self._refusal(
                "count", f"{table.count} points", f"1 to {MOST_POINTS} points in one spectrum"
            )
        if not table.is_closed and self._last_byte() != b"\n":
            raise self._cut_off("a last line without its end")
        try:
            positions, values = self._pairs() if table.in_pairs else self._series()
        except Unreadable as error:
            raise self._at(error.line, error.found, error.expected) from error
        except OverflowError as error:
            raise self._at(0, "numbers beyond the float64", "numbers of a spectrum") from error
        self._check_first_ordinate(values)
        self._check_extremes(values)
        if not table.is_closed:
            self.notes.append("##END= is missing; the count of points and the checks are whole")
        return Curve(positions, values, tuple(self.notes))

    def _last_byte(self) -> bytes:
        stop = self.table.record.stop
        return self.content[stop - 1 : stop]

    def _series(self) -> tuple[FloatArray, FloatArray]:
        table = self.table
        for name, label in (("count", "NPOINTS"), ("first_x", "FIRSTX"), ("last_x", "LASTX")):
            if getattr(table, name) is None:
                raise self._refusal("", f"no ##{label}=", "it, to know where each ordinate stands")
        assert table.count and table.first_x and table.last_x
        lines = read_ordinates(self.content, self.start, table.record.stop, table.count)
        # not more of them than there are ordinates: the stated count may be anything
        leading = lines.points or 1
        positions = evenly_spaced(table.first_x, table.last_x, table.count, leading)
        self._check_order(positions, None)
        self._check_abscissae(positions, lines)
        self._check_count(lines)
        self._check_step(is_confirmed=any((each.point > 0).any() for each in lines.labels))
        if lines.awaits_check:
            if not table.is_closed:
                raise self._cut_off("no Y-check behind the last differences")
            self.notes.append("the line that would check the last differences is missing")
        self.value_step = _step(lines.pieces[0], table.y_factor)
        return positions, self._scaled(lines.pieces, table.y_factor)

    def _pairs(self) -> tuple[FloatArray, FloatArray]:
        table = self.table
        if table.count is None:
            if not table.is_closed:
                raise self._cut_off("neither ##END= nor ##NPOINTS=")
            self.notes.append("##NPOINTS= is missing; every pair up to ##END= is read")
        most = MOST_POINTS if table.count is None else table.count
        lines = read_points(self.content, self.start, table.record.stop, most)
        self._check_count(lines)
        positions = self._scaled(lines.x, table.x_factor)
        self._check_order(positions, lines)
        for name, label, at in (("first_x", "FIRSTX", 0), ("last_x", "LASTX", -1)):
            stated: Written | None = getattr(table, name)
            step = _step(lines.x[at], table.x_factor)
            if stated and not _agrees(positions[at], stated, step):
                raise self._refusal(
                    name, f"##{label}= {stated.value:.15g}", f"{positions[at]:.15g}, as in the data"
                )
        self.value_step = _step(lines.y[0], table.y_factor)
        return positions, self._scaled(lines.y, table.y_factor)

    def _scaled(self, pieces: list[Numbers], factor: Written | None) -> FloatArray:
        scaled = []
        for piece in pieces:
            # a zero has the sign that is written, whatever the sign of the factor
            values = multiplied(piece.number, factor or ONE, piece.decimals) + 0.0
            values[piece.minus_zero] = -0.0
            values[piece.missing] = np.nan
            scaled.append(values)
        return np.concatenate(scaled)

    def _check_count(self, lines: Ordinates | Points) -> None:
        stated = self.table.count
        if lines.points == (stated or lines.points) and lines.points:
            return
        raise self._at(
            lines.last_line, f"{lines.points} points up to here", f"{stated or 'some'} (##NPOINTS=)"
        )

    def _check_order(self, positions: FloatArray, lines: Points | None) -> None:
        steps = np.diff(positions)
        if not np.isfinite(positions).all():
            raise self._at(0, "a position beyond all bounds", "a wavelength or wavenumber")
        against = steps <= 0 if steps.size and positions[-1] > positions[0] else steps >= 0
        if not against.any():
            return
        if lines is None:
            raise self._refusal("last_x", "##LASTX= equal to ##FIRSTX=", "an axis of some length")
        place = int(np.flatnonzero(against)[0]) + 1
        raise self._at(
            int(np.concatenate(lines.line)[place]),
            f"position {positions[place]:.15g} behind {positions[place - 1]:.15g}",
            "positions that only rise or only fall",
        )

    def _check_step(self, *, is_confirmed: bool) -> None:
        """Compare ##DELTAX= with the ends; only abscissae further on can confirm the ends."""
        table = self.table
        if table.step_x is None or table.count is None or table.count < 2:
            return
        assert table.first_x and table.last_x
        step = float((table.last_x.exact - table.first_x.exact) / (table.count - 1))
        # some write the size of the step and leave its direction to the ends
        if any(_agrees(each, table.step_x, abs(step) * 1e-6) for each in (step, -step)):
            return
        said = f"{table.step_x.value:.10g}"
        made = f"steps of {step:.10g}, by ##FIRSTX=, ##LASTX= and ##NPOINTS="
        if not is_confirmed:
            raise self._refusal(
                "step_x", f"##DELTAX= {said}", f"{made}; no abscissa further on says which stands"
            )
        self.notes.append(
            f"##DELTAX= says {said}, but {made}, which the abscissae of the lines confirm"
        )

    def _check_abscissae(self, positions: FloatArray, lines: Ordinates) -> None:
        labels = lines.labels
        factor = abs((self.table.x_factor or ONE).value)
        sign = -1.0 if (self.table.x_factor or ONE).mantissa < 0 else 1.0
        if not labels:
            return
        found = np.concatenate([each.abscissa for each in labels]) * factor * sign
        digit = np.concatenate([each.last_digit for each in labels]) * factor
        line = np.concatenate([each.line for each in labels])
        expected = positions[np.concatenate([each.point for each in labels])]
        step = abs(positions[-1] - positions[0]) / max(positions.size - 1, 1)
        noise = _NOISE * np.abs(expected)
        off = np.abs(found - expected)
        too_far = off > np.maximum(step, digit) * (0.5 + 1e-6) + noise
        if too_far.any():
            cut = np.abs(expected) - np.abs(found)
            if ((cut < -noise) | (cut >= digit - noise)).any():
                place = int(np.flatnonzero(too_far)[0])
                raise self._at(
                    int(line[place]),
                    f"abscissa {found[place]:.10g} (X-check; {lines.points} points in all)",
                    f"{expected[place]:.10g}, by ##FIRSTX=, ##LASTX=, the points before and "
                    f"##NPOINTS= {self.table.count}",
                )
            self.notes.append("the abscissae of the lines are cut off, not rounded")
        rounding = np.maximum(digit, _SINGLE_PRECISION * np.abs(expected)) + noise
        if not too_far.any() and (off > rounding).any():
            place = int(np.argmax(off))
            self.notes.append(
                f"line {self.first_line + int(line[place])}: abscissa {found[place]:.10g}, where "
                f"##FIRSTX=, ##LASTX= and ##NPOINTS= give {expected[place]:.10g}; less than half "
                "a step apart, as by a rounded ##LASTX=, which stands"
            )

    def _check_first_ordinate(self, values: FloatArray) -> None:
        table, step = self.table, self.value_step
        stated = None if np.isnan(values[0]) else table.first_y
        self._note_factors(stated)
        if stated is None or _agrees(values[0], stated, step):
            return
        factor = (table.y_factor or ONE).value
        is_raw = _agrees(values[0] / factor, stated, step / abs(factor))
        if is_raw and self._extremes_agree(values):
            self.notes.append("##FIRSTY= is the first ordinate before its factor")
            return
        if _agrees(values[-1], stated, step):
            self.notes.append("##FIRSTY= is the last ordinate of the table, not the first")
            return
        raise self._refusal(
            "first_y", f"##FIRSTY= {stated.value:.15g}", f"{values[0]:.15g}, as in the data"
        )

    def _note_factors(self, first_y: Written | None) -> None:
        table = self.table
        if table.x_factor is None:
            self.notes.append("##XFACTOR= is missing and taken as 1")
        if table.y_factor is not None:
            return
        if first_y is None and not table.in_pairs:
            raise self._refusal("", "no ##YFACTOR=", "it, or a ##FIRSTY= that shows it is 1")
        self.notes.append("##YFACTOR= is missing and taken as 1")

    def _extremes_agree(self, values: FloatArray) -> bool:
        stated = [each for each in (self.table.max_y, self.table.min_y) if each]
        return bool(stated) and not self._wrong_extremes(values)

    def _wrong_extremes(self, values: FloatArray) -> dict[str, tuple[Written, float]]:
        there = values[~np.isnan(values)]
        if not there.size:
            return {}
        extremes = (
            ("MAXY", self.table.max_y, there.max()),
            ("MINY", self.table.min_y, there.min()),
        )
        return {
            label: (stated, float(extreme))
            for label, stated, extreme in extremes
            if stated and not _agrees(extreme, stated, self.value_step)
        }

    def _check_extremes(self, values: FloatArray) -> None:
        wrong = self._wrong_extremes(values)
        if len(wrong) == 2:
            (max_y, highest), (min_y, lowest) = wrong["MAXY"], wrong["MINY"]
            step = self.value_step
            if _agrees(lowest, max_y, step) and _agrees(highest, min_y, step):
                self.notes.append("##MAXY= and ##MINY= are exchanged")
                return
        for label, (stated, extreme) in wrong.items():
            self.notes.append(
                f"##{label}= says {stated.value:.10g}, the ordinates say {extreme:.10g}; the "
                "ordinates stand"
            )

    def _at(self, line: int, found: str, expected: str) -> Exception:
        return self.document.refusal(self.first_line + line, found, expected)

    def _refusal(self, name: str, found: str, expected: str) -> Exception:
        line = self.table.lines.get(name, self.table.record.line)
        return self.document.refusal(line, found, expected)

    def _cut_off(self, found: str) -> Exception:
        return self.document.refusal(
            None, f"{found}, and no ##END=", "a whole file; this one may be cut short"
        )


def _step(numbers: Numbers, factor: Written | None) -> float:
    """What one step of the whole numbers behind a column amounts to."""
    return float(abs((factor or ONE).exact) / 10**numbers.decimals)


def _agrees(found: float, stated: Written, step: float) -> bool:
    """Whether a stated number and a found one are the same, each as finely as it is written.

    The stated one may be rounded to its last digit, or cut towards zero there; the found one is
    known to a step.
    """
    off, digit = abs(found - stated.value), stated.last_digit
    is_cut = abs(stated.value) < abs(found) and stated.value * found >= 0
    return bool(
        off == 0
        or off < step * (1 - 1e-6)
        or off <= digit * (0.5 + 1e-6)
        or (is_cut and off < digit * (1 - 1e-6))
    )
