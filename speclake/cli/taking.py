"""Commands that take files in: ingest, retry, describe, importers."""

from collections.abc import Callable
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING, Annotated

import typer

from speclake.cli.output import HERE, ArchiveOption, JsonOption, opened, print_json, print_rows

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.intake.ingest import Tally

    _Taking = Callable[["Archive", Callable[[Tally], None], Event], Tally]

STOPPED = 130
"""Exit code of a command that was interrupted, as shells have it."""


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
    from speclake.api import taking

    how = taking.ByHand(backfill, verdicts or not backfill, importer, format)
    _take(archive, as_json, lambda lake, show, stop: taking.ingest(lake, paths, how, show, stop))


def retry(archive: ArchiveOption = HERE, as_json: JsonOption = False) -> None:
    """Read every refused file again, from the bytes that the archive keeps.

    Example: speclake retry --archive lab
    """
    from speclake.api import taking

    _take(
        archive,
        as_json,
        lambda lake, show, stop: taking.retry(lake, on_demand=True, progress=show, stop=stop),
    )


def _take(archive: Path, as_json: bool, take: "_Taking") -> None:
    """Take in with a line of progress until all is done, or until somebody asks to stop."""
    from speclake.service import ended_by_signals

    stop = Event()
    with opened(archive) as lake, _Progress(as_json) as progress, ended_by_signals(stop):
        tally = take(lake, progress.show, stop)
    _print_tally(tally, as_json)
    if stop.is_set():
        typer.echo("stopped; what is not in the ledger yet can be taken in later", err=True)
        raise typer.Exit(STOPPED)
    if tally.refused or tally.conflicts or tally.left_out:
        raise typer.Exit(1)


def describe(
    file: Annotated[Path, typer.Argument(help="An export to look at; it is not taken in.")],
    archive: ArchiveOption = HERE,
    answer: Annotated[
        list[str] | None,
        typer.Option(help="Answer to a question of the draft, KEY=VALUE; may come several times."),
    ] = None,
    save: Annotated[
        str | None, typer.Option(help="Name under which the archive keeps the draft as a format.")
    ] = None,
    replace: Annotated[bool, typer.Option(help="Replace a format of that name.")] = False,
    who: Annotated[str, typer.Option(help="Who saves it, for the record.")] = "",
    why: Annotated[str, typer.Option(help="Why, for the record.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Say which importer would take a file, what it reads, and draft a format where none fits.

    Example: speclake describe --archive lab exports/run-17.txt --answer values.unit=%T
    """
    from speclake.api.describing import describe as described
    from speclake.importing.drafting import answer_of

    report = described(archive, file, dict(map(answer_of, answer or [])))
    if as_json:
        print_json(report.as_data())
    else:
        typer.echo(report.as_text())
    if save is not None:
        if not report.draft:
            raise typer.BadParameter(f"found no draft of a format for {file} to save")
        with opened(archive) as lake:
            saved = lake.save_format(save, report.draft, who=who, why=why, replace=replace)
        typer.echo(f"saved the format {saved.name}, version {saved.version}", err=True)
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
        from rich.text import Text

        lines = [f"{tally.files} files, {tally.measurements} spectra so far"]
        lines += [f"reading {path}: {how}" for path, how in tally.under_way.items()]
        self._status.update(Text("\n".join(lines)))


def _print_tally(tally: "Tally", as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "files": dict(tally.counts),
                "known_already": tally.known,
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
        if tally.known:
            typer.echo(
                f"known already: {tally.known}; a file refused before is read again by "
                "`speclake retry`, or with --importer or --format"
            )
        if tally.verdicts:
            told = ", ".join(f"{n} {word}" for word, n in sorted(tally.verdicts.items()))
            typer.echo(f"verdicts: {told}")
        for row in tally.refused:
            typer.echo(f"refused: {row.note}")
        for row in tally.conflicts:
            typer.echo(f"conflict: {row.path}: {row.note}")
        for file, why in tally.left_out.items():
            typer.echo(f"not taken: {file}: {why}")
