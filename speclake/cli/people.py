"""Commands by which people add to the record: what a scan is, what counts, what is accepted."""

from datetime import datetime
from typing import Annotated

import typer

from speclake.cli.output import HERE, ArchiveOption, WhoOption, WhyOption, opened

Ids = Annotated[list[str], typer.Argument(help="Identifiers, as `speclake find` prints them.")]


def add_to(app: typer.Typer) -> None:
    """Declare the commands."""
    app.command()(assign)
    app.command()(withdraw)
    app.command()(reinstate)
    app.command()(settle)
    app.command()(link)
    app.command()(adopt)
    app.command()(concede)
    app.command()(revoke)


def assign(
    ids: Ids,
    who: WhoOption,
    why: WhyOption,
    field: Annotated[list[str], typer.Option("--field", "-f", help="NAME=VALUE, repeatable.")],
    archive: ArchiveOption = HERE,
) -> None:
    """Give measurements fields that were unknown or wrong; the record of both stays.

    Example: speclake assign 3f2a91 -f lot=L7 -f site=5 --who "op 2" --why "label read again"
    """
    pairs = dict(_pair(each) for each in field)
    with opened(archive) as lake:
        count = lake.assign(lake.whole_ids(ids), pairs, who=who, why=why)
    typer.echo(f"assigned {', '.join(pairs)} to {count}")


def withdraw(ids: Ids, who: WhoOption, why: WhyOption, archive: ArchiveOption = HERE) -> None:
    """Set measurements aside; they stay in the record.

    Example: speclake withdraw 3f2a91 --who "op 2" --why "wrong side up"
    """
    with opened(archive) as lake:
        typer.echo(f"withdrew {lake.withdraw(lake.whole_ids(ids), who=who, why=why)}")


def reinstate(ids: Ids, who: WhoOption, why: WhyOption, archive: ArchiveOption = HERE) -> None:
    """Take withdrawn measurements back.

    Example: speclake reinstate 3f2a91 --who "op 2" --why "it was the right side"
    """
    with opened(archive) as lake:
        typer.echo(f"reinstated {lake.reinstate(lake.whole_ids(ids), who=who, why=why)}")


def settle(ids: Ids, who: WhoOption, why: WhyOption, archive: ArchiveOption = HERE) -> None:
    """Say that measurements in conflict are what they claim to be.

    Example: speclake settle 3f2a91 --who "op 2" --why "site 5 was saved twice, this is site 6"
    """
    with opened(archive) as lake:
        typer.echo(f"settled {lake.settle_conflict(lake.whole_ids(ids), who=who, why=why)}")


def link(
    measurement: Annotated[str, typer.Argument(help="Identifier of the measurement.")],
    kind: Annotated[str, typer.Argument(help='As "measured against", "repeat of", "witness for".')],
    target: Annotated[str, typer.Argument(help="Identifier of the other one.")],
    who: WhoOption,
    why: WhyOption,
    archive: ArchiveOption = HERE,
) -> None:
    """Link two measurements.

    Example: speclake link 3f2a91 "measured against" 77b1c0 --who "op 2" --why "morning baseline"
    """
    from speclake.measurement import LinkKind

    if kind not in set(LinkKind):
        raise typer.BadParameter(f"found {kind!r}; expected one of {', '.join(LinkKind)}")
    with opened(archive) as lake:
        (measurement,), (target,) = lake.whole_ids([measurement]), lake.whole_ids([target])
        typer.echo(f"linked {lake.link(measurement, LinkKind(kind), target, who=who, why=why)}")


def adopt(
    order: Annotated[str, typer.Argument(help="Order, or lot where there is no order.")],
    spec: Annotated[str, typer.Argument(help="Name of the specification.")],
    who: WhoOption,
    why: WhyOption,
    archive: ArchiveOption = HERE,
) -> None:
    """Judge an open order by the specification as written today, from now on.

    Example: speclake adopt O-118 window-7 --who "quality" --why "customer agreed to revision C"
    """
    with opened(archive) as lake:
        lake.adopt_revision(order, spec, who=who, why=why)
    typer.echo(f"{order} is judged by {spec} as written today")


def concede(
    who: WhoOption,
    why: WhyOption,
    part: Annotated[str | None, typer.Option(help="Serial of the part, else its sample.")] = None,
    lot: Annotated[
        str | None, typer.Option(help="Lot; without a part, all of its parts that failed.")
    ] = None,
    product: Annotated[
        str | None, typer.Option(help="Product, where names are not enough.")
    ] = None,
    spec: Annotated[
        str | None, typer.Option(help="Specification, where more than one failed.")
    ] = None,
    requirement: Annotated[
        list[str] | None, typer.Option(help="Only this requirement, repeatable; none means all.")
    ] = None,
    until: Annotated[
        datetime | None, typer.Option(formats=["%Y-%m-%d"], help="Last day on which it holds.")
    ] = None,
    archive: ArchiveOption = HERE,
) -> None:
    """Accept parts that failed, with name and reason; they stay failed.

    Example: speclake concede --lot L7 --part W2 --who "customer's quality" --why "for trials only"
    """
    with opened(archive) as lake:
        given = lake.concede(
            part=part, lot=lot, product=product, spec=spec, requirements=tuple(requirement or ()),
            until=until.date() if until else None, who=who, why=why,
        )  # fmt: skip
    typer.echo(
        f"concession {given.concession_id}: {', '.join(given.requirements)} of "
        f"{', '.join(given.parts)} by {given.spec}; still failed"
    )


def revoke(
    concession: Annotated[str, typer.Argument(help="Identifier, as `concede` prints it.")],
    who: WhoOption,
    why: WhyOption,
    archive: ArchiveOption = HERE,
) -> None:
    """Take a concession back; it stays in the record.

    Example: speclake revoke 3f2a... --who "quality" --why "the trials are over"
    """
    with opened(archive) as lake:
        lake.revoke_concession(concession, who=who, why=why)
    typer.echo(f"revoked {concession}")


def _pair(text: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    if not equals:
        raise typer.BadParameter(f"found {text!r}; expected NAME=VALUE")
    return name.strip(), value.strip()
