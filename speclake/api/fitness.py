"""The part of an `Archive` about instruments, and about who doubts which measurement."""

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from speclake.api import checkcharts, reviewing
from speclake.api import instruments as of_instruments
from speclake.api import reports as of_reports
from speclake.archive.catalog import Query
from speclake.archive.lake import Lake
from speclake.intake.verdicts import Judge
from speclake.settings import Settings

if TYPE_CHECKING:
    import polars as pl


class Fitness:
    """What an `Archive` tells of its instruments, and how people put measurements aside."""

    store: Lake
    judge_step: Judge
    settings: Settings

    # instruments

    def instruments(self) -> list[of_instruments.InstrumentView]:
        """Every instrument: its configurations with their states, and its log."""
        return of_instruments.instruments(self)

    def standards(self) -> list[of_instruments.StandardView]:
        """Every certificate of a standard, those that expire first before the others."""
        return of_instruments.standards(self)

    def qualifications(self, **asked: Any) -> "pl.DataFrame":
        """Numbers of qualification runs; see `speclake.archive.catalog.Catalog.qualifications`."""
        return self.store.catalog.qualifications(**asked)

    def figures(self, ids: Sequence[str] | None = None, **asked: Any) -> "pl.DataFrame":
        """Numbers taken of every scan; see `speclake.archive.catalog.Catalog.figures`."""
        return self.store.catalog.figures(ids, **asked)

    def check_chart(self, programme: str, check: str, **choice: Any) -> checkcharts.CheckChart:
        """Control chart of one check; see `speclake.api.checkcharts.check_chart`."""
        return checkcharts.check_chart(self, programme, check, **choice)

    def log_instrument(
        self, instrument: str, what: str, *, who: str, why: str, **more: Any
    ) -> of_instruments.LogEntry:
        """Put work on an instrument on record; see `speclake.api.instruments.log_instrument`."""
        return of_instruments.log_instrument(self, instrument, what, who=who, why=why, **more)

    # measurements

    def findings(self, ids: Sequence[str] | None = None, **query: Any) -> "pl.DataFrame":
        """What checks say of measurements, or of all that fit a query, the newest first."""
        if ids is not None:
            return self.store.catalog.findings(list(ids))
        return self.store.catalog.findings_of(Query(**query))

    def finding_counts(
        self,
        instrument: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
    ) -> "pl.DataFrame":
        """How many findings there are, by check, day and instrument."""
        return self.store.catalog.finding_counts(instrument, since, until)

    def put_aside(self, ids: Sequence[str], *, who: str, why: str, failure: str = "") -> int:
        """Put measurements aside for review; see `speclake.api.reviewing.put_aside`."""
        return reviewing.put_aside(self, ids, who=who, why=why, failure=failure)

    def release(self, ids: Sequence[str], *, who: str, why: str, of: str | None = None) -> int:
        """Release measurements from review; see `speclake.api.reviewing.release`."""
        return reviewing.release(self, ids, who=who, why=why, of=of)

    def under_review(self, ids: Sequence[str]) -> reviewing.Reasons:
        """Why measurements are under review; see `speclake.api.reviewing.reasons`."""
        return reviewing.reasons(self.store.catalog, ids)

    def note_report(
        self,
        number: str,
        *,
        customer: str,
        ids: Sequence[str] | None = None,
        who: str,
        why: str,
        although_in_review: bool = False,
        **query: Any,
    ) -> of_reports.Report:
        """Put on record that a report went out; see `speclake.api.reports.note_report`."""
        return of_reports.note_report(
            self, number, customer=customer, ids=ids, query=query, who=who, why=why,
            although_in_review=although_in_review,
        )  # fmt: skip

    def reports(self) -> list[of_reports.Report]:
        """Every report that went out, the oldest first."""
        return of_reports.reports(self)

    def reports_on(self, ids: Sequence[str]) -> "pl.DataFrame":
        """Reports that went out on measurements, with their customer."""
        return self.store.catalog.reports_on(ids)
