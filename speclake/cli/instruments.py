"""Commands about instruments: their states, checks, standards and logs."""

from collections.abc import Iterator, Mapping
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Any

import typer

from speclake.cli.finding import FORMATS, Since, Until, query_of
from speclake.cli.output import (
    HERE,
    ArchiveOption,
    JsonOption,
    WhoOption,
    WhyOption,
    opened,
    print_json,
    print_rows,
    shown,
)

if TYPE_CHECKING:
    from speclake.api import Archive
    from speclake.api.checkcharts import CheckChart
    from speclake.api.instruments import InstrumentView, LogEntry, StandardView

STATES = ("instrument", "configuration", "state", "since", "due", "reason")
LOG = ("when", "what", "range", "note", "who", "why", "entry_id", "mistaken")
CHECKS = ("taken_at", "programme", "check", "at", "value", "error", "uncertainty", "low", "high",
          "unit", "outcome", "reason")  # fmt: skip
POINTS = ("time", "value", "uncertainty", "unit", "phase", "centre", "lower", "upper", "beyond",
          "outcome", "measurement_id")  # fmt: skip
CERTIFICATES = ("standard", "identification", "certificate", "valid_until", "standing", "needed_by")

Text = Annotated[str | None, typer.Option(help="The whole name.")]


def add_to(app: typer.Typer) -> None:
    """Declare the commands."""
    app.command()(instruments)
    app.command()(qualifications)
    app.command()(standards)
    app.command(name="check-chart")(check_chart)
    app.command(name="log-instrument")(log_instrument)


