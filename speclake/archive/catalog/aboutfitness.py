"""What the catalogue may be asked of findings, figures, qualifications, instruments, reports."""

from collections.abc import Sequence
from datetime import datetime

import polars as pl

from speclake.archive.catalog import fitness
from speclake.archive.catalog.query import Query
from speclake.archive.catalog.upkeep import Upkeep
from speclake.archive.catalog.usual import Configuration, usual_figures
from speclake.archive.rows import EventRow, StandardRow
from speclake.measurement import Kind, Measurement


class AboutFitness:
    """The part of the catalogue that says how measurements and instruments stood."""

    _upkeep: Upkeep

    def findings(self, ids: Sequence[str]) -> pl.DataFrame:
        """Findings on measurements, in the order of the chain."""
        return self._upkeep.ask(fitness.findings, ids)

    def findings_of(self, query: Query) -> pl.DataFrame:
        """Findings on the measurements that a query finds, the newest measurement first."""
        return self._upkeep.ask(fitness.findings_of, query)

    def finding_counts(
        self,
        instrument: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
    ) -> pl.DataFrame:
        """How many findings there are and on how many scans, by check, day and instrument."""
        return self._upkeep.ask(fitness.finding_counts, instrument, since, until)

    def under_review(self, ids: Sequence[str]) -> set[str]:
        """Those of the measurements that are put aside for review."""
        return self._upkeep.ask(fitness.under_review, ids)

    def review_events(self, ids: Sequence[str]) -> list[EventRow]:
        """Events that put measurements aside or released them, in the order of the chain."""
        return self._upkeep.ask(fitness.review_events, ids)

    def figures(
        self,
        ids: Sequence[str] | None = None,
        *,
        instrument: str | None = None,
        name: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
    ) -> pl.DataFrame:
        """Figures with what tells the measurement that each was taken of, oldest first."""
        return self._upkeep.ask(
            fitness.figures, ids, instrument=instrument, name=name, since=since, until=until
        )

    def usual_figures(
        self,
        configurations: Sequence[Configuration],
        scans: int,
        name: str = "noise",
        before: datetime | None = None,
    ) -> pl.DataFrame:
        """Median and spread of a figure over the last scans without a doubt, by stretch.

        Parameters
        ----------
        configurations : instruments, each with its accessory or None.
        scans : the most that each median is taken of.
        """
        return self._upkeep.ask(usual_figures, configurations, scans, name, before)

    def latest_of_kind(
        self,
        instrument: str,
        accessory: str | None,
        quantity: str,
        kind: Kind | str,
        before: datetime | None = None,
    ) -> Measurement | None:
        """Last scan of a kind by one configuration that counts, None without one."""
        return self._upkeep.ask(
            fitness.latest_of_kind, instrument, accessory, quantity, kind, before
        )

    def measured_against_nothing(
        self, instruments: Sequence[str], since: datetime, until: datetime
    ) -> list[Measurement]:
        """Blanks, zero lines and references of some instruments within a span of time."""
        return self._upkeep.ask(fitness.measured_against_nothing, instruments, since, until)

    def qualifications(
        self,
        *,
        instrument: str | None = None,
        programme: str | None = None,
        check: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        ids: Sequence[str] | None = None,
        counting: bool = True,
    ) -> pl.DataFrame:
        """Numbers of qualification runs, oldest first; what was said last of scans that count."""
        return self._upkeep.ask(
            fitness.qualifications,
            instrument=instrument,
            programme=programme,
            check=check,
            since=since,
            until=until,
            ids=ids,
            counting=counting,
        )

    def standard(self, version: str) -> StandardRow | None:
        """A certificate or programme as it was used, None where no such version was."""
        return self._upkeep.ask(fitness.standard, version)

    def standards(self) -> list[StandardRow]:
        """Every version of every certificate and programme that was used, oldest first."""
        return self._upkeep.ask(fitness.standards)

    def log_entries(self, instrument: str | None = None) -> list[EventRow]:
        """What was done to an instrument (to all where None), by the time when it was done."""
        return self._upkeep.ask(fitness.log_entries, instrument)

    def reports_on(self, ids: Sequence[str]) -> pl.DataFrame:
        """Reports that went out on measurements, with their customer."""
        return self._upkeep.ask(fitness.reports_on, ids)

    def reports(self) -> list[EventRow]:
        """The event of every report that went out, in the order of the chain."""
        return self._upkeep.ask(fitness.reports)
