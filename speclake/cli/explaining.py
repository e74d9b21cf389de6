"""The command that explains verdicts: a sentence for each, and a picture as SVG."""

from pathlib import Path
from typing import Annotated

import typer

from speclake.cli.output import HERE, ArchiveOption, JsonOption, opened, print_json


def add_to(app: typer.Typer) -> None:
    """Declare the command."""
    app.command()(explain)


def explain(
    measurement: Annotated[str, typer.Argument(help="Identifier.")],
    archive: ArchiveOption = HERE,
    requirement: Annotated[
        str | None, typer.Option("--requirement", "-r", help="Only this requirement.")
    ] = None,
    spec: Annotated[str | None, typer.Option(help="Only by this specification.")] = None,
    picture: Annotated[
        Path | None, typer.Option(help="Write the picture of the one verdict here, as .svg.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Explain the verdicts on a measurement, the worst first.

    Example: speclake explain 3f2a... --requirement mean --picture mean.svg --archive lab
    """
    from speclake.api.explaining import one_of, told, write_picture

    with opened(archive) as lake:
        found = lake.explain(*lake.whole_ids([measurement]), requirement=requirement, spec=spec)
        rows = told(lake, found)
    if picture is not None:
        write_picture(one_of(found), picture)
    if as_json:
        print_json(rows)
        return
    for row in rows:
        typer.echo(row["sentence"])
        if row["concession"]:
            typer.echo(f"  {row['concession']}")
    for caution in {each["caution"]: None for each in rows if each["caution"]}:
        typer.echo(caution)
    if not rows:
        typer.echo("no verdict")
