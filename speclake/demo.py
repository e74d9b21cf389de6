"""The demo: an invented coating house whose exports are dropped into watched folders."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from speclake import settings as settings_module
from speclake.api import Archive
from speclake.archive.lake import create_lake
from speclake.archive.rows import EventKind
from speclake.errors import SpeclakeError
from speclake.service import Service, ended_by_signals

if TYPE_CHECKING:
    from speclake_demo.scans import Drop

EXPORTS = "exports"
PATIENCE_S = 120.0


class DemoStalled(SpeclakeError):
    """The watcher did not take in what the demo dropped."""


def prepared(folder: Path) -> Archive:
    """Archive of the demo in a folder, made where it is not there yet."""
    from speclake_demo.generate import archive_files

    if (folder / settings_module.FILE_NAME).exists():
        return Archive.open(folder)
    for path, text in archive_files().items():
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, "utf-8")
    for each in settings_module.load(folder).folder:
        (folder / each.path).mkdir(parents=True, exist_ok=True)
    create_lake(folder).close()
    return Archive.open(folder)


@contextmanager
def running(
    folder: Path, *, with_pages: bool, port: int | None, say: Callable[[str], None]
) -> Iterator[Service]:
    """The demo at work: watcher on, exports dropped and taken in, pages served.

    Ctrl+C and SIGTERM stop it at any moment; it is to be entered in the main thread.

    Raises
    ------
    DemoStalled
        The watcher did not take in what was dropped.
    """
    archive = prepared(folder)
    service = Service(archive, say)
    try:
        with ended_by_signals(service.stop):
            service.start(with_pages=False)
            _drop_everything(folder / EXPORTS, service, say)
            if not service.stop.is_set():
                put_on_record(archive)
                for line in highlights(archive):
                    say(line)
            if with_pages and not service.stop.is_set():
                service.show_pages(port)
            yield service
    finally:
        service.close()
        archive.close()


def _drop_everything(exports: Path, service: Service, say: Callable[[str], None]) -> None:
    """Put every export that the ledger does not hold into its folder, in the order of saving.

    A file that is saved again waits until its first state is taken in.
    """
    from speclake_demo import generate

    missing = _missing(service.archive, exports, list(generate.exports()))
    if not missing:
        return
    say("dropping the invented exports of ten weeks into the watched folders ...")
    held = service.archive.totals()["files"]
    for dropped, drop in enumerate(missing):
        if service.stop.is_set():
            return
        if drop.replaces:
            _wait_for(service, held + dropped)
        generate.put(drop, exports)
    _wait_for(service, held + len(missing))


def _missing(archive: Archive, exports: Path, drops: "list[Drop]") -> "list[Drop]":
    """Drops of which the ledger has no line, as after a demo that was stopped early."""
    missing: set[tuple[Path, int, int]] = set()
    for folder in archive.settings.folder:
        root = archive.root / folder.path
        listing = [
            ((exports / d.path).relative_to(root).as_posix(), *_state(d))
            for d in drops
            if root in (exports / d.path).parents
        ]
        unseen = archive.store.catalog.unseen(folder.name, listing)
        missing |= {(root / path, size, modified_ns) for path, size, modified_ns in unseen}
    return [d for d in drops if (exports / d.path, *_state(d)) in missing]


def _state(drop: "Drop") -> tuple[int, int]:
    """Size and modification time in ns of a drop once it is put."""
    return len(drop.content), int(drop.modified.timestamp()) * 10**9


def _wait_for(service: Service, files: int) -> None:
    deadline, seen = time.monotonic() + PATIENCE_S, 0
    while not service.stop.is_set():
        # the archive is not asked while it is being written: that would slow the watcher
        if service.is_at_rest.is_set():
            service.archive.refresh()
            seen = service.archive.totals()["files"]
            if seen >= files and service.is_at_rest.is_set():
                return
        if time.monotonic() > deadline:
            raise DemoStalled(f"found {seen} of {files} files in the ledger after {PATIENCE_S} s")
        time.sleep(0.05)


def put_on_record(archive: Archive) -> None:
    """What the invented people say beside the exports, unless the record has it already."""
    from speclake_demo.people import ASIDE, CONCEDED, COUNTED, REPORT, WORK

    scans = _scans_of(archive, COUNTED.product, COUNTED.serial)
    if scans and not _have(archive, scans, EventKind.COUNT):
        archive.count_alone(scans[-1], who=COUNTED.who, why=COUNTED.why)
    scans = _scans_of(archive, CONCEDED.product, CONCEDED.serial)
    if scans and not _have(archive, scans, EventKind.CONCEDE):
        archive.concede(
            product=CONCEDED.product,
            part=CONCEDED.serial,
            requirements=(CONCEDED.requirement,),
            who=CONCEDED.who,
            why=CONCEDED.why,
        )
    held = {(e.subject, e.details.get("when")) for e in archive.store.catalog.log_entries()}
    for each in WORK:
        if (each.instrument, each.when.isoformat()) not in held and _is_past(archive, each.when):
            archive.log_instrument(
                each.instrument,
                each.what,
                when=each.when,
                range_nm=each.range_nm,
                who=each.who,
                why=each.why,
            )
    lot = archive.find(product=REPORT.product, lot=REPORT.lot, limit=None)
    if lot.height and not any(each.number == REPORT.number for each in archive.reports()):
        archive.note_report(
            REPORT.number,
            customer=REPORT.customer,
            ids=lot["measurement_id"].to_list(),
            who=REPORT.who,
            why=REPORT.why,
        )
    found = archive.find(product=ASIDE.product, serial=ASIDE.serial, limit=None)
    of_segment = found.filter(segment=ASIDE.segment)
    doubted = of_segment.filter(of_segment["site"].is_in(ASIDE.sites))["measurement_id"].to_list()
    if doubted and not _have(archive, doubted, EventKind.PUT_ASIDE):
        archive.put_aside(doubted, who=ASIDE.who, why=ASIDE.why)


def _is_past(archive: Archive, when: datetime) -> bool:
    """Whether work on an instrument may be told; on a clock that lags it is yet to come."""
    return when <= datetime.now(UTC) + archive.settings.clock_skew


def _scans_of(archive: Archive, product: str, serial: str) -> list[str]:
    """Scans of a part in the order of time; none in the folder of a demo that had no such part."""
    found = archive.find(product=product, serial=serial, withdrawn="show", limit=None)
    return list(found.sort("trusted_at")["measurement_id"])


def _have(archive: Archive, ids: list[str], kind: EventKind) -> bool:
    return bool(archive.store.catalog.events_among(kind, ids))


def highlights(archive: Archive) -> list[str]:
    """Lines on what is more than a number of one scan and its limit, counted in the archive."""
    from polars import col

    verdicts = archive.verdicts()
    ids = verdicts["measurement_id"].unique().to_list()
    counted = archive.store.catalog.events_among(EventKind.COUNT, ids)
    accepted = archive.concessions(ids).all
    told = {
        "with an uncertainty": col("uncertainty").is_not_null(),
        "drawn from several scans": col("drawn_from").list.len() > 0,
        "by a guarded rule": col("rule").str.starts_with("guarded"),
        "that say 'at least' of an optical density": (col("unit") == "OD")
        & (col("bound") != "exact"),
    }
    numbers = ", ".join(f"{verdicts.filter(which).height} {words}" for words, which in told.items())
    return [
        f"of its verdicts: {numbers} (no certification of protective equipment)",
        f"by people: {len(counted)} repeat counts alone, {len(accepted)} failed part accepted by "
        f"concession; the verdicts stay as they are",
        *_of_instruments(archive),
    ]


def _of_instruments(archive: Archive) -> list[str]:
    """A line on what the checks found, and on what a failed one puts in doubt."""
    doubted = archive.count(finding="doubt")
    aside = archive.count(in_review=True)
    failed = archive.qualifications().filter(outcome="fail")
    if failed.is_empty():
        return []
    last = failed.row(-1, named=True)
    back = archive.look_back(last["instrument"], programme=last["programme"], check=last["check"])
    return [
        f"of its instruments: {doubted} scans in doubt, {aside} put aside; since the last pass of "
        f"{last['check']} on {last['instrument']} {len(back.ids)} scans, of which "
        f"{len(back.changing)} could get another verdict (page /instruments)"
    ]


def summary_rows(archive: Archive) -> list[dict[str, object]]:
    """One row a product and specification: its parts, and how many have which outcome."""
    rows: dict[tuple[str, str], dict[str, int]] = {}
    for product in archive.facets("product")["value"].to_list():
        for part in archive.part_verdicts(product=product) if product else ():
            for each in part.specs:
                counts = rows.setdefault((product, each.specification.name), {})
                counts["parts"] = counts.get("parts", 0) + 1
                outcome = str(each.verdict.outcome)
                counts[outcome] = counts.get(outcome, 0) + 1
    return [
        {"product": product, "specification": spec, **counts}
        for (product, spec), counts in rows.items()
    ]
