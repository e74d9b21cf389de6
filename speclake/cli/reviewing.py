"""Commands about doubts: what checks found, what is put aside, and which reports went out on it."""

from typing import Annotated

import typer

from speclake.cli.finding import FindingWord, Since, Text, Until, query_of
from speclake.cli.output import (
    HERE,
    ArchiveOption,
    JsonOption,
    WhoOption,
    WhyOption,
    counted,
    opened,
    print_json,
    print_rows,
)
from speclake.cli.people import Ids

SHOWN = ("measurement_id", "trusted_at", "instrument", "lot", "sample", "check", "severity", "text",
         "advice")  # fmt: skip


def add_to(app: typer.Typer) -> None:
    """Declare the commands."""
    app.command()(findings)
    app.command(name="put-aside")(put_aside)
    app.command()(release)
    app.command(name="report-issued")(report_issued)


def findings(
    check: FindingWord = None,
    instrument: Text = None,
    product: Text = None,
    lot: Text = None,
    since: Since = None,
    until: Until = None,
    limit: Annotated[int, typer.Option(min=1, help="How many rows at most.")] = 50,
    archive: ArchiveOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """List what the checks of spectra found, on the newest measurements first.

    Example: speclake findings --check doubt --instrument "bench A" --since 2026-05-01 --archive lab
    """
    with opened(archive) as lake:
        zone = lake.settings.zone
        asked = query_of(
            zone, finding=check, instrument=instrument, product=product, lot=lot, since=since,
            until=until,
        )  # fmt: skip
        rows = lake.findings(**asked, limit=limit).to_dicts()
    if as_json:
        print_json(rows)
        return
    print_rows(rows, SHOWN, zone)


def put_aside(ids: Ids, who: WhoOption, why: WhyOption, archive: ArchiveOption = HERE) -> None:
    """Put measurements aside for review: their verdicts are not measurable until the release.

    Example: speclake put-aside 3f2a... --who quality --why "the holmium check failed on Monday"
    """
    with opened(archive) as lake:
        typer.echo(f"put aside {lake.put_aside(ids, who=who, why=why)}")


def release(ids: Ids, who: WhoOption, why: WhyOption, archive: ArchiveOption = HERE) -> None:
    """Release measurements from review; they are judged again.

    Example: speclake release 3f2a... --who quality --why "measured again on bench B, no difference"
    """
    with opened(archive) as lake:
        typer.echo(f"released {lake.release(ids, who=who, why=why)}")


def report_issued(
    number: Annotated[str, typer.Argument(help="Number of the report.")],
    customer: Annotated[str, typer.Option(help="To whom it went.")],
    who: WhoOption,
    why: WhyOption,
    measurement: Annotated[
        list[str] | None, typer.Option("--id", help="Identifier of a measurement, repeatable.")
    ] = None,
    product: Text = None,
    lot: Text = None,
    serial: Text = None,
    archive: ArchiveOption = HERE,
) -> None:
    """Put on record that a report on measurements went to a customer.

    Example: speclake report-issued R-14 --customer "customer 2" --lot L7 --who quality --why sold
    """
    asked = query_of(product=product, lot=lot, serial=serial)
    with opened(archive) as lake:
        told = lake.note_report(
            number, customer=customer, ids=measurement, who=who, why=why, **asked
        )
    on = counted(told.count, "measurement")
    typer.echo(f"recorded: report {told.number} for {told.customer} on {on}")
