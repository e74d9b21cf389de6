"""Steps in level and slope where one detector, grating, lamp or filter takes over from another."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from speclake.fitness.circumstances import ChangeOver
from speclake.fitness.elsewhere import MOST, Elsewhere, elsewhere
from speclake.fitness.falsealarms import share
from speclake.fitness.findings import Figure, Finding
from speclake.fitness.regions import (
    Region,
    Rows,
    changeovers_of,
    in_blocks,
    regions_between,
    rows_by,
    taken,
)
from speclake.fitness.stepchoice import Choice, Sides, chosen, is_high
from speclake.fitness.stepfits import FITS_BELOW, Model, fitted
from speclake.fitness.stepplaces import Place, by_missing, places_on
from speclake.fitness.steptelling import INSTRUMENTS_OWN, Step, told, untold
from speclake.fitness.subject import BoolArray, Subject
from speclake.spectrum import FloatArray

COMMON_PRACTICE = "common practice"
LAST_DIGIT_RMS = 12.0**-0.5
"""Standard deviation of rounding, in steps of the last digit."""
BLURRED_FROM = 0.5
"""Noise in last digits from which rounding is but noise."""
CONFIRMED = 2.0
"""Standard uncertainties that a step must keep when the polynomial may bend twice more, so that
curvature just too small to be seen as such is no step."""
FEWEST_INTERVALS = 20.0
"""Intervals that the window of the settings has at least, on coarse grids too."""
CONFIRMED_ALONE = 3.5
"""The same in a spectrum that has no place to look elsewhere."""
STANDS_OUT = 1.5
"""Times the largest step at places nearby without a change-over."""
MOST_BROADER = 4
"""Models that are tried so, those that know a step best."""
FEWEST_FREE = 5.0
"""Degrees of freedom that a step is believed to have at least."""
SHARED_COUNTS = 0.7
"""Share of the root of how many points are alike that a threshold rises by at first, which is less
than it does in the end."""
SHARED_FROM, SHARED_MORE = 1.2, 1.15
"""Scatter over that of independent noise from which it counts as shared, and what more is then
allowed: it is known to about 15 % from one spectrum."""
UNFIT_TIMES = 2.0
"""Times the threshold that a step must exceed where no polynomial fits."""
BROADER = 2.5
"""Intervals beside the place that are left out where a step does not fit at the place itself: a
smoothed step, a narrow band at it, or a place that is off by two points."""

Said = tuple[int, Finding | Figure]


def check(subject: Subject) -> Iterator[Said]:
    """Step at each change-over: a figure always, a finding where it is more than chance.

    A polynomial with a break at the place is fitted in the widest window that it fits
    (`stepfits`). A step in level or slope is told where it exceeds the false-alarm threshold, by
    Student's t with the degrees of freedom of the noise; is still seen when the polynomial may bend
    more; and stands out from what the same window finds at places of this spectrum without a
    change-over. So a curved spectrum, a fringe or a broad edge is no step. An edge as sharp as a
    step cannot be told from one: only a blank can.
    """
    for changeovers, rows in rows_by(subject.known, changeovers_of):
        regions = regions_between(subject.nm, [each.at_nm for each in changeovers])
        chance = share(subject.limits) / max(len(changeovers), 1) / 2.0
        for place in places_on(subject, changeovers):
            for some in in_blocks(rows, 200):
                for found in _at_place(subject, some, place, regions):
                    yield from found.said(chance) if isinstance(found, _AtPlace) else found


@dataclass(frozen=True, slots=True)
class StepThere:
    """A step of one spectrum at a place, in the unit of the values; uncertainty with k = 2.

    Parameters
    ----------
    level : at the place, the mean of both sides.
    start_nm, stop_nm : the window that it was taken from.
    """

    step: float
    uncertainty: float
    level: float
    start_nm: float
    stop_nm: float


def steps_there(subject: Subject, at_nm: float) -> dict[int, StepThere]:
    """Steps at a wavelength by row, as the check would give them there, whether or not by chance.

    Rows in which no polynomial fits beside the place, or which have too few points, are not among
    them.
    """
    found: dict[int, StepThere] = {}
    one = (ChangeOver(at_nm, "asked for"),)
    regions, rows = regions_between(subject.nm, [at_nm]), np.arange(len(subject.known))
    for place in places_on(subject, one):
        for at_once in _at_place(subject, rows, place, regions):
            if isinstance(at_once, _AtPlace):
                found.update(at_once.steps())
    return found


def _at_place(
    subject: Subject, rows: Rows, place: Place, regions: tuple[Region, ...]
) -> Iterator["_AtPlace | list[Said]"]:
    window = max(subject.limits.changeover_window_nm, FEWEST_INTERVALS * place.interval_nm)
    for some, missing in by_missing(subject, rows):
        values = taken(subject.filled, some, 0, subject.nm.size)
        least = np.array([(subject.known[row].last_digit or 0.0) for row in some])
        least *= LAST_DIGIT_RMS
        tried = place.models(window, 0.5, missing)
        if not tried:
            yield list(_untried(subject, some, place, missing))
            continue
        sides = Sides.about(subject.spectra.axis.values, place.offsets, window)
        roughness = taken(subject.roughness, some, 0, subject.nm.size)
        choice = chosen(values, roughness, tried, least, sides)
        unfit = np.flatnonzero(~choice.fits)
        broader = place.models(window, BROADER, missing)[:MOST_BROADER] if unfit.size else []
        if broader:
            other = chosen(values[unfit], roughness[unfit], broader, least[unfit], sides)
            better = np.flatnonzero(other.fits)
            choice.put(unfit[better], other.only(better), len(tried))
        yield _AtPlace(subject, some, values, place, (*tried, *broader), choice, least, regions)


def _untried(subject: Subject, rows: Rows, place: Place, missing: bytes | None) -> Iterator[Said]:
    """Remarks that a step could not be seen; nobody is told of places that nobody stated."""
    if place.changeover.evidence == COMMON_PRACTICE:
        return
    there = np.ones(place.offsets.size, dtype=bool)
    if missing is not None:
        there = ~np.frombuffer(missing, dtype=bool)
    fewest = min(int((there & side).sum()) for side in (place.offsets < 0, place.offsets > 0))
    if there.any():
        yield from ((row, untold(subject, place.changeover, fewest)) for row in rows.tolist())


@dataclass(frozen=True, eq=False)
class _AtPlace:
    """Spectra at one change-over with the fits that were chosen."""

    subject: Subject
    rows: Rows
    values: FloatArray
    place: Place
    models: tuple[Model, ...]
    choice: Choice
    least: FloatArray
    regions: tuple[Region, ...]

    def said(self, chance: float) -> Iterator[Said]:
        """Figures of all rows and findings of some.

        Parameters
        ----------
        chance : of a false alarm on one side.
        """
        own = self._own()
        flagged = self._flagged(chance) & (self.choice.fits | own)
        for index in np.flatnonzero(flagged | own).tolist():
            seen, row = self._looked_at(index), int(self.rows[index])
            if flagged[index]:
                found = self._weighed(row, seen, chance)
                if found is not None:
                    yield row, told(self.subject, row, found)
            yield row, self._figure(*self._ends(seen.model), *seen.size)
        others = np.flatnonzero(~flagged & ~own & self.choice.fits)
        # most rows: nothing was looked at elsewhere, so one pass makes their numbers
        numbers = self.choice.numbers
        uncertainty = 2.0 * _Seen.of_size(
            numbers["step_error"] * _more(np.sqrt(self.choice.alike)),
            numbers["higher_step"] - numbers["step"],
            self._rounding,
        )
        ends = [self._ends(each) for each in self.models]
        columns = (self.rows, self.choice.chosen, numbers["step"], uncertainty)
        for row, number, *size in zip(*(each[others].tolist() for each in columns), strict=True):
            yield row, self._figure(*ends[number], *size)

    @cached_property
    def _rounding(self) -> FloatArray:
        """Standard uncertainty of a step by the rounding of levels that noise does not blur.

        Each side may then lie half a digit d off, and their difference is distributed as a triangle
        of half-width d (JCGM 100:2008, 4.3.9).
        """
        digits = self.least / LAST_DIGIT_RMS
        numbers = self.choice.numbers
        quiet = np.fmin(numbers["noise_below"], numbers["noise_above"]) < BLURRED_FROM * digits
        return np.where(quiet, digits / 6.0**0.5, 0.0)

    def steps(self) -> Iterator[tuple[int, StepThere]]:
        """Steps of the rows in which a polynomial fits."""
        for index, row in enumerate(self.rows.tolist()):
            seen = self._looked_at(index)
            if seen.fits:
                yield row, StepThere(*seen.size, seen.fit["level"], *self._ends(seen.model))

    def _ends(self, model: Model) -> tuple[float, float]:
        """First and last wavelength of a window in nm, the lower one first."""
        first, last = float(self.subject.nm[model.start]), float(self.subject.nm[model.stop - 1])
        return min(first, last), max(first, last)

    def _as_chosen(self, index: int) -> "_Seen":
        """The fit of a row, with nothing looked at elsewhere."""
        # points that are alike count as one
        alone = float(self.choice.alike[index]) ** 0.5
        fit = {name: float(numbers[index]) for name, numbers in self.choice.numbers.items()}
        model = self.models[int(self.choice.chosen[index])]
        rounding = float(self._rounding[index])
        return _Seen(model, fit, bool(self.choice.fits[index]), alone, rounding)

    def _figure(self, start: float, stop: float, step: float, uncertainty: float) -> Figure:
        return Figure(
            name="step",
            value=step,
            uncertainty=uncertainty,
            unit=self.subject.spectra.unit,
            start=start,
            stop=stop,
            at=self.place.changeover.at_nm,
        )

    def _flagged(self, chance: float) -> BoolArray:
        """Rows that deserve a closer look."""
        numbers = self.choice.numbers
        limit = _quantile(numbers["freedom"], chance)
        limit = np.where(self.choice.fits, limit, UNFIT_TIMES * limit)
        limit *= np.maximum(1.0, SHARED_COUNTS * np.sqrt(self.choice.alike))
        flagged = np.zeros(self.rows.size, dtype=bool)
        for name in ("step", "slope"):
            seen = np.abs(numbers[name]) > limit * numbers[f"{name}_error"]
            higher = numbers[f"higher_{name}"] * np.sign(numbers[name])
            flagged |= seen & (higher > CONFIRMED * numbers[f"higher_{name}_error"])
        return flagged

    def _own(self) -> BoolArray:
        """Whether a spectrum has no structure but that of the instrument."""
        return np.array([self.subject.known[row].kind in INSTRUMENTS_OWN for row in self.rows])

    def _looked_at(self, index: int) -> "_Seen":
        """The fit of a row beside those at places of the same spectrum without a change-over.

        Where the polynomial fits at the change-over by chance and not at most places nearby, the
        next one that fits is taken.
        """
        seen = self._as_chosen(index)
        number, least = int(self.choice.chosen[index]), float(self.least[index])
        others = self._elsewhere(index, number)
        first, fits = replace(seen, others=others), seen.fits
        while others is not None and fits and others.fitting < MOST:
            number += 1
            if number == len(self.models):
                return replace(first, fits=False)
            model = self.models[number]
            values = self.values[index : index + 1, model.start : model.stop]
            again = fitted(values, model, least)
            if again.misfit[0] >= FITS_BELOW:
                continue
            if is_high(again, self.choice.allowed[:, [index]], self.least[[index]])[0]:
                continue
            others = self._elsewhere(index, number)
            fit = {name: float(getattr(again, name)[0]) for name in seen.fit}
            first = replace(seen, model=model, fit=fit, others=others, before=seen.fit)
        return first

    def _elsewhere(self, index: int, number: int) -> Elsewhere | None:
        return elsewhere(
            self.values[index],
            self.place.offsets,
            self.models[number],
            self.regions,
            float(self.least[index]),
        )

    def _weighed(self, row: int, seen: "_Seen", chance: float) -> Step | None:
        known, model, fit, others = self.subject.known[row], seen.model, seen.fit, seen.others
        if not seen.fits and (others is None or known.kind not in INSTRUMENTS_OWN):
            return None
        digit = known.last_digit
        if digit is None:
            digit = _resolution(self.subject.filled[row, model.start : model.stop])
        confirmed = CONFIRMED if others is not None else CONFIRMED_ALONE
        beyond = {}
        for name, reach in (("step", 1.0), ("slope", model.half_nm)):
            size, largest, spread = abs(fit[name]), 0.0, seen.spread(name)
            if others is not None:
                largest = others.largest_step if name == "step" else others.largest_slope
            # where neighbours share their noise there are fewer of their own
            freedom = np.array(max(fit["freedom"] / spread**2, FEWEST_FREE))
            limit = float(_quantile(freedom, chance)) * (1.0 if seen.fits else UNFIT_TIMES)
            higher = fit[f"higher_{name}"] * np.sign(fit[name])
            beyond[name] = (
                size > limit * fit[f"{name}_error"] * spread
                and higher > confirmed * fit[f"higher_{name}_error"] * spread
                and size > STANDS_OUT * largest
                and size * reach > digit
            )
        if not any(beyond.values()):
            return None
        return Step(
            changeover=self.place.changeover,
            level=fit["level"],
            step=fit["step"] if beyond["step"] else None,
            step_uncertainty=2.0 * seen.uncertainty("step"),
            slope=fit["slope"] if beyond["slope"] else None,
            slope_uncertainty=2.0 * seen.uncertainty("slope"),
            half_nm=model.half_nm,
            first=model.start,
            last=model.stop - 1,
            fits=seen.fits,
            places=others.places if others else 0,
            largest_elsewhere=others.largest_step if others else None,
        )


@dataclass(frozen=True, eq=False)
class _Seen:
    """The fit of one row at a change-over.

    Parameters
    ----------
    fit : fields of `Fits`.
    fits : whether the polynomial does.
    alone : how much more a change scatters than independent noise lets it, by this place alone.
    rounding : standard uncertainty of a step by the last digit.
    others : what was found elsewhere, where that was looked at.
    before : the same of a wider window that fits here too, but at few places elsewhere.
    """

    model: Model
    fit: dict[str, float]
    fits: bool
    alone: float
    rounding: float
    others: Elsewhere | None = None
    before: dict[str, float] | None = None

    @property
    def size(self) -> tuple[float, float]:
        """The step with its uncertainty, k = 2."""
        return self.fit["step"], 2.0 * self.uncertainty("step")

    def spread(self, name: str) -> float:
        """How much more a change scatters than independent noise lets it."""
        spread = self.alone
        if self.others is not None:
            spread = self.others.step_spread if name == "step" else self.others.slope_spread
        return float(_more(np.array(spread)))

    def uncertainty(self, name: str) -> float:
        """Standard uncertainty of a change; see `of_size`."""
        bend = abs(self.fit[f"higher_{name}"] - self.fit[name])
        if self.before is not None:
            bend = max(bend, abs(self.before[name] - self.fit[name]))
        rounding = self.rounding if name == "step" else 0.0
        noise = self.fit[f"{name}_error"] * self.spread(name)
        return float(self.of_size(np.array(noise), np.array(bend), np.array(rounding)))

    @staticmethod
    def of_size(noise: FloatArray, bend: FloatArray, rounding: FloatArray) -> FloatArray:
        """Standard uncertainty by noise, rounding, and what the polynomial does not follow.

        Of the latter the change by two powers more tells, and that from a wider window which fits
        here too; the larger is taken as half-width of a rectangular distribution (JCGM 100:2008,
        4.3.7).
        """
        found: FloatArray = np.sqrt(noise * noise + bend * bend / 3.0 + rounding * rounding)
        return found


def _more(spread: FloatArray) -> FloatArray:
    """Scatter over that of independent noise with what more is allowed where it is shared."""
    return np.where(spread > SHARED_FROM, spread * SHARED_MORE, spread)


def _quantile(freedom: FloatArray, chance: float) -> FloatArray:
    from scipy.special import stdtrit

    return np.asarray(stdtrit(freedom, 1.0 - chance))


def _resolution(values: FloatArray) -> float:
    """Smallest change between neighbours, which is the last digit where it is coarse."""
    changes = np.abs(np.diff(values))
    changes = changes[changes > 0]
    return float(changes.min()) if changes.size else 0.0
