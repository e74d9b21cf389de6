"""Commands that look things up: find, show, judge, export."""

from collections.abc import Mapping
from datetime import datetime, timedelta, tzinfo
from pathlib import Path
from typing import Annotated, Any, Literal

import typer

from speclake.checks import Check, Severity
from speclake.cli.output import (
    HERE,
    ArchiveOption,
    JsonOption,
    OutcomeWord,
    opened,
    print_json,
    print_rows,
)
from speclake.cli.specs import tell_what_if
from speclake.writing.forms import Form

SHOWN = (
    "measurement_id", "time", "time_of", "product", "lot", "sample", "serial", "site", "instrument",
    "kind", "unit", "outcome", "state",
)  # fmt: skip

Text = Annotated[str | None, typer.Option(help="Exact, or with * for any text.")]
FORMATS = ["%Y-%m-%d", "%Y-%m-%dT%H:%M"]
Since = Annotated[
    datetime | None,
    typer.Option(formats=FORMATS, help="From this day or minute on, in the lab's time."),
]
Until = Annotated[
    datetime | None,
    typer.Option(
        formats=FORMATS,
        help="Up to this day, it included, or before this minute, in the lab's time.",
    ),
]
Outcome = Annotated[
    OutcomeWord | None, typer.Option(help="pass, fail, undecided, not measurable or not judged.")
]


def _known_finding(word: str | None) -> str | None:
    known = (*Severity, *(check for check in Check if check is not Check.REVIEW))
    if word is not None and word not in known:
        raise typer.BadParameter(f"found {word!r}; expected one of {', '.join(known)}")
    return word


FindingWord = Annotated[
    str | None,
    typer.Option(
        callback=_known_finding,
        help='Only of this check, as "change-over"; or of this weight, doubt or remark.',
    ),
]


def add_to(app: typer.Typer) -> None:
    """Declare the commands."""
    app.command()(find)
    app.command()(show)
    app.command()(judge)
    app.command()(export)


def query_of(zone: tzinfo | None = None, **given: Any) -> dict[str, Any]:
    """The part of a query that was given; times are in the lab's zone, else this machine's."""
    query = {name: value for name, value in given.items() if value not in (None, False)}
    for name in ("since", "until"):
        if (time := query.get(name)) is not None:
            query[name] = time.replace(tzinfo=zone) if zone else time.astimezone()
    until = query.get("until")
    if until is not None and (until.hour, until.minute) == (0, 0):
        query["until"] = until + timedelta(days=1)
    return query


def find(
    archive: ArchiveOption = HERE,
    sample: Text = None,
    lot: Text = None,
    product: Text = None,
    order: Text = None,
    serial: Text = None,
    site: Text = None,
    instrument: Text = None,
    kind: Text = None,
    text: Annotated[str | None, typer.Option(help="Part of any name, file or comment.")] = None,
    since: Since = None,
    until: Until = None,
    outcome: Outcome = None,
    spec: Annotated[str | None, typer.Option(help="Outcome by this specification alone.")] = None,
    unassigned: Annotated[bool, typer.Option(help="Only what lacks a field.")] = False,
    in_conflict: Annotated[bool, typer.Option(help="Only what waits for a person.")] = False,
    in_review: Annotated[bool, typer.Option(help="Only what is put aside for review.")] = False,
    finding: FindingWord = None,
    limit: Annotated[int, typer.Option(min=1, help="How many rows at most.")] = 50,
    as_json: JsonOption = False,
) -> None:
    """Find measurements, newest first.

    Example: speclake find --archive lab --product "camera window" --outcome fail --since 2026-04-01
    """
    from speclake.measurement import time_of

    with opened(archive) as lake:
        zone = lake.settings.zone
        query = query_of(
            zone, sample=sample, lot=lot, product=product, order_number=order, serial=serial,
            site=site, instrument=instrument, kind=kind, text=text, since=since, until=until,
            outcome=outcome, spec=spec, unassigned=unassigned, in_conflict=in_conflict,
            in_review=in_review, finding=finding,
        )  # fmt: skip
        rows = lake.find(**query, limit=limit).to_dicts()
        count = lake.count(**query)
        accepted = lake.accepted([row["measurement_id"] for row in rows])
    for row in rows:
        row["concession"] = accepted.get(row["measurement_id"])
    if as_json:
        print_json({"count": count, "measurements": rows})
        return
    print_rows(
        (
            {
                **row,
                "time": row["trusted_at"],
                "time_of": time_of(row["trusted_at"], row["scanned_at"]),
                "state": _state(row),
            }
            for row in rows
        ),
        SHOWN,
        zone,
    )
    typer.echo(f"{len(rows)} of {count}; outcome is the worst over {spec or 'all specifications'}")