def instruments(
    instrument: Annotated[str | None, typer.Argument(help="Only this one, with its log.")] = None,
    on: Annotated[
        datetime | None,
        typer.Option(
            formats=["%Y-%m-%d"],
            help="At the end of this day; by default now, in an "
            "invented archive after its last scan.",
        ),
    ] = None,
    archive: ArchiveOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """Tell how each configuration of each instrument stands: fit, unfit or unknown, and why.

    Example: speclake instruments "bench A" --archive lab
    """
    with opened(archive) as lake:
        from speclake.api.instruments import instruments as all_of

        zone = lake.settings.zone
        moment, said = _moment(lake, on)
        views = [each for each in all_of(lake, moment) if instrument in (None, each.instrument)]
    if not views and instrument is not None:
        raise typer.BadParameter(f"found no instrument {instrument!r}")
    if as_json:
        print_json([_told(each) for each in views])
        return
    if said:
        typer.echo(said)
    print_rows((row for each in views for row in _states(each)), STATES, zone)
    for each in views if instrument is not None else []:
        print_rows(map(_logged, each.log), LOG, zone)


def _moment(lake: "Archive", on: datetime | None) -> tuple[datetime, str]:
    """The moment that states are told of, and words where it is not the present."""
    zone, now = lake.settings.zone, datetime.now(UTC)
    if on is not None:
        begins = on.replace(tzinfo=zone) if zone else on.astimezone()
        if begins > now:
            raise typer.BadParameter(f"found --on {on:%Y-%m-%d}, which is yet to come")
        ends = begins + timedelta(days=1, microseconds=-1)
        return min(ends, now).astimezone(UTC), f"As things stood at the end of {on:%Y-%m-%d}:"
    if not lake.settings.invented:
        return now, ""
    last = lake.find(sort="trusted_at", descending=True, limit=1)
    if last.is_empty():
        return now, ""
    moment = last["trusted_at"][0].astimezone(UTC) + timedelta(minutes=1)
    return moment, f"Invented data, as things stood after the last scan, {shown(moment, zone)}:"


def _logged(entry: "LogEntry") -> dict[str, Any]:
    low, high = entry.range_nm
    ends = (f"from {low:g}" if low is not None else "", f"to {high:g}" if high is not None else "")
    reach = " ".join(filter(None, ends))
    return asdict(entry) | {"range": f"{reach} nm" if reach else "all"}


def _states(view: "InstrumentView") -> Iterator[dict[str, Any]]:
    for each in view.configurations:
        yield {
            "instrument": view.instrument, "configuration": each.programme.name,
            "state": each.state, "since": each.now.since, "due": each.due_at,
            "reason": each.now.reason,
        }  # fmt: skip
    if not view.configurations:
        yield {
            "instrument": view.instrument, "configuration": "none has a programme",
            "state": "no state",
            "reason": "no programme speaks of it, so nothing says whether it is fit",
        }  # fmt: skip


def _told(view: "InstrumentView") -> dict[str, Any]:
    """A view as plain values."""
    return {
        "instrument": view.instrument,
        "measurements": view.measurements,
        "configurations": [
            {
                "programme": each.programme.name, "accessory": each.programme.accessory,
                "quantity": each.programme.quantity, "range_nm": each.programme.range_nm,
                "state": each.state, "since": each.now.since, "reason": each.now.reason,
                "due_at": each.due_at, "overdue": each.overdue,
                "checks": [asdict(check) for check in each.checks],
                "over_time": [asdict(stretch) for stretch in each.stretches],
            }
            for each in view.configurations
        ],
        "log": [asdict(each) for each in view.log],
    }  # fmt: skip


def qualifications(
    instrument: Text = None,
    programme: Text = None,
    check: Text = None,
    since: Since = None,
    until: Until = None,
    archive: ArchiveOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """List the numbers of qualification runs against their limits, oldest first.

    Example: speclake qualifications --instrument "bench A" --since 2026-05-01 --archive lab
    """
    with opened(archive) as lake:
        zone = lake.settings.zone
        asked = query_of(
            zone, instrument=instrument, programme=programme, check=check, since=since, until=until
        )
        rows = lake.qualifications(**asked).to_dicts()
    if as_json:
        print_json(rows)
        return
    print_rows(map(_number, rows), CHECKS, zone)


def _number(row: Mapping[str, Any]) -> dict[str, Any]:
    """A number of a run with the digits that it has; a band by its nominal place."""
    from speclake.specs.rounding import with_uncertainty

    u = row["uncertainty"]
    told = {name: with_uncertainty(row[name], u) for name in ("value", "error", "uncertainty")}
    return {**row, **told, "at": row["expected"] if row["what"] == "band positions" else row["at"]}


def standards(archive: ArchiveOption = HERE, as_json: JsonOption = False) -> None:
    """List the certificates of standards, those that expire first before the others.

    Example: speclake standards --archive lab
    """
    with opened(archive) as lake:
        rows = [_certificate(each) for each in lake.standards()]
    if as_json:
        print_json(rows)
        return
    print_rows(rows, CERTIFICATES)


def _certificate(view: "StandardView") -> Mapping[str, Any]:
    said = view.certificate
    return {
        "standard": said.name, "identification": said.identification,
        "certificate": said.certificate, "issued_by": said.issued_by, "issued_on": said.issued_on,
        "valid_until": said.valid_until or "without end", "standing": view.standing,
        "needed_by": "; ".join(f"{check} of {programme}" for programme, check in view.needed_by),
    }  # fmt: skip


def check_chart(
    programme: Annotated[str, typer.Argument(help="Name of the programme.")],
    check: Annotated[str, typer.Argument(help="Identifier of the check in it.")],
    at: Annotated[
        float | None, typer.Option(help="Of several bands the one nearest to this, in nm.")
    ] = None,
    accessory: Annotated[
        str | None,
        typer.Option(help="Of several accessories this one; that of the last by default."),
    ] = None,
    since: Since = None,
    until: Until = None,
    archive: ArchiveOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """Tell the control chart of a check: its numbers, and limits from one work to the next.

    Example: speclake check-chart "bench A, ultraviolet and visible" "check piece" --archive lab
    """
    with opened(archive) as lake:
        zone = lake.settings.zone
        chart = lake.check_chart(
            programme,
            check,
            at=at,
            accessory=accessory,
            **query_of(zone, since=since, until=until),
        )
    points = list(_points(chart))
    if as_json:
        limits = {"limit_low": chart.limit_low, "limit_high": chart.limit_high}
        print_json({"title": chart.title, "shows": chart.shows, **limits, "points": points})
        return
    typer.echo(chart.title)
    print_rows(points, POINTS, zone)


def _points(chart: "CheckChart") -> Iterator[dict[str, Any]]:
    for number, phase in enumerate(chart.phases, start=1):
        for i in range(phase.start, phase.stop):
            yield {
                "time": chart.times[i], "value": chart.values[i],
                "uncertainty": chart.uncertainties[i], "unit": chart.unit, "phase": number,
                "centre": phase.chart.centre, "lower": phase.chart.lower,
                "upper": phase.chart.upper, "beyond": "yes" if chart.out[i] else "",
                "outcome": chart.outcomes[i], "measurement_id": chart.measurement_ids[i],
            }  # fmt: skip


def log_instrument(
    instrument: Annotated[str, typer.Argument(help="Name of the instrument.")],
    what: Annotated[
        str,
        typer.Argument(
            help="lamp change, lamp hours, realignment, service, accessory swap, software update, "
            "other, or mistaken entry."
        ),
    ],
    who: WhoOption,
    why: WhyOption,
    when: Annotated[
        datetime | None,
        typer.Option(formats=FORMATS, help="When it was done, in the lab's time; now by default."),
    ] = None,
    accessory: Annotated[
        str | None, typer.Option(help="Accessory that it has to do with; every one by default.")
    ] = None,
    quantity: Annotated[
        str | None, typer.Option(help="Quantity that it has to do with; every one by default.")
    ] = None,
    from_nm: Annotated[float | None, typer.Option(help="Lower end of the range, in nm.")] = None,
    to_nm: Annotated[float | None, typer.Option(help="Upper end of the range, in nm.")] = None,
    note: Annotated[str, typer.Option(help="A few words that are told with the state.")] = "",
    entry: Annotated[
        str | None, typer.Option(help="Of a mistaken entry: which one is taken back.")
    ] = None,
    archive: ArchiveOption = HERE,
) -> None:
    """Put on record what was done to an instrument; what it touches is unknown until checked again.

    Ultraviolet lamps harm eyes and skin and make ozone, and lamp houses are hot and under voltage:
    whoever opens one follows the maker's instructions and local codes, and is qualified to do so.

    Example: speclake log-instrument "bench A" "lamp change" --to-nm 320 --who "op 1" --why "1000 h"
    """
    with opened(archive) as lake:
        zone = lake.settings.zone
        done = when and (when.replace(tzinfo=zone) if zone else when.astimezone(UTC))
        noted = lake.log_instrument(
            instrument, what, who=who, why=why, when=done, accessory=accessory, quantity=quantity,
            range_nm=(from_nm, to_nm), note=note, entry=entry,
        )  # fmt: skip
    typer.echo(f"recorded: {noted.what} of {noted.instrument}, {shown(noted.when, zone)}")
