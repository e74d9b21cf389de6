"""What is known of scans beside their values, from settings, header, requirements and archive."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Literal

from speclake.archive.catalog import Catalog
from speclake.fitness.circumstances import (
    Against,
    BlankStep,
    ChangeOver,
    Circumstances,
    LineOff,
    UsualNoise,
    Wanted,
)
from speclake.fitness.findings import Figure
from speclake.intake.configurations import CHANGEOVERS, configuration_in_force
from speclake.judging.belonging import names_of
from speclake.measurement import Kind, Link, LinkKind, Measurement, Range
from speclake.settings import Settings
from speclake.specs import Specification
from speclake.specs.requirements.uncertainty import USUAL_COVERAGE_FACTOR
from speclake.units import QUANTITY_OF_UNIT, AxisUnit, convert_positions

Configuration = tuple[str | None, str | None, str]
"""Instrument, accessory and quantity."""
Role = Literal["baseline", "zero line", "reference"]

ROLES: Mapping[Kind, Role] = {
    Kind.BLANK: "baseline",
    Kind.ZERO_LINE: "zero line",
    Kind.REFERENCE: "reference",
}
"""What scans of these kinds are to those that are measured against them."""

LONGEST_AGO = timedelta(days=7)
"""How long before a scan one may lie that it is taken to be measured against, if nobody says it;
twice the age at which a baseline is in doubt, where that is longer."""

NOISE, STEP, LINE = "noise", "step", "line"
"""Names of the figures that later scans are held against."""

_VALUE_UNITS = frozenset(QUANTITY_OF_UNIT)


@dataclass
class Earlier:
    """Scans that others may have been measured against, the usual noise, and what blanks showed."""

    against: dict[Configuration, list[Measurement]] = field(default_factory=dict)
    noise: dict[tuple[str, str | None, str], list[UsualNoise]] = field(default_factory=dict)
    steps: dict[str, list[BlankStep]] = field(default_factory=dict)
    lines: dict[str, LineOff] = field(default_factory=dict)

    def add(self, m: Measurement, figures: Sequence[Figure]) -> None:
        """Know of one more scan, with the figures taken of it."""
        known = self.against.setdefault(configuration_of(m), [])
        if all(each.measurement_id != m.measurement_id for each in known):
            known.append(m)
        self.steps[m.measurement_id] = [
            BlankStep(each.at, each.value, each.uncertainty, each.unit, m.trusted_at)
            for each in figures
            if each.name == STEP and each.at is not None and each.uncertainty is not None
        ]
        for each in figures:
            if each.name == LINE and each.at is not None and each.uncertainty is not None:
                self.lines[m.measurement_id] = LineOff(each.at, each.value, each.uncertainty)

    def latest(self, m: Measurement, kind: Kind) -> Measurement | None:
        """The last scan of a kind by the same configuration that was not taken after another."""
        before = [
            each
            for each in self.against.get(configuration_of(m), ())
            if each.kind is kind
            and each.trusted_at <= m.trusted_at
            and each.measurement_id != m.measurement_id
        ]
        return max(before, key=lambda each: each.trusted_at, default=None)


def configuration_of(m: Measurement) -> Configuration:
    """Configuration that a scan was made with, its range aside."""
    return m.instrument, m.accessory, m.quantity


def earlier_scans(
    catalog: Catalog, measurements: Sequence[Measurement], settings: Settings
) -> Earlier:
    """What the archive holds that the checks of some scans go by."""
    found = Earlier()
    known = [m for m in measurements if m.instrument is not None]
    if not known:
        return found
    times = [m.trusted_at for m in known]
    instruments = sorted({m.instrument for m in known if m.instrument is not None})
    ago = max(LONGEST_AGO, timedelta(hours=2 * settings.fitness.baseline_hours))
    against = catalog.measured_against_nothing(instruments, min(times) - ago, max(times))
    for m in against:
        found.against.setdefault(configuration_of(m), []).append(m)
    _add_noise(found, catalog, known, settings.fitness.scans_for_usual_noise, min(times))
    _add_figures(found, catalog, [m for m in against if m.kind in (Kind.BLANK, Kind.ZERO_LINE)])
    return found


def _add_noise(
    found: Earlier,
    catalog: Catalog,
    known: Sequence[Measurement],
    scans: int,
    before: datetime,
) -> None:
    configurations = {(m.instrument, m.accessory) for m in known if m.instrument is not None}
    asked = sorted(configurations, key=str)
    for row in catalog.usual_figures(asked, scans, NOISE, before).to_dicts():
        found.noise.setdefault((row["instrument"], row["accessory"], row["unit"]), []).append(
            UsualNoise(
                row["start"], row["stop"], row["median"], row["spread"], row["scans"], row["unit"]
            )
        )


def _add_figures(found: Earlier, catalog: Catalog, blanks: Sequence[Measurement]) -> None:
    """Steps of blanks, and where blanks and zero lines lay off."""
    if not blanks:
        return
    kinds = {m.measurement_id: m.kind for m in blanks}
    steps: defaultdict[str, list[BlankStep]] = defaultdict(list)
    for row in catalog.figures(list(kinds)).to_dicts():
        name, at, size = row["measurement_id"], row["at"], (row["value"], row["uncertainty"])
        if at is None or None in size:
            continue
        if row["name"] == STEP and kinds[name] is Kind.BLANK:
            steps[name].append(BlankStep(at, *size, row["unit"], row["trusted_at"]))
        elif row["name"] == LINE:
            found.lines[name] = LineOff(at, *size)
    found.steps |= steps


class Knowing:
    """Tells the circumstances of scans; what many of them share is worked out once.

    Parameters
    ----------
    specifications : those that a scan is judged by, by measurement.
    """

    def __init__(
        self,
        settings: Settings,
        earlier: Earlier,
        specifications: Mapping[str, Sequence[Specification]],
    ) -> None:
        self._settings, self._earlier = settings, earlier
        self._specifications = specifications
        self._changeovers: dict[object, tuple[ChangeOver, ...]] = {}
        self._wanted: dict[object, tuple[Wanted, ...]] = {}

    def of(self, m: Measurement, last_digit: float | None) -> Circumstances:
        """Circumstances of one scan; `last_digit` is the step of its export, None if unknown."""
        against = self._against(m)
        return Circumstances(
            kind=m.kind,
            instrument=m.instrument,
            accessory=m.accessory,
            correction=m.correction,
            smoothed=m.smoothed,
            clipped=m.clipped,
            zero_line_applied=m.zero_line_applied,
            taken_at=m.trusted_at,
            last_digit=last_digit,
            ranges=ranges_in_nm(m),
            changeovers=self._changeovers_of(m),
            usual_noise=tuple(self._usual(m)),
            blank_steps=self._blank_steps(m),
            wanted=self._wanted_of(m),
            against=against,
            baseline_at=m.baseline_at,
            purge_min=m.purge_min,
            oxygen_ppm=m.oxygen_ppm,
            averages=m.averages,
        )

    def _usual(self, m: Measurement) -> Iterable[UsualNoise]:
        if m.instrument is None:
            return ()
        return self._earlier.noise.get((m.instrument, m.accessory, m.unit), ())

    def _blank_steps(self, m: Measurement) -> tuple[BlankStep, ...]:
        if m.instrument is None or m.kind is Kind.BLANK:
            return ()
        blank = self._earlier.latest(m, Kind.BLANK)
        return () if blank is None else tuple(self._earlier.steps.get(blank.measurement_id, ()))

    # change-overs

    def _changeovers_of(self, m: Measurement) -> tuple[ChangeOver, ...]:
        key = (
            *configuration_of(m),
            m.method,
            m.trusted_at.date(),
            m.changeovers,
            m.origin.get(CHANGEOVERS),
        )
        if key not in self._changeovers:
            self._changeovers[key] = tuple(self._places(m))
        return self._changeovers[key]

    def _places(self, m: Measurement) -> Iterable[ChangeOver]:
        """Change-overs that are known of a scan, else those that are common."""
        if CHANGEOVERS in m.origin:
            return [ChangeOver(at, m.origin[CHANGEOVERS]) for at in m.changeovers]
        found = configuration_in_force(
            self._settings, *configuration_of(m), m.method, m.trusted_at.date()
        )
        settings = found.changeovers_nm if found is not None else ()
        if found is not None and settings and m.changeovers in ((), settings):
            evidence = f"settings of {found.starting}"
            if found.method is not None:
                evidence = f"method {found.method}, {evidence}"
            return [ChangeOver(at, evidence) for at in settings]
        if m.changeovers:
            return [ChangeOver(at, "settings at the time of the scan") for at in m.changeovers]
        common = self._settings.fitness.common_changeovers_nm
        return [ChangeOver(at, "common practice") for at in common]

    # what requirements want

    def _wanted_of(self, m: Measurement) -> tuple[Wanted, ...]:
        specifications = self._specifications.get(m.measurement_id, ())
        key = (m.quantity, *(each.version for each in specifications))
        if key not in self._wanted:
            self._wanted[key] = tuple(
                wanted
                for each in specifications
                for wanted in wanted_by(each)
                if QUANTITY_OF_UNIT.get(wanted.unit) == m.quantity  # type: ignore[call-overload] # asked with any text
            )
        return self._wanted[key]

    # what it was measured against

    def _against(self, m: Measurement) -> tuple[Against, ...]:
        links = [link for link in m.links if link.kind is LinkKind.MEASURED_AGAINST]
        if m.instrument is None and not links:
            return ()
        told = [self._linked(m, link) for link in links]
        if m.kind in ROLES:
            return tuple(told)
        roles = {each.role for each in told}
        latest = (
            self._earlier.latest(m, kind)
            for kind, role in ROLES.items()
            if role not in roles and m.instrument is not None
        )
        return (
            *told, *(self._as_against(each, "the latest one before") for each in latest if each)
        )  # fmt: skip

    def _linked(self, m: Measurement, link: Link) -> Against:
        for each in self._earlier.against.get(configuration_of(m), ()):
            same = link.target in names_of(each) if link.by_name else (
                link.target == each.measurement_id
            )  # fmt: skip
            if same:
                return self._as_against(each, link.evidence)
        return Against(role="baseline", name=link.target, evidence=link.evidence)

    def _as_against(self, m: Measurement, evidence: str) -> Against:
        first, last = in_nm((m.axis_first, m.axis_last), m.axis_unit)
        return Against(
            role=ROLES.get(m.kind, "reference"),
            name=m.sample or m.file,
            evidence=evidence,
            taken_at=m.trusted_at,
            first_nm=min(first, last),
            last_nm=max(first, last),
            ranges=ranges_in_nm(m),
            line=self._earlier.lines.get(m.measurement_id),
        )


def wanted_by(specification: Specification) -> Iterable[Wanted]:
    """Uncertainties that the requirements of a specification want, over stretches in nm.

    The largest that one allows, and where it says nothing of that the one that it states.
    """
    for each in specification.requirements:
        if each.unit not in _VALUE_UNITS:
            continue
        largest = each.largest_uncertainty
        sizes = [(largest, USUAL_COVERAGE_FACTOR)] if largest else each.stated_sizes()
        for size, factor in sizes:
            for ends in each.looked_at:
                start, stop = sorted(in_nm(ends, each.axis_unit))
                yield Wanted(each.id, start, stop, size, factor, each.unit)


def ranges_in_nm(m: Measurement) -> tuple[Range, ...]:
    """How stretches of the axis were measured, their ends in nm."""
    if m.axis_unit == "nm":
        return m.ranges
    found = []
    for each in m.ranges:
        start, stop = in_nm((each.start, each.stop), m.axis_unit)
        found.append(
            Range(start, stop, each.bandwidth_nm, each.interval_nm, each.response_s, each.detector)
        )
    return tuple(found)


def in_nm(ends: Sequence[float], unit: AxisUnit) -> tuple[float, float]:
    """Positions on an axis in nm, through vacuum; air moves them by 0.03 %."""
    if unit == "nm":
        return ends[0], ends[1]
    first, last = convert_positions(list(ends), unit, "vacuum", "nm", "vacuum").tolist()
    return first, last
