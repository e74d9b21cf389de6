"""Commands that take files in: ingest, retry, describe, importers."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from speclake.cli.output import HERE, ArchiveOption, JsonOption, opened, print_json, print_rows

if TYPE_CHECKING:
    from speclake.intake.ingest import Tally


def add_to(app: typer.Typer) -> None:
    """Declare the commands."""
    app.command()(ingest)
    app.command()(retry)
    app.command()(describe)
    app.command()(importers)


def ingest(
    paths: Annotated[list[Path], typer.Argument(help="Files and folders to take in now.")],
    archive: ArchiveOption = HERE,
    backfill: Annotated[
        bool, typer.Option(help="Old files: no alarms, no control limits, no verdicts.")
    ] = False,
    verdicts: Annotated[bool, typer.Option(help="Judge a backfill all the same.")] = False,
    importer: Annotated[str | None, typer.Option(help="Importer that reads them.")] = None,
    format: Annotated[str | None, typer.Option(help="Format that describes them.")] = None,
    as_json: JsonOption = False,
) -> None:
    """Take in files and folders now.

    Example: speclake ingest --archive lab exports/2026-11
    """
    with opened(archive) as lake, _Progress(as_json) as progress:
        tally = lake.ingest(
            paths, backfill=backfill, with_verdicts=verdicts or not backfill, importer=importer,
            format=format, progress=progress.show,
        )  # fmt: skip
    _print_tally(tally, as_json)


def retry(archive: ArchiveOption = HERE, as_json: JsonOption = False) -> None:
    """Read every refused file again, from the bytes that the archive keeps.

    Example: speclake retry --archive lab
    """
    with opened(archive) as lake, _Progress(as_json) as progress:
        tally = lake.retry_refused(progress.show)
    _print_tally(tally, as_json)


def describe(
    file: Annotated[Path, typer.Argument(help="An export to look at; it is not taken in.")],
    archive: ArchiveOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """Say which importer would take a file, what it reads, and draft a format where none fits.

    Example: speclake describe --archive lab exports/run-17.txt
    """
    from speclake.api.describing import describe as described

    report = described(archive, file)
    if as_json:
        print_json(report.as_data())
    else:
        typer.echo(report.as_text())
    if not report.is_read:
        raise typer.Exit(1)


def importers(archive: ArchiveOption = HERE, as_json: JsonOption = False) -> None:
    """List the importers at hand, the formats, and those that are broken, with the reason.

    Example: speclake importers --archive lab
    """
    from speclake.api.describing import importer_rows

    rows = importer_rows(archive)
    if as_json:
        print_json(rows)
    else:
        print_rows(rows, ["importer", "version", "state", "note"])
    if any(row["state"] == "broken" for row in rows):
        raise typer.Exit(1)


class _Progress:
    """A line of progress on standard error while a backlog is worked off."""

    def __init__(self, is_quiet: bool) -> None:
        from rich.console import Console

        console = Console(stderr=True, quiet=is_quiet)
        self._status = console.status("looking for files")

    def __enter__(self) -> "_Progress":
        self._status.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._status.stop()

    def show(self, tally: "Tally") -> None:
        self._status.update(f"{tally.files} files, {tally.measurements} spectra so far")


def _print_tally(tally: "Tally", as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "files": dict(tally.counts),
                "spectra": tally.measurements,
                "verdicts": dict(tally.verdicts),
                "refused": [{"file": r.path, "note": r.note} for r in tally.refused],
                "conflicts": [{"file": r.path, "note": r.note} for r in tally.conflicts],
                "not_taken": [{"file": f, "note": why} for f, why in tally.left_out.items()],
            }
        )
    else:
        files = ", ".join(f"{n} {word}" for word, n in sorted(tally.counts.items())) or "none new"
        typer.echo(f"files: {files}; spectra taken: {tally.measurements}")
        if tally.verdicts:
            told = ", ".join(f"{n} {word}" for word, n in sorted(tally.verdicts.items()))
            typer.echo(f"verdicts: {told}")
        for row in tally.refused:
            typer.echo(f"refused: {row.note}")
        for row in tally.conflicts:
            typer.echo(f"conflict: {row.path}: {row.note}")
        for file, why in tally.left_out.items():
            typer.echo(f"not taken: {file}: {why}")
    if tally.refused or tally.conflicts or tally.left_out:
        raise typer.Exit(1)
