"""Commands about specifications over time: specs, pack, validate."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

from speclake.cli.output import HERE, ArchiveOption, JsonOption, opened, print_json, print_rows

if TYPE_CHECKING:
    from speclake.api.revisions import Revision
    from speclake.api.whatif import WhatIf

LISTED = ("specification", "revision", "version", "for", "standing", "effective", "approved",
          "measurements")  # fmt: skip
MOST_SHOWN = 50
"""Changed verdicts that are printed one by one; JSON has all."""


def add_to(app: typer.Typer) -> None:
    """Declare the commands."""
    app.command()(specs)


def specs(
    name: Annotated[
        str | None, typer.Argument(help="One specification: all its versions, and what changed.")
    ] = None,
    archive: ArchiveOption = HERE,
    before: Annotated[
        str | None, typer.Option(help="Compare this one: a name, a .toml file or a version.")
    ] = None,
    after: Annotated[str | None, typer.Option(help="With this one; as for --before.")] = None,
    as_json: JsonOption = False,
) -> None:
    """List the specifications, the versions of one, or how two differ.

    Example: speclake specs window-7 --archive lab
    """
    from speclake.api.revisions import told_apart

    if (before is None) != (after is None) or (before and name):
        raise typer.BadParameter("give a name, or both --before and --after")
    with opened(archive) as lake:
        if before is not None and after is not None:
            _tell_differences([each.sentence for each in lake.differences(before, after)], as_json)
            return
        found = lake.revisions(name)
    rows = [_row(each) for each in found]
    told = [[each.sentence for each in told_apart(found, n)] for n in range(len(found))]
    if as_json:
        print_json([row | {"changes": changes} for row, changes in zip(rows, told, strict=True)])
        return
    print_rows((row | {"version": row["version"][:8]} for row in rows), LISTED)
    for each, changes in zip(found, told if name else [], strict=False):
        if changes or each.trouble:
            typer.echo(f"version {each.version[:8]} says otherwise than the one before:")
        for sentence in (*changes, *filter(None, [each.trouble])):
            typer.echo(f"  - {sentence}")


def _tell_differences(sentences: list[str], as_json: bool) -> None:
    if as_json:
        print_json(sentences)
        return
    for sentence in sentences:
        typer.echo(sentence)
    if not sentences:
        typer.echo("both say the same")


def _row(each: "Revision") -> dict[str, Any]:
    """What is told of a version, as text."""
    from speclake.api.revisions import approval, days_in_effect, whom_for

    return {
        "specification": each.name,
        "revision": each.revision,
        "version": each.version,
        "for": whom_for(each),
        "standing": each.standing(datetime.now(UTC).date()),
        "effective": days_in_effect(each),
        "approved": approval(each),
        "first_used_at": each.first_used_at,
        "measurements": each.measurements,
    }


def tell_what_if(found: "WhatIf", as_json: bool) -> None:
    """Print what a specification would change; exit code 1 where it would change an outcome."""
    if as_json:
        print_json(_what_if_as_data(found))
    else:
        _print_what_if(found)
    if found.changes.height:
        raise typer.Exit(1)


def _print_what_if(found: "WhatIf") -> None:
    spec = found.specification
    typer.echo(
        f"{found.measurements} measurements, judged as they stand at commit {found.commit} by "
        f"{spec.name!r}, version {spec.version[:8]}; nothing was written"
    )
    print_rows(
        (
            {"requirement": name, "now": before, "then": after, "verdicts": count}
            for name, counts in found.outcomes.items()
            for (before, after), count in counts.items()
        ),
        ("requirement", "now", "then", "verdicts"),
    )
    for name, count in found.moved.items():
        if count:
            typer.echo(f"{name}: {count} verdicts keep their outcome with another value")
    if not found.changes.height:
        typer.echo("no outcome would change")
        return
    typer.echo(f"outcomes would change for {found.changed_measurements} measurements:")
    columns = ("measurement_id", "lot", "sample", "site", "requirement", "before", "after",
               "shown_after", "unit", "reason")  # fmt: skip
    print_rows(found.changes.head(MOST_SHOWN).to_dicts(), columns)
    if found.changes.height > MOST_SHOWN:
        typer.echo(f"{MOST_SHOWN} of {found.changes.height} shown; --json tells all")


def _what_if_as_data(found: "WhatIf") -> dict[str, Any]:
    return {
        "specification": found.specification.name,
        "version": found.specification.version,
        "commit": found.commit,
        "head": found.head,
        "measurements": found.measurements,
        "outcomes": [
            {"requirement": name, "before": before, "after": after, "verdicts": count}
            for name, counts in found.outcomes.items()
            for (before, after), count in counts.items()
        ],
        "moved": dict(found.moved),
        "compared_with": dict(found.compared_with),
        "changes": found.changes.to_dicts(),
    }
