"""The demo: an invented coating house whose exports are dropped into watched folders."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from speclake import settings as settings_module
from speclake.api import Archive
from speclake.archive.lake import create_lake
from speclake.errors import SpeclakeError
from speclake.service import Service, ended_by_signals

EXPORTS = "exports"
PATIENCE_S = 120.0


class DemoStalled(SpeclakeError):
    """The watcher did not take in what the demo dropped."""


def prepared(folder: Path) -> tuple[Archive, bool]:
    """Archive of the demo in a folder, and whether its exports are still to be dropped."""
    from speclake_demo.generate import archive_files

    if (folder / settings_module.FILE_NAME).exists():
        archive = Archive.open(folder)
        return archive, not archive.totals()["files"]
    for path, text in archive_files().items():
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, "utf-8")
    for each in settings_module.load(folder).folder:
        (folder / each.path).mkdir(parents=True, exist_ok=True)
    create_lake(folder).close()
    return Archive.open(folder), True


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
    archive, is_new = prepared(folder)
    service = Service(archive, say)
    try:
        with ended_by_signals(service.stop):
            service.start(with_pages=False)
            if is_new:
                _drop_everything(folder / EXPORTS, service, say)
            if with_pages and not service.stop.is_set():
                service.show_pages(port)
            yield service
    finally:
        service.close()
        archive.close()


def _drop_everything(exports: Path, service: Service, say: Callable[[str], None]) -> None:
    """Put every export into its folder; a file that is saved again waits for its first state."""
    from speclake_demo import generate

    say("dropping the invented exports of ten weeks into the watched folders ...")
    dropped = 0
    for drop in generate.exports():
        if service.stop.is_set():
            return
        if drop.replaces:
            _wait_for(service, dropped)
        generate.put(drop, exports)
        dropped += 1
    _wait_for(service, dropped)


def _wait_for(service: Service, files: int) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not service.stop.is_set():
        service.archive.refresh()
        seen = service.archive.totals()["files"]
        if seen >= files and service.is_at_rest.is_set():
            return
        if time.monotonic() > deadline:
            raise DemoStalled(f"found {seen} of {files} files in the ledger after {PATIENCE_S} s")
        time.sleep(0.05)


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