def _state(row: Mapping[str, Any]) -> str:
    """Why a measurement does not count, or who accepts that it failed, in a few words."""
    if row["in_conflict"] or row["withdrawn"]:
        return "in conflict" if row["in_conflict"] else "withdrawn"
    if row["in_review"]:
        return "under review"
    return row["concession"] or ""


def show(
    measurement: Annotated[str | None, typer.Argument(help="Identifier.")] = None,
    archive: ArchiveOption = HERE,
    lot: Annotated[
        str | None, typer.Option(help="Show a lot: its parts and their outcome.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Show everything known of a measurement, or the outcome of a lot.

    Example: speclake show 3f2a91 --archive lab
    """
    if (measurement is None) == (lot is None):
        raise typer.BadParameter("name a measurement, or a lot with --lot")
    from speclake.api.telling import lot_told, measurement_told

    with opened(archive) as lake:
        told = (
            measurement_told(lake, *lake.whole_ids([measurement]))
            if measurement
            else lot_told(lake, str(lot))
        )
    if as_json:
        print_json(told)
    else:
        _print_told(told)


def _print_told(told: Mapping[str, Any]) -> None:
    width = max(len(key) for key in told)
    for key, value in told.items():
        if isinstance(value, list):
            typer.echo(f"{key.replace('_', ' ')}:" if value else f"{key.replace('_', ' ')}: none")
            for each in value:
                typer.echo(f"  - {each}")
        elif value is not None:
            typer.echo(f"{key.replace('_', ' '):{width}}  {value}")


def judge(
    archive: ArchiveOption = HERE,
    ids: Annotated[
        list[str] | None, typer.Argument(help="Identifiers; none takes a query.")
    ] = None,
    who: Annotated[str | None, typer.Option(help="Who does this, for the record.")] = None,
    why: Annotated[str | None, typer.Option(help="Why, for the record.")] = None,
    spec: Annotated[
        str | None, typer.Option(help="One specification instead of those due.")
    ] = None,
    what_if: Annotated[
        str | None,
        typer.Option(
            metavar="SPEC",
            help="Only tell what would change under this one (a name, a .toml file or a version); "
            "nothing is written, and who and why are not needed.",
        ),
    ] = None,
    product: Text = None,
    lot: Text = None,
    order: Text = None,
    since: Since = None,
    until: Until = None,
    as_json: JsonOption = False,
) -> None:
    """Judge measurements again; the earlier verdicts stay in the record.

    Example: speclake judge --archive lab --lot L7 --who quality --why "assigned to its order"
    """
    with opened(archive) as lake:
        query = query_of(
            lake.settings.zone, product=product, lot=lot, order_number=order, since=since,
            until=until,
        )  # fmt: skip
        ids = lake.whole_ids(ids or [])
        if what_if is not None:
            tell_what_if(lake.what_if(what_if, ids or None, **query), as_json)
            return
        if who is None or why is None:
            raise typer.BadParameter("say --who and --why, for the record")
        if not ids and not query:
            raise typer.BadParameter(
                "name measurements, or narrow them by product, lot, order, day"
            )
        counts = lake.judge(ids or None, spec=spec, who=who, why=why, **query)
        asked = {"ids": tuple(ids)} if ids else query
        waiting = [] if spec else lake.newer_revisions(**asked)
    for sentence in waiting:
        typer.echo(sentence, err=True)
    if as_json:
        print_json(dict(counts))
    else:
        told = ", ".join(f"{n} {word}" for word, n in sorted(counts.items()))
        typer.echo(told or "no specification applies")
    if set(counts) - {"pass"}:
        raise typer.Exit(1)


def export(
    target: Annotated[Path, typer.Argument(help="File to write: .csv, .parquet, .jdx or .dx.")],
    archive: ArchiveOption = HERE,
    ids: Annotated[
        list[str] | None, typer.Argument(help="Identifiers; none takes a query.")
    ] = None,
    product: Text = None,
    lot: Text = None,
    sample: Text = None,
    outcome: Outcome = None,
    what: Annotated[
        Literal["spectra", "verdicts", "original"], typer.Option(help="What to write.")
    ] = "spectra",
    form: Annotated[
        Form, typer.Option(help="How JCAMP-DX writes its numbers; `exact` carries every spectrum.")
    ] = "exact",
) -> None:
    """Write spectra or verdicts to a file in an open format, or an original as it came.

    Example: speclake export lot7.csv --archive lab --lot L7
    """
    query = query_of(product=product, lot=lot, sample=sample, outcome=outcome)
    if not ids and not query:
        raise typer.BadParameter("name measurements, or narrow them by product, lot or sample")
    with opened(archive) as lake:
        ids = lake.whole_ids(ids or [])
        count = lake.export(target, ids or None, what=what, form=form, **query)
    unit = "bytes" if what == "original" else what
    typer.echo(f"wrote {count} {unit} to {target}")
