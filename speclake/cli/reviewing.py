"""Commands about doubts: what checks found, what is put aside, and which reports went out on it."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from speclake.cli.finding import FindingWord, Since, Text, Until, query_of
from speclake.cli.findinglines import finding_lines
from speclake.cli.output import (
    HERE,
    ArchiveOption,
    JsonOption,
    WhoOption,
    WhyOption,
    counted,
    opened,
    print_json,
)
from speclake.cli.people import Ids

if TYPE_CHECKING:
    from speclake.api.reviewing import Reason


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

    What was found on several scans in the same words is told once, below them.

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
    for line in finding_lines(rows, zone):
        typer.echo(line)


def put_aside(ids: Ids, who: WhoOption, why: WhyOption, archive: ArchiveOption = HERE) -> None:
    """Put measurements aside for review: their verdicts are not measurable until the release.

    Each reason counts by itself: a measurement stays under review until every one is released.
    Where the file of such a scan is exported again, the new state of the scan is aside too. A
    qualification run that is put aside passes nothing until its release.

    Example: speclake put-aside 3f2a91 --who quality --why "the holmium check failed on Monday"
    """
    with opened(archive) as lake:
        whole = lake.whole_ids(ids)
        before = lake.under_review(whole)
        count = lake.put_aside(whole, who=who, why=why)
    for name, held in before.items():
        typer.echo(f"{name[:8]} is under review already for: {_why(held)}")
    _tell("put aside", count, len(whole), "under review already")


def release(
    ids: Ids,
    who: WhoOption,
    why: WhyOption,
    of: Annotated[
        str | None, typer.Option(help="The one reason to release from; every one by default.")
    ] = None,
    archive: ArchiveOption = HERE,
) -> None:
    """Release measurements from review; they are judged again once no reason is left.

    Example: speclake release 3f2a91 --who quality --why "measured again on bench B, no difference"
    """
    with opened(archive) as lake:
        whole = lake.whole_ids(ids)
        before = lake.under_review(whole)
        count = lake.release(whole, who=who, why=why, of=of)
        after = lake.under_review(whole)
    for name, held in before.items():
        if left := _why(after.get(name, ())):
            typer.echo(f"{name[:8]} stays under review for: {left}")
        elif len(held) > 1:
            typer.echo(f"{name[:8]} was released from: {_why(held)}")
    _tell("released", count, len(whole), f"not under review{f' for {of}' if of else ''}")


def _why(held: Sequence["Reason"]) -> str:
    return "; ".join(dict.fromkeys(each.why for each in held))


def _report(number: str) -> str:
    from speclake.api.eventwords import named

    return named("report", number)


def _tell(done: str, count: int, asked: int, otherwise: str) -> None:
    """Say for how many something was recorded, and why for no more; none at all is no success."""
    rest = asked - count
    passed = f"; {rest} {'is' if rest == 1 else 'are'} {otherwise}" if rest else ""
    typer.echo(f"{done} {count}{passed}")
    if not count:
        raise typer.Exit(1)


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
    although_in_review: Annotated[
        bool, typer.Option("--although-in-review", help="Also of measurements under review.")
    ] = False,
    archive: ArchiveOption = HERE,
) -> None:
    """Put on record that a report on measurements went to a customer.

    It is refused where some of them are under review, unless that is said to be known.

    Example: speclake report-issued R-14 --customer "customer 2" --lot L7 --who quality --why sold
    """
    asked = query_of(product=product, lot=lot, serial=serial)
    with opened(archive) as lake:
        ids = None if measurement is None else lake.whole_ids(measurement)
        told = lake.note_report(
            number, customer=customer, ids=ids, who=who, why=why,
            although_in_review=although_in_review, **asked,
        )  # fmt: skip
    on = counted(told.count, "measurement")
    typer.echo(f"recorded: {_report(told.number)} for {told.customer} on {on}")
    if told.under_review:
        typer.echo(f"{told.under_review} of them under review, put aside and not released yet")
