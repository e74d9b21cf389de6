"""The command that makes lines of a budget: from repeated scans, with degrees of freedom."""

from typing import Annotated

import typer

from speclake.cli.output import HERE, ArchiveOption, opened


def add_to(app: typer.Typer) -> None:
    """Declare the command."""
    app.command()(repeatability)


def repeatability(
    measurements: Annotated[
        list[str], typer.Argument(help="Identifiers of scans repeated on one piece.")
    ],
    band: Annotated[tuple[float, float], typer.Option(help="From and to, in nm.")],
    archive: ArchiveOption = HERE,
) -> None:
    """Print lines for a budget of uncertainties from repeated scans, with degrees of freedom.

    Example: speclake repeatability 3f2a91 81c0de --band 420 680 --archive lab
    """
    from speclake.api.budgeting import lines_from_repeats

    with opened(archive) as lake:
        typer.echo(lines_from_repeats(lake, lake.whole_ids(measurements), band))
