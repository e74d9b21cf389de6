"""Which scans the checks of the programmes take, and which runs a change of some scans touches."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property

from speclake.archive.catalog import Catalog, Query
from speclake.fitness.qualifying import recognises
from speclake.fitness.qualifying.repeated import LEAST_FOR_DRIFT
from speclake.intake.company import Change
from speclake.intake.standardbook import Standards
from speclake.measurement import Measurement
from speclake.standards.certificates import Certificate
from speclake.standards.programmes import AnyCheck, Drift, OfStandard, Programme, Repeatability

_MOMENT = timedelta(microseconds=1)


@dataclass(frozen=True)
class Run:
    """A scan that a check takes, with those before it where the check takes several."""

    programme: Programme
    check: AnyCheck
    certificate: Certificate | None
    scans: tuple[Measurement, ...]

    @property
    def last(self) -> Measurement:
        """The scan that the numbers of the run are kept with."""
        return self.scans[-1]

    @property
    def key(self) -> tuple[str, str, str]:
        """Measurement, programme and check: of these one run counts."""
        return self.last.measurement_id, self.programme.name, self.check.id


@dataclass
class Scans:
    """Scans as they will be known after a commit.

    Parameters
    ----------
    change : what the commit changes; `gone` and `back` with all that follows from them.
    aside, released : measurements that it puts aside for review, or releases.
    """

    catalog: Catalog
    standards: Standards
    change: Change
    aside: frozenset[str] = frozenset()
    released: frozenset[str] = frozenset()
    known: dict[str, Measurement] = field(default_factory=dict)

    def __post_init__(self) -> None:
        gone, back = self.change.gone, self.change.back
        self.known = {
            m.measurement_id: m for m in (self.catalog.brief(sorted(back)) if back else ())
        }
        self.known |= self.change.known
        self.known = {name: m for name, m in self.known.items() if name not in gone}

    @cached_property
    def touched(self) -> dict[str, Measurement]:
        """Scans of which a run may be new with the commit, or may have changed by it."""
        changed = {m.measurement_id: m for m in self.change.known.values()}
        later = {m.measurement_id: m for m in self._later()}
        gone = self.change.gone
        return {name: m for name, m in (later | changed).items() if name not in gone}

    def runs(self) -> Iterator[Run]:
        """Runs that are new with the commit, or may have changed by it, each once."""
        for name, m in self.touched.items():
            yield from self.runs_of(m, only_several=name not in self.change.known)

    def runs_of(self, m: Measurement, only_several: bool = False) -> Iterator[Run]:
        """Runs that a scan is the last one of, by the programmes as they read now."""
        if m.conflict is not None or m.instrument not in self.standards.instruments:
            return
        for programme in self.standards.programmes_of(m.instrument, m.accessory, m.quantity):
            for check in programme.check:
                if only_several and not check.of_several:
                    continue
                certificate = self.certificate(check, m)
                run = self.run_of(programme, check, certificate, m)
                if run is not None:
                    yield run

    def run_of(
        self,
        programme: Programme,
        check: AnyCheck,
        certificate: Certificate | None,
        m: Measurement,
    ) -> Run | None:
        """The run of a check that a scan is the last one of; None where it makes none."""
        if m.conflict is not None or not recognises(programme, check, certificate, m):
            return None
        if not isinstance(check, Drift | Repeatability):
            return Run(programme, check, certificate, (m,))
        scans = self._before(programme, check, m)
        return Run(programme, check, None, scans) if len(scans) >= _least(check) else None

    def certificate(self, check: AnyCheck, m: Measurement) -> Certificate | None:
        """Certificate that a check of a scan is held against today."""
        if not isinstance(check, OfStandard):
            return None
        return self.standards.certificate(check.standard, m.trusted_at.date())

    def _before(
        self, programme: Programme, check: Drift | Repeatability, last: Measurement
    ) -> tuple[Measurement, ...]:
        """Scans that a check takes up to a last one, oldest first; on one axis and in one unit."""
        since = last.trusted_at - timedelta(hours=check.within_h)
        fitting = [
            m
            for m in self._between(last.instrument, since, last.trusted_at)
            if m.measurement_id != last.measurement_id
            and (m.axis_id, m.unit, m.sample) == (last.axis_id, last.unit, last.sample)
            and (m.trusted_at, m.measurement_id) < (last.trusted_at, last.measurement_id)
            and recognises(programme, check, None, m)
        ]
        reviewed = self._reviewed(fitting)
        taken = (m for m in fitting if m.measurement_id not in reviewed)
        return (*sorted(taken, key=lambda m: (m.trusted_at, m.measurement_id)), last)

    def _between(
        self, instrument: str | None, since: datetime, until: datetime
    ) -> list[Measurement]:
        """Scans of an instrument from one time to another, both in the span, that count."""
        query = Query(
            instrument=instrument, since=since, until=until + _MOMENT, in_conflict=False, limit=None
        )
        held = self.catalog.brief(self.catalog.search(query)["measurement_id"].to_list())
        found = {m.measurement_id: m for m in held if m.measurement_id not in self.change.gone}
        return [
            m
            for m in (found | self.known).values()
            if m.instrument == instrument and since <= m.trusted_at <= until and m.conflict is None
        ]

    def _reviewed(self, scans: Iterable[Measurement]) -> set[str]:
        names = {m.measurement_id for m in scans}
        if not names:
            return set()
        held = self.catalog.under_review(sorted(names - self._new))
        return (held | (names & self.aside)) - self.released

    @property
    def _new(self) -> set[str]:
        return set(self.change.known) if self.change.are_new else set()

    def _later(self) -> Iterator[Measurement]:
        """Scans of checks of several that come after one that is new or changed."""
        spans: dict[str, list[tuple[datetime, datetime]]] = {}
        for m in self._moved():
            for programme in self.standards.programmes:
                if programme.instrument != m.instrument:
                    continue
                for check in programme.check:
                    if isinstance(check, Drift | Repeatability) and recognises(
                        programme, check, None, m
                    ):
                        until = m.trusted_at + timedelta(hours=check.within_h)
                        spans.setdefault(programme.instrument, []).append((m.trusted_at, until))
        for instrument, wanted in spans.items():
            for since, until in joined_spans(wanted):
                yield from self._between(instrument, since, until)

    def _moved(self) -> Iterator[Measurement]:
        """Scans that may enter a run or leave it, as they were known and as they will be."""
        yield from self.known.values()
        left = {*self.change.gone, *self.aside, *self.released}
        if not self.change.are_new:
            left |= self.change.known.keys()
        if left:
            yield from self.catalog.brief(sorted(self.catalog.known_ids(sorted(left))))


def joined_spans(
    spans: Iterable[tuple[datetime, datetime]],
) -> list[tuple[datetime, datetime]]:
    """Spans of time that touch as one, the earliest first."""
    found: list[tuple[datetime, datetime]] = []
    for since, until in sorted(spans):
        if found and since <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], until))
        else:
            found.append((since, until))
    return found


def _least(check: Drift | Repeatability) -> int:
    return check.scans if isinstance(check, Repeatability) else LEAST_FOR_DRIFT
