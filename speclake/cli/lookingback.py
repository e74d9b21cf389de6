"""The command that looks back from a failed check: what is in doubt, and by how much."""

from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from speclake.cli.output import HERE, ArchiveOption, JsonOption, opened, print_json, print_rows

if TYPE_CHECKING:
    from speclake.api.lookingback import LookBack

COLUMNS = (
    "measurement_id",
    "trusted_at",
    "product",
    "lot",
    "serial",
    "sample",
    "outcome",
    "could_become",
    "reports",
    "gone",
)


def add_to(app: typer.Typer) -> None:
    """Declare the command."""
    app.command("look-back")(look_back)


def look_back(
    instrument: Annotated[str, typer.Argument(help="Name of the instrument.")],
    archive: ArchiveOption = HERE,
    programme: Annotated[str | None, typer.Option(help="Only failures of this programme.")] = None,
    check: Annotated[str | None, typer.Option(help="Only failures of this check.")] = None,
    put_aside: Annotated[
        bool, typer.Option("--put-aside", help="Put everything in doubt aside for review.")
    ] = False,
    only: Annotated[
        Literal["all", "could-change", "judged-there"],
        typer.Option(
            help="Which of them are put aside: those of which a verdict could change, or "
            "that are judged in the range at all."
        ),
    ] = "all",
    who: Annotated[str | None, typer.Option(help="Who puts aside, for the record.")] = None,
    why: Annotated[str | None, typer.Option(help="Why; by default the check that failed.")] = None,
    as_json: JsonOption = False,
) -> None:
    """List what was measured since the last pass of a check that failed.

    Each verdict is taken again with the error that was found, against it where its sign is known,
    else to either side: it says by how much its value could move and what it could become. Reports
    that went out are named with their customer, also those on scans that were withdrawn or exported
    anew since.

    Example: speclake look-back "bench A" --archive lab --put-aside --who quality
    """
    if put_aside and not who:
        raise typer.BadParameter("--put-aside needs --who: an event names who did it")
    with opened(archive) as lake:
        found = lake.look_back(instrument, programme=programme, check=check)
        reason = why or f"{found.check.id} failed on {found.window.failed.taken_at:%Y-%m-%d}"
        count = None
        if put_aside and who:
            chosen = _chosen(found, only)
            count = lake.put_aside(chosen, who=who, why=reason, failure=found.failure)
        zone = lake.settings.zone
    if as_json:
        print_json(_as_data(found, count))
        return
    _print(found, zone)
    if count is not None:
        typer.echo(f"put aside {count} of {len(found.ids)}: {reason}")


def _chosen(found: "LookBack", only: str) -> list[str]:
    """Those in doubt that are put aside, the oldest first."""
    if only == "could-change":
        return [each for each in found.ids if each in set(found.changing)]
    judged = set(found.verdicts["measurement_id"])
    return [each for each in found.ids if only == "all" or each in judged]


def _as_data(found: "LookBack", put_aside: int | None) -> dict[str, Any]:
    lists = ("by_product", "measurements", "verdicts", "reports")
    return {
        "instrument": found.instrument,
        "programme": found.programme.name,
        "check": found.check.id,
        "failed_at": found.window.failed.taken_at,
        "since": found.window.since,
        "until": found.window.until,
        "sentence": found.sentence,
        "errors": [each.words for each in found.errors],
        "others": found.other_sentences,
        "put_aside": put_aside,
        **{name: getattr(found, name).to_dicts() for name in lists},
    }


def _print(found: "LookBack", zone: Any) -> None:
    typer.echo(found.sentence)
    for error in found.errors:
        typer.echo(f"  {error.words}")
    judged = set(found.verdicts["measurement_id"])
    rows = [
        row if row["measurement_id"] in judged else row | {"could_become": "not judged there"}
        for row in found.measurements.to_dicts()
    ]
    print_rows(rows, COLUMNS, zone)
    moved = found.verdicts.filter(found.verdicts["could_become"] != "")
    for row in moved.iter_rows(named=True):
        typer.echo(f"{row['measurement_id'][:8]} {row['sentence']}")
    for row in found.reports.unique(("report", "customer"), maintain_order=True).to_dicts():
        typer.echo(f"report {row['report']} to {row['customer']} is on some of them")
    for sentence in found.other_sentences:
        typer.echo(sentence)
