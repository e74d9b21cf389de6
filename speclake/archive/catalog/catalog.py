"""The catalogue of an archive: what every process asks of it, and nobody writes to."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl

from speclake.archive.catalog import belonging, judged, ledger, lookups, query
from speclake.archive.catalog.aboutfitness import AboutFitness
from speclake.archive.catalog.ledger import Listing
from speclake.archive.catalog.query import Query
from speclake.archive.catalog.session import Resources
from speclake.archive.catalog.upkeep import Upkeep
from speclake.archive.locations import LocalDisk
from speclake.archive.places import Place
from speclake.archive.rows import EventKind, EventRow, FileOutcome, FileRow, SpecificationRow
from speclake.measurement import Kind, LinkKind, Measurement


class Catalog(AboutFitness):
    """Everything known of an archive's measurements, as of one commit until the next refresh.

    Measurements are shown in their effective version (`speclake.archive.catalog.effective`). All
    methods may be called from several threads. Frames have their times in UTC.

    Parameters
    ----------
    root : folder of the archive.
    disk : through which snapshots are put in place.
    resources : memory and threads for the database.
    """

    def __init__(
        self,
        root: Path,
        *,
        disk: LocalDisk | None = None,
        resources: Resources | None = None,
    ) -> None:
        self._root = root
        self._upkeep = Upkeep(root, disk or LocalDisk(), resources or Resources())
        self._ask = self._upkeep.ask

    # --- life ---------------------------------------------------------------------------------

    @property
    def number(self) -> int:
        """Number of the last commit that is shown, 0 before the first."""
        return self._upkeep.session.number

    @property
    def hash(self) -> str:
        """Hash of the last commit that is shown."""
        return self._upkeep.session.hash

    @property
    def snapshot_number(self) -> int:
        """Number of the commit of the snapshot in use, 0 where there is none."""
        return self._upkeep.session.base

    @property
    def notes(self) -> tuple[str, ...]:
        """What was not as it should be with snapshots or tail, in plain words."""
        return tuple(self._upkeep.notes)

    def refresh(self) -> None:
        """Show everything that is committed now; cheap where nothing is new.

        Raises
        ------
        speclake.errors.ArchiveDamaged
            What was committed cannot be read; what was shown before is still shown.
        """
        self._upkeep.refresh()

    def publish(self) -> int | None:
        """Number of a new snapshot of everything committed now, None where there is one.

        Raises
        ------
        OSError
            The folder of the snapshots cannot be written.
        """
        return self._upkeep.publish()

    def publish_if_due(self) -> int | None:
        """Number of a new snapshot, if the tail has grown long enough to be worth one."""
        return self._upkeep.publish() if self._upkeep.is_due() else None

    def rebuild(self) -> int | None:
        """Number of a new snapshot made from the chain alone, None for an empty chain."""
        return self._upkeep.rebuild()

    def close(self) -> None:
        """Let go of every file."""
        self._upkeep.close()

    # --- search -------------------------------------------------------------------------------

    def search(self, query_: Query) -> pl.DataFrame:
        """One page of the measurements that a query finds."""
        return self._ask(query.search, query_)

    def count(self, query_: Query) -> int:
        """Number of measurements that a query finds, whatever its limit."""
        return self._ask(query.count, query_)

    def facets(self, column: str, limit: int | None = None) -> pl.DataFrame:
        """Distinct values (`value`) of a column with their counts (`measurements`)."""
        return self._ask(query.facets, column, limit)

    def latest_by_instrument(self, n: int = 1) -> pl.DataFrame:
        """Last measurements of each instrument, newest first."""
        return self._ask(query.latest_by_instrument, n)

    def totals(self) -> dict[str, int]:
        """How much the archive holds, and how much of it waits for a person."""
        return self._ask(lookups.totals)

    # --- measurements by identifier and content -----------------------------------------------

    def measurements(self, ids: Sequence[str]) -> list[Measurement]:
        """Measurements in the order asked for, whole; NotFound where one is not there."""
        try:
            return self._ask(lookups.measurements, self._root, ids)
        except FileNotFoundError:  # a batch was replaced and cleaned away since the last refresh
            self.refresh()
            return self._ask(lookups.measurements, self._root, ids)

    def row(self, measurement_id: str) -> dict[str, Any]:
        """Everything known of one measurement, column to value; NotFound where it is not there."""
        return self._ask(lookups.row, measurement_id)

    def known_ids(self, ids: Sequence[str]) -> set[str]:
        """Those of the identifiers that are taken."""
        return self._ask(lookups.known_ids, ids)

    def ids_beginning(self, texts: Sequence[str]) -> dict[str, list[str]]:
        """Identifiers of measurements that begin with each text, in the order of taking in."""
        return self._ask(lookups.ids_beginning, texts)

    def set_aside(self, ids: Sequence[str]) -> set[str]:
        """Those of the measurements that are superseded or withdrawn."""
        return self._ask(lookups.set_aside, ids)

    def same_values(self, values_sha256s: Sequence[str]) -> list[Measurement]:
        """Measurements with the same values, headers left out, in the order of taking in."""
        return self._ask(lookups.same_values, values_sha256s)

    def from_path(self, folder: str, paths: Sequence[str]) -> list[Measurement]:
        """Measurements read earlier from files of these names, headers left out."""
        return self._ask(lookups.from_path, folder, paths)

    def scans_named(
        self, folder: str, files: Sequence[str], runs: Sequence[str]
    ) -> list[Measurement]:
        """Measurements of a watched folder by file or run number, headers left out."""
        return self._ask(lookups.scans_named, folder, files, runs)

    def brief(self, ids: Sequence[str]) -> list[Measurement]:
        """Measurements in the order of taking in, headers left out."""
        return self._ask(belonging.brief, ids)

    def of_parts(self, names: Sequence[str], sites: Sequence[str]) -> list[Measurement]:
        """Measurements that count of parts with these serials or else samples, at these sites."""
        return self._ask(belonging.of_parts, names, sites)

    def blanks_of(
        self, instruments: Sequence[str], since: datetime, until: datetime
    ) -> list[Measurement]:
        """Blanks of some instruments within a span of time, headers left out."""
        return self._ask(belonging.blanks_of, instruments, since, until)

    def blanks_named(self, instruments: Sequence[str], names: Sequence[str]) -> list[Measurement]:
        """Blanks of some instruments by the names of their files, runs or samples."""
        return self._ask(belonging.blanks_named, instruments, names)

    def parts_naming(self, names: Sequence[str]) -> list[Measurement]:
        """Measurements of parts that name one of these as what they were measured against."""
        return self._ask(belonging.parts_naming, names)

    def measured_on(
        self, instruments: Sequence[str], since: datetime, until: datetime
    ) -> list[Measurement]:
        """Measurements of parts by some instruments within a span of time, headers left out."""
        return self._ask(belonging.measured_on, instruments, since, until)

    def drawing_on(self, ids: Sequence[str]) -> set[str]:
        """Measurements with a current verdict that draws on any of these."""
        return self._ask(belonging.drawing_on, ids)

    def claims_on(self, ids: Sequence[str]) -> list[tuple[str, str]]:
        """Those of which others in conflict claim the values, each with the one that does."""
        return self._ask(belonging.claims_on, ids)

    def superseding(self, ids: Sequence[str]) -> list[tuple[str, str]]:
        """Those that others supersede, each with one that does and is not withdrawn."""
        return self._ask(belonging.superseding, ids)

    def not_withdrawn(self, ids: Sequence[str]) -> set[str]:
        """Those of the measurements that nobody has withdrawn."""
        return self._ask(belonging.not_withdrawn, ids)

    def versions_used(self) -> list[str]:
        """Versions of specifications that were used."""
        return self._ask(belonging.versions_used)

    def versions_of(self, ids: Sequence[str]) -> list[tuple[str, str]]:
        """Measurements with the versions of specifications that their verdicts are by."""
        return self._ask(belonging.versions_of, ids)

    def noted(self, subjects: Sequence[str]) -> set[str]:
        """Those of the subjects that a note speaks of."""
        return self._ask(lookups.noted, subjects)

    def axes_known(self, ids: Sequence[str]) -> set[str]:
        """Those of the axes that are in the archive."""
        return self._ask(lookups.axes_known, ids)

    def places(self, table: str, ids: Sequence[str]) -> dict[str, Place]:
        """Place of each known row of ``spectra``, ``derived``, ``axes`` or ``originals``."""
        return self._ask(lookups.places, table, ids)

    def events(self, subject: str | None = None) -> list[EventRow]:
        """Events on a measurement, order or lot (all where None), in the order of the chain."""
        return self._ask(lookups.events, subject)

    def events_among(
        self, kind: EventKind, subjects: Sequence[str] | None = None
    ) -> list[EventRow]:
        """Events of one kind on any of the subjects (on all where None), in the chain's order."""
        return self._ask(lookups.events_among, kind, subjects)

    def assigned_from(self, names: Sequence[str]) -> pl.DataFrame:
        """Assignments to measurements of parts that had one of the names, in the chain's order."""
        return self._ask(lookups.assigned_from, names)

    def linked_to(self, kind: LinkKind, targets: Sequence[str]) -> list[tuple[str, str]]:
        """Measurements with a link of one kind to any of the targets, each with its target."""
        return self._ask(lookups.linked_to, kind, targets)

    # --- the ledger ---------------------------------------------------------------------------

    def files(
        self,
        outcome: FileOutcome | str | None = None,
        folder: str | None = None,
        limit: int | None = 100,
        offset: int = 0,
    ) -> pl.DataFrame:
        """Lines of the ledger, newest first."""
        return self._ask(ledger.files, outcome, folder, limit, offset)

    def file_states(self, folder: str, path: str) -> list[FileRow]:
        """Every line on one file of a watched folder, oldest first."""
        return self._ask(ledger.file_states, folder, path)

    def file_line(self, file_id: str) -> FileRow:
        """The line of the ledger of this identifier.

        Raises
        ------
        speclake.errors.NotFound
            There is none.
        """
        return self._ask(ledger.file_line, file_id)

    def read_with(self, format: str) -> dict[str, int]:
        """Number of measurements that each version of a format has read, by version."""
        return self._ask(ledger.read_with, format)

    def unseen(self, folder: str, listing: Listing) -> list[tuple[str, int, int]]:
        """Files of a listing whose path, size and time are not in the ledger."""
        return self._ask(ledger.unseen, folder, listing)

    def refused(self, folder: str | None = None, readers: str | None = None) -> list[FileRow]:
        """Refusals that stand; with `readers`, only those that other readers spoke."""
        return self._ask(ledger.refused, folder, readers)

    def taken_by(self, importer: str, after: int = 0) -> list[FileRow]:
        """Latest line of each file that an importer has taken after a commit."""
        return self._ask(ledger.taken_by, importer, after)

    def known_file_ids(self, ids: Iterable[str]) -> set[str]:
        """Those of the identifiers that have a line in the ledger."""
        return self._ask(ledger.known_file_ids, ids)

    def has_original(self, sha256s: Iterable[str]) -> set[str]:
        """Those of the hashes whose bytes the archive holds."""
        return self._ask(ledger.has_original, sha256s)

    # --- verdicts and specifications ----------------------------------------------------------

    def verdicts(
        self,
        ids: Sequence[str] | None = None,
        *,
        spec: str | None = None,
        requirement: str | None = None,
        product: str | None = None,
        current: bool = True,
    ) -> pl.DataFrame:
        """Verdicts in the order of the chain; the past ones too where not `current`."""
        return self._ask(
            judged.verdicts,
            ids,
            spec=spec,
            requirement=requirement,
            product=product,
            current=current,
        )

    def series(
        self,
        product: str,
        spec: str,
        requirement: str,
        since: datetime | None = None,
        until: datetime | None = None,
        kind: Kind | str = Kind.PART,
    ) -> pl.DataFrame:
        """Current values of one requirement over time, oldest first."""
        return self._ask(
            judged.series, product, spec, requirement, since=since, until=until, kind=kind
        )

    def charted(self) -> pl.DataFrame:
        """Requirements with values to draw."""
        return self._ask(judged.charted)

    def lots(
        self, product: str | None = None, limit: int | None = 100, offset: int = 0
    ) -> pl.DataFrame:
        """Lots, the latest first, with counts of measurements, parts and outcomes."""
        return self._ask(judged.lots, product, limit, offset)

    def part_rows(
        self,
        *,
        lot: str | None = None,
        order_number: str | None = None,
        product: str | None = None,
        serial: str | None = None,
        sample: str | None = None,
    ) -> pl.DataFrame:
        """Measurements of parts and witness pieces that count, oldest first."""
        return self._ask(
            judged.part_rows,
            lot=lot,
            order_number=order_number,
            product=product,
            serial=serial,
            sample=sample,
        )

    def unjudged(self, limit: int = 500, after: str | None = None) -> pl.DataFrame:
        """Parts and witness pieces without a verdict, backfill left out, page by page."""
        return self._ask(judged.unjudged, limit, after)

    def backfilled(self, ids: Sequence[str]) -> set[str]:
        """Those of the measurements that were taken in as backfill."""
        return self._ask(judged.backfilled, ids)

    def pinned_versions(self, order_keys: Sequence[str]) -> dict[tuple[str, str], str]:
        """Version by which each order is judged, by specification and order."""
        return self._ask(judged.pinned_versions, order_keys)

    def specification(self, version: str) -> SpecificationRow | None:
        """A specification as it was resolved, None where no such version was used."""
        return self._ask(judged.specification, version)

    def specifications(self) -> pl.DataFrame:
        """Every version of every specification that was used, oldest first."""
        return self._ask(judged.specifications)

    def judged_by_version(self) -> dict[str, int]:
        """Number of measurements with a current verdict by each version of a specification."""
        return self._ask(judged.judged_by_version)
