"""The Archive that users hold: it joins storage, intake and arithmetic, and computes nothing."""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Sequence
from datetime import date
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from speclake import settings as settings_module
from speclake.api import (
    bench,
    charts,
    conceding,
    concessions,
    explaining,
    formatkeeping,
    mending,
    parts,
    retrying,
    taking,
)
from speclake.api.acts import Acts
from speclake.api.fitness import Fitness
from speclake.api.hindsight import Hindsight
from speclake.api.overtime import OverTime
from speclake.archive.catalog import Query
from speclake.archive.lake import Lake, create_lake, open_lake
from speclake.archive.rows import EventRow
from speclake.errors import NotFound
from speclake.intake.ingest import Tally
from speclake.intake.keptstandards import keep_standards
from speclake.intake.verdicts import Judge, judge_again
from speclake.measurement import Measurement
from speclake.settings import Settings
from speclake.spectrum import SpectrumSet

if TYPE_CHECKING:
    import polars as pl

    from speclake.api.exporting import What
    from speclake.archive.cleaning import Removed
    from speclake.archive.damage import Damage
    from speclake.intake.folders import FolderState
    from speclake.specs import Specification
    from speclake.writing.forms import Form


class Archive(Acts, OverTime, Fitness, Hindsight):
    """An archive folder, opened. Reading is safe from many threads and processes at once."""

    def __init__(self, root: Path, settings: Settings, store: Lake) -> None:
        self.root, self.settings, self.store = root, settings, store
        self.judge_step = Judge(root, store.spectra, settings)
        self.watch_states: Callable[[], list[FolderState]] = self._unwatched
        """How the watched folders are; set by the service that watches them."""

    @classmethod
    def open(cls, path: Path | str) -> Self:
        """Archive in a folder.

        Raises
        ------
        speclake.errors.NotFound
            The folder holds no archive.
        speclake.errors.BadSettings
            Its settings say something impossible.
        """
        root = Path(path).expanduser().resolve()
        if not (root / settings_module.FILE_NAME).exists():
            raise NotFound(
                f"{root}: found no {settings_module.FILE_NAME}; expected an archive, "
                "which `speclake new` makes"
            )
        return cls(root, settings_module.load(root), open_lake(root))

    @classmethod
    def create(cls, path: Path | str, name: str | None = None) -> Self:
        """New archive with settings to edit, and empty folders for formats, specs and plugins."""
        from speclake.api.starting import lay_out

        root = Path(path).expanduser().resolve()
        lay_out(root, name or root.name)
        create_lake(root).close()
        return cls.open(root)

    def close(self) -> None:
        """Let go of the catalogue."""
        self.store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # taking in

    def ingest(
        self,
        paths: Iterable[Path | str],
        *,
        backfill: bool = False,
        with_verdicts: bool | None = None,
        importer: str | None = None,
        format: str | None = None,
        progress: Callable[[Tally], None] = lambda _: None,
    ) -> Tally:
        """Take in files and folders now, without waiting for them to settle.

        Parameters
        ----------
        backfill : for years of old files: no alarms, no control limits, and no verdicts unless
            `with_verdicts` asks for them.
        importer, format : who reads them, in place of what the settings or a guess would choose;
            files that are known already are then read again.
        progress : hears of the count after every commit.
        """
        judged = not backfill if with_verdicts is None else with_verdicts
        how = taking.ByHand(backfill, judged, importer, format)
        return taking.ingest(self, [Path(p) for p in paths], how, progress)

    def retry_refused(
        self,
        progress: Callable[[Tally], None] = lambda _: None,
        files: Collection[str] | None = None,
    ) -> Tally:
        """Read every refused file again, from the bytes that the archive keeps.

        Parameters
        ----------
        files : identifiers of the lines of the ledger on the only files to read.
        """
        return taking.retry(self, on_demand=True, progress=progress, files=files)

    def retry_files(self, file_ids: Sequence[str]) -> list[retrying.Retried]:
        """Try some refused files again; what became of each."""
        return retrying.retry_files(self, file_ids)

    def study(self, file_id: str, **asked: Any) -> mending.Study:
        """A refused file with the format that may read it; see `speclake.api.mending.study`."""
        return mending.study(self, file_id, **asked)

    def preview(self, file_id: str, name: str, text: str) -> mending.Preview:
        """What a format reads in a refused file; see `speclake.api.mending.preview`."""
        return mending.preview(self, file_id, name, text)

    def save_format(self, name: str, text: str, **asked: Any) -> formatkeeping.SavedFormat:
        """Write a format, on record; see `speclake.api.formatkeeping.save_format`."""
        return formatkeeping.save_format(self, name, text, **asked)

    # finding

    def refresh(self) -> None:
        """See what other processes have committed."""
        self.store.refresh()

    def find(self, **query: Any) -> "pl.DataFrame":
        """Measurements that fit; keywords are the fields of `speclake.archive.catalog.Query`."""
        return self.store.catalog.search(Query(**query))

    def count(self, **query: Any) -> int:
        """How many measurements fit."""
        return self.store.catalog.count(Query(**query))

    def facets(self, column: str) -> "pl.DataFrame":
        """Values of a column that occur, with how often."""
        return self.store.catalog.facets(column)

    def measurement(self, measurement_id: str) -> Measurement:
        """Measurement with everything that was learned of it later.

        Raises
        ------
        speclake.errors.NotFound
            The archive holds none of this identifier.
        """
        (found,) = self.measurements([measurement_id])
        return found

    def measurements(self, ids: Sequence[str]) -> list[Measurement]:
        """Measurements in the order asked for, headers included."""
        return self.store.catalog.measurements(ids)

    def spectra(self, ids: Iterable[str]) -> list[SpectrumSet]:
        """Spectra as exported, one set for each axis and unit."""
        return self.store.spectra(list(ids))

    def derived(self, ids: Iterable[str]) -> list[SpectrumSet]:
        """Spectra that were made of several measurements, as verdicts name them."""
        return self.store.derived(list(ids))

    def verdicts(self, ids: Sequence[str] | None = None, **query: Any) -> "pl.DataFrame":
        """Current verdicts of measurements, or of all that fit a query."""
        chosen = list(ids) if ids is not None else self._ids(**query)
        return self.store.catalog.verdicts(chosen)

    def _ids(self, **query: Any) -> list[str]:
        return parts.ids_of(self.store.catalog, **query)

    def events(self, subject: str) -> list[EventRow]:
        """What people did to a measurement."""
        return self.store.catalog.events(subject)

    def files(self, **query: Any) -> "pl.DataFrame":
        """The ledger: what became of every file, newest first."""
        return self.store.catalog.files(**query)

    def totals(self) -> dict[str, int]:
        """Counts for a glance."""
        return self.store.catalog.totals()

    def original(self, sha256: str) -> bytes:
        """Bytes of a file as they arrived."""
        return self.store.original(sha256)

    def export(
        self, target: Path | str, ids: Sequence[str] | None = None, *,
        what: "What" = "spectra", form: "Form" = "exact", **query: Any,
    ) -> int:  # fmt: skip
        """Rows, columns, blocks or bytes written to a file; see `speclake.api.exporting.export`."""
        from speclake.api.exporting import export

        return export(self, Path(target), ids, query, what, form)

    # judging

    def specifications(self) -> "list[Specification]":
        """Specifications that are written in the archive's ``specs`` folder today."""
        return list(self.judge_step.book.current())

    def specifications_for(self, measurement_id: str) -> "list[Specification]":
        """Specifications that a measurement is judged against, pinned to its order."""
        found = self.measurement(measurement_id)
        return self.judge_step.specifications_for(found, self.store.catalog)

    def judge(
        self,
        ids: Sequence[str] | None = None,
        *,
        spec: str | None = None,
        who: str,
        why: str,
        **query: Any,
    ) -> Counter[str]:
        """Judge measurements again and add the verdicts; earlier ones stay. Outcomes, counted.

        Parameters
        ----------
        ids : identifiers; None takes all that fit the query.
        spec : name of the one specification to judge against; None takes those that apply.
        """
        keep_standards(self.store, self.judge_step.standards)
        chosen = list(ids) if ids is not None else self._ids(**query)
        return judge_again(self.store, self.judge_step, chosen, spec=spec, who=who, why=why)

    def newer_revisions(self, **query: Any) -> list[str]:
        """Orders and lots among what fits that stay with an earlier revision than is written."""
        return parts.newer_revisions(self, **query)

    def part_verdicts(self, **query: Any) -> list[parts.PartReport]:
        """Outcome of each part that fits, with what it lacks."""
        return parts.part_reports(self, **query)

    def lot_verdict(self, lot: str) -> parts.LotReport:
        """Outcome of a lot over all of its parts."""
        return parts.lot_report(self, lot)

    def explain(self, measurement_id: str, **asked: Any) -> list[explaining.Explanation]:
        """Verdicts in a sentence and a picture; see `speclake.api.explaining.explanations`."""
        return explaining.explanations(self, measurement_id, **asked)

    def concede(self, *, who: str, why: str, **asked: Any) -> concessions.Concession:
        """Accept what failed; keywords are the fields of `speclake.api.conceding.Asked`."""
        return conceding.concede(self, conceding.Asked(**asked), who=who, why=why)

    def revoke_concession(self, concession_id: str, *, who: str, why: str) -> None:
        """Take a concession back; it stays in the record."""
        conceding.revoke(self, concession_id, who=who, why=why)

    def concessions(self, ids: Sequence[str]) -> concessions.Concessions:
        """Concessions that speak of some measurements, as of today."""
        return concessions.concessions_on(self.store.catalog, ids, self.settings.zone)

    def accepted(self, ids: Sequence[str]) -> dict[str, str]:
        """Who accepts those of the measurements that failed, where concessions cover all of it."""
        return concessions.accepted(self.store.catalog, ids, self.settings.zone)

    def requirements(self) -> list[charts.ChartedRequirement]:
        """Requirements that have verdicts, by product and specification."""
        return charts.requirements(self.store.catalog)

    def control_chart(self, **choice: Any) -> charts.ControlChart:
        """Control chart of one requirement of one product; see `speclake.api.charts.chart`."""
        return charts.chart(self.store.catalog, **choice)

    def bench(self) -> list[bench.BenchView]:
        """For each instrument its last scan, what it means, and what is still missing."""
        return bench.views(self)

    def _unwatched(self) -> "list[FolderState]":
        return taking.unwatched_states(self)

    # keeping

    def verify(self, head: str | None = None) -> "list[Damage]":
        """Everything on disk that is not as it was committed, named one by one.

        Parameters
        ----------
        head : hash of the last commit as it was noted elsewhere, on a report or in a logbook.
        """
        return self.store.verify(head)

    def rebuild(self) -> None:
        """Make the catalogue anew from the chain."""
        self.store.catalog.rebuild()

    def clean(self) -> "list[Removed]":
        """Remove what crashes and sealing left behind; what was removed."""
        return self.store.clean()

    def seal(self, before: date, *, who: str, why: str) -> int:
        """Gather the batches of past days into one each; number of commits replaced."""
        return sum(len(c.replaces) for c in self.store.seal(before, who=who, why=why))
