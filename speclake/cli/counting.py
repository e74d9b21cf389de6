"""Commands about parts and lots: count, state-lot."""

from typing import Annotated

import typer

from speclake.cli.output import HERE, ArchiveOption, WhoOption, WhyOption, opened


def add_to(app: typer.Typer) -> None:
    """Declare the commands."""
    app.command()(count)
    app.command(name="state-lot")(state_lot)


def count(
    measurement: Annotated[str, typer.Argument(help="Identifier of the one that counts.")],
    who: WhoOption,
    why: WhyOption,
    take_back: Annotated[
        bool, typer.Option("--take-back", help="Let all spectra of its place count again.")
    ] = False,
    archive: ArchiveOption = HERE,
) -> None:
    """Say that of several spectra of one place this one alone counts, and why.

    The specification must let a person choose. The others stay on record, and what they found is
    told beside the outcome of the part.

    Example: speclake count 3f2a91 --who "op 2" --why "dust on the part, cleaned, measured again"
    """
    from speclake.api.counting import places_of

    with opened(archive) as lake:
        (measurement,) = lake.whole_ids([measurement])
        if take_back:
            lake.count_all(measurement, who=who, why=why)
        else:
            lake.count_alone(measurement, who=who, why=why)
        places = places_of(lake, measurement)
    word = "no longer is to count alone" if take_back else "is to count alone"
    typer.echo(f"recorded: {measurement} {word}")
    for place in places or ["no other spectrum of its place is known"]:
        typer.echo(place)


def state_lot(
    lot: Annotated[str, typer.Argument(help="The lot.")],
    size: Annotated[int, typer.Option(min=1, help="How many parts it has.")],
    who: WhoOption,
    why: WhyOption,
    archive: ArchiveOption = HERE,
) -> None:
    """State how many parts a lot has, by which a sampling plan is chosen.

    Example: speclake state-lot L7 --size 500 --who "stores" --why "delivery note 12"
    """
    with opened(archive) as lake:
        lake.state_lot(lot, size, who=who, why=why)
    typer.echo(f"lot {lot} has {size} part{'' if size == 1 else 's'}")
