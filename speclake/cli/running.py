"""Commands that run for long: demo and serve."""

from pathlib import Path
from typing import Annotated

import typer

from speclake.cli.output import HERE, ArchiveOption, counted, opened, print_rows

PortOption = Annotated[
    int | None, typer.Option(help="Port of the pages; the settings' own by default, 0 for any.")
]
PagesOption = Annotated[bool, typer.Option("--pages/--no-pages", help="Serve the pages too.")]


def add_to(app: typer.Typer) -> None:
    """Declare the commands."""
    app.command()(demo)
    app.command()(serve)


def demo(
    folder: Annotated[Path, typer.Argument(help="Folder to make it in.")] = Path("speclake-demo"),
    pages: PagesOption = True,
    port: PortOption = None,
) -> None:
    """Show the whole job on invented data: watch, take in, judge, find, chart.

    Example: speclake demo --no-pages
    """
    from speclake.demo import running, summary_rows

    with running(folder.resolve(), with_pages=pages, port=port, say=typer.echo) as service:
        archive = service.archive
        outcomes = ["pass", "fail", "undecided", "not measurable", "incomplete"]
        print_rows(summary_rows(archive), ["product", "specification", "parts", *outcomes])
        told = ", ".join(f"{n} {name.replace('_', ' ')}" for name, n in archive.totals().items())
        typer.echo(f"all of it invented: {told}")
        typer.echo(f"the archive is in {folder}; its pages: speclake serve --archive {folder}")
        if pages:
            typer.echo("stop with Ctrl+C")
            service.wait()


def serve(
    archive: ArchiveOption = HERE, pages: PagesOption = True, port: PortOption = None
) -> None:
    """Watch the folders of the settings, take in and judge what arrives, and serve the pages.

    Example: speclake serve --archive lab
    """
    from speclake.service import Service, ended_by_signals

    with opened(archive) as lake:
        service = Service(lake, typer.echo)
        with ended_by_signals(service.stop):
            try:
                service.start(with_pages=pages, port=port)
                folders = counted(len(lake.settings.folder), "folder")
                typer.echo(f"watching {folders}; stop with Ctrl+C")
                service.wait()
            finally:
                service.close()
    typer.echo("stopped; everything taken in is committed")
