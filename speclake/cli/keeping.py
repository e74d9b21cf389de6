"""Commands that look after the archive: new, verify, rebuild, seal, clean."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from speclake.cli.output import HERE, ArchiveOption, JsonOption, opened, print_json


def add_to(app: typer.Typer) -> None:
    """Declare the commands."""
    app.command()(new)
    app.command()(verify)
    app.command()(rebuild)
    app.command()(seal)
    app.command()(clean)


def new(
    path: Annotated[Path, typer.Argument(help="Folder to make the archive in.")],
    name: Annotated[str | None, typer.Option(help="Name of the lab, shown on pages.")] = None,
) -> None:
    """Make a new archive with settings to edit.

    Example: speclake new lab --name "Optics lab"
    """
    from speclake.api import Archive

    Archive.create(path, name).close()
    typer.echo(f"made an archive in {path}; edit {path / 'speclake.toml'} to name your folders")


def verify(
    archive: ArchiveOption = HERE,
    head: Annotated[
        str | None, typer.Option(help="Hash of the last commit, as it was noted elsewhere.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Check every record and file of the archive against what was committed.

    Example: speclake verify --archive lab
    """
    with opened(archive) as lake:
        found = lake.verify(head)
        damage = [each for each in found if not each.left_over]
        last = None if damage else lake.store.head()
    if as_json:
        told = {"commit": last.number, "hash": last.hash} if last else None
        print_json({"head": told, "found": [str(e) for e in found], "damage": len(damage)})
    else:
        for each in found:
            typer.echo(str(each))
        where = f"up to commit {last.number}, {last.hash}" if last else "and without a commit"
        typer.echo("damaged" if damage else f"whole {where}")
    if damage:
        raise typer.Exit(1)


def rebuild(archive: ArchiveOption = HERE) -> None:
    """Make the catalogue anew from the chain; nothing is lost by it.

    Example: speclake rebuild --archive lab
    """
    with opened(archive) as lake:
        lake.rebuild()
        typer.echo(f"the catalogue holds {lake.count()} measurements")


def seal(
    archive: ArchiveOption = HERE,
    who: Annotated[str, typer.Option(help="Who does this, for the record.")] = "speclake seal",
    before: Annotated[
        datetime | None, typer.Option(formats=["%Y-%m-%d"], help="Days before this; today.")
    ] = None,
) -> None:
    """Gather the small batches of past days into one each.

    Example: speclake seal --archive lab --before 2026-11-01
    """
    day = (before or datetime.now(UTC)).date()
    with opened(archive) as lake:
        sealed = lake.seal(day, who=who, why=f"gather the days before {day}")
    typer.echo(f"sealed {sealed} commits of days before {day}")


def clean(archive: ArchiveOption = HERE) -> None:
    """Remove what crashes and sealing left behind.

    Example: speclake clean --archive lab
    """
    with opened(archive) as lake:
        removed = lake.clean()
    for each in removed:
        typer.echo(f"removed {each.path}: {each.why}")
    typer.echo(f"{len(removed)} left-overs removed")
